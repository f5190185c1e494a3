"""Last night: episodes, and events by themselves, of the last day before the latest sample or new with the last run."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from pipeline.reports.berth_lines import line_link
from pipeline.reports.figures import Figure, Instant, Link, command, kn
from pipeline.reports.page import page_path
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.tables import Column, Row, Table
from schemas.times import rfc3339_us

NIGHT_H: Final = 24.0
"""How long before the latest sample counts as last night. House rule."""


def _is_recent(snapshot: Snapshot, row: Mapping[str, Any]) -> bool:
    until_us = snapshot.horizon_us
    return until_us is not None and rfc3339_us(row["to_at"]) >= until_us - NIGHT_H * 3.6e9


def _is_new(snapshot: Snapshot, event: str) -> bool:
    found = snapshot.events_by_id.get(event)
    return found is not None and found["run"] == snapshot.head["run"]


def episodes(snapshot: Snapshot) -> Table:
    """Episodes of last night, newest first."""
    trace = command("episodes")
    columns = (
        Column("from"),
        Column("lasted", "min", "", trace),
        Column("severity"),
        Column("lines", "", "how many were in it", trace),
        Column("largest", "kN", "", trace),
        Column("what happened", wide=True),
        Column("new"),
    )
    rows = []
    for one in reversed(snapshot.episodes):
        new = any(_is_new(snapshot, event) for event in one["events"])
        if not new and not _is_recent(snapshot, one):
            continue
        lasted_s = (rfc3339_us(one["to_at"]) - rfc3339_us(one["from_at"])) / 1e6
        rows.append(
            Row(
                [
                    Instant(one["from_at"]),
                    Figure(lasted_s, trace, "min", 1, scale=1 / 60, value_unit="s"),
                    one["severity"],
                    Figure(len(one["lines"]), trace, "", 0),
                    kn(one["largest"]["peak_kn"], trace),
                    Link(one["sentence"], page_path("episodes", one["episode"])),
                    "new" if new else "",
                ],
                mark="alarm" if one["severity"] == "alarm" else "",
            )
        )
    return Table("episodes-table", _caption("Episodes"), columns, rows, empty="no events of several lines together")


def alone(snapshot: Snapshot) -> Table:
    """Warnings and alarms of last night that are in no episode, newest first."""
    together = {event for one in snapshot.episodes for event in one["events"]}
    columns = (
        Column("at"),
        Column("line"),
        Column("kind"),
        Column("severity"),
        Column("peak", "kN", "", command("events")),
        Column("of limit base", "%", "percent of ship design MBL, or of break force", command("events")),
        Column("new"),
    )
    rows = []
    for event in reversed(snapshot.events):
        new = event["run"] == snapshot.head["run"]
        if event["event"] in together or event.get("severity") == "note" or not (new or _is_recent(snapshot, event)):
            continue
        trace = command("trace", event["event"])
        least = bool(event.get("peak_at_least"))
        rows.append(
            Row(
                [
                    Instant(event["from_at"]),
                    line_link(event["line"]),
                    Link(event["kind"], page_path("events", event["event"])),
                    event.get("severity") or "warning",
                    kn(event["peak_kn"], trace, at_least=least),
                    Figure(event["peak_pct"], trace, "%", 1, at_least=least),
                    "new" if new else "",
                ],
                mark="alarm" if event.get("severity") == "alarm" else "",
            )
        )
    caption = _caption("Warnings and alarms of single lines")
    return Table("alone-table", caption, columns, rows, empty="none beside the episodes")


def _caption(what: str) -> str:
    return f"{what}, of the {NIGHT_H:g} h up to the newest sample or new with the last run, newest first"
