"""One place's day from its samples: flags, sheets, slip runs. The work of a night, in pieces that share nothing.

A worker gets a `DayJob`, reads samples, writes a flags file and a sheets file under names of its own, and returns
small rows; so that it may run in any thread or process, or twice.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

import numpy as np

from pipeline.events.brake_render import Readings as BrakeReadings
from pipeline.events.brake_render import Rules, SlipRun, slips
from pipeline.night.air import air_rows
from pipeline.night.channel_day import channel_rows
from pipeline.night.finding import Finding
from pipeline.night.look import DayJob, Looked, SliceSamples, line_tension_kn, look, slice_samples
from pipeline.night.plan import SheetPlan
from pipeline.quality import check_bit, check_names, flag_runs, usable
from pipeline.sheets.sheet import Sheet, make_sheet
from pipeline.sheets.travel import NO_TRAVEL, Travel, travel
from pipeline.store.days import Readings, files_that_differ
from pipeline.store.edges import EDGE_US
from pipeline.store.files import place_day, unique_name
from pipeline.store.sheets import write_flags, write_sheets

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


def reckon_day(job: DayJob) -> Reckoned:
    """Flags, sheets and slip runs of a place's day from its stored samples. Reads only."""
    looked = look(job)
    sheets: dict[str, Sheet] = {}
    marks: list[dict[str, Any]] = []
    for name, wanted in job.sheets:
        samples = slice_samples(wanted, looked, job.plan.later)
        winch = _winch(wanted, job, looked)
        sheets[name] = make_sheet(
            wanted.slice,
            samples.at_us,
            samples.kn,
            samples.usable,
            samples.clipped,
            after_us=samples.after_us,
            max_gap_us=round(job.policy.max_gap_s * 1e6),
            travelled=_travel(wanted, job, winch),
        )
        found = [("excursion", payload) for payload in _excursion_payloads(sheets[name], samples)]
        found += [("slip", run.to_payload()) for run in _slips(wanted, job, winch)]
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


def _excursion_payloads(sheet: Sheet, samples: SliceSamples) -> list[dict[str, Any]]:
    """Excursions as marks, with whether they reach the first or last sample that counts: they may go on beyond."""
    counted_us = samples.at_us[samples.usable]
    return [
        {
            **asdict(excursion),
            "runs_in": bool(excursion.first_us == counted_us[0]) and not sheet.slice.begins,
            "runs_on": bool(excursion.last_us == counted_us[-1]) and not sheet.slice.ends,
        }
        for excursion in sheet.excursions
    ]


def _winch(wanted: SheetPlan, job: DayJob, looked: Looked) -> BrakeReadings | None:
    """What the winch of one slice recorded while rigged, from before the day on; None where it measures no payout."""
    piece = wanted.slice
    payout = _of_quantity("payout", job, looked)
    if payout is None or piece.channel not in looked.near:
        return None
    tension, flags = looked.near[piece.channel], looked.near_flags[piece.channel]
    brake = _of_quantity("brake", job, looked)
    # What was recorded before a line was rigged, or after, is not its own; across a midnight it is.
    from_us = max(wanted.rigged_from_us, piece.from_us - EDGE_US)
    rigged = slice(*np.searchsorted(tension.at_us, [from_us, piece.to_us]))
    kn = line_tension_kn(tension.at_us[rigged], tension.value[rigged], wanted.calibrations, piece.share)
    payout = payout.between(from_us, piece.to_us)
    return BrakeReadings(
        tension_at_us=tension.at_us[rigged],
        tension_kn=np.where(usable(flags.flags[rigged]), kn, np.nan),
        clipped=(flags.checks[rigged] & check_bit("clipped")) != 0,
        payout_at_us=payout.at_us,
        payout_m=payout.value,
        brake_at_us=brake.at_us if brake is not None else np.empty(0, np.int64),
        brake=brake.value if brake is not None else np.empty(0),
    )


def _slips(wanted: SheetPlan, job: DayJob, winch: BrakeReadings | None) -> list[SlipRun]:
    """Runs of payout under load in one slice."""
    if winch is None or wanted.render_base_kn is None:
        return []
    rules = Rules.of(job.policy, wanted.render_base_kn)
    return slips(winch, rules, from_us=wanted.slice.from_us, to_us=wanted.slice.to_us)


def _travel(wanted: SheetPlan, job: DayJob, winch: BrakeReadings | None) -> Travel:
    """Metres of payout in one slice."""
    if winch is None:
        return NO_TRAVEL
    told, felt = ~np.isnan(winch.payout_m), ~np.isnan(winch.tension_kn)
    return travel(
        winch.payout_at_us[told],
        winch.payout_m[told],
        winch.tension_at_us[felt],
        winch.tension_kn[felt],
        from_us=wanted.slice.from_us,
        to_us=wanted.slice.to_us,
        deadband_m=job.policy.travel_deadband_m,
        max_gap_us=round(job.policy.max_gap_s * 1e6),
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
            marked = int(np.count_nonzero(rigged & ((checks & check_bit(check)) != 0)))
            if marked:
                text = f"on {plan.day} {marked} of {int(rigged.sum())} samples of the rigged time are marked {check}"
                found.append(Finding(check, name, severity, text, scope=scope))
    return found


def day_scope(place: str, day: date) -> str:
    """The findings' scope of a place's day."""
    return f"day:{place}:{day}"
