"""An Excel workbook for people. Every text is written as a text: no formula, no link, whatever it holds.

One sheet a table, behind a sheet of cautions and the dictionary: column names, then units, both frozen, with a filter.
Days are dates, instants ISO texts (a spreadsheet's own keep no microseconds). Numbers keep the 15 digits that a
spreadsheet has; all digits stand in CSV and Parquet. A table with more rows than a sheet may have is cut, and says so.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pipeline.exports.csv_text import AT, flat
from pipeline.ledger.words import CAUTION, NOT_MODELLED
from schemas.exported import VERSION, Table
from schemas.exported_ledger import INDEX

if TYPE_CHECKING:
    import polars as pl

SHEET_ROWS: Final = 1_048_576
"""Rows of a sheet. Source: Excel specifications and limits (Office Open XML workbooks)."""
CELL_UNITS: Final = 32_767
"""UTF-16 units of a cell's text. Source: the same."""
HEAD: Final = 2
WHOLE_MOST: Final = 2**53
"""Beyond this whole numbers lose digits as a spreadsheet's numbers: they are written as texts."""
_EPOCH: Final = datetime(1980, 1, 1)
_WIDTHS: Final = {"text": 24, "json": 24, "list": 24, "instant": 28, "day": 12, "truth": 8}
_FIRST_DATE: Final = date(1900, 3, 1)
"""Before it a spreadsheet's calendar has a day too many."""

Frames = Callable[[Table], "pl.DataFrame"]


def write_workbook(
    path: Path, tables: Sequence[Table], frames: Mapping[str, pl.DataFrame], site: str, *, sheet_rows: int = SHEET_ROWS
) -> None:
    """Write the workbook of the tables that have a sheet. OSError: the disk refuses."""
    import xlsxwriter
    from xlsxwriter.exceptions import FileCreateError

    options = {
        "constant_memory": True,
        "use_zip64": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "tmpdir": str(path.parent),
    }
    try:
        with xlsxwriter.Workbook(str(path), options) as book:
            _fill(book, tables, frames, site, sheet_rows)
    except FileCreateError as error:  # what the library makes of an OSError
        cause = error.args[0] if error.args else error
        raise cause if isinstance(cause, OSError) else OSError(str(error)) from error


def _fill(book: Any, tables: Sequence[Table], frames: Mapping[str, pl.DataFrame], site: str, sheet_rows: int) -> None:
    book.set_properties({"title": "tautlog export", "created": _EPOCH, "comments": CAUTION})
    formats = {
        "head": book.add_format({"bold": True, "bottom": 1, "valign": "top"}),
        "unit": book.add_format({"italic": True, "font_color": "#555555", "bottom": 1}),
        "day": book.add_format({"num_format": "yyyy-mm-dd"}),
        "wrap": book.add_format({"text_wrap": True, "valign": "top"}),
    }
    _write_texts(book.add_worksheet("caution"), [110], _cautions(site, tables, frames, sheet_rows), formats["wrap"])
    _write_texts(book.add_worksheet("dictionary"), [18, 20, 10, 16, 8, 26, 80, 36], _words(tables), formats["wrap"])
    for table in tables:
        if table.workbook:
            _write_table(book.add_worksheet(table.name), table, frames[table.name], formats, sheet_rows)


def _cautions(
    site: str, tables: Sequence[Table], frames: Mapping[str, pl.DataFrame], sheet_rows: int
) -> Iterator[tuple[str, ...]]:
    yield (f"tautlog export of site {site}, dictionary version {VERSION}",)
    yield (CAUTION,)
    yield (f"What a figure of life used is called stands beside it, as `basis`. {INDEX}",)
    yield (f"In no figure of life: {', '.join(NOT_MODELLED)}.",)
    yield ("An empty cell is not zero: it is not known, or there is none. Pending and unobserved time are not zero.",)
    yield (
        "Times are UTC. Days are dates; instants are texts, which keep their microseconds. Numbers show the 15 digits "
        "that a spreadsheet keeps: all digits stand in csv/ and parquet/.",
    )
    for table in tables:
        rows = frames[table.name].height
        if table.workbook and table.not_for_people:
            yield (f"Columns of {table.name} that are in csv/ and parquet/ alone: {', '.join(table.not_for_people)}.",)
        if not table.workbook:
            yield (f"Not in this workbook: {table.name} ({table.title}), {rows} rows, in csv/ and parquet/.",)
        elif rows > sheet_rows - HEAD:
            yield (
                f"CUT: {table.name} holds the first {sheet_rows - HEAD} of {rows} rows; whole in csv/ and parquet/.",
            )


