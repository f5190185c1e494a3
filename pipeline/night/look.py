"""A place's day as its sheets see it: live readings and their flags, and the samples of each slice. Reads only."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from pipeline.events.sound import spikes, stuck
from pipeline.events.tension import NO_EXTREMES, Extremes, Tension
from pipeline.night.plan import DayPlan, SheetPlan
from pipeline.quality import Flagged, Series, flag_place, marked, usable
from pipeline.sheets.trace import BIN_US, NO_TRACE, Trace, make_trace
from pipeline.store.days import Readings, ReadParts, read_readings
from pipeline.store.depot import Depot
from pipeline.store.edges import EDGE_US
from schemas.registers import Calibration, Channel, Policy
from schemas.times import DAY_US, day_start_us

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

TELL_STATES = ("brake", "winch-mode", "hook-state")
"""Quantities of which the latest state holds until the next is told."""


@dataclass(frozen=True)
class DayJob:
    """All that a worker needs for one place's day. `sheets`: the ids to give, with what to make each from."""

    store: Depot
    run_id: str
    plan: DayPlan
    channels: tuple[Channel, ...]
    policy: Policy
    sheets: tuple[tuple[str, SheetPlan], ...]


@dataclass(frozen=True)
class Looked:
    """A place's readings with their flags: of the day (`day`, `flags`), and with what lies near it."""

    near: Mapping[str, Readings]
    near_flags: Mapping[str, Flagged]
    day: Mapping[str, Readings]
    flags: Mapping[str, Flagged]


@dataclass(frozen=True)
class SliceSamples:
    """Every stored reading of a slice's channel, as tension of the line [kN]; arrays (n,), ascending in time."""

    at_us: Ints
    kn: Floats
    usable: Bools
    clipped: Bools
    after_us: int | None


@dataclass(frozen=True)
class SliceNear:
    """The samples of a slice, their trace, and the tension of its rigging from an edge before to an edge after it, of
    which the samples are a part."""

    samples: SliceSamples
    trace: Trace
    tension: Tension


def look(job: DayJob, read: ReadParts | None = None) -> Looked:
    """Read a place's day and what lies near it, and flag it. `read`: as for `place_day.reckon_day`."""
    start_us = day_start_us(job.plan.day)
    near = _readings_near(job, partial(read_readings, job.store) if read is None else read)
    near_flags = flag_place(
        {name: Series(r.at_us, r.value) for name, r in near.items()},
        {c.channel: c for c in job.channels},
        job.policy,
        from_us=start_us - 2 * DAY_US,
        to_us=start_us + 2 * DAY_US,
    )
    return Looked(
        near,
        near_flags,
        {name: replace(r.between(start_us, start_us + DAY_US), conflicts=r.conflicts) for name, r in near.items()},
        {name: _of_day(near_flags[name], near[name], start_us) for name in near},
    )


def slice_samples(wanted: SheetPlan, looked: Looked, later: frozenset[str]) -> SliceSamples:
    """The samples of one slice: calibrated, shared, and which of them count (flag neither 4 nor 9).

    `after_us`: the channel's next stored reading after the slice; the day's end stands for one on a later day.
    """
    piece = wanted.slice
    if piece.channel not in looked.day:
        none = np.empty(0, np.bool_)
        return SliceSamples(np.empty(0, np.int64), np.empty(0), none, none, None)
    readings, flags = looked.day[piece.channel], looked.flags[piece.channel]
    begin, end = np.searchsorted(readings.at_us, [piece.from_us, piece.to_us])
    at_us = readings.at_us[begin:end]
    return SliceSamples(
        at_us,
        line_tension_kn(at_us, readings.value[begin:end], wanted.calibrations, piece.share),
        usable(flags.flags[begin:end]),
        marked(flags.checks[begin:end], "clipped"),
        _after_us(wanted, readings.at_us, int(end), later),
    )


def _after_us(wanted: SheetPlan, at_us: Ints, end: int, later: frozenset[str]) -> int | None:
    """The channel's next stored reading after a slice, of those of its day, and maybe later ones, from `end` on."""
    piece = wanted.slice
    day_ends_us = day_start_us(piece.day) + DAY_US
    if end < at_us.size and at_us[end] < day_ends_us:
        return int(at_us[end])
    return day_ends_us if piece.channel in later else None


