"""What a line's figures rest on, and so what they may be called. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final, Literal

from pipeline.ledger.words import AMBIENT_C, CALIBRATED, SEVERITY_INDEX
from pipeline.site import Site
from pipeline.wear.abrasion import NotReckoned, contact_of
from pipeline.wear.together import adds
from schemas.registers import Rigging, Spec
from schemas.specs import Sourced
from schemas.times import us_to_rfc3339

NOT_ITS_OWN = ("invented", "borrowed", "reference only")
"""Words in a source that make a figure a severity index; "reference only" stands in that of every published curve."""

Table = Literal["creep", "heat", "abrasion", "bending", "strength_left", "stiffness"]
LIFE_TABLES: Final[tuple[Table, ...]] = ("creep", "heat", "abrasion")
"""Tables of a spec that life used rests on, besides its curve."""


def basis_of(site: Site, line: str) -> tuple[str, list[str]]:
    """What the line's figures are called, and every reason why they are no more than a severity index."""
    reasons = [
        *_curve_reasons(site.spec_of(line)),
        *reasons_of(site.spec_of(line), LIFE_TABLES),
        *_air_reasons(site, line),
        *_sensor_reasons(site, line),
        *_share_reasons(site, line),
        *_opening_reasons(site, line),
    ]
    return (SEVERITY_INDEX if reasons else CALIBRATED), reasons


def unsourced(source: str | None) -> str | None:
    """Why a constant with this source is none of the line's own, in words; None when it is."""
    if source is None or not source.strip():
        return "has no source"
    if any(word in source.lower() for word in NOT_ITS_OWN):
        return f'says of its source: "{source}"'
    return None


def _curve_reasons(spec: Spec) -> list[str]:
    reasons = []
    if (why := unsourced(spec.fatigue.source)) is not None:
        reasons.append(f"the fatigue curve of spec {spec.id} {why}")
    if not spec.fatigue.calibrated:
        reasons.append(f"the fatigue curve of spec {spec.id} is not marked calibrated")
    return reasons


def not_reckoned(site: Site, line: str) -> dict[str, str]:
    """Mechanisms that the line's account does not hold although they may wear it, each with why."""
    riggings = [row for row in site.riggings if row.line == line]
    return not_reckoned_of(site.spec_of(line), riggings, site.break_force_kn(line))


def not_reckoned_of(spec: Spec, riggings: Sequence[Rigging], break_force_kn: float) -> dict[str, str]:
    """The same of a spec under given riggings."""
    found, rule = {}, adds(spec.material, spec.fatigue.includes)
    if rule == "load-time-only":
        found["creep"] = f"for {spec.material} it is shown as time under load, and takes no life"
    elif rule != "none" and spec.creep is None:
        found["creep"] = f"spec {spec.id} has no [creep]"
    if spec.heat is None:
        found["heat"] = f"spec {spec.id} has no [heat]: creep, where it is reckoned, is at air temperature"
    contacts = [contact_of(row, spec.abrasion, break_force_kn) for row in riggings]
    whys = dict.fromkeys(contact.why for contact in contacts if isinstance(contact, NotReckoned))
    if whys:
        found["abrasion"] = "; ".join(whys)
    return found


def strength_basis_of(site: Site, line: str) -> tuple[str, list[str]]:
    """What strength left and margin are called: they rest on the line's life, and on more constants of its spec."""
    reasons = [*basis_of(site, line)[1], *reasons_of(site.spec_of(line), ("strength_left", "bending"))]
    return (SEVERITY_INDEX if reasons else CALIBRATED), reasons


def basis_of_spec(spec: Spec) -> tuple[str, list[str]]:
    """What figures that rest on a spec alone are called, and why."""
    reasons = [*_curve_reasons(spec), *reasons_of(spec, LIFE_TABLES)]
    return (SEVERITY_INDEX if reasons else CALIBRATED), reasons


def reasons_of(spec: Spec, tables: Iterable[Table]) -> list[str]:
    """Why what rests on these tables of a spec is no more than an index; those it lacks give no figure."""
    reasons = []
    for name in tables:
        table: Sourced | None = getattr(spec, name)
        if table is None:
            continue
        if (why := unsourced(table.source)) is not None:
            reasons.append(f"[{name}] of spec {spec.id} {why}")
        if not table.calibrated:
            reasons.append(f"[{name}] of spec {spec.id} is not marked calibrated")
    return reasons


def _air_reasons(site: Site, line: str) -> list[str]:
    spec = site.spec_of(line)
    if site.info.ambient_c is not None or (spec.creep is None and spec.heat is None):
        return []
    return [f"site.toml gives no ambient_c: the air is taken to have {AMBIENT_C:g} °C"]


def _sensor_reasons(site: Site, line: str) -> list[str]:
    channels = dict.fromkeys(row.channel for row in site.riggings if row.line == line)
    return [f"no calibration of {name} is registered" for name in channels if not site.calibrations_of(name)]


def _share_reasons(site: Site, line: str) -> list[str]:
    return [
        f"its share of {row.channel} from {us_to_rfc3339(row.from_us)} is assumed ({row.share_pct:g} %)"
        for row in site.riggings
        if row.line == line and row.share_basis == "assumed"
    ]


def _opening_reasons(site: Site, line: str) -> list[str]:
    row = site.lines[line]
    if row.opening_life is None or (why := unsourced(row.opening_source)) is None:
        return []
    return [f"the opening life {why}"]
