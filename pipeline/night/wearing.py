"""What one day took of a line's zone besides fatigue: rope temperature, creep, abrasion; and what goes into the next.

Prices day sheets alone. Fatigue stays in `account`, because its state is the residue of the fold.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.night.air import DayAir
from pipeline.night.plan import Geometry, digest
from pipeline.sheets.cycles import Floats, Ints
from pipeline.sheets.sheet import Felt
from pipeline.sheets.swings import NO_SWING, Bridged, OpenSwing, bridge
from pipeline.wear.abrasion import NotReckoned, contact_of, swing_units, travel_units
from pipeline.wear.cells import CLASS_KN, middles_kn
from pipeline.wear.creep import Crept, creep_units, sustained_bins
from pipeline.wear.fatigue import cycles_outside
from pipeline.wear.heat import Air, RopeHeat, Section, range2_in_bins, section_of, warm
from pipeline.wear.together import adds
from schemas.registers import Spec

NO_SOURCE = {"source", "calibrated", "factor", "published"}
"""What of a table of constants changes no life."""


@dataclass(frozen=True)
class Wear:
    """What prices a line's sheets: its break force [kN], its spec, and the air about it."""

    break_force_kn: float
    spec: Spec
    air: Air

    @property
    def digests(self) -> Mapping[str, str]:
        """Digest of all that decides the life used by a given sheet, by mechanism. The factor is applied when shown."""
        spec, force = self.spec, self.break_force_kn
        curve = spec.fatigue.model_dump(mode="json", include={"a", "b", "m", "m2", "r2", "reference_strength"})
        warmth = [
            _constants(spec.heat),
            spec.diameter_mm,
            spec.mass_kg_per_m,
            self.air.temperature_c,
            self.air.wind_m_s,
        ]
        return {
            "fatigue": digest([force, curve]),
            "creep": digest([force, spec.material, spec.fatigue.includes, _constants(spec.creep), warmth]),
            "abrasion": digest([force, _constants(spec.abrasion)]),
        }

    @property
    def digest(self) -> str:
        """One digest of all of it, and of what is only counted."""
        counted = ("valid_r", "valid_lm", "compression_below")
        return digest([dict(self.digests), self.spec.fatigue.model_dump(mode="json", include=set(counted))])

    @property
    def section(self) -> Section | None:
        """The rope as a warm cylinder; None where its spec has no constants of heat."""
        return section_of(self.spec, self.break_force_kn)


@dataclass(frozen=True)
class Carried:
    """What a day leaves to the next one besides the residue: the rope's temperature, and the swing still open."""

    heat: RopeHeat | None = None
    swing: OpenSwing = NO_SWING

    def as_json(self) -> dict[str, Any]:
        """As a mapping for the ledger; floats keep all their digits."""
        heat = None if self.heat is None else {"at_us": self.heat.at_us, "surface_c": self.heat.surface_c}
        return {"heat": heat, "swing": {"kn": list(self.swing.kn), "us": list(self.swing.us)}}


def carried_of(stored: Mapping[str, Any]) -> Carried:
    """What `Carried.as_json` was made from."""
    heat = None if stored["heat"] is None else RopeHeat(stored["heat"]["at_us"], stored["heat"]["surface_c"])
    return Carried(heat, OpenSwing(tuple(stored["swing"]["kn"]), tuple(stored["swing"]["us"])))


NOTHING_CARRIED = Carried()


@dataclass(frozen=True)
class DayWear:
    """One day's creep and abrasion in units of 2^-100 (None: not reckoned), counts that no life holds, and classes.

    `cycles`: (low, high, count) by 5 kN class; `levels`: (class, us).
    """

    carried: Carried
    creep_units: int | None
    abrasion_units: int | None
    facts: Mapping[str, Any]
    cycles: tuple[Ints, Ints, Ints]
    levels: tuple[Ints, Ints]


