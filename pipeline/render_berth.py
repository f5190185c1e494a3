"""Text of the answers about all lines of a berth together: balance and episodes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.render_events import cautions
from pipeline.text import join, table

Row = Mapping[str, Any]


def balance_text(answer: Row) -> str:
    """How the lines of each role share the load of each call, newest first."""
    if not answer["calls"]:
        return "No call with samples of the time in which all lines were fast."
    return join(*(_call(call) for call in answer["calls"]), _BALANCE, answer["caution"])


_BALANCE = (
    "Means over the time in which all lines were fast, and over the last recorded hour of it; peaks are not in them, "
    "see `tautlog events`. `of mean` is a line's load against the mean of its role. A load near the plan says nothing "
    "of a line's strength."
)


def _call(call: Row) -> str:
    until = call["first_let_go_at"] or "now"
    rows = [
        [
            role["role"],
            line["line"],
            _kn(line["mean_kn"]),
            _times(line["mean_kn"], role["largest"]),
            _kn(line["last_hour_kn"]),
            _times(line["last_hour_kn"], role["largest_last_hour"]),
            f"{line['planned_kn']:.0f} ({line['planned_by']})",
            "-" if line["pct_of_planned"] is None else f"{line['pct_of_planned']:.0f} %",
        ]
        for role in call["roles"]
        for line in role["lines"]
    ]
    head = ["role", "line", "mean kN", "of mean", "last hour kN", "of mean", "planned kN", "mean of planned"]
    return join(
        f"{call['ship']}, all fast {call['all_fast_at']} to {until}; last hour to {call['last_hour_to_at']}",
        table(head, rows) if rows else "",
        *(_heaviest(role) for role in call["roles"]),
        f"Without a role in rigging.csv, and in no balance: {', '.join(call['without_role'])}."
        if call["without_role"]
        else "",
    )


def _heaviest(role: Row) -> str:
    largest, times = role["largest"], None if role["largest"] is None else role["largest"]["times_mean"]
    if times is None or len(role["lines"]) < 2:
        return ""
    return f"{role['role']}: {largest['line']} bore most, {times:.2f} times the mean of {len(role['lines'])} lines."


def _kn(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}"


def _times(kn: float | None, largest: Row | None) -> str:
    if kn is None or largest is None or largest["times_mean"] is None:
        return "-"
    return f"{kn / largest['mean_of_role_kn']:.2f}"


def episodes_text(answer: Row) -> str:
    """Episodes, by time, each with the sentence of what happened."""
    alone = answer["events_alone"]
    rest = f"{alone} events above a note stand alone; see `tautlog events`." if alone else ""
    if not answer["episodes"]:
        return join("No episodes.", rest)
    rows = [
        [one["episode"], one["severity"] or "-", one["from_at"], one["to_at"], str(len(one["lines"])), one["sentence"]]
        for one in answer["episodes"]
    ]
    kinds = {kind for one in answer["episodes"] for kind in one["kinds"]}
    head = ["episode", "severity", "from (UTC)", "to (UTC)", "lines", "what happened"]
    return join(table(head, rows), rest, *cautions(kinds))


def zeros_text(answer: Row) -> str:
    """Zero checks, a table a channel."""
    checked = [one for one in answer["zeros"] if one["checks"]]
    if not checked:
        return "No channel has an interval without a line long enough to be a zero check."
    without = [one["channel"] for one in answer["zeros"] if not one["checks"]]
    none = f"No zero check of {', '.join(without)}." if without else ""
    return join(*(_zeros(one) for one in checked), none, _ZEROS)


_ZEROS = (
    "`off` is the reading without a line against the zero of the calibration in force, or 0 without one. `no` in the "
    "last column: something says that a load may have been on it, and it counts for nothing. Nothing is corrected."
)


def _zeros(one: Row) -> str:
    rows = [
        [
            check["from_at"],
            f"{check['duration_s'] / 60:.0f}",
            f"{check['reading_kn']:.2f}",
            f"{check['off_kn']:+.2f}",
            f"{check['spread_kn']:.2f}",
            "" if check["air_c"] is None else f"{check['air_c']:.1f}",
            "yes" if check["counted"] else "no",
        ]
        for check in one["checks"]
    ]
    limit = "" if one["threshold_kn"] is None else f", moved beyond {one['threshold_kn']:.2f} kN ({one['threshold']})"
    head = ["from", "min", "reading kN", "off kN", "spread kN", "air degC", "counts"]
    return f"{one['channel']}{limit}\n{table(head, rows)}"
