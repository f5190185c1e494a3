"""The page of the data: what became of every raw file and line, what was recorded when, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from pipeline.ledger import index
from pipeline.reports.coverage import coverage_view
from pipeline.reports.data_quality_view import (
    COUNTS,
    RECEIPTS,
    calibrations_view,
    clocks_view,
    conflicts_view,
    findings_view,
    overdue_view,
    rates_view,
    receipts_view,
)
from pipeline.reports.figures import Trace
from pipeline.reports.page import QUALITY, Page
from pipeline.reports.quarantined import quarantine_view
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.tables import Cell, Column, Row, Table

SHORT_SHA = 12
FINDINGS = 500
"""So many findings are listed, the gravest: some 500 bytes of the page each. House rule."""


def pages(snapshot: Snapshot) -> Iterator[Page]:
    """The one page of data quality."""
    yield Page(QUALITY, "Data quality", "quality.html.j2", lambda: _view(snapshot))


def _view(snapshot: Snapshot) -> dict[str, Any]:
    receipts, findings = receipts_view(snapshot.receipts), snapshot.findings
    held = list(index.receipts(snapshot.ledger).values())
    quarantine, cover = quarantine_view(snapshot.site, held), coverage_view(snapshot.ledger, snapshot.site)
    rates = rates_view(snapshot.sampling)
    return {
        "all": receipts["all"],
        "left_out": receipts["left_out"],
        "withdrawn": receipts["withdrawn"],
        "layouts": _layouts(receipts),
        "files": _files(receipts),
        "quarantine": quarantine,
        "reasons": _reasons(quarantine),
        "examples": _examples(quarantine),
        "cover": cover,
        "covered": None if cover is None else _covered(cover),
        "rates": _rates(rates),
        "rate_limits": rates["limits"],
        "clocks": _clocks(clocks_view(findings)),
        "pairs": _pairs(clocks_view(findings)),
        "conflicts": _conflicts(conflicts_view(findings)),
        "overdue": _texts("overdue", "Due, and not come", overdue_view(findings)),
        "calibrations": _calibrations(calibrations_view(snapshot.site, snapshot.known_us)),
        "findings": _findings(findings_view(findings)),
        "findings_left_out": max(len(findings) - FINDINGS, 0),
    }


def _layouts(view: Mapping[str, Any]) -> Table:
    rows = [
        Row([name, *_counts(sums)])
        for name, sums in [*((one["layout"], one) for one in view["layouts"]), ("all", view["all"])]
    ]
    columns = (Column("layout"), Column("files", trace=RECEIPTS), *_count_columns())
    return Table("layouts", "Lines of all raw files, by layout: each row adds up", columns, rows, few=True)


def _counts(sums: Mapping[str, Any]) -> list[Cell]:
    return [sums["files"], *(sums[name] for name in ("lines", *COUNTS)), _sum_words(sums), sums["cells_quarantined"]]


def _sum_words(sums: Mapping[str, Any]) -> str:
    return "adds up" if sums["adds_up"] else "DOES NOT ADD UP: run tautlog audit"


def _count_columns() -> list[Column]:
    counts = [Column(head, trace=RECEIPTS) for head in ("lines", *COUNTS)]
    adds_up = Column("sum", note="header + blank + ignored + stored + duplicate + quarantined = lines")
    return [*counts, adds_up, Column("cells in quarantine", trace=RECEIPTS)]


def _files(view: Mapping[str, Any]) -> Table:
    columns = (
        Column("file"),
        *_count_columns(),
        Column("first reading"),
        Column("last reading"),
        Column("layout"),
        Column("SHA-256", note="its first digits; tautlog receipts SITE --json has all", whole=True),
        Column("how it came", wide=True),
    )
    rows = [
        Row(
            [
                one["file"],
                *(one[name] for name in ("lines", *COUNTS)),
                _sum_words(one),
                one["cells_quarantined"],
                one["first"],
                one["last"],
                one["layout"],
                one["sha256"][:SHORT_SHA],
                f"{one['op']}: {one['reason']}" if one["reason"] else one["op"],
            ]
        )
        for one in view["files"]
    ]
    return Table(
        "files",
        "Raw files in the order in which they were taken in, the last one first",
        columns,
        rows,
        picks=("layout",),
        between="last reading",
    )


def _reasons(view: Mapping[str, Any]) -> Table:
    trace = Trace("quarantine/, a file for each raw file")
    columns = (Column("reason"), Column("layout"), Column("what"), Column("how many", trace=trace), Column("in files"))
    rows = [Row([one["reason"], one["layout"], one["what"], one["count"], one["files"]]) for one in view["reasons"]]
    return Table("reasons", "Rows and cells in quarantine, by reason", columns, rows, few=True)


def _examples(view: Mapping[str, Any]) -> Table:
    columns = (
        Column("reason"),
        Column("bytes as delivered", wide=True, note=r"what is not plain ASCII stands as \xNN"),
        Column("file", wide=True),
        Column("line of the file"),
        Column("column"),
        Column("detail", wide=True),
    )
    rows = [
        Row(
            [
                reason["reason"],
                one["bytes"] + (f" … and {one['cut']} bytes more" if one["cut"] else ""),
                one["file"],
                str(one["line"]),
                one["column"],
                one["detail"],
            ]
        )
        for reason in view["reasons"]
        for one in reason["examples"]
    ]
    return Table("examples", "Examples of each reason, from the newest files", columns, rows)


def _covered(view: Mapping[str, Any]) -> Table:
    columns = (
        Column("channel"),
        Column("quantity"),
        Column("rigged", unit="s"),
        Column("observed", unit="s"),
        Column("observed", unit="%"),
        Column("days under half observed"),
        Column("days with readings"),
        Column("last day with readings"),
    )
    names = ("channel", "quantity", "rigged", "observed", "share", "days_bad", "days_read", "last_read")
    rows = [Row([one[name] for name in names]) for one in view["channels"]]
    return Table("covered", "Time with a line on each channel, and how much of it was observed", columns, rows)


def _rates(view: Mapping[str, Any]) -> Table:
    columns = (
        Column("channel"),
        Column("verdict"),
        Column("what it means", wide=True),
        Column("rate", unit="Hz"),
        Column("missed, at least", unit="%"),
        Column("missed, by extrapolation", unit="%"),
        Column("line"),
        Column("basis"),
        Column("looked at from"),
        Column("to"),
    )
    names = ("channel", "outcome", "words", "rate", "at_least", "shortfall", "line", "basis", "from", "to")
    rows = [
        Row([one[name] for name in names], mark="warning" if one["outcome"] == "too slow" else "")
        for one in view["channels"]
    ]
    return Table("rates", "Is each logger fast enough, worst first", columns, rows)


def _clocks(clocks: Sequence[Mapping[str, Any]]) -> Table:
    columns = (
        Column("logger"),
        Column("offset", unit="s", note="positive: its clock is ahead"),
        Column("what was found", wide=True),
    )
    rows = [Row([one["logger"], one["offset"], one["text"]], mark="warning") for one in clocks]
    return Table("clocks", "Clocks that are apart", columns, rows, few=True, empty="no clock was found to be off")


def _pairs(clocks: Sequence[Mapping[str, Any]]) -> Table:
    pairs = {(pair["first"], pair["second"], pair["offset"].exact): pair for one in clocks for pair in one["pairs"]}
    columns = (
        Column("second logger"),
        Column("ahead of"),
        Column("by", unit="s"),
        Column("uncertainty", unit="s"),
        Column("motion shared"),
        Column("windows"),
    )
    names = ("second", "first", "offset", "uncertainty", "shared", "windows")
    rows = [Row([pair[name] for name in names]) for _, pair in sorted(pairs.items())]
    return Table("pairs", "By which pairs of loggers that is known", columns, rows, few=True)


def _conflicts(conflicts: Sequence[Mapping[str, Any]]) -> Table:
    columns = (
        Column("channel"),
        Column("instants"),
        Column("what was found", wide=True),
        Column("raw files", wide=True),
    )
    rows = [
        Row(
            [
                one["channel"],
                one["instants"],
                one["text"],
                [f"{file['file']} ({file['sha256'][:SHORT_SHA]})" for file in one["files"]],
            ]
        )
        for one in conflicts
    ]
    return Table("conflicts", "Readings of one instant that differ: all are kept, the larger counts", columns, rows)


def _texts(name: str, caption: str, findings: Sequence[Mapping[str, Any]]) -> Table:
    columns = (Column("about"), Column("kind"), Column("severity"), Column("what was found", wide=True))
    rows = [Row([one["subject"], one["kind"], one["severity"], one["text"]], mark=_mark(one)) for one in findings]
    return Table(name, caption, columns, rows, few=True, empty="nothing")


def _calibrations(rows: Sequence[Mapping[str, Any]]) -> Table:
    columns = (
        Column("channel"),
        Column("calibrated"),
        Column("due"),
        Column("days left", note="when the newest run looked; a day that is due counts wholly as in time"),
        Column("state"),
        Column("certificate", wide=True),
    )
    made = [
        Row(
            [row["channel"], row["from"], row["due"], row["days_left"], _state(row), row["certificate"]],
            mark="warning" if row["overdue"] else "",
        )
        for row in rows
    ]
    return Table("calibrations", "The newest calibration of each tension channel, due soonest first", columns, made)


def _state(row: Mapping[str, Any]) -> str:
    if row["from"] is None:
        return "none registered"
    return "overdue" if row["overdue"] else "no due date" if row["due"] is None else "in date"


def _findings(kinds: Sequence[Mapping[str, Any]]) -> Table:
    columns = (
        Column("kind"),
        Column("severity"),
        Column("about"),
        Column("what was found", wide=True),
        Column("finding"),
        Column("since run"),
    )
    rows = [
        Row(
            [kind["kind"], one["severity"], one["subject"], one["text"], one["finding"], str(one["run"])],
            mark=_mark(one),
        )
        for kind in kinds
        for one in kind["findings"]
    ]
    return Table(
        "findings",
        "Everything that stands wrong, gravest first",
        columns,
        rows[:FINDINGS],
        picks=("kind", "severity"),
        empty="nothing",
    )


def _mark(finding: Mapping[str, Any]) -> str:
    return {"error": "alarm", "warning": "warning"}.get(str(finding["severity"]), "")
