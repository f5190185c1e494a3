"""Views of the DuckDB file, each with its query and words, for dashboards and first looks. Pure text."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from pipeline.ledger.words import CAUTION
from schemas.exported_ledger import INDEX


@dataclass(frozen=True)
class View:
    """A view: what it shows, its query, what each column is, and the tables that it needs."""

    name: str
    comment: str
    query: str
    columns: Mapping[str, str]
    needs: tuple[str, ...]


_LINE, _ZONE, _BASIS = "The mooring line or tail.", "The end that was outboard, a or b.", "What its figures are called."
_NOT_ADDED: Final = (
    "Fatigue and creep act on the outboard length, abrasion on contact bands: they are not added across mechanisms. "
)

VIEWS: Final = (
    View(
        "worst_lines",
        f"What to look at first: lines, worst first, with advice. {INDEX} {CAUTION}",
        "SELECT place_in_list, line, part, basis, zone, used, pending, coverage, advice FROM line_status "
        "ORDER BY place_in_list",
        {
            "place_in_list": "From 1, the worst.",
            "line": _LINE,
            "part": "main or tail.",
            "basis": _BASIS,
            "zone": "Its worse zone; null where nobody observed.",
            "used": "All that is counted, as share of life [1]; not known where null.",
            "pending": "Life that open cycles would take if they closed now [1].",
            "coverage": "Rigged time observed over rigged time [1].",
            "advice": "What to do, most urgent first, with reasons.",
        },
        ("line_status",),
    ),
    View(
        "life_by_month",
        f"Life by line, zone, month and mechanism, as posted (the spec's factor not applied). {_NOT_ADDED}{INDEX}",
        "SELECT line, zone, date_trunc('month', day)::DATE AS month, mechanism, any_value(basis) AS basis, "
        "sum(life) AS life, count(*) AS days FROM live_entries GROUP BY ALL ORDER BY line, zone, month, mechanism",
        {
            "line": _LINE,
            "zone": _ZONE,
            "month": "First day of the UTC month.",
            "mechanism": "fatigue, creep or abrasion.",
            "basis": _BASIS,
            "life": "Share of life, an exact sum [1].",
            "days": "Days posted.",
        },
        ("live_entries",),
    ),
    View(
        "life_running",
        f"Posted life of each line's zone and mechanism day by day, and its running sum. {_NOT_ADDED}{INDEX}",
        "SELECT line, zone, mechanism, day, basis, life, "
        "sum(life) OVER (PARTITION BY line, zone, mechanism ORDER BY day) AS life_so_far "
        "FROM live_entries ORDER BY line, zone, mechanism, day",
        {
            "line": _LINE,
            "zone": _ZONE,
            "mechanism": "fatigue, creep or abrasion.",
            "day": "UTC day.",
            "basis": _BASIS,
            "life": "Share of life of the day [1].",
            "life_so_far": "Exact sum up to and with the day [1]; an unknown opening is not in it.",
        },
        ("live_entries",),
    ),
    View(
        "highest_by_day",
        "Highest tension of each line's day against ship design MBL, and what was observed of the day. "
        f"A high load calls for inspection; a low one permits nothing. {CAUTION}",
        "SELECT d.line, d.zone, d.day, d.peak_kn, d.peak_at, d.observed_us / 3.6e9 AS observed_h, s.design_mbl_kn, "
        "d.peak_kn / s.design_mbl_kn * 100 AS of_design_mbl_pct "
        "FROM line_days AS d JOIN lines AS l ON d.line = l.line LEFT JOIN ships AS s ON l.ship = s.ship "
        "ORDER BY d.line, d.day, d.zone",
        {
            "line": _LINE,
            "zone": _ZONE,
            "day": "UTC day.",
            "peak_kn": "Highest tension [kN]; null where none was reckoned.",
            "peak_at": "Its first instant, UTC.",
            "observed_h": "Rigged time observed on the day [h].",
            "design_mbl_kn": "Ship design MBL [kN]; null where it is unknown.",
            "of_design_mbl_pct": "Highest tension in percent of ship design MBL [%].",
        },
        ("line_days", "lines", "ships"),
    ),
    View(
        "events_to_answer",
        f"Events that are more than a note, newest first. {CAUTION}",
        "SELECT event, severity, kind, line, place, from_at, to_at, peak_kn, peak_at_least, peak_pct, peak_pct_of "
        "FROM events WHERE severity IS DISTINCT FROM 'note' ORDER BY from_at DESC, line, kind",
        {
            "event": "Id, for `tautlog trace`.",
            "severity": "warning or alarm; null of releases that knew none.",
            "kind": "What it is.",
            "line": _LINE,
            "place": "Hook or winch.",
            "from_at": "First instant, UTC.",
            "to_at": "Last instant, UTC.",
            "peak_kn": "Highest tension [kN].",
            "peak_at_least": "Whether it was that or more.",
            "peak_pct": "Peak in percent of what peak_pct_of says [%].",
            "peak_pct_of": "ship design MBL, or break force where that is unknown.",
        },
        ("events",),
    ),
    View(
        "files_by_day",
        "Lines of raw files by the UTC day of their first reading: all = header + blank + ignored + stored + duplicate "
        "+ quarantined.",
        "SELECT first_at::DATE AS day, count(*) AS files, sum(lines)::BIGINT AS lines, "
        "sum(header + blank + ignored)::BIGINT AS no_data, sum(stored)::BIGINT AS stored, "
        "sum(duplicate)::BIGINT AS duplicate, sum(quarantined)::BIGINT AS quarantined "
        "FROM receipts GROUP BY ALL ORDER BY day",
        {
            "day": "UTC day of the first reading; null for files without any.",
            "files": "Raw files.",
            "lines": "Their lines.",
            "no_data": "Header, blank and ignored lines.",
            "stored": "Lines with any new or different reading.",
            "duplicate": "Lines that repeat stored readings.",
            "quarantined": "Lines that could not be used, kept with their reason.",
        },
        ("receipts",),
    ),
)
