"""All berth days brought to what sheets and registers ask for, by workers; and what is left over taken out.

Planned as sheets are: by the digest of all that decides a day, so that only days whose inputs changed are made again,
and a night with nothing new makes none.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Any

from pipeline.events.calls import calls, fast_of
from pipeline.events.plateau import MARK as PLATEAU
from pipeline.events.plateau import Plateau
from pipeline.events.surge import KIND as SURGE
from pipeline.events.surge import Rules, Surge
from pipeline.events.take_up import KIND as LOAD_LOSS
from pipeline.events.take_up import Aside
from pipeline.ledger import index
from pipeline.ledger.database import Ledger
from pipeline.ledger.rows import BerthDay, Mark
from pipeline.night.account import SheetPlace
from pipeline.night.berth_day import BerthJob, BerthMade, BerthPlan, LineOfDay, Lost, Moored
from pipeline.night.berth_day import make_berth_days as make_days
from pipeline.night.clock_day import ClockPlan, loggers_of
from pipeline.night.marks import LOSS
from pipeline.night.measured import has_payout, is_winch
from pipeline.night.place_days import MadeDays
from pipeline.night.plan import PlaceDay, Plan, digest, limit_base_kn
from pipeline.site import Site
from pipeline.store.samples import Part
from pipeline.workers import Workers
from schemas.registers import Policy, Rigging

BERTH_METHOD = 6
"""Raised when the same traces would give another berth day: all are then made anew."""
DAYS_OF_JOB = 8
"""Days beside each other share the reading of their traces."""
NO_ROLE = ""


@dataclass
class BerthDays:
    """Rows for the manifest, and the berth days that stand after this run."""

    rows: list[dict[str, Any]] = field(default_factory=list)
    days: dict[date, BerthDay] = field(default_factory=dict)

    def surges(self) -> list[Surge]:
        """Partial surges of all days."""
        return surges_of(self.days.values())

    def plateaus(self) -> list[Plateau]:
        """Stretches of cut crests of all days."""
        return plateaus_of(self.days.values())


def plateaus_of(days: Iterable[BerthDay]) -> list[Plateau]:
    """Stretches of cut crests of some berth days."""
    return [Plateau.from_payload(payload) for day in days for payload in day.marks.get(PLATEAU, ())]


def asides_of(days: Iterable[BerthDay]) -> list[Aside]:
    """What other lines did about each loss of load, of some berth days."""
    return [Aside.from_payload(payload) for day in days for payload in day.marks.get(LOAD_LOSS, ())]


def lost_of(marks: Iterable[Mark]) -> dict[str, tuple[Lost, ...]]:
    """The losses of load that each sheet marked, by time, of some marks of any kind."""
    found: dict[str, list[Lost]] = {}
    for mark in marks:
        if mark.kind == LOSS:
            lost = Lost(mark.payload["unloaded"]["at_us"], mark.payload["mean_kn"])
            found.setdefault(mark.sheet, []).append(lost)
    return {sheet: tuple(sorted(lost, key=lambda one: one.unloaded_us)) for sheet, lost in found.items()}


def surges_of(days: Iterable[BerthDay]) -> list[Surge]:
    """Partial surges of some berth days."""
    return [Surge.from_payload(payload) for day in days for payload in day.marks.get(SURGE, ())]


def make_berth_days(
    site: Site,
    plan: Plan,
    made: MadeDays,
    ledger: Ledger,
    workers: Workers,
    *,
    again: bool = False,
) -> BerthDays:
    """Make the berth days that are planned and not there yet; with `again` all of them. `made`: of all sheets."""
    places = made.places
    lost = lost_of([*index.marks(ledger, LOSS), *made.new_marks()])
    there = index.berth_days(ledger)
    planned = plan_berth_days(site, plan)
    stale = [
        wanted
        for day, wanted in planned.items()
        if again or day not in there or there[day].inputs_digest != wanted.inputs
    ]
    jobs = [_job(site, plan, stale[i : i + DAYS_OF_JOB], places, lost) for i in range(0, len(stale), DAYS_OF_JOB)]
    out = BerthDays(days={day: kept for day, kept in there.items() if day in planned})
    for job, result in zip(jobs, workers.all(make_days, jobs), strict=True):
        for found in map(berth_day, job.plans, result):
            if out.days.get(found.day) != found:
                out.rows.append(_row(found, "set"))
            out.days[found.day] = found
    out.rows += [_row(kept, "drop") for day, kept in there.items() if day not in planned]
    return out


def berth_days_again(
    site: Site,
    plan: Plan,
    places: Mapping[str, SheetPlace],
    lost: Mapping[str, tuple[Lost, ...]],
    *,
    since: date | None = None,
) -> dict[date, BerthDay]:
    """Every planned berth day, or those from a day on, made anew from the stored traces, in this process. `lost`: by
    sheet."""
    planned = [one for day, one in plan_berth_days(site, plan).items() if since is None or day >= since]
    return {day.day: day for day in map(berth_day, planned, make_days(_job(site, plan, planned, places, lost)))}


def _job(
    site: Site,
    plan: Plan,
    wanted: Sequence[BerthPlan],
    places: Mapping[str, SheetPlace],
    lost: Mapping[str, tuple[Lost, ...]],
) -> BerthJob:
    """The job of some planned days. `lost`: losses of load by sheet."""
    used = {(line.channel, day, key) for one in wanted for line in one.lines for day, key in line.sheets}
    keys = sorted({key for channel, day, key in used if _recorded(site, plan, channel, day)})
    paths = {key: (places[key].path, places[key].sheet) for key in keys}
    own = {key: lost[places[key].sheet] for key in keys if places[key].sheet in lost}
    return BerthJob(site.store, tuple(wanted), paths, parts_of(plan, wanted), own)


def _recorded(site: Site, plan: Plan, channel: str, day: date) -> bool:
    """Whether a channel has any reading on a day: else its sheets have no trace, and need not be opened for it."""
    found = plan.days.get((site.channels[channel].place, day))
    return found is not None and any(channel in part.channels for part in found.parts)


def parts_of(plan: Plan, wanted: Sequence[BerthPlan]) -> dict[PlaceDay, tuple[Part, ...]]:
    """The samples of some berth days, by place and day."""
    near = {(place, one.day) for one in wanted for _, _, place in one.clocks.loggers}
    return {key: plan.days[key].parts for key in sorted(near) if key in plan.days}


def berth_day(plan: BerthPlan, made: BerthMade) -> BerthDay:
    """A day that was made, as the ledger will have it."""
    return BerthDay(plan.day, plan.inputs, made.marks, made.balance)


def plan_berth_days(site: Site, plan: Plan) -> dict[date, BerthPlan]:
    """The berth days that a site ought to have: of each UTC day with a sheet of a main line, in order."""
    moored = _moored(site)
    sheets: dict[Rigging, dict[date, str]] = {}
    for use in plan.uses:
        if site.lines[use.rigging.line].part == "main":
            sheets.setdefault(use.rigging, {})[use.day] = use.key
    rules = Rules.of(site.policy)
    loggers = loggers_of(site)
    days = sorted({day for keys in sheets.values() for day in keys})
    planned = {}
    for day in days:
        lines = []
        for rigging, keys in sheets.items():
            near = tuple((found, keys[found]) for found in _beside(day) if found in keys)
            if near:
                lines.append(_line_of_day(site, rigging, moored[rigging], near))
        own = sorted({line.channel for line in lines if line.channel in loggers})
        clocks = ClockPlan(
            tuple((channel, loggers[channel], site.channels[channel].place) for channel in own),
            site.policy.clock_most_s,
        )
        inputs = _inputs(day, lines, rules, clocks, site.policy)
        planned[day] = BerthPlan(day, tuple(lines), rules, clocks, site.policy.render_min_pct, inputs)
    return planned


def _beside(day: date) -> list[date]:
    """The day before, the day, and the day after; none beyond the ends of the calendar."""
    first, last = date.min.toordinal(), date.max.toordinal()
    return [date.fromordinal(n) for n in range(day.toordinal() - 1, day.toordinal() + 2) if first <= n <= last]


def _line_of_day(site: Site, rigging: Rigging, moored: Moored, near: tuple[tuple[date, str], ...]) -> LineOfDay:
    base_kn = limit_base_kn(site, rigging.line)
    told = site.channels[rigging.channel]
    untold = is_winch(site, told.place) and not has_payout(site, told.place)
    role = rigging.role or NO_ROLE
    return LineOfDay(rigging.line, rigging.channel, role, base_kn, moored, untold, near, rigging.to_us)


def _inputs(day: date, lines: list[LineOfDay], rules: Rules, clocks: ClockPlan, policy: Policy) -> str:
    return digest(
        [
            BERTH_METHOD,
            day.isoformat(),
            asdict(rules),
            asdict(clocks),
            policy.render_min_pct,
            [
                [
                    *(one.line, one.channel, one.role, one.base_kn, one.winch_untold, asdict(one.moored), one.to_us),
                    [[found.isoformat(), key] for found, key in one.sheets],
                ]
                for one in lines
            ],
        ]
    )


def _moored(site: Site) -> dict[Rigging, Moored]:
    """The call of each rigging, and when all its lines are fast."""
    ship_of = {name: line.ship for name, line in site.lines.items()}
    found: dict[Rigging, Moored] = {}
    for call in calls(site.riggings, ship_of):
        fast = fast_of(call, site.riggings, ship_of, gap_h=site.policy.mooring_gap_h)
        moored = Moored(call.ship, call.from_us, fast.all_fast_us, fast.first_let_go_us)
        found |= {row: moored for row in site.riggings if ship_of[row.line] == call.ship and call.has(row)}
    return found


def _row(day: BerthDay, op: str) -> dict[str, Any]:
    return {
        "day": day.day,
        "inputs_digest": day.inputs_digest,
        "marks": dict(day.marks),
        "balance": dict(day.balance),
        "op": op,
    }