def slice_near(wanted: SheetPlan, looked: Looked, later: frozenset[str]) -> SliceNear:
    """What `slice_samples` gives, their trace, and the tension of the rigging near the slice; made at one go."""
    piece = wanted.slice
    if piece.channel not in looked.near:
        samples, no = slice_samples(wanted, looked, later), np.empty(0, np.bool_)
        empty = Tension(samples.at_us, samples.kn, no, no, no, no, 0, 0, piece.from_us, piece.to_us, None, NO_EXTREMES)
        return SliceNear(samples, NO_TRACE, empty)
    readings, flags = looked.near[piece.channel], looked.near_flags[piece.channel]
    # What was recorded before a line was rigged, or after, is not its own; across a midnight it is.
    from_us = max(wanted.rigged_from_us, piece.from_us - EDGE_US)
    to_us = piece.to_us + EDGE_US if wanted.rigged_to_us is None else min(wanted.rigged_to_us, piece.to_us + EDGE_US)
    first, begin, end, stop = np.searchsorted(readings.at_us, [from_us, piece.from_us, piece.to_us, to_us]).tolist()
    rigged, own = slice(first, stop), slice(begin - first, end - first)
    at_us = readings.at_us[rigged]
    kn = line_tension_kn(at_us, readings.value[rigged], wanted.calibrations, piece.share)
    counts, clipped = usable(flags.flags[rigged]), marked(flags.checks[rigged], "clipped")
    spiky = spikes(kn, counts, marked(flags.checks[rigged], "spike"))
    # At its capacity a gauge stands still because of the load.
    still = stuck(readings.value[rigged], marked(flags.checks[rigged], "flat-line") & ~clipped)
    after_us = _after_us(wanted, readings.at_us, end, later)
    samples = SliceSamples(at_us[own], kn[own], counts[own], clipped[own], after_us)
    day_us = day_start_us(piece.day)
    trace = make_trace(samples.at_us, samples.kn, samples.usable, day_us)
    extremes = Extremes(day_us + trace.bins * BIN_US, trace.low_kn, trace.high_kn)
    edges = (own.start, own.stop, piece.from_us, piece.to_us)
    return SliceNear(samples, trace, Tension(at_us, kn, counts, clipped, spiky, still, *edges, after_us, extremes))


def _of_day(flagged: Flagged, near: Readings, start_us: int) -> Flagged:
    """The flags of the day's own samples."""
    begin, end = np.searchsorted(near.at_us, [start_us, start_us + DAY_US])
    return Flagged(flagged.flags[begin:end], flagged.checks[begin:end])


def _readings_near(job: DayJob, read: ReadParts) -> dict[str, Readings]:
    """Live readings of the day, and of its neighbours as far as flags and detectors look."""
    start_us = day_start_us(job.plan.day)
    end_us = start_us + DAY_US
    own = read(job.plan.parts)
    before = dict(read(job.plan.before, from_us=start_us - EDGE_US))
    after = read(job.plan.after, to_us=end_us + EDGE_US)
    states = [c.channel for c in job.channels if c.quantity in TELL_STATES]
    if any(_begins_unknown(before.get(name), before) for name in states):
        # A state holds until the next one is told, however long ago that was on the day before.
        earlier = read(job.plan.before, to_us=start_us - EDGE_US)
        for name in (name for name in states if name in earlier):
            before[name] = _joined([_last_state(earlier[name]), *([before[name]] if name in before else [])])
    names = own.keys() | before.keys() | after.keys()
    near = {name: _joined([r[name] for r in (before, own, after) if name in r]) for name in sorted(names)}
    return {name: replace(r, conflicts=own[name].conflicts if name in own else 0) for name, r in near.items()}


def _begins_unknown(state: Readings | None, beside: Mapping[str, Readings]) -> bool:
    """Whether a state is not yet told when the first of the readings beside it are."""
    told_us = [] if state is None else state.at_us[~np.isnan(state.value)].tolist()
    return not told_us or any(readings.at_us[0] < told_us[0] for readings in beside.values() if readings.at_us.size)


def _last_state(readings: Readings) -> Readings:
    """The last reading that is not missing; none where all are."""
    told = np.flatnonzero(~np.isnan(readings.value))[-1:]
    return Readings(readings.at_us[told], readings.value[told])


def _joined(pieces: Sequence[Readings]) -> Readings:
    if len(pieces) == 1:
        return pieces[0]
    return Readings(
        np.concatenate([r.at_us for r in pieces]),
        np.concatenate([r.value for r in pieces]),
    )


def line_tension_kn(at_us: Ints, reading_kn: Floats, calibrations: Sequence[Calibration], share: float) -> Floats:
    """Tension of a line [kN]: (reading - zero) * gain of the calibration in force, times the line's share.

    `calibrations`: in order of time; before the first, readings stand as they are.
    """
    kn = reading_kn
    if calibrations:
        kn = reading_kn.copy()
        bounds = [*np.searchsorted(at_us, [c.from_us for c in calibrations]).tolist(), at_us.size]
        for calibration, begin, end in zip(calibrations, bounds, bounds[1:], strict=False):
            kn[begin:end] = (reading_kn[begin:end] - calibration.zero_kn) * calibration.gain
    return kn if share == 1.0 else kn * share
