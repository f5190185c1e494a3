"""One day of a line's zone as the night saw it: what was carried into it, and each sheet joined to what was before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from pipeline.errors import DataError, StoreError
from pipeline.ledger import index
from pipeline.ledger.database import Ledger
from pipeline.ledger.rows import AirDay, Entry, SheetRef, WearDay
from pipeline.ledger.rows import State as Stored
from pipeline.night.account import NOTHING_LEFT, Left
from pipeline.night.accounts import air_of, wear_of
from pipeline.night.air import DayAir, air_of_days
from pipeline.night.plan import Geometry
from pipeline.night.wearing import Carried, Wear, carried_of, range2_of
from pipeline.sheets.cycles import Floats, Ints
from pipeline.sheets.fold import Folded, State, fold
from pipeline.sheets.sheet import Sheet, Slice
from pipeline.sheets.swings import Bridged, bridge
from pipeline.site import Site
from pipeline.store.sheets import read_sheets
from pipeline.wear.fatigue import UNIT_EXPONENT, to_decimal
from pipeline.wear.heat import Air, RopeHeat, Warmed, warm
from schemas.registers import Rigging


@dataclass(frozen=True)
class Piece:
    """One sheet of the day, joined to what was open before it.

    `bins`, `range2_kn2`: its swings by bin as heat takes them. `around`: the air of its bins, one figure or one for
    each. `warmed`: None where the spec has no [heat]. `core_c`: by absolute bin; others are at the register's air.
    """

    ref: SheetRef
    sheet: Sheet
    rigging: Rigging | None
    swings: Bridged
    folded: Folded
    bins: Ints
    range2_kn2: Floats
    around: Air
    heat_before: RopeHeat | None
    warmed: Warmed | None
    core_c: Mapping[int, float]

    @property
    def geometry(self) -> Geometry:
        """The rigging's way over its chock."""
        row = self.rigging
        return Geometry() if row is None else Geometry(row.inboard_m, row.wrap_deg, row.surface)


@dataclass(frozen=True)
class Day:
    """A day of a line's zone. `entries`: its live postings by mechanism; `left_by`: the day that left `before`.

    `air_read`: what the site's own channels read of the air that day.
    """

    line: str
    zone: str
    day: date
    wear: Wear
    state: Stored
    worn: WearDay
    entries: Mapping[str, Entry]
    left_by: date | None
    before: Left
    air_read: tuple[AirDay, ...]
    pieces: tuple[Piece, ...]
    after: Left
    stored_after: Left

    @property
    def carries_on(self) -> bool:
        """Whether what comes out at the day's end is what the ledger holds of it, to the last bit."""
        ours, theirs = self.after, self.stored_after
        return (
            ours.carried == theirs.carried
            and ours.residue.residue_kn.tolist() == theirs.residue.residue_kn.tolist()
            and ours.residue.residue_us.tolist() == theirs.residue.residue_us.tolist()
        )


def days_of(ledger: Ledger, line: str) -> dict[str, list[date]]:
    """The days of a line with a live state, ascending, by zone; zones without any are left out."""
    found: dict[str, list[date]] = {}
    for _, zone, day in index.states(ledger, line):
        found.setdefault(zone, []).append(day)
    return found


def load_day(ledger: Ledger, site: Site, line: str, zone: str, day: date) -> Day:
    """A day with a live state, worked through again from its sheets.

    Raises DataError for a day without one; StoreError where a sheet's file is gone, or the ledger lacks what the day
    before left.
    """
    states = index.states(ledger, line)
    days = [found for _, its, found in states if its == zone]
    if day not in days:
        raise _no_state(line, zone, day, days)
    earlier = [found for found in days if found < day]
    left_by = earlier[-1] if earlier else None
    state, wear = states[line, zone, day], wear_of(site, line)
    before = NOTHING_LEFT if left_by is None else _left(ledger, line, zone, left_by)
    refs = index.all_sheets(ledger, state.sheets)
    read = [row for row in index.air_days(ledger).values() if row.day == day]
    air = air_of_days(air_of(site), read).get(day)
    pieces, left = [], before
    for name in state.sheets:
        ref = refs[name]
        sheet = read_sheets(site.store, ref.path, [name])[name]
        piece, left = _join(left, ref, sheet, _rigging_of(site, line, zone, sheet.slice), wear, air)
        pieces.append(piece)
    return Day(
        line=line,
        zone=zone,
        day=day,
        wear=wear,
        state=state,
        worn=index.wear_days(ledger, line)[line, zone, day],
        entries={key[3]: row for key, row in index.postings(ledger, line).items() if key[1:3] == (zone, day)},
        left_by=left_by,
        before=before,
        air_read=tuple(read),
        pieces=tuple(pieces),
        after=left,
        stored_after=_left(ledger, line, zone, day),
    )


