"""CSV, Parquet and DuckDB hold the same: every row, every digit, every text as it stands."""

from __future__ import annotations

import csv
import json
import re
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.exports.csv_text import FORMULA_STARTS, formula_like, write_csv
from pipeline.exports.frames import TABLES
from pipeline.exports.views import VIEWS
from pipeline.ledger.database import open_published
from schemas.exported import Table, of_answer, said
from tests.exports.conftest import DETAILS, LINES, Exported

KINDS = "text", "json", "list", "whole", "number", "exact", "truth", "day", "instant"
INJECTION = ("=", "+", "-", "@", "\t", "\r", "\n")
"""Source: OWASP, www-community, CSV Injection: characters with which no cell should begin (read 2026)."""


def made_up() -> Table:
    """A table with a column of each kind that a cell of CSV may have."""
    columns = [said(f"a_{kind}", kind, "made up", kind, nullable=True) for kind in KINDS]  # type: ignore[arg-type]
    return Table("made_up", "Made up", "one", "For a test.", "here", of_answer("here", *columns))


def read_csv(path: Path) -> list[list[str]]:
    with path.open(newline="", encoding="utf-8") as handle:
        return list(csv.reader(handle, strict=True))


def as_csv(cell: Any) -> str:
    """A cell as the dictionary's words say that CSV has it, spelt out here by hand."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, datetime):
        return cell.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    if isinstance(cell, date):
        return cell.isoformat()
    if isinstance(cell, Decimal):
        return f"{cell:.30f}"
    return json.dumps(cell, ensure_ascii=False) if isinstance(cell, list) else str(cell)


@pytest.mark.parametrize("name", TABLES)
def test_csv_read_by_another_program_holds_what_parquet_holds(exported: Exported, name: str) -> None:
    frame = exported.table(name)
    found = read_csv(exported.folder / "csv" / f"{name}.csv")
    assert len(found) == frame.height + 1
    for cells, row in zip(found[1:], frame.iter_rows(), strict=True):
        for text, cell in zip(cells, row, strict=True):
            assert (float(text) == cell) if isinstance(cell, float) else (text == as_csv(cell))


@given(
    st.lists(
        st.tuples(
            st.none() | st.text(st.characters(exclude_categories=["Cs"])),
            st.none() | st.text(st.sampled_from('a",\r\n\t=; ')),
            st.none() | st.lists(st.text(max_size=3, alphabet=st.characters(exclude_categories=["Cs"])), max_size=2),
            st.none() | st.integers(-(2**63), 2**63 - 1),
            st.none() | st.floats(allow_nan=False, allow_infinity=False),
            st.none() | st.decimals(-(10**7), 10**7, places=30, allow_nan=False, allow_infinity=False),
            st.none() | st.booleans(),
            st.none() | st.dates(date(1, 1, 1)),
            st.none() | st.datetimes(datetime(1900, 1, 1), datetime(2200, 1, 1), timezones=st.just(UTC)),
        ),
        max_size=6,
    )
)
def test_any_cells_survive_csv_to_the_last_digit(tmp_path_factory: pytest.TempPathFactory, rows: list[Any]) -> None:
    path = tmp_path_factory.getbasetemp() / "any.csv"
    frame = pl.DataFrame(rows, schema=made_up().schema(), orient="row")
    write_csv(frame, path)
    # RFC 4180, 2.1 and 2.2: lines end with CRLF, the last one too.
    assert path.read_bytes().endswith(b"\r\n")
    found = read_csv(path)
    assert found[0] == frame.columns
    assert len(found) == len(rows) + 1
    for cells, row in zip(found[1:], rows, strict=True):
        for text, cell in zip(cells, row, strict=True):
            assert (float(text) == cell) if isinstance(cell, float) else (text == as_csv(cell))


def test_nothing_and_an_empty_text_are_told_apart(tmp_path: Path) -> None:
    write_csv(pl.DataFrame({"a": [None, ""], "b": ["x", "y"]}), tmp_path / "a.csv")
    assert (tmp_path / "a.csv").read_bytes() == b'a,b\r\n,x\r\n"",y\r\n'


def test_lives_keep_all_their_digits_everywhere(exported: Exported) -> None:
    with open_published(exported.berth.root) as ledger:
        posted = ledger.rows("SELECT entry, life FROM live_entries ORDER BY line, zone, day, mechanism")
    assert any(life.as_tuple().digits[-1] for _, life in posted)
    frame = exported.table("live_entries")
    assert frame.schema["life"] == pl.Decimal(38, 30)
    assert list(frame.select("entry", "life").iter_rows()) == posted
    found = read_csv(exported.folder / "csv" / "live_entries.csv")
    place = found[0].index("life")
    assert [Decimal(row[place]) for row in found[1:]] == [life for _, life in posted]
    assert all(re.fullmatch(r"-?\d+\.\d{30}", row[place]) for row in found[1:])
    with duckdb.connect(str(exported.folder / "export.duckdb"), read_only=True) as con:
        assert con.execute("SELECT entry, life FROM live_entries").fetchall() == posted


def test_a_text_that_a_spreadsheet_would_run_is_left_as_it_is_and_counted(exported: Exported) -> None:
    assert set(FORMULA_STARTS) == set(INJECTION)
    found = read_csv(exported.folder / "csv" / "services.csv")
    # A register's cell is stripped when it is read: that of the tab begins with "=" from then on.
    assert [row[3] for row in found[1:]] == [text.strip() for text in DETAILS]
    count = sum(text.strip().startswith(INJECTION) for text in DETAILS)
    assert count == 5
    assert exported.answer["formula_like"]["services"]["detail"] == count
    manifest = json.loads((exported.folder / "manifest.json").read_bytes())
    assert manifest["tables"]["services"]["formula_like"] == {"line": len(DETAILS), "detail": count}
    assert f"services.csv, detail: {count}" in (exported.folder / "READ-ME.txt").read_text(encoding="utf-8")
    lines = read_csv(exported.folder / "csv" / "lines.csv")
    assert sorted(row[0] for row in lines[1:]) == sorted(LINES)


@pytest.mark.parametrize("start", INJECTION)
def test_each_start_of_a_formula_counts_and_no_other_place_in_a_text(start: str) -> None:
    table = made_up()
    blank = dict.fromkeys(table.schema())
    rows = [{**blank, "a_text": f"{start}1"}, {**blank, "a_text": f"x{start}1"}, {**blank, "a_number": -1.0}]
    assert formula_like(pl.DataFrame(rows, schema=table.schema()), table) == {"a_text": 1}


def test_the_database_has_a_comment_on_everything_and_reads_under_any_name(exported: Exported, tmp_path: Path) -> None:
    file = tmp_path / "renamed it's.duckdb"
    file.write_bytes((exported.folder / "export.duckdb").read_bytes())
    with duckdb.connect(str(file), read_only=True) as con:
        tables = con.execute("SELECT table_name, comment FROM duckdb_tables()").fetchall()
        views = con.execute("SELECT view_name, comment FROM duckdb_views() WHERE NOT internal").fetchall()
        columns = con.execute(
            "SELECT table_name, column_name, comment FROM duckdb_columns() WHERE NOT internal"
        ).fetchall()
        assert {name for name, _ in tables} == set(TABLES)
        assert {name for name, _ in views} == {view.name for view in VIEWS}
        assert [name for name, *_, comment in (*tables, *views, *columns) if not comment] == []
        for table in TABLES.values():
            # Every column is a plain word of SQL, which needs no quotes.
            told = con.execute(f"SELECT {', '.join(c.name for c in table.columns)} FROM {table.name}").fetchall()
            assert len(told) == exported.answer["tables"][table.name]
        for view in VIEWS:
            con.execute(f"SELECT {', '.join(view.columns)} FROM {view.name}")
            assert [column[0] for column in con.execute(f"SELECT * FROM {view.name}").description] == list(view.columns)


def test_the_database_can_be_read_by_older_versions(exported: Exported) -> None:
    with duckdb.connect() as con:
        con.execute(f"ATTACH '{exported.folder / 'export.duckdb'}' AS found (READ_ONLY)")
        [(tags,)] = con.execute("SELECT tags FROM duckdb_databases() WHERE database_name = 'found'").fetchall()
    assert tags["storage_version"].startswith("v1.2.0")


def test_views_add_up_to_the_tables(exported: Exported) -> None:
    with duckdb.connect(str(exported.folder / "export.duckdb"), read_only=True) as con:
        [(by_month,)] = con.execute("SELECT sum(life) FROM life_by_month").fetchall()
        [(last,)] = con.execute(
            "SELECT sum(l) FROM (SELECT max_by(life_so_far, day) AS l FROM life_running GROUP BY line, zone, mechanism)"
        ).fetchall()
        [(lines, no_data, stored, duplicate, quarantined)] = con.execute(
            "SELECT sum(lines), sum(no_data), sum(stored), sum(duplicate), sum(quarantined) FROM files_by_day"
        ).fetchall()
    total = sum(exported.table("live_entries")["life"].to_list(), Decimal(0))
    assert total > 0
    assert by_month == last == total
    assert lines == no_data + stored + duplicate + quarantined
    assert lines == exported.table("receipts")["lines"].sum()


def test_instants_are_utc_to_the_microsecond(exported: Exported) -> None:
    with open_published(exported.berth.root) as ledger:
        told = ledger.rows("SELECT sha256, first_us FROM live_receipts ORDER BY run, seq")
    parquet = exported.table("receipts")["first_at"]
    assert parquet.dt.epoch("us").to_list() == [us for _, us in told]
    with duckdb.connect(str(exported.folder / "export.duckdb"), read_only=True) as con:
        con.execute("SET TimeZone = 'Pacific/Apia'")
        assert con.execute("SELECT sha256, epoch_us(first_at) FROM receipts").fetchall() == told


def test_classes_by_month_are_those_of_the_days(exported: Exported) -> None:
    with open_published(exported.berth.root) as ledger:
        [(cycles,)] = ledger.rows("SELECT sum(list_sum(cycle_count)) FROM live_wear_days")
        [(time_us,)] = ledger.rows("SELECT sum(list_sum(level_us)) FROM live_wear_days")
    assert cycles > 0
    assert exported.table("cycle_classes")["cycles"].sum() == cycles
    assert exported.table("level_classes")["time_us"].sum() == time_us
    assert exported.table("line_days")["observed_us"].sum() > 0
