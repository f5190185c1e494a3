"""A recorded history run through ropes sheet by sheet, as a night prices it: the account that each would have.

Sheets are read and folded once, by workers, and priced for every rope. Under equal motion only fatigue is exact: its
map keeps cycles cycles. Heat, creep and abrasion would need sheets of other tensions.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

import numpy as np

from pipeline.compare.history import Zone, moved_kn
from pipeline.compare.price import Lives
from pipeline.errors import Bug
from pipeline.ledger import index
from pipeline.ledger.account import exact_sum, shown
from pipeline.ledger.database import Ledger
from pipeline.night.accounts import air_of
from pipeline.night.air import DayAir, air_of_days
from pipeline.night.plan import Geometry
from pipeline.night.wearing import NOTHING_CARRIED, Carried, Wear, price_day
from pipeline.sheets.cycles import Floats, Ints
from pipeline.sheets.fold import EMPTY, State, fold
from pipeline.sheets.sheet import Felt
from pipeline.site import Site
from pipeline.store.depot import Depot
from pipeline.store.sheets import read_felt
from pipeline.wear.fatigue import UNIT_EXPONENT, Powers, life_units, pending_units, to_decimal
from schemas.registers import Rigging
from schemas.times import day_start_us

Cycles = tuple[Floats, Floats, Ints]
"""Closed cycles: low and high [kN], count."""


@dataclass(frozen=True)
class FeltDay:
    """One day of a line's zone: (id, file below `store/`) of each sheet in time order, and its rigging's geometry.

    `air`: what the site's own channels read of it; None: what the registers say.
    """

    sheets: tuple[tuple[str, str], ...]
    geometry: tuple[Geometry, ...]
    air: DayAir | None


@dataclass(frozen=True)
class Rope:
    """What prices a rope, and how it moves: `scale` (None: equal motion is not reckoned) about `mean_kn`."""

    wear: Wear
    scale: float | None
    mean_kn: float


@dataclass(frozen=True)
class Repriced:
    """One rope's lives under equal load, and its fatigue under equal motion."""

    load: Lives
    motion_fatigue: Decimal | None


@dataclass(frozen=True)
class RepriceJob:
    """All days of one zone, and the ropes to run through them."""

    store: Depot
    days: Sequence[FeltDay]
    ropes: Sequence[Rope]


def reprice(job: RepriceJob) -> list[Repriced]:
    """The account that each rope would have, in order: a worker's job. Reads sheets, writes nothing."""
    tallies = [_Tally(rope) for rope in job.ropes]
    state = EMPTY
    for day in job.days:
        sheets = [read_felt(job.store, path, [sheet])[sheet] for sheet, path in day.sheets]
        parts: list[Cycles] = []
        for sheet in sheets:
            folded = fold(state, sheet)
            state = folded.state
            parts += [(c.low_kn, c.high_kn, c.count) for c in (sheet, folded)]
        for tally in tallies:
            tally.day(sheets, day, parts)
    return [tally.lives(state) for tally in tallies]


