"""Tables that sort and filter. A cell is text, a figure, an instant, a link, a picture, or several of these."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from pipeline.reports.figures import Figure, Instant, Trace

Cell = Any
"""str, int, None, Figure, Instant, Link, Picture, Markup, or a sequence of them."""


@dataclass(frozen=True, slots=True)
class Column:
    """A column. `unit`: of all its figures, shown in its head. `note`: what it is, in a sentence. `trace`: where its
    figures come from. `wide`: sentences, which may break lines; `whole`: what is never broken, such as a digest.
    """

    head: str
    unit: str = ""
    note: str = ""
    trace: Trace | None = None
    wide: bool = False
    whole: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """A row; `id`: its anchor; `mark`: "alarm", "warning" or "" (never by colour alone: a cell says it too)."""

    cells: Sequence[Cell]
    id: str = ""
    mark: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """A table: `id` (of its element), `caption`, columns and rows. The first cell of a row is its head.

    `few`: neither filter nor note on sorting. `empty`: what is said where there is no row. `picks`: heads of columns of
    which a value may be chosen; `between`: head of a column of instants, of which days may be given from and to.
    """

    id: str
    caption: str
    columns: Sequence[Column]
    rows: Sequence[Row] = field(default_factory=tuple)
    few: bool = False
    empty: str = "none"
    picks: Sequence[str] = ()
    between: str = ""

    @property
    def traces(self) -> list[tuple[str, Trace]]:
        """Columns, by where their figures come from."""
        found: dict[Trace, list[str]] = {}
        for column in self.columns:
            if column.trace is not None:
                found.setdefault(column.trace, []).append(column.head)
        return [(", ".join(heads), trace) for trace, heads in found.items()]


def sort_key(cell: Cell) -> str | None:
    """What a cell is sorted by where its text will not do: the figure itself, or the instant; unknown ones last."""
    if isinstance(cell, Figure):
        return "" if cell.value is None else repr(float(cell.value))
    if isinstance(cell, Instant):
        return str(cell.at_us)
    if isinstance(cell, Sequence) and not isinstance(cell, str) and len(cell) > 0:
        return sort_key(cell[0])
    return None
