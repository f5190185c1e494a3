"""One place's day from its samples: flags, sheets, marks. The work of a night, in pieces that share nothing.

A worker gets a `DayJob`, reads samples, writes a flags file and a sheets file under names of its own, and returns
small rows; so that it may run in any thread or process, or twice.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.events.sound import spikes
from pipeline.night.air import air_rows
from pipeline.night.channel_day import channel_rows
from pipeline.night.finding import Finding
from pipeline.night.look import DayJob, Looked, look, slice_near
from pipeline.night.marks import Near, marks_of, travelled
from pipeline.quality import check_bit, check_names, flag_runs, marked, usable
from pipeline.sheets.sheet import Sheet, make_sheet
from pipeline.store.days import ReadParts, files_that_differ
from pipeline.store.files import place_day, unique_name
from pipeline.store.sheets import write_flags, write_sheets
from schemas.times import DAY_US, day_start_us

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
class Reckoned:
    """What a place's day gives, before anything is written."""

    flag_rows: list[dict[str, Any]]
    sheets: dict[str, Sheet]
    marks: list[dict[str, Any]]
    findings: list[Finding]
    samples: int
    air: list[dict[str, Any]]
    channels: list[dict[str, Any]]


@dataclass(frozen=True)
class DayMade:
    """Rows for the manifest, and what the day showed."""

    flags: dict[str, Any]
    sheets: list[dict[str, Any]]
    marks: list[dict[str, Any]]
    findings: list[Finding]
    samples: int
    air: list[dict[str, Any]]
    channels: list[dict[str, Any]]


def make_day(job: DayJob) -> DayMade:
    """Flag a place's day, make its sheets, and write both to files of their own."""
    day = reckon_day(job)
    return DayMade(
        _keep_flags(job, day.flag_rows),
        _keep_sheets(job, day.sheets) if day.sheets else [],
        day.marks,
        day.findings,
        day.samples,
        day.air,
        day.channels,
    )


def reckon_day(job: DayJob, read: ReadParts | None = None) -> Reckoned:
    """Flags, sheets and marks of a place's day from its stored samples. Reads only.

    `read`: gives the readings of parts; None: from the job's store.
    """
    looked = look(job, read)
    sheets: dict[str, Sheet] = {}
    marks: list[dict[str, Any]] = []
    for name, wanted in job.sheets:
        own = slice_near(wanted, looked, job.plan.later)
        samples, near = own.samples, Near.of(wanted, job, looked, own.tension)
        sheets[name] = make_sheet(
            wanted.slice,
            samples.at_us,
            samples.kn,
            samples.usable,
            samples.clipped,
            after_us=samples.after_us,
            max_gap_us=round(job.policy.max_gap_s * 1e6),
            travelled=travelled(near),
            trace=own.trace,
        )
        found = marks_of(near, sheets[name], samples)
        marks += [{"sheet": name, "kind": kind, "payload": payload} for kind, payload in found]
    return Reckoned(
        _flag_rows(looked),
        sheets,
        marks,
        _findings(job, looked),
        sum(readings.at_us.size for readings in looked.day.values()),
        air_rows(job, looked),
        channel_rows(job, looked),
    )


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
    name = f"{place_day('flags', plan.place, plan.day)}/{unique_name(job.run_id)}"
    digest = write_flags(job.store, name, rows)
    return {
        "place": plan.place,
        "day": plan.day,
        "path": name,
        "digest": digest,
        "inputs_digest": plan.inputs,
        "op": "set",
    }


def _keep_sheets(job: DayJob, sheets: Mapping[str, Sheet]) -> list[dict[str, Any]]:
    plan = job.plan
    path = f"{place_day('sheets', plan.place, plan.day)}/{unique_name(job.run_id)}"
    digest = write_sheets(job.store, path, sheets)
    by_id = dict(job.sheets)
    return [
        {
            "sheet": name,
            "path": path,
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
            files = files_that_differ(job.store, plan.parts, name)
            evidence = {
                "instants": readings.conflicts,
                "files": [{"sha256": sha256, "instants": instants} for sha256, instants in files.items()],
            }
            found.append(Finding("conflict", name, "warning", text, scope=scope, evidence=evidence))
        rigged = np.zeros(readings.at_us.size, np.bool_)
        for sheet in plan.sheets:
            if sheet.slice.channel == name:
                rigged |= (readings.at_us >= sheet.slice.from_us) & (readings.at_us < sheet.slice.to_us)
        for check, severity in TOLD.items():
            of_check = rigged & ((checks & check_bit(check)) != 0)
            if check == "spike":
                of_check &= _stick_out(job, looked, name)
            if check == "flat-line":  # at its capacity a gauge stands still because of the load
                of_check &= ~marked(checks, "clipped")
            count = int(np.count_nonzero(of_check))
            if count:
                text = f"on {plan.day} {count} of {int(rigged.sum())} samples of the rigged time are marked {check}"
                found.append(Finding(check, name, severity, text, scope=scope))
    return found


def _stick_out(job: DayJob, looked: Looked, name: str) -> NDArray[np.bool_]:
    """Which of a channel's samples of the day are spikes by themselves: the check marks the two samples of a fall as
    well, where a line is let go under load, and the neighbours of a large spike."""
    near, flags = looked.near[name], looked.near_flags[name]
    out = spikes(near.value, usable(flags.flags), marked(flags.checks, "spike"))
    begin, end = np.searchsorted(near.at_us, [day_start_us(job.plan.day), day_start_us(job.plan.day) + DAY_US])
    return out[begin:end]


def day_scope(place: str, day: date) -> str:
    """The findings' scope of a place's day."""
    return f"day:{place}:{day}"