def wear_day(
    before: Carried,
    sheets: Sequence[Felt],
    geometry: Sequence[Geometry],
    closed: Sequence[tuple[Floats, Floats, Ints]],
    wear: Wear,
    air: DayAir | None,
) -> DayWear:
    """Creep and abrasion of one day's sheets, in time order. `closed`: the cycles that closed on it.

    `air`: what was read of the air that day; None: what the registers say.

    The swings that a sheet finishes for the day before are booked on the sheet's own day.
    """
    priced = price_day(before, sheets, geometry, wear, air)
    facts = dict(priced.facts)
    for low_kn, high_kn, count in closed:
        found = cycles_outside(low_kn, high_kn, count, break_force_kn=wear.break_force_kn, curve=wear.spec.fatigue)
        for name in ("beyond_r", "below_r", "outside_lm", "compressed", "total"):
            facts[f"cycles_{name}"] = facts.get(f"cycles_{name}", 0) + getattr(found, name)
    units = (priced.creep_units, priced.abrasion_units)
    return DayWear(priced.carried, *units, facts, _classes(closed), _levels(sheets))


@dataclass(frozen=True)
class PricedDay:
    """What of `DayWear` does not come from closed cycles."""

    carried: Carried
    creep_units: int | None
    abrasion_units: int | None
    facts: Mapping[str, Any]


def price_day(
    before: Carried, sheets: Sequence[Felt], geometry: Sequence[Geometry], wear: Wear, air: DayAir | None
) -> PricedDay:
    """Heat, creep and abrasion of one day's sheets, in time order; arguments as of `wear_day`."""
    section, carried = wear.section, before
    tally = _Tally()
    for sheet, place in zip(sheets, geometry, strict=True):
        swings = bridge(carried.swing, sheet)
        heat, core_bins, core_c = carried.heat, np.empty(0, np.int64), np.empty(0, np.float64)
        around = wear.air if air is None else air.between(sheet.from_us, sheet.to_us)
        if section is None and air is not None:
            core_bins, core_c = air.bins, air.temperature_c
        if section is not None:
            span = (sheet.from_us, sheet.to_us)
            warmed = warm(carried.heat, *span, *range2_of(sheet, swings), section, around)
            heat, core_bins, core_c = warmed.after, warmed.bins, warmed.core_c
            tally.warmest(core_c)
        tally.peak(sheet)
        tally.creep(_creep(sheet, swings, core_bins, core_c, wear))
        tally.abrasion(_abrasion(sheet, swings, place, wear))
        carried = Carried(heat, swings.open)
    return PricedDay(carried, tally.creep_units, tally.abrasion_units, tally.facts())


class _Tally:
    """Sums of one day over its sheets."""

    def __init__(self) -> None:
        self.creep_units: int | None = None
        self.abrasion_units: int | None = None
        self._facts: dict[str, Any] = {}

    def warmest(self, core_c: Floats) -> None:
        if core_c.size:
            self._facts["core_c"] = max(float(core_c.max()), self._facts.get("core_c", float("-inf")))

    def peak(self, sheet: Felt) -> None:
        """The day's highest tension: it is never inside a closed cycle only, so an open point has its value."""
        if sheet.residue_kn.size:
            at = int(sheet.residue_kn.argmax())
            if float(sheet.residue_kn[at]) > self._facts.get("peak_kn", float("-inf")):
                self._facts |= {"peak_kn": float(sheet.residue_kn[at]), "peak_us": int(sheet.residue_us[at])}

    def creep(self, crept: Crept | None) -> None:
        if crept is None:
            return
        self.creep_units = (self.creep_units or 0) + crept.units
        for name in ("counted_us", "outside_load_us", "outside_cold_us", "outside_hot_us"):
            self._add(f"creep_{name}", getattr(crept, name))

    def abrasion(self, found: int | str) -> None:
        if isinstance(found, int):
            self.abrasion_units = (self.abrasion_units or 0) + found
        else:
            self._facts["abrasion_not_reckoned"] = found

    def facts(self) -> dict[str, Any]:
        return dict(self._facts)

    def _add(self, name: str, count: int) -> None:
        self._facts[name] = self._facts.get(name, 0) + int(count)


