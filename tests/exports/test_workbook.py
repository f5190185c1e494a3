"""The workbook: no formula whatever a text holds, cautions first, cut where it must be, and read by another program."""

from __future__ import annotations

import gc
import re
import warnings
import zipfile
from datetime import date, datetime
from pathlib import Path
from typing import Any

import openpyxl
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.exports.frames import TABLES
from pipeline.exports.workbook import CELL_UNITS, HEAD, fitting, write_workbook
from schemas.exported import Table, of_answer, said
from tests.exports.conftest import DETAILS, LINES, Exported

ONE = Table(
    "one",
    "One",
    "one",
    "For a test.",
    "here",
    of_answer(
        "here",
        said("a_text", "Text", "made up", "text", nullable=True),
        said("peak_kn", "Peak", "made up", "number", nullable=True),
        said("day", "Day", "made up", "day", nullable=True),
        said("count", "Count", "made up", "whole", nullable=True),
    ),
)


def xml_of(path: Path) -> dict[str, str]:
    with zipfile.ZipFile(path) as book:
        assert book.testzip() is None
        return {name: book.read(name).decode("utf-8") for name in book.namelist() if name.endswith((".xml", ".rels"))}


def made(path: Path, rows: list[tuple[Any, ...]], **options: Any) -> Any:
    write_workbook(path, [ONE], {"one": pl.DataFrame(rows, schema=ONE.schema(), orient="row")}, "=site()", **options)
    return openpyxl.load_workbook(path)


def test_no_formula_and_no_link_is_in_the_workbook_whatever_names_and_texts_hold(exported: Exported) -> None:
    found = xml_of(exported.folder / "workbook.xlsx")
    sheets = [name for name in found if name.startswith("xl/worksheets/sheet")]
    assert len(sheets) == 2 + sum(table.workbook for table in TABLES.values())
    for name, text in found.items():
        assert re.search(r"<f[\s>/]|<hyperlink|<externalReference|ddeLink|TargetMode", text) is None, name
    book = openpyxl.load_workbook(exported.folder / "workbook.xlsx")
    details = [row[3].value for row in book["services"].iter_rows(min_row=HEAD + 1)]
    assert details == [text.strip() for text in DETAILS]
    assert {row[3].data_type for row in book["services"].iter_rows(min_row=HEAD + 1)} == {"s"}
    assert {row[0].value for row in book["lines"].iter_rows(min_row=HEAD + 1)} == set(LINES)


@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=40))
def test_any_text_is_a_text_of_the_workbook(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    path = tmp_path_factory.getbasetemp() / "any.xlsx"
    book = made(path, [("=" + text, None, None, None)])
    assert not any("<f>" in xml for xml in xml_of(path).values())
    cell = book["one"].cell(HEAD + 1, 1)
    assert cell.data_type == "s"
    assert cell.value[0] == "="


def test_the_first_sheet_is_of_cautions_and_calls_figures_by_their_name(exported: Exported) -> None:
    book = openpyxl.load_workbook(exported.folder / "workbook.xlsx")
    assert book.sheetnames[:2] == ["caution", "dictionary"]
    told = "\n".join(str(row[0].value) for row in book["caution"].iter_rows())
    assert "supports, and never replaces, inspection" in told
    assert "severity index, never a percent of life and never a date" in told
    assert "An empty cell is not zero" in told
    assert "Not in this workbook: entries" in told
    status = book["line_status"]
    head = [cell.value for cell in status[1]]
    assert {row[head.index("basis")].value for row in status.iter_rows(min_row=HEAD + 1)} == {"severity index"}


def test_sheets_have_names_and_units_frozen_and_a_filter(exported: Exported) -> None:
    book = openpyxl.load_workbook(exported.folder / "workbook.xlsx")
    for table in TABLES.values():
        if table.workbook:
            sheet = book[table.name]
            columns = [column for column in table.columns if column.name not in table.not_for_people]
            assert [cell.value for cell in sheet[1]] == [column.name for column in columns]
            assert sheet.freeze_panes == "B3"
            assert sheet.auto_filter.ref is not None
            assert sheet.max_row == max(HEAD, exported.table(table.name).height + HEAD)
    units = dict(zip((c.value for c in book["receipts"][1]), (c.value for c in book["receipts"][2]), strict=True))
    assert (units["bytes"], units["file"]) == ("[byte]", "")


def test_days_are_dates_and_numbers_numbers(tmp_path: Path) -> None:
    rows = [("x", 905.2, date(2026, 10, 26), 7), ("y", float("nan"), date(1899, 1, 1), 2**60), (None,) * 4]
    sheet = made(tmp_path / "a.xlsx", rows)["one"]
    found = [[cell.value for cell in row] for row in sheet.iter_rows(min_row=HEAD + 1)]
    assert found[0] == ["x", 905.2, datetime(2026, 10, 26), 7]
    # A spreadsheet has no such number, no such date, and not so many digits: texts, which lie about nothing.
    assert found[1] == ["y", "nan", "1899-01-01", str(2**60)]
    assert len(found) == 2


def test_more_rows_than_a_sheet_may_have_are_cut_and_said_to_be(tmp_path: Path) -> None:
    book = made(tmp_path / "a.xlsx", [(str(n), None, None, n) for n in range(10)], sheet_rows=6)
    assert book["one"].max_row == 6
    told = "\n".join(str(row[0].value) for row in book["caution"].iter_rows())
    assert "CUT: one holds the first 4 of 10 rows; whole in csv/ and parquet/." in told


def test_a_disk_that_refuses_is_told_as_such(tmp_path: Path) -> None:
    (tmp_path / "a.xlsx").mkdir()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # the library then leaves its drafts to the collector
        with pytest.raises(IsADirectoryError):
            made(tmp_path / "a.xlsx", [])
        gc.collect()


@pytest.mark.parametrize("character", ["x", "\U0001f6a2"])
def test_a_text_longer_than_a_cell_may_hold_is_cut_and_says_so(character: str) -> None:
    cut = fitting(character * 40_000, "csv/a.csv")
    assert len(cut.encode("utf-16-le")) // 2 <= CELL_UNITS
    assert cut.endswith(" [cut here; whole in csv/a.csv]")
    assert fitting("x" * CELL_UNITS, "csv/a.csv") == "x" * CELL_UNITS
    assert fitting("a\ufffe\uffff", "csv/a.csv") == "a\ufffd\ufffd"