def units_of(life: float) -> int:
    """A life in whole units of 2^-100, rounded half to even: as every mechanism rounds each of its items once."""
    return round(life * 2.0**UNIT_EXPONENT)


def agreement(day: Day, mechanism: str, units: int | None) -> dict[str, Any]:
    """A mechanism's sum over the shown items beside what the ledger holds of it, and whether they are one figure.

    `units` None: nothing is reckoned. A sum that differs says so, and that an audit is due.
    """
    worn = {
        "fatigue": day.state.life_units,
        "creep": day.worn.creep_units,
        "abrasion": day.worn.abrasion_units,
    }
    entry, life = day.entries.get(mechanism), None if units is None else to_decimal(units)
    same = units == worn[mechanism]
    if entry is not None:
        same = same and entry.life == life
    elif day.state.postable:
        same = same and not units
    return {
        "units": None if units is None else str(units),
        "life": life,
        "entry": None if entry is None else entry.entry,
        "posted": None if entry is None else entry.life,
        "agrees": same,
        "says": _words(day, entry, units, same=same),
    }


def _words(day: Day, entry: Entry | None, units: int | None, *, same: bool) -> str:
    if not same:
        return "THE SUM IS NOT WHAT THE LEDGER HOLDS: run `tautlog nightly`, and if it still differs `tautlog audit`"
    if entry is not None:
        return f"the sum of the items is the live entry {entry.entry}, to the last digit"
    if units is None:
        return "not reckoned, and nothing is posted"
    if not day.state.postable:
        return "not posted yet: the day waits for a later sample; the sum is what the ledger holds, to the last digit"
    return "no life used, and nothing is posted"


def _join(
    before: Left, ref: SheetRef, sheet: Sheet, rigging: Rigging | None, wear: Wear, air: DayAir | None
) -> tuple[Piece, Left]:
    """A sheet joined to what is open before it, and what it leaves: the steps of the night, in its order."""
    folded, swings, section = fold(before.residue, sheet), bridge(before.carried.swing, sheet), wear.section
    span = (sheet.slice.from_us, sheet.slice.to_us)
    bins, range2_kn2 = range2_of(sheet, swings)
    heat = before.carried.heat
    around = wear.air if air is None else air.between(*span)
    warmed = None if section is None else warm(heat, *span, bins, range2_kn2, section, around)
    cores: dict[int, float] = {}
    if warmed is not None:
        cores = dict(zip(warmed.bins.tolist(), warmed.core_c.tolist(), strict=True))
    elif air is not None:
        cores = dict(zip(air.bins.tolist(), air.temperature_c.tolist(), strict=True))
    piece = Piece(ref, sheet, rigging, swings, folded, bins, range2_kn2, around, heat, warmed, cores)
    after = Carried(heat if warmed is None else warmed.after, swings.open)
    return piece, Left(folded.state, after)


def _left(ledger: Ledger, line: str, zone: str, day: date) -> Left:
    import numpy as np

    key = (line, zone, day)
    carried = index.carried(ledger, [key])
    if key not in carried:
        raise StoreError(
            f"of {day} the ledger holds no rope temperature and no open swing: an older release reckoned it",
            next_step="run `tautlog nightly`, then ask again",
        )
    kn, us = index.residues(ledger, [key])[key]
    return Left(State(np.array(kn, np.float64), np.array(us, np.int64)), carried_of(carried[key]))


def _rigging_of(site: Site, line: str, zone: str, piece: Slice) -> Rigging | None:
    """The row of rigging.csv that a slice is of; None where the newest registers no longer have it."""
    rows = [row for row in site.riggings if (row.line, row.outboard_end, row.channel) == (line, zone, piece.channel)]
    if piece.from_us == piece.to_us:
        # A rigging that ends at midnight: its last slice is without length.
        return next((row for row in rows if row.to_us == piece.from_us), None)
    return next(
        (row for row in rows if row.from_us <= piece.from_us and (row.to_us is None or piece.from_us < row.to_us)), None
    )


def _no_state(line: str, zone: str, day: date, days: list[date]) -> DataError:
    there = f"a day from {days[0]} to {days[-1]} on which zone {zone} was rigged" if days else "a zone that was rigged"
    near = min(days, key=lambda found: abs(found - day), default=None)
    return DataError(
        f"nothing is reckoned of zone {zone} of line {line} on {day}",
        expected=there,
        next_step="see `tautlog statement` for the zones and days there are"
        if near is None
        else f"the nearest such day is {near}",
    )
