"""The berth, first page of the morning: what needs doing today, and why; then all that it rests on.

It shows what is published: `now` is the site's latest sample, never the wall clock.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pipeline.events.calls import calls, fast_of
from pipeline.ledger.words import SEVERITY_INDEX
from pipeline.reports import berth_doing, berth_gauges, berth_lines, berth_nights, berth_short, trend
from pipeline.reports.figures import Figure, Instant, command, instant, kn
from pipeline.reports.page import BERTH, Page
from pipeline.reports.plan import plan
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.tables import Column, Row, Table
from schemas.times import us_to_rfc3339


def pages(snapshot: Snapshot) -> Iterator[Page]:
    """The one page of the berth."""
    yield Page(BERTH, "Berth", "berth.html.j2", lambda: view(snapshot), last=True)


def view(snapshot: Snapshot) -> dict[str, Any]:
    """What the page shows."""
    call = _call(snapshot)
    return {
        "short": berth_short.short(snapshot),
        "todo": berth_doing.todo(snapshot),
        "quiet": berth_doing.quiet(snapshot),
        "limits": berth_doing.limits(snapshot),
        "call": call,
        "plan": plan(snapshot, berth_doing.states(snapshot)),
        "worst": berth_lines.worst_first(snapshot),
        "by_zone": berth_lines.by_zone(snapshot),
        "balance": _balance(snapshot),
        "coverage": berth_lines.coverage(snapshot),
        "episodes": berth_nights.episodes(snapshot),
        "alone": berth_nights.alone(snapshot),
        "findings": berth_gauges.findings(snapshot),
        "zeros": berth_gauges.zeros(snapshot),
        "calibrations": berth_gauges.calibrations(snapshot),
        "brakes": berth_gauges.brakes(snapshot),
        "brake_caution": snapshot.brakes["caution"],
        "service": berth_lines.service(snapshot),
        "trend": trend.chart(snapshot),
        "unreckoned": snapshot.status["unreckoned_days"],
        "is_index": any(row["basis"] == SEVERITY_INDEX for row in snapshot.status["lines"]),
        "not_modelled": snapshot.status["not_modelled"],
    }


def _call(snapshot: Snapshot) -> Mapping[str, Any] | None:
    """The newest call, its phase at the latest sample, and the lines fast then."""
    site, until_us = snapshot.site, snapshot.horizon_us
    ship_of = {name: line.ship for name, line in site.lines.items()}
    begun = [call for call in calls(site.riggings, ship_of) if until_us is not None and call.from_us <= until_us]
    if until_us is None or not begun:
        return None
    call = max(begun, key=lambda one: (one.from_us, one.ship))
    fast = fast_of(call, site.riggings, ship_of, gap_h=site.policy.mooring_gap_h)
    over = call.to_us is not None and call.to_us <= until_us
    lines = sorted(
        {
            row.line
            for row in site.riggings
            if ship_of[row.line] == call.ship
            and row.from_us <= until_us
            and (row.to_us is None or row.to_us > until_us)
        }
    )
    return {
        "ship": call.ship,
        "phase": "over: no line is ashore" if over else fast.phase(until_us, until_us),
        "from": Instant(us_to_rfc3339(call.from_us)),
        "all_fast": Instant(us_to_rfc3339(fast.all_fast_us)) if fast.all_fast_us <= until_us else None,
        "let_go": instant(fast.first_let_go_us),
        "to": instant(call.to_us),
        "lines": lines,
    }


def _balance(snapshot: Snapshot) -> Mapping[str, Any] | None:
    """How the lines of each role share the load of the newest call, against plan."""
    found = snapshot.balance["calls"]
    if not found:
        return None
    call, trace = found[0], command("balance")
    columns = (
        Column("line"),
        Column("role"),
        Column("mean", "kN", "over the time in which all lines were fast", trace),
        Column(
            "most of its role, times its mean", "", "of the one that bore most: its mean over that of its role", trace
        ),
        Column("last hour", "kN", "over the last recorded hour of that time", trace),
        Column("planned", "kN", "rigging.csv's pretension, else the policy's", trace),
        Column("mean of planned", "%", "", trace),
        Column("plan is from"),
    )
    rows = [
        Row(
            [
                berth_lines.line_link(line["line"]),
                role["role"],
                kn(line["mean_kn"], trace),
                _times(role, line),
                kn(line["last_hour_kn"], trace, why="not observed"),
                kn(line["planned_kn"], trace),
                Figure(line["pct_of_planned"], trace, "%", 0),
                line["planned_by"],
            ]
        )
        for role in call["roles"]
        for line in role["lines"]
    ]
    return {
        "ship": call["ship"],
        "from": Instant(call["all_fast_at"]),
        "to": instant(call["first_let_go_at"]),
        "last_hour": Instant(call["last_hour_to_at"]),
        "table": Table("balance-table", "Load of each line within its role, and against the plan", columns, rows),
        "most": _most(call),
        "without_role": call["without_role"],
        "earlier": len(found) - 1,
        "caution": snapshot.balance["caution"],
    }


def _times(role: Mapping[str, Any], line: Mapping[str, Any]) -> Figure | None:
    """A line's mean over that of its role: as the answer has it: of the one that bore most."""
    largest = role["largest"]
    if largest is None or largest["line"] != line["line"] or len(role["lines"]) < 2:
        return None
    return Figure(largest["times_mean"], command("balance"), "", 2)


def _most(call: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Of each role of several lines the one that bore most."""
    trace = command("balance")
    return [
        {
            "role": role["role"],
            "line": role["largest"]["line"],
            "times": Figure(role["largest"]["times_mean"], trace, "", 2),
            "of": len(role["lines"]),
        }
        for role in call["roles"]
        if role["largest"] is not None and len(role["lines"]) > 1 and role["largest"]["times_mean"] is not None
    ]
