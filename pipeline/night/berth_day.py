"""What all lines of a site did together on one UTC day, from their traces: the job of a worker, which reads only.

A berth day rests on the sheets of its day and of the days beside it, of whose traces it needs the edges, and on the
registers that say which lines are a ship's, where they lead, and when all of them are fast.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.events import plateau, surge, take_up
from pipeline.events.balance import Traced, borne_on
from pipeline.events.surge import EDGE_BINS, Rules, Series, surges
from pipeline.night import clock_day
from pipeline.night.clock_day import ClockPlan
from pipeline.night.plan import PlaceDay
from pipeline.sheets.trace import BIN_US, BINS_OF_DAY, DAN_PER_KN, NO_TRACE, Trace
from pipeline.store.days import ReadParts, read_readings
from pipeline.store.depot import Depot
from pipeline.store.samples import Part
from pipeline.store.sheets import read_traces
from schemas.times import day_start_us

Values = NDArray[np.float64]
FOR_EVER = 2**62


@dataclass(frozen=True)
class Moored:
    """A ship alongside: the call's begin, and when all her lines are fast; `fast_to_us` None: none is let go yet."""

    ship: str
    call_us: int
    fast_from_us: int
    fast_to_us: int | None

    @property
    def fast(self) -> range:
        """The bins that lie wholly in that time."""
        to_us = FOR_EVER if self.fast_to_us is None else self.fast_to_us
        return range(-(-self.fast_from_us // BIN_US), to_us // BIN_US)


@dataclass(frozen=True)
class LineOfDay:
    """One rigging of a main line near a day. `sheets`: keys of its sheets, by day; `base_kn`: what limits are of;
    `to_us`: its end, None while it is rigged.

    `winch_untold`: it is measured at a winch whose payout is not recorded.
    """

    line: str
    channel: str
    role: str
    base_kn: float
    moored: Moored
    winch_untold: bool
    sheets: tuple[tuple[date, str], ...]
    to_us: int | None = None


@dataclass(frozen=True)
class Lost:
    """A loss of load that a sheet marked: its first unloaded sample, and the mean load before [kN]."""

    unloaded_us: int
    mean_kn: float


@dataclass(frozen=True)
class BerthPlan:
    """One berth day to be, and the digest of all that decides it."""

    day: date
    lines: tuple[LineOfDay, ...]
    rules: Rules
    clocks: ClockPlan
    render_min_pct: float
    inputs: str


@dataclass(frozen=True)
class BerthJob:
    """All that a worker needs for some days, ascending. `places`: path and id of the sheet of each key that has a
    trace; `parts`: the samples of each place and day; `lost`: what the sheets with these keys marked as losses of load.
    """

    store: Depot
    plans: tuple[BerthPlan, ...]
    places: Mapping[str, tuple[str, str]]
    parts: Mapping[PlaceDay, tuple[Part, ...]]
    lost: Mapping[str, tuple[Lost, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class BerthMade:
    """What a berth day gives: marks by kind of event, and what each call's lines bore."""

    marks: dict[str, Any]
    balance: dict[str, Any]


@dataclass(frozen=True)
class _Recorded:
    """A line's bins since 1970 in the day and its edges (n,), ascending, with mean [daN], lowest and highest [kN]."""

    line: LineOfDay
    bins: NDArray[np.int64]
    mean_dan: NDArray[np.int64]
    low_kn: Values
    high_kn: Values


def make_berth_days(job: BerthJob) -> list[BerthMade]:
    """Marks and balance of each day, from the stored traces of its sheets; a trace is read once for all of them."""
    made, traces, read = [], dict[str, Trace](), partial(read_readings, job.store)
    for plan in job.plans:
        keys = {key for line in plan.lines for _, key in line.sheets}
        traces = {key: trace for key, trace in traces.items() if key in keys}
        for key in sorted(keys - traces.keys()):
            traces[key] = NO_TRACE
            if key in job.places:
                path, sheet = job.places[key]
                traces[key] = read_traces(job.store, path, [sheet])[sheet]
        made.append(berth_day_of(plan, traces, job.parts, job.lost, read))
    return made


def berth_day_of(
    plan: BerthPlan,
    traces: Mapping[str, Trace],
    parts: Mapping[PlaceDay, Sequence[Part]],
    lost: Mapping[str, tuple[Lost, ...]],
    read: ReadParts,
) -> BerthMade:
    """Marks and balance of one day. `traces`, `lost`: by the keys of its sheets; `read` gives readings of `parts`."""
    start = day_start_us(plan.day) // BIN_US
    day = range(start, start + BINS_OF_DAY)
    near = range(day.start - EDGE_BINS, day.stop + EDGE_BINS)
    recorded = [_recorded(line, [(found, traces[key]) for found, key in line.sheets], near) for line in plan.lines]
    by_call: dict[Moored, list[_Recorded]] = {}
    for one in recorded:
        by_call.setdefault(one.line.moored, []).append(one)
    found, cut, asides, borne, clocks = [], [], [], [], []
    for moored, lines in sorted(by_call.items(), key=lambda item: (item[0].ship, item[0].call_us)):
        found += _surges(moored, lines, plan.rules, day, near)
        cut += _plateaus(moored, lines, plan.render_min_pct, day, near)
        asides += _asides(lines, plan.day, lost)
        traced = [Traced(one.line.line, one.line.role, one.bins, one.mean_dan) for one in lines]
        bore = borne_on(moored.ship, moored.call_us, traced, fast=moored.fast, day=day)
        borne += [] if bore is None else [bore]
        clocks += _clocks(plan, parts, read, moored, lines, day)
    return BerthMade(
        {
            surge.KIND: [one.to_payload() for one in found],
            plateau.MARK: [one.to_payload() for one in cut],
            take_up.KIND: [one.to_payload() for one in asides],
            clock_day.KIND: clocks,
        },
        {"calls": [one.to_payload() for one in borne]},
    )


def _clocks(
    plan: BerthPlan,
    parts: Mapping[PlaceDay, Sequence[Part]],
    read: ReadParts,
    moored: Moored,
    lines: Sequence[_Recorded],
    day: range,
) -> list[dict[str, Any]]:
    """Offsets between the loggers of one call's lines on the day."""
    traces: dict[str, Trace] = {}
    for one in lines:
        traces.setdefault(one.line.channel, Trace(one.bins, one.mean_dan, one.low_kn, one.high_kn))
    fast = range(max(day.start, moored.fast.start), min(day.stop, moored.fast.stop))
    own = {place: found for (place, on), found in parts.items() if on == plan.day}
    pairs = clock_day.clock_marks(plan.clocks, traces, fast, partial(clock_day.read_stored, read, own))
    return [{"ship": moored.ship, "call_us": moored.call_us, "pairs": pairs}] if pairs else []


def _surges(moored: Moored, lines: Sequence[_Recorded], rules: Rules, day: range, near: range) -> list[surge.Surge]:
    series = [
        Series(
            one.line.line,
            one.line.channel,
            one.line.role,
            one.line.base_kn,
            _spread_out(one.bins, one.mean_dan / float(DAN_PER_KN), near, moored.fast),
            _spread_out(one.bins, one.high_kn, near, moored.fast),
        )
        for one in lines
    ]
    first, last = day.start - near.start, day.stop - near.start
    return surges(moored.ship, series, rules, start_bin=near.start, first=first, last=last)


def _plateaus(
    moored: Moored, lines: Sequence[_Recorded], min_pct: float, day: range, near: range
) -> list[plateau.Plateau]:
    if not any(one.line.winch_untold for one in lines):
        return []
    series = [
        plateau.Series(
            one.line.line,
            one.line.channel,
            one.line.base_kn,
            one.line.winch_untold,
            _spread_out(one.bins, one.mean_dan / float(DAN_PER_KN), near, moored.fast),
            _spread_out(one.bins, one.high_kn, near, moored.fast),
        )
        for one in lines
    ]
    first, last = day.start - near.start, day.stop - near.start
    return plateau.plateaus(series, min_pct=min_pct, start_bin=near.start, first=first, last=last)


def _asides(lines: Sequence[_Recorded], on: date, lost: Mapping[str, tuple[Lost, ...]]) -> list[take_up.Aside]:
    """What the other lines of a call did about each loss of load of the day."""
    traced = [
        take_up.OtherLine(
            one.line.line,
            one.line.channel,
            one.line.role,
            one.line.base_kn,
            one.line.to_us,
            one.bins,
            one.mean_dan / float(DAN_PER_KN),
        )
        for one in lines
    ]
    return [
        take_up.aside(own, one_lost.unloaded_us, one_lost.mean_kn, traced)
        for own, one in zip(traced, lines, strict=True)
        for day, key in one.line.sheets
        if day == on
        for one_lost in lost.get(key, ())
    ]


def _spread_out(bins: NDArray[np.int64], values: Values, near: range, fast: range) -> Values:
    """Values at their bins of a stretch, NaN between, and where not all lines were fast."""
    out = np.full(len(near), np.nan)
    kept = (bins >= fast.start) & (bins < fast.stop)
    out[bins[kept] - near.start] = values[kept]
    return out


def _recorded(line: LineOfDay, traces: Sequence[tuple[date, Trace]], near: range) -> _Recorded:
    """The traces of a line's days as one, cut to the day and its edges."""
    bins = [trace.bins + day_start_us(day) // BIN_US for day, trace in traces]
    whole = np.concatenate(bins)
    begin, end = np.searchsorted(whole, [near.start, near.stop])
    return _Recorded(
        line,
        whole[begin:end],
        np.concatenate([trace.mean_dan for _, trace in traces])[begin:end],
        np.concatenate([trace.low_kn for _, trace in traces])[begin:end],
        np.concatenate([trace.high_kn for _, trace in traces])[begin:end],
    )
