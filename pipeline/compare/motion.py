"""How much more tension one motion of the ship makes in another rope: stiffness of line and tail in series. Pure.

Static stiffness, linear; the ship is taken to move as she did, though a stiffer line would hold her more.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.site import Site
from schemas.registers import Rigging, Spec


def motion_scale(
    site: Site, line: str, riggings: Sequence[Rigging], spec: Spec
) -> tuple[float, None] | tuple[None, str]:
    """Tension about its mean in `spec` over that in the line's own rope, for one motion; or None, and why not.

    The largest over the line's riggings. The line's own spec gives 1, whatever is registered.
    """
    own = site.spec_of(line)
    if spec == own:
        return 1.0, None
    if own.stiffness is None or spec.stiffness is None:
        return None, f"spec {(own if own.stiffness is None else spec).id} has no [stiffness]"
    scales = []
    for row in riggings:
        length_m = _length_m(site, row)
        if isinstance(length_m, str):
            return None, length_m
        rest = _give_of_the_rest(site, row)
        if isinstance(rest, str):
            return None, rest
        own_give = length_m / (own.stiffness.static * site.break_force_kn(line))
        give = length_m / (spec.stiffness.static * spec.break_force_kn)
        if not give + rest > 0:
            return None, f"rigging.csv gives {line} no length"
        scales.append((own_give + rest) / (give + rest))
    return (max(scales), None) if scales else (None, "it was never rigged")


def specs_in(site: Site, riggings: Sequence[Rigging], spec: Spec) -> list[Spec]:
    """The specs whose [stiffness] a scale rests on: the line's own, the candidate's, and those that hang in series."""
    lines = [one.line for row in riggings for one in (row, *_in_series(site, row))]
    return list({one.id: one for one in (*map(site.spec_of, lines), spec)}.values())


def _in_series(site: Site, rigging: Rigging) -> list[Rigging]:
    """Riggings of what may hang in series: lines of the other part, rigged alike."""
    part = site.lines[rigging.line].part
    alike = (rigging.channel, rigging.from_us, rigging.to_us, rigging.share_pct)
    return [
        row
        for row in site.riggings
        if (row.channel, row.from_us, row.to_us, row.share_pct) == alike and site.lines[row.line].part != part
    ]


def _length_m(site: Site, row: Rigging) -> float | str:
    """What of a line stretches: a tail from eye to hook, a main line from drum to hook."""
    if row.outboard_m is None:
        return f"rigging.csv gives no outboard_m of {row.line}"
    if site.lines[row.line].part == "tail":
        return row.outboard_m
    if row.inboard_m is None:
        return f"rigging.csv gives no inboard_m of {row.line}"
    return row.inboard_m + row.outboard_m


def _give_of_the_rest(site: Site, rigging: Rigging) -> float | str:
    """Stretch per kN [m/kN] of what hangs in series: the tail of a main line, the main line of a tail; 0 of none."""
    gives = set()
    for row in _in_series(site, rigging):
        spec, length_m = site.spec_of(row.line), _length_m(site, row)
        if isinstance(length_m, str):
            return length_m
        if spec.stiffness is None:
            return f"spec {spec.id} of {row.line}, in series with it, has no [stiffness]"
        gives.add(length_m / (spec.stiffness.static * site.break_force_kn(row.line)))
    if len(gives) > 1:
        return f"several lines are rigged alike on {rigging.channel}: which hangs in series with it is not known"
    return gives.pop() if gives else 0.0
