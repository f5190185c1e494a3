"""What a line had gone through up to the hour of its loss: posted days before it, and the day itself up to then.

Reads the published snapshot, and of the store the samples of one place's day: the day of the loss, whose sheet is made
again up to the instant, joined to what the day before left open, and priced as a night prices it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import numpy as np

from pipeline.incident.record import PastDay
from pipeline.ledger import index
from pipeline.ledger.account import rigged_us
from pipeline.ledger.bands import bands_now, end_of, worst
from pipeline.ledger.database import Ledger
from pipeline.night.account import NOTHING_LEFT, Left
from pipeline.night.accounts import air_of, wear_of
from pipeline.night.air import DayAir, air_of_days
from pipeline.night.look import DayJob, look, slice_near
from pipeline.night.marks import Near, travelled
from pipeline.night.plan import DayPlan, Geometry, SheetPlan
from pipeline.night.wearing import Carried, carried_of, price_day
from pipeline.sheets.cycles import Floats, Ints
from pipeline.sheets.fold import State, fold
from pipeline.sheets.sheet import Sheet, Slice, make_sheet
from pipeline.site import Site
from pipeline.store.samples import store_part
from pipeline.wear.cells import CLASS_KN
from pipeline.wear.fatigue import UNIT_EXPONENT, life_units, pending_units, to_decimal
from schemas.registers import Rigging
from schemas.times import DAY_US, day_of, day_start_us

Zone = str


@dataclass(frozen=True)
class ZonePast:
    """One zone up to the instant, no factor applied: life by mechanism (None: not reckoned), open cycles as half
    cycles, the worst contact band; each day's fatigue; the days it was felt on, with their raw files; and what it felt
    by class of 5 kN."""

    zone: Zone
    fatigue: Decimal
    creep: Decimal | None
    abrasion: Decimal | None
    pending: Decimal
    contact: Decimal
    days: Mapping[date, Decimal]
    felt: tuple[PastDay, ...]
    low_class: Ints
    high_class: Ints
    count: Ints
    residue_kn: Floats
    level_class: Ints
    level_us: Ints


@dataclass(frozen=True)
class Past:
    """One line up to the instant."""

    line: str
    until_us: int
    zones: tuple[ZonePast, ...]
    rigged_us: int
    observed_us: int


def past_of(ledger: Ledger, site: Site, line: str, until_us: int) -> Past:
    """One line up to an instant, as its own channel's logger stamps it."""
    sheets_today = _todays(ledger, site, line, until_us)
    zones = tuple(_zone(ledger, site, line, zone, until_us, sheets_today) for zone in ("a", "b"))
    today = day_of(until_us)
    sheets = {name for (_, _, day), state in index.states(ledger, line).items() if day < today for name in state.sheets}
    observed = sum(ref.observed_us for ref in index.all_sheets(ledger, sheets).values()) if sheets else 0
    observed += sum(sheet.observed_us for _, sheet in sheets_today)
    riggings = [row for row in site.riggings if row.line == line]
    return Past(line, until_us, zones, rigged_us(riggings, until_us), observed)


def highest_before(ledger: Ledger, line: str, today: date) -> tuple[float, int] | None:
    """The highest tension of a line on any day before one, by its day sheets, and its instant; the first of equals."""
    peaks = [
        (facts["peak_kn"], -facts["peak_us"])
        for (_, _, day), facts in index.day_facts(ledger, line).items()
        if day < today and "peak_kn" in facts
    ]
    if not peaks:
        return None
    kn, minus_us = max(peaks)
    return kn, -minus_us


def _felt(
    ledger: Ledger, site: Site, states: Iterable[Any], sheets_today: Sequence[tuple[Rigging, Sheet]], today: date
) -> tuple[PastDay, ...]:
    """Each day and channel of a zone, and the raw files that hold that day of its place."""
    names = {name for state in states for name in state.sheets}
    found = {(ref.day, ref.channel) for ref in index.all_sheets(ledger, names).values()} if names else set()
    found |= {(today, row.channel) for row, _ in sheets_today}
    files: dict[tuple[str, date], set[str]] = {}
    for part in index.parts(ledger, [(site.channels[channel].place, day) for day, channel in found]) if found else ():
        files.setdefault((part.place, part.day), set()).add(part.sha256)
    return tuple(
        PastDay(day.isoformat(), channel, tuple(sorted(files.get((site.channels[channel].place, day), ()))))
        for day, channel in sorted(found)
    )


