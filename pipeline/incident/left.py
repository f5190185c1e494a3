"""Section B-2: strength left, and stored energy. Pure.

Stored energy is that of line and tail under the last load, by their static stiffness; it says that energy was there,
and nothing of where it went, nor of any distance: no place near a loaded line is safe.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Final

from pipeline.incident.lines import LineRecord
from pipeline.incident.loads import BEFORE_S, end_raw_us, highest
from pipeline.incident.numbering import Context
from pipeline.incident.past import Past, ZonePast
from pipeline.incident.record import Figure, ZoneLife
from pipeline.ledger.account import exact_sum, shown
from pipeline.ledger.basis import strength_basis_of
from pipeline.ledger.strength import retirement_line
from pipeline.site import Site
from pipeline.wear.bending import strength_share
from pipeline.wear.strength import strength_left_kn
from pipeline.wear.together import free_length
from schemas.registers import Rigging

SECTION: Final = "B-2"


def used(site: Site, line: str, zone: ZonePast, *, pending: bool = True) -> Decimal:
    """Life used of a zone's worse band, opening included where it is known; factor on fatigue applied."""
    spec = site.spec_of(line)
    opening = site.lines[line].opening_life or Decimal(0)
    fatigue = exact_sum((zone.fatigue, zone.pending if pending else Decimal(0)))
    free = free_length(
        spec.material, spec.fatigue.includes, shown(fatigue, spec.fatigue.factor), zone.creep or Decimal(0)
    ).life
    return exact_sum((opening, max(free, zone.contact)))


def strength_of(
    context: Context, past: Past, zone: ZoneLife, riggings: Sequence[Rigging], highest_figure: Figure
) -> tuple[Figure, ...]:
    """Section B-2 of one line but for its energy. `zone`: that outboard at the loss; `highest_figure`: of the highest
    load before the loss."""
    site, line, outboard = context.berthed.site, past.line, zone.zone
    spec, numbers, registered = site.spec_of(line), context.numbers, context.registered
    retire_kn, retire_of = retirement_line(site, line)
    found = [
        numbers.figure(
            SECTION,
            f"strength.{line}.retire",
            f"strength at which {line} is retired",
            retire_kn,
            "kN",
            retire_of,
            of_registers=registered.limit(line) + registered.policy("retire_pct"),
        )
    ]
    left = None
    if spec.strength_left is not None:
        worn = next(one for one in past.zones if one.zone == outboard)
        left = strength_left_kn(site.break_force_kn(line), float(used(site, line, worn)), spec.strength_left)
    word = strength_basis_of(site, line)[0]
    as_new = "" if site.lines[line].opening_life is not None else "; as if new at its first record"
    found.append(
        numbers.figure(
            SECTION,
            f"strength.{line}.left",
            f"strength left of {line}, zone {outboard}, at the loss ({word})",
            left,
            "kN",
            f"spec [strength_left] applied to the zone's total{as_new}. A break test outranks it",
            not_known=f"spec {spec.id} has no [strength_left]",
            of_figures=(zone.total.number,),
            of_registers=registered.break_force(line) + registered.spec(line, "strength_left"),
        )
    )
    rigged = next((row for row in reversed(riggings) if row.from_us <= past.until_us), None)
    bend = None
    if rigged is not None and rigged.bend_ratio is not None:
        bend = strength_share(rigged.bend_ratio, material=spec.material, bending=spec.bending)
    found.append(
        numbers.figure(
            SECTION,
            f"strength.{line}.bend",
            f"strength of {line} over the bend at its chock, of that of the straight rope",
            None if bend is None else 100.0 * bend.share,
            "%",
            "no source" if bend is None else bend.source,
            not_known="rigging.csv gives no bend_ratio, or nothing says what a bend of this rope takes",
            of_registers=() if rigged is None else registered.rigging(rigged) + registered.spec(line, "bending"),
        )
    )
    kn = _last_kn(context, line)
    at_hand = None if left is None else left * (1.0 if bend is None else bend.share)
    found.append(
        numbers.figure(
            SECTION,
            f"strength.{line}.load-share",
            f"highest recorded on {line} before the loss, of the strength left at the weakest of these",
            None if kn is None or at_hand is None or at_hand <= 0 else 100.0 * kn / at_hand,
            "%",
            "A-4 highest over strength left, times the bend where it is known. Below 100 % proves nothing: cuts, eyes, "
            "splices and all else that is not modelled are not in it",
            at_least=True,
            not_known="strength left is not reckoned, or the load was not recorded",
            of_figures=(highest_figure.number, *(one.number for one in found[1:] if one.value is not None)),
        )
    )
    return tuple(found)


def _last_kn(context: Context, line: str) -> float | None:
    """The highest of the ten seconds before the loss: that of the main line for its tails too."""
    record: LineRecord = context.own
    end_us = end_raw_us(context, record)
    found = highest(record, end_us - BEFORE_S * 1e6, end_us)
    return None if found is None or line not in (record.line, *record.tails) else found.kn


def energy_of(context: Context, past: Past, riggings: Sequence[Rigging], highest_figure: Figure) -> tuple[Figure, ...]:
    """Stored energy of one line."""
    site, line, registered = context.berthed.site, past.line, context.registered
    spec = site.spec_of(line)
    rigged = next((row for row in reversed(riggings) if row.from_us <= past.until_us), None)
    kn = _last_kn(context, line)
    length_m = None if rigged is None else rigged.outboard_m
    if site.lines[line].part == "main" and rigged is not None and rigged.inboard_m is not None and length_m is not None:
        length_m += rigged.inboard_m
    stiff = None if spec.stiffness is None else spec.stiffness.static * site.break_force_kn(line)
    value = None if kn is None or length_m is None or stiff is None else kn * kn * length_m / (2.0 * stiff)
    figure = context.numbers.figure(
        SECTION,
        f"energy.{line}",
        f"elastic energy stored in {line} at the highest load recorded before the loss",
        value,
        "kJ",
        "load squared times length over twice EA, EA from the spec's static stiffness; length outboard and inboard "
        "from rigging.csv. A straight-line model: a soft tail stores otherwise. Nothing follows from it for any "
        "distance or place",
        at_least=True,
        not_known="rigging.csv gives no outboard_m, or the spec no [stiffness], or the load was not recorded",
        of_figures=(highest_figure.number,),
        of_registers=(() if rigged is None else registered.rigging(rigged))
        + registered.break_force(line)
        + registered.spec(line, "stiffness"),
    )
    return (figure,)
