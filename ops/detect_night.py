"""A night without text: readings in memory through the functions that the night itself runs.

Nothing is reckoned here. Registers are written, read and checked as any site's; what the store would give back of the
logs is handed to `reckon_day` and `berth_day_of` by `Kept`; marks become events and findings as they do in a night.
What is left out is reading text, the store, the accounts and the ledger. A test holds the events against those of a
whole night over the same scenario's logs.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pipeline.events.tending import Tending
from pipeline.ledger.brakes import brakes_of
from pipeline.ledger.rows import Event, Mark
from pipeline.night.air import air_day
from pipeline.night.berth_day import berth_day_of
from pipeline.night.berth_days import asides_of, berth_day, lost_of, parts_of, plan_berth_days, plateaus_of, surges_of
from pipeline.night.channel_day import channel_day
from pipeline.night.finding import Finding
from pipeline.night.findings import site_findings
from pipeline.night.happenings import event_rows_now, rigged_mains
from pipeline.night.intake import LiveParts
from pipeline.night.look import DayJob
from pipeline.night.place_day import Reckoned, reckon_day
from pipeline.night.plan import Plan, make_plan
from pipeline.site import Site, open_site
from pipeline.store.days import Readings, live
from pipeline.store.samples import Part
from sample_logs.scenarios import Recorded, Scenario, write_site
from schemas.times import DAY_US, day_of, day_start_us

DECIMALS: Final = 3
"""Of a value, as `write_site` writes it; stamps are whole milliseconds."""


@dataclass(frozen=True)
class Night:
    """What a night gives of a scenario: rows of events, findings, when winches were under power, brakes' verdicts."""

    site: Site
    events: list[dict[str, Any]]
    findings: list[Finding]
    tending: list[tuple[str, str, Tending]]
    verdicts: dict[str, str | None]


@dataclass
class Kept:
    """Recorded channels as the store keeps them: a part for each channel and UTC day. Called, it gives readings."""

    parts: list[Part] = field(default_factory=list)
    held: dict[str, tuple[NDArray[np.int64], NDArray[np.float64]]] = field(default_factory=dict)

    def add(self, channel: str, place: str, recorded: Recorded) -> None:
        """Take a channel's record, cut at UTC midnights."""
        at_us = recorded.at_us // 1000 * 1000
        value = np.round(recorded.values, DECIMALS) + 0.0  # a number as text has no zero below zero
        first, last = day_of(int(at_us[0])), day_of(int(at_us[-1]))
        for ordinal in range(first.toordinal(), last.toordinal() + 1):
            day = date.fromordinal(ordinal)
            begin, end = np.searchsorted(at_us, [day_start_us(day), day_start_us(day) + DAY_US])
            if begin == end:
                continue
            name = f"{channel}/{day}"
            self.held[name] = at_us[begin:end], value[begin:end]
            ends_us = int(at_us[begin]), int(at_us[end - 1])
            self.parts.append(
                Part(
                    name,
                    channel,
                    place,
                    day,
                    int(end - begin),
                    *ends_us,
                    name,
                    f"{name} head",
                    f"{name} tail",
                    (channel,),
                )
            )

    def __call__(
        self, parts: Sequence[Part], *, from_us: int | None = None, to_us: int | None = None
    ) -> dict[str, Readings]:
        """Live readings of some parts, optionally only of [from_us, to_us)."""
        gathered: dict[str, list[tuple[NDArray[np.int64], NDArray[np.float64]]]] = {}
        for part in sorted(parts, key=lambda one: (one.first_us, one.last_us, one.part)):
            at_us, value = self.held[part.part]
            begin = 0 if from_us is None else int(np.searchsorted(at_us, from_us))
            end = at_us.size if to_us is None else int(np.searchsorted(at_us, to_us))
            if begin < end:
                gathered.setdefault(part.channels[0], []).append((at_us[begin:end], value[begin:end]))
        return {name: live(pieces) for name, pieces in gathered.items()}


def night_of(scenario: Scenario) -> Night:
    """All events and findings of one scenario."""
    site = site_of(scenario)
    kept = Kept()
    for channel, recorded in scenario.recorded.items():
        kept.add(channel, site.channels[channel].place, recorded)
    now_us = time.time_ns() // 1000
    live_parts = LiveParts(kept.parts)
    plan = make_plan(site, live_parts.days(), None, known_us=now_us)
    made = _days(site, plan, kept)
    planned = plan_berth_days(site, plan)
    traces = {key: sheet.trace for day in made for key, sheet in day.sheets.items()}
    parts = parts_of(plan, list(planned.values()))
    marks = _marks(made)
    lost = lost_of(mark for found in marks.values() for mark in found)
    berth = {day: berth_day(one, berth_day_of(one, traces, parts, lost, kept)) for day, one in planned.items()}
    sheet_of = {use.key: use.key for use in plan.uses}
    days = berth.values()
    events = event_rows_now(site, plan, sheet_of, marks, surges_of(days), plateaus_of(days), asides_of(days))
    horizon_us = max(part.last_us for part in kept.parts)
    findings = [one for day in made for one in day.findings] + site_findings(
        site,
        live_parts,
        horizon_us,
        {},
        channels={(row["channel"], row["day"]): channel_day(row) for day in made for row in day.channels},
        air=[air_day(row) for day in made for row in day.air],
        berth=days,
        now_us=now_us,
    )
    tending = [
        (line, rigged.rigging.channel, stretch)
        for line, riggings in rigged_mains(site, plan, sheet_of, marks).items()
        for rigged in riggings
        for stretch in rigged.tending
    ]
    return Night(site, events, findings, tending, _verdicts(site, events, horizon_us))


def site_of(scenario: Scenario) -> Site:
    """The site that the scenario's folder says, opened and checked as any; its logs are not in it."""
    without = {
        channel: Recorded(recorded.at_us[:1], recorded.values[:1]) for channel, recorded in scenario.recorded.items()
    }
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "site"
        write_site(replace(scenario, recorded=without), root)
        return open_site(root)


def _days(site: Site, plan: Plan, kept: Kept) -> list[Reckoned]:
    """Every place's day, each sheet under its key."""
    made = []
    for (place, _), day in plan.days.items():
        channels = tuple(channel for channel in site.channels.values() if channel.place == place)
        sheets = tuple((sheet.key, sheet) for sheet in day.sheets)
        made.append(reckon_day(DayJob(site.store, "", day, channels, site.policy, sheets), kept))
    return made


def _marks(made: Sequence[Reckoned]) -> dict[str, list[Mark]]:
    marks: dict[str, list[Mark]] = {}
    for day in made:
        for row in day.marks:
            piece = day.sheets[row["sheet"]].slice
            where = piece.channel, piece.place, piece.day, piece.from_us, piece.to_us
            marks.setdefault(row["sheet"], []).append(Mark(row["sheet"], *where, row["kind"], row["payload"]))
    return marks


def _verdicts(site: Site, events: Sequence[Mapping[str, Any]], known_us: int) -> dict[str, str | None]:
    """Of each winch in the register: what the call showed of its brake."""
    rows = [Event(run=0, **row) for row in events]
    places = sorted({row.place for row in site.winches})
    return {brake.place: brake.verdict for brake in brakes_of(site, places, rows, {}, known_us)}