def _creep(sheet: Felt, swings: Bridged, core_bins: Ints, core_c: Floats, wear: Wear) -> Crept | None:
    creep, rule = wear.spec.creep, adds(wear.spec.material, wear.spec.fatigue.includes)
    if creep is None or rule in ("load-time-only", "none"):
        return None
    sustained = None
    if rule == "sustained-only":
        sustained = sustained_bins(
            sheet.level_bins,
            sheet.swing_cells,
            swings.low_kn,
            swings.high_kn,
            swings.end_us,
            break_force_kn=wear.break_force_kn,
            creep=creep,
        )
    return creep_units(
        sheet.level_bins,
        sheet.level_classes,
        sheet.level_us,
        core_bins,
        core_c,
        break_force_kn=wear.break_force_kn,
        creep=creep,
        ambient_c=float(wear.air.temperature_c),
        counted=sustained,
    )


def _abrasion(sheet: Felt, swings: Bridged, place: Geometry, wear: Wear) -> int | str:
    """Life in units, or in words why it is not reckoned."""
    contact = contact_of(place, wear.spec.abrasion, wear.break_force_kn)
    if isinstance(contact, NotReckoned):
        return contact.why
    _, low_classes, high_classes, swung = sheet.swing_cells.T
    return (
        swing_units(middles_kn(low_classes), middles_kn(high_classes), swung, contact)
        + swing_units(swings.low_kn, swings.high_kn, np.ones(swings.low_kn.size, np.int64), contact)
        + travel_units(middles_kn(sheet.travel_classes), sheet.travel_m, contact)
    )


def range2_of(sheet: Felt, swings: Bridged) -> tuple[Ints, Floats]:
    """A sheet's swings as heat takes them: bins, and sums of range^2 [kN^2]. `swings`: finished by the join to it."""
    return range2_in_bins(
        sheet.from_us,
        sheet.to_us,
        sheet.swing_bins,
        sheet.swing_range2_kn2,
        bridged_low_kn=swings.low_kn,
        bridged_high_kn=swings.high_kn,
        bridged_end_us=swings.end_us,
    )


MOST_CELLS = 1 << 20
"""Of a grid that is counted in one pass; a reading gone wild may span more."""


def _classes(closed: Sequence[tuple[Floats, Floats, Ints]]) -> tuple[Ints, Ints, Ints]:
    """Closed cycles by 5 kN class of low and high, ascending."""
    if not any(count.size for *_, count in closed):
        none = np.empty(0, np.int64)
        return none, none, none
    low, high = (np.floor(np.concatenate([c[end] for c in closed]) / CLASS_KN).astype(np.int64) for end in (0, 1))
    count = np.concatenate([c[2] for c in closed])
    first, wide = int(high.min()), int(high.max() - high.min()) + 1
    cells = (low - low.min()) * wide + (high - first)
    if int(cells.max()) < MOST_CELLS:
        # Counts are far below 2^53, so that sums of doubles are exact.
        sums = np.bincount(cells, weights=count)
        used = np.flatnonzero(sums)
        counts = sums[used].astype(np.int64)
    else:
        used, where = np.unique(cells, return_inverse=True)
        counts = np.zeros(used.size, np.int64)
        np.add.at(counts, where, count)
    return used // wide + low.min(), used % wide + first, counts


def _levels(sheets: Sequence[Felt]) -> tuple[Ints, Ints]:
    """Time at level by 5 kN class, over all bins."""
    classes = np.concatenate([sheet.level_classes for sheet in sheets] or [np.empty(0, np.int64)])
    level_us = np.concatenate([sheet.level_us for sheet in sheets] or [np.empty(0, np.int64)])
    unique, where = np.unique(classes, return_inverse=True)
    sums = np.zeros(unique.size, np.int64)
    np.add.at(sums, where, level_us)
    return unique, sums


def _constants(table: Any) -> dict[str, Any] | None:
    return None if table is None else table.model_dump(mode="json", exclude=NO_SOURCE)
