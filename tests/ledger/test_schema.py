"""The ledger's SQL and the manifest tables are one contract, and the ledger refuses to forget."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.ledger.apply import TABLES as IN_ORDER
from pipeline.ledger.database import create, open_ledger
from schemas.tables import TABLES
from tests.ledger import makers

SQL_TYPES = {
    pl.Int64(): "BIGINT",
    pl.String(): "VARCHAR",
    pl.Date(): "DATE",
    pl.Float64(): "DOUBLE",
    pl.Boolean(): "BOOLEAN",
    pl.Decimal(38, 30): "DECIMAL(38,30)",
    pl.List(pl.String()): "VARCHAR[]",
    pl.List(pl.Float64()): "DOUBLE[]",
    pl.List(pl.Int64()): "BIGINT[]",
}
GUARDED = [*TABLES, "applied", "schema_stamp"]


@pytest.mark.parametrize("table", TABLES)
def test_sql_and_manifest_table_have_the_same_columns(site: Path, table: str) -> None:
    with create(site, ":memory:") as ledger:
        sql = ledger.con.execute(
            "SELECT column_name, data_type, is_nullable FROM duckdb_columns() WHERE table_name = ? "
            "ORDER BY column_index",
            [table],
        ).fetchall()
    columns = TABLES[table].columns()
    assert sql == [(name, SQL_TYPES[column.dtype], column.nullable) for name, column in columns.items()]


def test_every_manifest_table_is_taken_in() -> None:
    assert tuple(TABLES) == IN_ORDER


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site with a row in every table; shared, since nothing in it can be changed."""
    site = tmp_path_factory.mktemp("filled")
    makers.commit(
        site,
        receipts=[makers.receipt("f")],
        parts=[makers.part("p")],
        flags=[makers.flag_file("f")],
        sheets=[makers.sheet("s")],
        sheet_marks=[makers.mark("s")],
        states=[makers.state("L1")],
        wear_days=[makers.wear_day("L1")],
        air_days=[makers.air_day("mast-wind")],
        berth_days=[makers.berth_day()],
        entries=[makers.entry("E1-1", "L1", "0.1")],
        events=[makers.event("e", "L1")],
        findings=[makers.finding("f")],
        removed=[makers.removed("store/sheets/hook-1/s.parquet")],
    )
    open_ledger(site).close()
    return site


@pytest.mark.parametrize("table", GUARDED)
@pytest.mark.parametrize("change", ["UPDATE {0} SET {1} = {1}", "DELETE FROM {0}", "TRUNCATE {0}"])
def test_the_database_refuses_to_change_or_take_away(filled: Path, table: str, change: str) -> None:
    with open_ledger(filled) as ledger:
        before = makers.dump(ledger)
        column = ledger.con.execute(f"SELECT column_name FROM (DESCRIBE {table}) LIMIT 1").fetchall()[0][0]
        with pytest.raises(duckdb.InvalidInputException, match=f"{table} is append-only"):
            ledger.con.execute(change.format(table, column))
        assert before[table] != []
        assert makers.dump(ledger) == before


def test_the_ledger_cannot_leave_its_site_folder(filled: Path, tmp_path: Path) -> None:
    outside = tmp_path / "outside.parquet"
    pl.DataFrame({"a": [1]}).write_parquet(outside)
    with open_ledger(filled) as ledger:
        with pytest.raises(duckdb.PermissionException):
            ledger.con.execute("SELECT * FROM read_parquet(?)", [str(outside)])
        with pytest.raises(duckdb.PermissionException):
            ledger.con.execute(f"ATTACH '{tmp_path}/other.duckdb'")
        with pytest.raises(duckdb.InvalidInputException):
            ledger.con.execute("SET enable_external_access = true")