def _words(tables: Sequence[Table]) -> Iterator[tuple[str, ...]]:
    yield ("table", "column", "unit", "kind", "null", "title", "description", "defined in")
    for table in tables:
        yield (
            table.name,
            "",
            "",
            "table",
            "",
            table.title,
            f"{table.description} One row: {table.one_row}.",
            table.defined,
        )
        for column in table.columns:
            null = "may be" if column.nullable else "never"
            words = (column.title, column.description, column.defined)
            yield (table.name, column.name, column.unit or "", column.kind, null, *words)


def _write_texts(sheet: Any, widths: Sequence[int], rows: Iterator[tuple[str, ...]], wrap: Any) -> None:
    for place, width in enumerate(widths):
        sheet.set_column(place, place, width)
    sheet.freeze_panes(1, 0)
    for row, cells in enumerate(rows):
        for place, cell in enumerate(cells):
            sheet.write_string(row, place, fitting(cell, "dictionary.json"), wrap)


def _write_table(sheet: Any, table: Table, frame: pl.DataFrame, formats: Mapping[str, Any], sheet_rows: int) -> None:
    columns = [column for column in table.columns if column.name not in table.not_for_people]
    kept = _as_texts(frame.head(sheet_rows - HEAD).select(column.name for column in columns))
    for place, column in enumerate(columns):
        sheet.set_column(place, place, _WIDTHS.get(column.kind, 14))
    sheet.freeze_panes(HEAD, 1)
    sheet.autofilter(1, 0, kept.height + 1, len(columns) - 1)
    for place, column in enumerate(columns):
        sheet.write_string(0, place, column.name, formats["head"])
    for place, column in enumerate(columns):
        sheet.write_string(1, place, "" if column.unit is None else f"[{column.unit}]", formats["unit"])
    writers = [_WRITERS[column.kind] for column in columns]
    whole = f"csv/{table.name}.csv"
    for row, cells in enumerate(kept.iter_rows(), start=HEAD):
        for place, cell in enumerate(cells):
            if cell is not None:
                writers[place](sheet, row, place, cell, formats["day"], whole)


def _as_texts(frame: pl.DataFrame) -> pl.DataFrame:
    """The same rows with lists and instants as texts."""
    import polars as pl

    instants = [name for name, kind in frame.schema.items() if isinstance(kind, pl.Datetime)]
    return flat(frame).with_columns(pl.col(name).dt.strftime(AT) for name in instants)


def _text(sheet: Any, row: int, place: int, cell: str, day: Any, whole: str) -> None:
    sheet.write_string(row, place, fitting(cell, whole))


def _number(sheet: Any, row: int, place: int, cell: float | int | Decimal, day: Any, whole: str) -> None:
    if not math.isfinite(cell) or (isinstance(cell, int) and abs(cell) > WHOLE_MOST):
        sheet.write_string(row, place, str(cell))
    else:
        sheet.write_number(row, place, float(cell))


def _truth(sheet: Any, row: int, place: int, cell: bool, day: Any, whole: str) -> None:
    sheet.write_boolean(row, place, cell)


def _day(sheet: Any, row: int, place: int, cell: date, day: Any, whole: str) -> None:
    if cell < _FIRST_DATE:
        sheet.write_string(row, place, cell.isoformat())
    else:
        sheet.write_datetime(row, place, cell, day)


_WRITERS: Final[Mapping[str, Callable[[Any, int, int, Any, Any, str], None]]] = {
    "text": _text,
    "json": _text,
    "list": _text,
    "whole": _number,
    "number": _number,
    "exact": _number,
    "truth": _truth,
    "day": _day,
    "instant": _text,
}


def fitting(text: str, whole: str) -> str:
    """A text as a cell can hold it: cut, and saying so, beyond its limit; what XML has no character for is U+FFFD."""
    if len(text) > CELL_UNITS // 2:
        units = text.encode("utf-16-le")
        if len(units) > 2 * CELL_UNITS:
            told = f" [cut here; whole in {whole}]"
            text = units[: 2 * (CELL_UNITS - len(told))].decode("utf-16-le", "ignore") + told
    return text.replace("\ufffe", "\ufffd").replace("\uffff", "\ufffd")
