"""A database file for other people's programs: tables, views, and a comment on each of them and of their columns.

It is written in the oldest file format that the snapshot is published in, so that older DuckDB versions read it. The
same tables and texts make the same bytes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb

from pipeline.errors import StoreError
from pipeline.ledger.database import literal
from pipeline.ledger.publish import STORAGE_VERSION


@dataclass(frozen=True)
class PortableTable:
    """A table: SQL type and comment of each column by name, and the Parquet file that holds its rows."""

    name: str
    comment: str
    columns: Mapping[str, tuple[str, str]]
    rows: Path


@dataclass(frozen=True)
class PortableView:
    """A view: its query, its comment, and that of each of its columns by name."""

    name: str
    comment: str
    query: str
    columns: Mapping[str, str]


def write_database(file: Path, tables: Sequence[PortableTable], views: Sequence[PortableView]) -> None:
    """Write the file, which may not be there yet. Raises StoreError when the disk refuses."""
    # One thread: how rows lie in the file must not depend on the machine.
    with duckdb.connect(config={"threads": "1", "autoinstall_known_extensions": "false"}) as con:
        try:
            con.execute(f"ATTACH {literal(str(file))} AS export (STORAGE_VERSION '{STORAGE_VERSION}')")
            con.execute("USE export")
            for table in tables:
                _write_table(con, table)
            for view in views:
                con.execute(f"CREATE VIEW {name(view.name)} AS {view.query}")
                _comment(con, "VIEW", view.name, view.comment, view.columns)
            con.execute("CHECKPOINT export")
            con.execute("USE memory")
            con.execute("DETACH export")
        except (duckdb.IOException, duckdb.TransactionException) as error:
            raise StoreError(
                f"cannot write: {str(error).splitlines()[0]}",
                file=file,
                next_step="free space or rights, then run again",
            ) from error


def name(text: str) -> str:
    """A name as SQL takes it whatever it holds."""
    return '"' + text.replace('"', '""') + '"'


def _write_table(con: duckdb.DuckDBPyConnection, table: PortableTable) -> None:
    columns = ", ".join(f"{name(column)} {kind}" for column, (kind, _) in table.columns.items())
    con.execute(f"CREATE TABLE {name(table.name)} ({columns})")
    rows = ", ".join(_as_is(column, kind) for column, (kind, _) in table.columns.items())
    con.execute(f"INSERT INTO {name(table.name)} SELECT {rows} FROM read_parquet({literal(str(table.rows))})")
    _comment(con, "TABLE", table.name, table.comment, {column: said for column, (_, said) in table.columns.items()})


def _as_is(column: str, kind: str) -> str:
    """A column of a Parquet file as the table takes it. An instant is UTC in both, whatever zone is set."""
    return f"make_timestamp(epoch_us({name(column)}))" if kind == "TIMESTAMP" else f"{name(column)}::{kind}"


def _comment(con: duckdb.DuckDBPyConnection, what: str, of: str, comment: str, columns: Mapping[str, str]) -> None:
    con.execute(f"COMMENT ON {what} {name(of)} IS {literal(comment)}")
    for column, said in columns.items():
        con.execute(f"COMMENT ON COLUMN {name(of)}.{name(column)} IS {literal(said)}")
