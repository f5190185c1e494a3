"""One place's day from its samples: flags, sheets, slip runs. The work of a night, in pieces that share nothing.

A worker gets a `DayJob`, reads samples, writes a flags file and a sheets file under names of its own, and returns
small rows; so that it may run in any thread or process, or twice.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.events.brake_render import Readings as BrakeReadings
from pipeline.events.brake_render import Rules, SlipRun, slips
from pipeline.night.finding import Finding
from pipeline.night.plan import DayPlan, SheetPlan
from pipeline.quality import Flagged, Series, check_bit, check_names, flag_place, flag_runs, usable
from pipeline.sheets.sheet import Sheet, make_sheet
from pipeline.store.days import Readings, read_readings
from pipeline.store.edges import EDGE_US
from pipeline.store.files import place_day, unique_name
from pipeline.store.sheets import write_flags, write_sheets
from schemas.registers import Calibration, Channel, Policy
from schemas.times import DAY_US, day_start_us

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

TOLD = {
    "gross-range": "warning",
    "flat-line": "warning",
    "stuck-at-zero": "warning",
    "clipped": "warning",
    "spike": "info",
    "rate": "info",
}
"""The checks whose marks are findings, and how severe. An open brake is no fault."""


@dataclass(frozen=True)
class DayJob:
    """All that a worker needs for one place's day. `sheets`: the ids to give, with what to make each from."""

    store: Path
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
class Reckoned:
    """What a place's day gives, before anything is written."""

    flag_rows: list[dict[str, Any]]
    sheets: dict[str, Sheet]
    marks: list[dict[str, Any]]
    findings: list[Finding]
    samples: int


@dataclass(frozen=True)
class DayMade:
    """Rows for the manifest, and what the day showed."""

    flags: dict[str, Any]
    sheets: list[dict[str, Any]]
    marks: list[dict[str, Any]]
    findings: list[Finding]
    samples: int


def make_day(job: DayJob) -> DayMade:
    """Flag a place's day, make its sheets, and write both to files of their own."""
    day = reckon_day(job)
    return DayMade(
        _keep_flags(job, day.flag_rows),
        _keep_sheets(job, day.sheets) if day.sheets else [],
        day.marks,
        day.findings,
        day.samples,
    )


def reckon_day(job: DayJob) -> Reckoned:
    """Flags, sheets and slip runs of a place's day from its stored samples. Reads only."""
    looked = look(job)
    sheets: dict[str, Sheet] = {}
    marks: list[dict[str, Any]] = []
    for name, wanted in job.sheets:
        samples = slice_samples(wanted, looked, job.plan.later)
        sheets[name] = make_sheet(
            wanted.slice,
            samples.at_us,
            samples.kn,
            samples.usable,
            samples.clipped,
            after_us=samples.after_us,
            max_gap_us=round(job.policy.max_gap_s * 1e6),
        )
        found = [("excursion", asdict(excursion)) for excursion in sheets[name].excursions]
        found += [("slip", run.to_payload()) for run in _slips(wanted, job, looked)]
        marks += [{"sheet": name, "kind": kind, "payload": payload} for kind, payload in found]
    return Reckoned(
        _flag_rows(looked),
        sheets,
        marks,
        _findings(job, looked),
        sum(readings.at_us.size for readings in looked.day.values()),
    )


def look(job: DayJob) -> Looked:
    """Read a place's day and what lies near it, and flag it."""
    start_us = day_start_us(job.plan.day)
    near = _readings_near(job)
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
    if end < readings.at_us.size:
        after_us: int | None = int(readings.at_us[end])
    else:
        after_us = day_start_us(piece.day) + DAY_US if piece.channel in later else None
    at_us = readings.at_us[begin:end]
    return SliceSamples(
        at_us,
        line_tension_kn(at_us, readings.value[begin:end], wanted.calibrations, piece.share),
        usable(flags.flags[begin:end]),
        (flags.checks[begin:end] & check_bit("clipped")) != 0,
        after_us,
    )


def _of_day(flagged: Flagged, near: Readings, start_us: int) -> Flagged:
    """The flags of the day's own samples."""
    begin, end = np.searchsorted(near.at_us, [start_us, start_us + DAY_US])
    return Flagged(flagged.flags[begin:end], flagged.checks[begin:end])


def _readings_near(job: DayJob) -> dict[str, Readings]:
    """Live readings of the day, and of its neighbours as far as flags and detectors look."""
    start_us = day_start_us(job.plan.day)
    end_us = start_us + DAY_US
    own = read_readings(job.store, job.plan.parts)
    before = read_readings(job.store, job.plan.before, from_us=start_us - EDGE_US)
    after = read_readings(job.store, job.plan.after, to_us=end_us + EDGE_US)
    if any(c.quantity == "brake" and c.channel not in before for c in job.channels):
        # A brake's state holds until the next one is told, however long ago that was on the day before.
        whole = read_readings(job.store, job.plan.before)
        before |= {
            c.channel: _last(whole[c.channel]) for c in job.channels if c.quantity == "brake" and c.channel in whole
        }
    names = own.keys() | before.keys() | after.keys()
    near = {name: _joined([r[name] for r in (before, own, after) if name in r]) for name in sorted(names)}
    return {name: replace(r, conflicts=own[name].conflicts if name in own else 0) for name, r in near.items()}