def _zone(
    ledger: Ledger, site: Site, line: str, zone: Zone, until_us: int, sheets_today: Sequence[tuple[Rigging, Sheet]]
) -> ZonePast:
    today = day_of(until_us)
    wear = wear_of(site, line)
    states = {day: one for (_, found, day), one in index.states(ledger, line).items() if found == zone and day < today}
    worn = {day: one for (_, found, day), one in index.wear_days(ledger, line).items() if found == zone and day < today}
    left = _left(ledger, line, zone, max(states, default=None))
    sheets = [(row, sheet) for row, sheet in sheets_today if row.outboard_end == zone]
    state, units = left.residue, 0
    closed: list[tuple[Floats, Floats, Ints]] = []
    for _, sheet in sheets:
        folded = fold(state, sheet)
        state = folded.state
        closed += [(c.low_kn, c.high_kn, c.count) for c in (sheet, folded)]
    for low_kn, high_kn, count in closed:
        units += life_units(low_kn, high_kn, count, break_force_kn=wear.break_force_kn, curve=wear.spec.fatigue)
    geometry = [Geometry(row.inboard_m, row.wrap_deg, row.surface) for row, _ in sheets]
    priced = price_day(left.carried, [sheet for _, sheet in sheets], geometry, wear, _air(ledger, site, today))
    days = {day: one.life_units for day, one in states.items()} | ({today: units} if sheets else {})
    creep = [one.creep_units for one in worn.values()] + ([priced.creep_units] if sheets else [])
    abraded = {day: one.abrasion_units for day, one in worn.items()} | (
        {today: priced.abrasion_units} if sheets else {}
    )
    low, high, count, level_class, level_us = _classes(worn.values(), closed, [sheet for _, sheet in sheets])
    services = [row for row in site.services if row.line == line and row.at_us <= until_us]
    riggings = [row for row in site.riggings if row.line == line]
    lives = {day: to_decimal(life) for day, life in abraded.items() if life is not None}
    pending = 0
    if state.residue_kn.size >= 2:
        pending = pending_units(state.residue_kn, break_force_kn=wear.break_force_kn, curve=wear.spec.fatigue)
    return ZonePast(
        zone=zone,
        fatigue=to_decimal(sum(days.values())),
        creep=_sum(creep),
        abrasion=_sum(list(abraded.values())),
        pending=to_decimal(pending, UNIT_EXPONENT + 1),
        contact=worst(bands_now(lives, end_of(riggings, services, zone, width_m=site.policy.band_width_m))),
        days={day: to_decimal(life) for day, life in sorted(days.items())},
        felt=_felt(ledger, site, states.values(), sheets, today),
        low_class=low,
        high_class=high,
        count=count,
        residue_kn=state.residue_kn,
        level_class=level_class,
        level_us=level_us,
    )


def _sum(found: list[int | None]) -> Decimal | None:
    known = [one for one in found if one is not None]
    return to_decimal(sum(known)) if known else None


def _left(ledger: Ledger, line: str, zone: Zone, day: date | None) -> Left:
    """What the last day before left open."""
    if day is None:
        return NOTHING_LEFT
    key = (line, zone, day)
    residue = index.residues(ledger, [key]).get(key)
    carried = index.carried(ledger, [key]).get(key)
    if residue is None:
        return NOTHING_LEFT
    state = State(np.array(residue[0], np.float64), np.array(residue[1], np.int64))
    return Left(state, Carried() if not carried else carried_of(carried))


def _air(ledger: Ledger, site: Site, today: date) -> DayAir | None:
    rows = [row for (_, day), row in index.air_days(ledger).items() if day == today]
    return air_of_days(air_of(site), rows).get(today)


