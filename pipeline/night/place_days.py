"""All places' days brought to what the plan asks for, by workers; and what is left over taken out."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from pipeline.ledger import index
from pipeline.ledger.database import Ledger
from pipeline.ledger.rows import AirDay, ChannelDay, Mark, SheetRef
from pipeline.night.account import SheetPlace
from pipeline.night.air import air_day
from pipeline.night.channel_day import channel_day
from pipeline.night.finding import Finding
from pipeline.night.look import DayJob
from pipeline.night.place_day import DayMade, day_scope, make_day
from pipeline.night.plan import DayPlan, Plan
from pipeline.site import Site
from pipeline.workers import Workers


@dataclass
class MadeDays:
    """Rows for the manifest; where the sheet of every planned key lies, and what it was made from."""

    flag_rows: list[dict[str, Any]] = field(default_factory=list)
    sheet_rows: list[dict[str, Any]] = field(default_factory=list)
    mark_rows: list[dict[str, Any]] = field(default_factory=list)
    air_rows: list[dict[str, Any]] = field(default_factory=list)
    air: dict[tuple[str, date], AirDay] = field(default_factory=dict)
    channel_rows: list[dict[str, Any]] = field(default_factory=list)
    channel_days: dict[tuple[str, date], ChannelDay] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    scopes: set[str] = field(default_factory=set)
    places: dict[str, SheetPlace] = field(default_factory=dict)
    inputs: dict[str, Mapping[str, str]] = field(default_factory=dict)
    channels: set[str] = field(default_factory=set)
    days: set[date] = field(default_factory=set)
    samples: int = 0
    looked: bool = False

    def new_marks(self) -> Iterator[Mark]:
        """The marks of the sheets just made, as the ledger will have them."""
        rows = {row["sheet"]: row for row in self.sheet_rows}
        for new in self.mark_rows:
            row = rows[new["sheet"]]
            yield Mark(
                new["sheet"],
                row["channel"],
                row["place"],
                row["day"],
                row["from_us"],
                row["to_us"],
                new["kind"],
                new["payload"],
            )


def make_days(
    site: Site, plan: Plan, ledger: Ledger, workers: Workers, *, run_id: str, again: bool = False
) -> MadeDays:
    """Make the flags and sheets that are planned and not there yet. Nothing that stands is made again, unless `again`:
    then all of it is.
    """
    out = MadeDays(looked=True, air=index.air_days(ledger), channel_days=index.channel_days(ledger))
    there = {str(ref.inputs["key"]): ref for ref in index.sheets(ledger)}
    flags = index.flags(ledger)
    jobs = []
    for key, day in plan.days.items():
        missing = tuple((_sheet_id(s.key, run_id), s) for s in day.sheets if again or s.key not in there)
        if again or missing or key not in flags or flags[key].inputs_digest != day.inputs:
            jobs.append(_job(site, day, missing, run_id))
    for job, made in zip(jobs, workers.all(make_day, jobs), strict=True):
        _take(out, job, made)
    wanted = {sheet.key for day in plan.days.values() for sheet in day.sheets}
    for sheet_key, ref in there.items():
        if sheet_key in wanted and not again:
            out.places[sheet_key] = SheetPlace(ref.sheet, ref.path)
            out.inputs[sheet_key] = {k: str(v) for k, v in ref.inputs.items()}
        else:
            out.sheet_rows.append(_dropped(ref))
            out.channels.add(ref.channel)
    for (place, day_), flag in flags.items():
        if (place, day_) not in plan.days:
            out.flag_rows.append(
                {
                    "place": place,
                    "day": day_,
                    "path": flag.path,
                    "digest": flag.digest,
                    "inputs_digest": flag.inputs_digest,
                    "op": "drop",
                }
            )
            out.scopes.add(day_scope(place, day_))
    for key, kept in list(out.air.items()):
        if (kept.place, kept.day) not in plan.days:
            out.air_rows.append(_no_air(out.air.pop(key)))
    for key, told in list(out.channel_days.items()):
        if (told.place, told.day) not in plan.days:
            out.channel_rows.append(_no_channel(out.channel_days.pop(key)))
    return out


def _job(site: Site, day: DayPlan, missing: tuple[tuple[str, Any], ...], run_id: str) -> DayJob:
    channels = tuple(c for c in site.channels.values() if c.place == day.place)
    return DayJob(site.store, run_id, day, channels, site.policy, missing)


def _take(out: MadeDays, job: DayJob, made: DayMade) -> None:
    out.flag_rows.append(made.flags)
    out.sheet_rows += made.sheets
    out.mark_rows += made.marks
    _take_air(out, job, made.air)
    _take_channels(out, job, made.channels)
    out.findings += made.findings
    out.scopes.add(day_scope(job.plan.place, job.plan.day))
    out.days.add(job.plan.day)
    out.samples += made.samples
    for row in made.sheets:
        key = row["inputs"]["key"]
        out.places[key] = SheetPlace(row["sheet"], row["path"])
        out.inputs[key] = row["inputs"]
        out.channels.add(row["channel"])


def _take_air(out: MadeDays, job: DayJob, rows: list[dict[str, Any]]) -> None:
    """What the day's air channels read; what it gave before and no longer does is taken out."""
    place, day = job.plan.place, job.plan.day
    told = {(row["channel"], row["day"]) for row in rows}
    for key, kept in list(out.air.items()):
        if (kept.place, kept.day) == (place, day) and key not in told:
            out.air_rows.append(_no_air(out.air.pop(key)))
    for row in rows:
        found = air_day(row)
        if out.air.get((found.channel, found.day)) != found:
            out.air_rows.append(row)
            out.air[found.channel, found.day] = found


def _take_channels(out: MadeDays, job: DayJob, rows: list[dict[str, Any]]) -> None:
    """What the day's tension channels showed of themselves; one that no longer reads is taken out."""
    place, day = job.plan.place, job.plan.day
    told = {row["channel"] for row in rows}
    for key, kept in list(out.channel_days.items()):
        if (kept.place, kept.day) == (place, day) and kept.channel not in told:
            out.channel_rows.append(_no_channel(out.channel_days.pop(key)))
    for row in rows:
        found = channel_day(row)
        if out.channel_days.get((found.channel, found.day)) != found:
            out.channel_rows.append(row)
            out.channel_days[found.channel, found.day] = found


def _no_channel(kept: ChannelDay) -> dict[str, Any]:
    return {"channel": kept.channel, "place": kept.place, "day": kept.day, "facts": {}, "op": "drop"}


def _no_air(kept: AirDay) -> dict[str, Any]:
    lists: dict[str, Any] = {"bins": [], "means": []}
    named = {"channel": kept.channel, "place": kept.place, "day": kept.day, "quantity": kept.quantity}
    return {**named, **lists, "op": "drop"}


def _sheet_id(key: str, run_id: str) -> str:
    """A sheet's id: what it was made from, and by which run, so that it is never given twice."""
    return f"S{key[:16]}-{run_id}"


def _dropped(ref: SheetRef) -> dict[str, Any]:
    return {
        "sheet": ref.sheet,
        "path": ref.path,
        "digest": ref.digest,
        "row": ref.row,
        "place": ref.place,
        "channel": ref.channel,
        "day": ref.day,
        "from_us": ref.from_us,
        "to_us": ref.to_us,
        "inputs": dict(ref.inputs),
        "cycles": ref.cycles,
        "observed_us": ref.observed_us,
        "op": "drop",
    }
