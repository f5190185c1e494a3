"""What needs doing today: advice with its reason, brakes and gauges to see to; and the lines above a limit."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from pipeline.ledger.line_facts import SILENT, SILENT_SITE
from pipeline.reports import berth_gauges
from pipeline.reports.berth_lines import line_link
from pipeline.reports.figures import Figure, Instant, Link, command, kn
from pipeline.reports.page import page_path
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.tables import Column, Row, Table
from schemas.times import rfc3339_us

RULES: Final = {
    "retire": ("alarm", "Take out of use"),
    "inspect-before-reuse": ("warning", "Inspect before reuse"),
    "check-brake": ("warning", "Check brakes"),
    "crop": ("warning", "Crop"),
    "end-for-end": ("warning", "Turn end for end"),
    "check-sensor": ("warning", "Mend or check sensors"),
}
"""Rules of advice in the order in which they are to be done, how each is marked, and its heading."""
NOW_H: Final = 24.0
"""How long before the latest sample still counts as now. House rule: a night, and the day before it."""
LOADS: Final = ("peak-load", "sustained-load", "snap-load")
"""Events that say that a load was above a limit of the policy."""


@dataclass(frozen=True, slots=True)
class Task:
    """Something to do: its heading, how it is marked, and each reason with what it is about."""

    do: str
    mark: str
    items: Sequence[Mapping[str, Any]]


def todo(snapshot: Snapshot) -> list[Task]:
    """Everything that asks for something, most urgent first; reasons that are the same of several lines once."""
    tasks = [Task(do, mark, found) for rule, (mark, do) in RULES.items() if (found := list(_items(snapshot, rule)))]
    tasks += _of_brakes(snapshot) + _of_silence(snapshot) + _of_registers(snapshot) + _of_gauges(snapshot)
    return tasks


def quiet(snapshot: Snapshot) -> list[Link]:
    """The lines of which no rule says anything, which is no finding of fitness."""
    return [line_link(row["line"]) for row in snapshot.status["lines"] if row["advice_list"][0]["rule"] == "none"]


def states(snapshot: Snapshot) -> dict[str, str]:
    """The mark of each line: of the most urgent that is said of it; "unknown" where it was never observed."""
    found = {}
    for row in snapshot.status["lines"]:
        marks = [RULES[said["rule"]][0] for said in row["advice_list"] if said["rule"] in RULES]
        found[row["line"]] = "unknown" if row["consumed"] is None else next(iter(sorted(marks)), "")
    return found


def _items(snapshot: Snapshot, rule: str) -> Iterator[Mapping[str, Any]]:
    """Reasons of one rule, the gravest line first. Lines with a reason in common, as a line and its tail, are one item:
    first what is said of all of them, then what is said of one, with its name."""
    reasons: dict[str, dict[str, None]] = {}
    for row in snapshot.status["lines"]:
        for said in row["advice_list"]:
            if said["rule"] == rule:
                words = f"{said['do']}: {said['because']}" if rule == "retire" else said["because"]
                reasons.setdefault(row["line"], {})[words] = None
    for lines in sorted(
        _linked(reasons), key=lambda lines: max(_gravity(snapshot, line) for line in lines), reverse=True
    ):
        common = [words for words in reasons[lines[0]] if all(words in reasons[line] for line in lines)]
        own = [
            words if len(lines) == 1 else f"{line}: {words}"
            for line in lines
            for words in reasons[line]
            if words not in common
        ]
        yield {"of": [line_link(line) for line in lines], "because": [*common, *own]}


def _linked(reasons: Mapping[str, Mapping[str, None]]) -> list[list[str]]:
    """Lines that share a reason, directly or through others, together; in the order in which they are given."""
    found: list[list[str]] = []
    for line, own in reasons.items():
        touched = [group for group in found if any(words in reasons[other] for other in group for words in own)]
        found = [group for group in found if group not in touched]
        found.append([*(other for group in touched for other in group), line])
    place = list(reasons).index
    return sorted(found, key=lambda group: place(group[0]))


def _gravity(snapshot: Snapshot, line: str) -> float:
    """How near a line came: the largest share that a peak was of its strength left or of its limit base; 0 if none."""
    least = snapshot.summary(line)["strength"].get("least_margin")
    if least is not None and least["peak_share"] is None:
        return math.inf  # by the model nothing was left of it
    shares = [] if least is None else [float(least["peak_share"])]
    told = [event for event in snapshot.events_of(line) if event.get("severity") != "note"]
    return max([*shares, *(event["peak_pct"] / 100 for event in told if event["peak_pct"] is not None)], default=0.0)


def _of_brakes(snapshot: Snapshot) -> list[Task]:
    """Brakes that a year saw nothing of: the advice of lines does not speak of them."""
    idle = [one for one in snapshot.brakes["brakes"] if one["verdict"] == "not exercised" or one["test_due"]]
    items = [
        {
            "of": [Link(one["place"], "index.html#brakes-table")],
            "because": ["its test is due" if one["test_due"] else "not exercised or tested within a year on record"],
        }
        for one in idle
    ]
    return [Task("Test brakes", "warning", items)] if items else []


def _of_silence(snapshot: Snapshot) -> list[Task]:
    """What has stopped sending: the advice of lines may not speak of it."""
    said = [row for kind in (SILENT_SITE, SILENT) for row in snapshot.findings if row["kind"] == kind]
    items = [{"of": [Link(row["subject"], "index.html#findings-table")], "because": [row["text"]]} for row in said]
    return [Task("Find why readings stopped", "warning", items)] if items else []


def _of_registers(snapshot: Snapshot) -> list[Task]:
    """What registers say of a line against each other or against the logs: it may be the wrong end that is worn."""
    said = [row for row in snapshot.findings if row["subject"] in snapshot.site.lines and row["severity"] != "info"]
    items = [{"of": [line_link(row["subject"])], "because": [row["text"]]} for row in said]
    return [Task("Settle what registers say", "warning", items)] if items else []


def _of_gauges(snapshot: Snapshot) -> list[Task]:
    """Calibrations that are overdue or soon due."""
    items = [
        {"of": [Link(one.channel, "index.html#calibrations-table")], "because": [one.words]}
        for one in berth_gauges.due(snapshot)
    ]
    return [Task("Calibrate", "warning", items)] if items else []


def limits(snapshot: Snapshot) -> Table:
    """Lines above a limit: of load in the last day before the latest sample; of service and of strength."""
    columns = (
        Column("line"),
        Column("limit"),
        Column("found", trace=command("status")),
        Column("allowed"),
        Column("when"),
        Column("whose limit", wide=True),
    )
    rows = [*_loads(snapshot), *_served(snapshot), *_weak(snapshot)]
    caption = f"Highest loads of the {NOW_H:g} h up to the newest sample; service and strength as they stand"
    empty = "no line is above a limit that is known here, which says nothing of what is not recorded"
    return Table("limits-table", caption, columns, rows, few=len(rows) < 8, empty=empty)


def _loads(snapshot: Snapshot) -> Iterator[Row]:
    """The highest load of each line and kind of event within the last day."""
    until_us = snapshot.horizon_us
    if until_us is None:
        return
    policy = snapshot.site.policy
    allowed = {
        "peak-load": policy.peak_load_pct,
        "sustained-load": policy.sustained_pct,
        "snap-load": policy.snap_pct,
    }
    worst: dict[tuple[str, str], dict[str, Any]] = {}
    for event in snapshot.events:
        if event["kind"] in LOADS and rfc3339_us(event["to_at"]) >= until_us - NOW_H * 3.6e9:
            key = (event["line"], event["kind"])
            if key not in worst or event["peak_kn"] > worst[key]["peak_kn"]:
                worst[key] = event
    for (line, kind), event in sorted(worst.items(), key=lambda item: -item[1]["peak_kn"]):
        trace = command("events", "--line", line)
        pct = Figure(event["peak_pct"], trace, "%", 1, at_least=bool(event.get("peak_at_least")))
        yield Row(
            [
                line_link(line),
                Link(kind, page_path("events", event["event"])),
                [kn(event["peak_kn"], trace, at_least=bool(event.get("peak_at_least"))), "=", pct],
                f"{allowed[kind]:g} %",
                Instant(event["peak_at"]),
                f"policy, percent of {event.get('peak_pct_of') or 'break force'}",
            ],
            mark="alarm" if event.get("severity") == "alarm" else "warning",
        )


def _served(snapshot: Snapshot) -> Iterator[Row]:
    """Limits of calls, hours and age that are reached."""
    for row in snapshot.status["lines"]:
        trace = command("statement", row["line"])
        for limit in row["service"]["limits"]:
            if limit["reached"]:
                now, value = (Figure(limit[name], trace, "", None) for name in ("now", "value"))
                whose = f"{limit['of']} ({limit['source']})"
                yield Row([line_link(row["line"]), limit["limit"], now, value, "stands", whose], mark="alarm")


def _weak(snapshot: Snapshot) -> Iterator[Row]:
    """Strength left below the retirement line."""
    for row in snapshot.status["lines"]:
        strength = snapshot.summary(row["line"])["strength"]
        if not strength["reckoned"]:
            continue
        trace = command("statement", row["line"])
        left, zone, band = min(
            (left, zone, band) for zone, bands in strength["left_kn"].items() for band, left in bands.items()
        )
        if left < strength["retirement_kn"]:
            allowed = kn(strength["retirement_kn"], trace)
            whose = f"retirement line, {strength['retirement_of']}; {strength['basis']}, zone {zone}, {band}"
            yield Row(
                [line_link(row["line"]), "strength left", kn(left, trace), allowed, "stands", whose], mark="alarm"
            )
