"""The berth, first page of the morning: what needs doing today, and every line, worst first."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pipeline.reports.figures import Figure, Link, command
from pipeline.reports.page import BERTH, Page, page_path
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.tables import Column, Row, Table


def pages(snapshot: Snapshot) -> Iterator[Page]:
    """The one page of the berth."""
    yield Page(BERTH, "Berth", "berth.html.j2", lambda: _view(snapshot))


def _view(snapshot: Snapshot) -> dict[str, Any]:
    return {"lines": _lines(snapshot), "not_modelled": snapshot.status["not_modelled"]}


def _lines(snapshot: Snapshot) -> Table:
    trace = command("status")
    columns = (Column("line"), Column("part"), Column("used", trace=trace), Column("what to do", wide=True))
    rows = [
        Row(
            [
                Link(row["line"], page_path("lines", row["line"])),
                row["part"],
                Figure(row["used"], trace),
                row["advice"],
            ]
        )
        for row in snapshot.status["lines"]
    ]
    return Table("lines", "Lines, worst first", columns, rows)