class _Tally:
    """One rope's account, day by day. Each day is rounded as it is when posted."""

    def __init__(self, rope: Rope) -> None:
        self._rope = rope
        self._powers = Powers()
        self._carried: Carried = NOTHING_CARRIED
        self._fatigue: list[Decimal] = []
        self._motion: list[Decimal] = []
        self._creep: list[Decimal] = []
        self._abrasion: list[Decimal] = []

    def day(self, sheets: Sequence[Felt], felt: FeltDay, closed: Sequence[Cycles]) -> None:
        rope = self._rope
        priced = price_day(self._carried, sheets, felt.geometry, rope.wear, felt.air)
        self._carried = priced.carried
        for units, lives in ((priced.creep_units, self._creep), (priced.abrasion_units, self._abrasion)):
            if units is not None:
                lives.append(to_decimal(units))
        self._fatigue.append(self._closed(closed))
        if rope.scale is not None and rope.scale != 1.0:
            mean_kn, scale = rope.mean_kn, rope.scale
            moved = [(moved_kn(low, mean_kn, scale), moved_kn(high, mean_kn, scale), n) for low, high, n in closed]
            self._motion.append(self._closed(moved))

    def lives(self, state: State) -> Repriced:
        """All of it, with what is open after the last day."""
        rope, factor = self._rope, self._rope.wear.spec.fatigue.factor
        load = Lives(
            shown(exact_sum([*self._fatigue, self._open(state.residue_kn)]), factor),
            exact_sum(self._creep) if self._creep else None,
            exact_sum(self._abrasion) if self._abrasion else None,
        )
        if rope.scale is None:
            return Repriced(load, None)
        if rope.scale == 1.0:
            return Repriced(load, load.fatigue)
        open_ = self._open(moved_kn(state.residue_kn, rope.mean_kn, rope.scale))
        return Repriced(load, shown(exact_sum([*self._motion, open_]), factor))

    def _closed(self, closed: Sequence[Cycles]) -> Decimal:
        wear = self._rope.wear
        force, curve, powers = wear.break_force_kn, wear.spec.fatigue, self._powers
        return to_decimal(
            sum(
                life_units(low_kn, high_kn, count, break_force_kn=force, curve=curve, powers=powers)
                for low_kn, high_kn, count in closed
            )
        )

    def _open(self, residue_kn: Floats) -> Decimal:
        wear = self._rope.wear
        if residue_kn.size < 2:
            return Decimal(0)
        units = pending_units(
            np.ascontiguousarray(residue_kn), break_force_kn=wear.break_force_kn, curve=wear.spec.fatigue
        )
        return to_decimal(units, UNIT_EXPONENT + 1)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a live sheet lies, and the slice it tells."""

    path: str
    channel: str
    from_us: int
    to_us: int


def felt_days(ledger: Ledger, site: Site, lines: Collection[str]) -> dict[Zone, list[FeltDay]]:
    """The live days of each zone of the given lines, in order of time."""
    places = {
        sheet: _Place(*found)
        for sheet, *found in ledger.rows("SELECT sheet, path, channel, from_us, to_us FROM live_sheets")
    }
    by_account: dict[Zone, list[Rigging]] = {}
    for row in site.riggings:
        by_account.setdefault((row.line, row.outboard_end), []).append(row)
    air = air_of_days(air_of(site), index.air_days(ledger).values())
    out: dict[Zone, list[FeltDay]] = {}
    for (line, zone, day), state in index.states(ledger).items():
        if line in lines:
            riggings = by_account.get((line, zone), [])
            out.setdefault((line, zone), []).append(_felt_day(day, state.sheets, places, riggings, air.get(day)))
    return out


def _felt_day(
    day: date,
    ids: Sequence[str],
    places: Mapping[str, _Place],
    riggings: Sequence[Rigging],
    air: DayAir | None,
) -> FeltDay:
    return FeltDay(
        tuple((sheet, places[sheet].path) for sheet in ids),
        tuple(_geometry(day, places[sheet], riggings) for sheet in ids),
        air,
    )


def _geometry(day: date, place: _Place, riggings: Sequence[Rigging]) -> Geometry:
    """How the rigging that a sheet tells of lay over its chock."""
    start_us = day_start_us(day)
    found = [
        row
        for row in riggings
        if row.channel == place.channel
        and max(row.from_us, start_us) == place.from_us
        and (row.to_us is None or row.to_us >= place.to_us)
    ]
    if not found:
        raise Bug(f"no rigging on {place.channel} fits the sheet of {day}", next_step="run `tautlog audit`")
    # Two fit where one ended at the very midnight at which the next began: the empty slice is the one that ended.
    row = min(found, key=lambda row: row.from_us) if place.from_us == place.to_us else found[-1]
    return Geometry(row.inboard_m, row.wrap_deg, row.surface)