def _todays(ledger: Ledger, site: Site, line: str, until_us: int) -> list[tuple[Rigging, Sheet]]:
    """The sheets of the day of an instant, up to it, in order of time."""
    today = day_of(until_us)
    start_us = day_start_us(today)
    found = []
    for row in sorted(site.riggings, key=lambda row: row.from_us):
        if row.line == line and row.from_us < until_us and (row.to_us is None or row.to_us > start_us):
            sheet = _sheet(ledger, site, row, today, min(until_us, row.to_us or until_us))
            found += [] if sheet is None else [(row, sheet)]
    return found


def _sheet(ledger: Ledger, site: Site, row: Rigging, today: date, until_us: int) -> Sheet | None:
    place = site.channels[row.channel].place
    near = [today + timedelta(days=step) for step in (-1, 0, 1)]
    parts: dict[date, list[Any]] = {day: [] for day in near}
    for part in index.parts(ledger, [(place, day) for day in near]):
        parts[part.day].append(store_part(part))
    start_us = day_start_us(today)
    piece = Slice(
        channel=row.channel,
        place=place,
        day=today,
        from_us=max(start_us, row.from_us),
        to_us=until_us,
        begins=row.from_us >= start_us,
        ends=False,
        share=row.share_pct / 100.0,
        level_kn=None,
    )
    wanted = SheetPlan(
        key="",
        slice=piece,
        rigged_from_us=row.from_us,
        rigged_to_us=row.to_us,
        calibrations=site.calibrations_of(row.channel),
        limit_kn=None,
        render_base_kn=None,
        pretension_kn=None,
        settings=(),
        inputs={},
    )
    plan = DayPlan(
        place,
        today,
        tuple(parts[near[1]]),
        tuple(parts[near[0]]),
        tuple(parts[near[2]]),
        frozenset(),
        "",
        (wanted,),
        (),
    )
    channels = tuple(one for one in site.channels.values() if one.place == place)
    job = DayJob(site.store, "", plan, channels, site.policy, (("", wanted),))
    looked = look(job)
    about = slice_near(wanted, looked, frozenset())
    samples = about.samples
    if samples.at_us.size == 0:
        return None
    return make_sheet(
        piece,
        samples.at_us,
        samples.kn,
        samples.usable,
        samples.clipped,
        after_us=min(samples.after_us or until_us, start_us + DAY_US),
        max_gap_us=round(site.policy.max_gap_s * 1e6),
        travelled=travelled(Near.of(wanted, job, looked, about.tension)),
    )


def _classes(
    worn: Any, closed: list[tuple[Floats, Floats, Ints]], sheets: list[Sheet]
) -> tuple[Ints, Ints, Ints, Ints, Ints]:
    """Closed cycles and time at level by class, of the days before and of the day itself."""
    cycles: dict[tuple[int, int], int] = {}
    levels: dict[int, int] = {}
    for day in worn:
        for low, high, count in zip(day.cycle_low, day.cycle_high, day.cycle_count, strict=True):
            cycles[low, high] = cycles.get((low, high), 0) + count
        for level, us in zip(day.level_class, day.level_us, strict=True):
            levels[level] = levels.get(level, 0) + us
    for low_kn, high_kn, counts in closed:
        lows, highs = (np.floor(kn / CLASS_KN).astype(np.int64).tolist() for kn in (low_kn, high_kn))
        for low, high, count in zip(lows, highs, counts.tolist(), strict=True):
            cycles[low, high] = cycles.get((low, high), 0) + count
    for sheet in sheets:
        for level, us in zip(sheet.level_classes.tolist(), sheet.level_us.tolist(), strict=True):
            levels[level] = levels.get(level, 0) + us
    pairs = sorted(cycles)
    names = sorted(levels)
    return (
        np.array([low for low, _ in pairs], np.int64),
        np.array([high for _, high in pairs], np.int64),
        np.array([cycles[pair] for pair in pairs], np.int64),
        np.array(names, np.int64),
        np.array([levels[name] for name in names], np.int64),
    )