def _last(readings: Readings) -> Readings:
    return Readings(readings.at_us[-1:], readings.value[-1:])


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


def _slips(wanted: SheetPlan, job: DayJob, looked: Looked) -> list[SlipRun]:
    """Runs of payout under load in one slice, at a place that measures payout."""
    piece = wanted.slice
    payout = _of_quantity("payout", job, looked)
    if wanted.render_base_kn is None or payout is None or piece.channel not in looked.near:
        return []
    tension, flags = looked.near[piece.channel], looked.near_flags[piece.channel]
    brake = _of_quantity("brake", job, looked)
    # What was recorded before a line was rigged, or after, is not its own; across a midnight it is.
    from_us = max(wanted.rigged_from_us, piece.from_us - EDGE_US)
    rigged = slice(*np.searchsorted(tension.at_us, [from_us, piece.to_us]))
    kn = line_tension_kn(tension.at_us[rigged], tension.value[rigged], wanted.calibrations, piece.share)
    payout = payout.between(from_us, piece.to_us)
    return slips(
        BrakeReadings(
            tension_at_us=tension.at_us[rigged],
            tension_kn=np.where(usable(flags.flags[rigged]), kn, np.nan),
            clipped=(flags.checks[rigged] & check_bit("clipped")) != 0,
            payout_at_us=payout.at_us,
            payout_m=payout.value,
            brake_at_us=brake.at_us if brake is not None else np.empty(0, np.int64),
            brake=brake.value if brake is not None else np.empty(0),
        ),
        Rules.of(job.policy, wanted.render_base_kn),
        from_us=piece.from_us,
        to_us=piece.to_us,
    )


def _of_quantity(quantity: str, job: DayJob, looked: Looked) -> Readings | None:
    """The readings of the place's channel of a quantity; of several, the first by name."""
    names = sorted(c.channel for c in job.channels if c.quantity == quantity and c.channel in looked.near)
    return looked.near[names[0]] if names else None


def _flag_rows(looked: Looked) -> list[dict[str, Any]]:
    """Runs of samples that did not pass, as rows of the flags file."""
    rows = []
    for name in sorted(looked.day):
        flags = looked.flags[name]
        runs = flag_runs(looked.day[name].at_us, flags.flags, flags.checks)
        columns = (runs.first_us, runs.last_us, runs.samples, runs.flag, runs.checks)
        for first, last, samples, flag, checks in zip(*(column.tolist() for column in columns), strict=True):
            rows.append(
                {
                    "channel": name,
                    "first": first,
                    "last": last,
                    "samples": samples,
                    "flag": flag,
                    "checks": " ".join(check_names(checks)),
                }
            )
    return rows


def _keep_flags(job: DayJob, rows: list[dict[str, Any]]) -> dict[str, Any]:
    plan = job.plan
    path = place_day(job.store, "flags", plan.place, plan.day) / unique_name(job.run_id)
    digest = write_flags(path, rows)
    return {
        "place": plan.place,
        "day": plan.day,
        "path": str(path.relative_to(job.store)),
        "digest": digest,
        "inputs_digest": plan.inputs,
        "op": "set",
    }


def _keep_sheets(job: DayJob, sheets: Mapping[str, Sheet]) -> list[dict[str, Any]]:
    plan = job.plan
    path = place_day(job.store, "sheets", plan.place, plan.day) / unique_name(job.run_id)
    digest = write_sheets(path, sheets)
    by_id = dict(job.sheets)
    return [
        {
            "sheet": name,
            "path": str(path.relative_to(job.store)),
            "digest": digest,
            "row": row,
            "place": plan.place,
            "channel": sheet.slice.channel,
            "day": plan.day,
            "from_us": sheet.slice.from_us,
            "to_us": sheet.slice.to_us,
            "inputs": {**by_id[name].inputs, "key": by_id[name].key},
            "cycles": int(sheet.count.sum()),
            "observed_us": sheet.observed_us,
            "op": "add",
        }
        for row, (name, sheet) in enumerate(sheets.items())
    ]


def _findings(job: DayJob, looked: Looked) -> list[Finding]:
    """Conflicting readings, and samples that a check marked while a line was rigged, by channel.

    A hook without a line reads zero honestly, and whatever else it reads wears no line.
    """
    plan = job.plan
    scope = day_scope(plan.place, plan.day)
    found = []
    for name in sorted(looked.day):
        readings, checks = looked.day[name], looked.flags[name].checks
        if readings.conflicts:
            text = f"on {plan.day} {readings.conflicts} instants have readings that differ; the larger one is live"
            found.append(Finding("conflict", name, "warning", text, scope=scope))
        rigged = np.zeros(readings.at_us.size, np.bool_)
        for sheet in plan.sheets:
            if sheet.slice.channel == name:
                rigged |= (readings.at_us >= sheet.slice.from_us) & (readings.at_us < sheet.slice.to_us)
        for check, severity in TOLD.items():
            marked = int(np.count_nonzero(rigged & ((checks & check_bit(check)) != 0)))
            if marked:
                text = f"on {plan.day} {marked} of {int(rigged.sum())} samples of the rigged time are marked {check}"
                found.append(Finding(check, name, severity, text, scope=scope))
    return found


def day_scope(place: str, day: date) -> str:
    """The findings' scope of a place's day."""
    return f"day:{place}:{day}"
