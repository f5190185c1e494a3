"""Take one manifest into the ledger: all its rows in one transaction, decided by the manifest alone."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from pipeline.errors import StoreError
from pipeline.manifest import Manifest
from pipeline.store.files import digest_of
from schemas.versions import ADDED_COLUMNS, AddedColumn, filled_in

if TYPE_CHECKING:
    from pipeline.ledger.database import Ledger

TABLES = (
    "runs",
    "receipts",
    "parts",
    "flags",
    "sheets",
    "sheet_marks",
    "states",
    "wear_days",
    "air_days",
    "berth_days",
    "entries",
    "events",
    "findings",
    "removed",
)
"""Every table that manifests fill, in the order they are taken in: those of `schemas.tables.TABLES`."""


def apply(ledger: Ledger, manifest: Manifest) -> None:
    """Take in the manifest after the last one seen; StoreError when it is another, or a file is altered."""
    seen = taken_in(ledger.con)
    if len(seen) + 1 != manifest.run or manifest.previous != (seen[-1][1] if seen else None):
        raise StoreError(
            f"run {manifest.run} does not follow what the ledger has taken in",
            file=ledger.file,
            found=f"{len(seen)} runs",
            next_step="run again; the ledger catches up by itself",
        )
    apply_to(ledger.con, ledger.root, manifest)


def apply_to(
    con: duckdb.DuckDBPyConnection,
    site_root: Path,
    manifest: Manifest,
    *,
    tables: tuple[str, ...] = TABLES,
    added: tuple[AddedColumn, ...] = ADDED_COLUMNS,
) -> None:
    """The same on a bare connection, without asking what was taken in before.

    `tables`: only these. `added`: the columns that older manifests lack; those of `con` must be made to match.
    """
    unknown = manifest.tables.keys() - set(TABLES)
    if unknown:
        raise StoreError(
            f"run {manifest.run} holds tables this program does not know",
            found=", ".join(sorted(unknown)),
            next_step="use the version of tautlog that made it, or a newer one",
        )
    con.execute("BEGIN TRANSACTION")
    try:
        for table in tables:
            if table in manifest.tables:
                _insert(con, site_root, manifest, table, added)
        con.execute("INSERT INTO applied VALUES (?, ?)", [manifest.run, manifest.sha256])
        con.execute("COMMIT")
    except BaseException as error:
        # After a FatalException the whole instance is dead, and a COMMIT that the disk refused has ended its
        # transaction already; the next open heals from the manifests.
        if not isinstance(error, duckdb.FatalException):
            with suppress(duckdb.TransactionException, duckdb.FatalException):
                con.execute("ROLLBACK")
        if isinstance(error, duckdb.Error):
            raise StoreError(
                f"the ledger cannot take in run {manifest.run}: {error}",
                next_step="free space or rights and run again, or `tautlog rebuild`",
            ) from error
        raise


def taken_in(con: duckdb.DuckDBPyConnection) -> list[tuple[int, str]]:
    """(run, SHA-256) of every manifest taken in, in order; StoreError when a run is missing among them."""
    seen: list[tuple[int, str]] = con.execute("SELECT run, manifest_sha256 FROM applied ORDER BY run").fetchall()
    if [run for run, _ in seen] != list(range(1, len(seen) + 1)):
        raise StoreError("the ledger has lost a run", next_step="run `tautlog rebuild`")
    return seen


def selected(
    con: duckdb.DuckDBPyConnection, table: str, version: int, added: tuple[AddedColumn, ...] = ADDED_COLUMNS
) -> tuple[str, list[str]]:
    """What to select from a manifest's table of a version, in the ledger's order; and the columns its files hold."""
    described = con.execute(f"SELECT column_name, column_type FROM (DESCRIBE {table})").fetchall()
    lacking = filled_in(table, version, added)
    columns = [
        f'CAST({lacking[name]} AS {kind}) AS "{name}"' if name in lacking else f'"{name}"' for name, kind in described
    ]
    return ", ".join(columns), [name for name, _ in described if name not in lacking]


def _insert(
    con: duckdb.DuckDBPyConnection,
    site_root: Path,
    manifest: Manifest,
    table: str,
    added: tuple[AddedColumn, ...],
) -> None:
    file = manifest.tables[table]
    path = site_root / file.path
    try:
        found = digest_of(path)
    except OSError as error:
        raise StoreError(
            f"cannot read: {error.strerror}", file=path, next_step="restore manifests/ from a backup"
        ) from error
    if found != file.sha256:
        raise StoreError(
            f"not the bytes that run {manifest.run} committed",
            file=path,
            found=found,
            expected=file.sha256,
            next_step="restore manifests/ from a backup",
        )
    columns, held = selected(con, table, manifest.version, added)
    there = [
        name
        for (name,) in con.execute("SELECT column_name FROM (DESCRIBE FROM read_parquet(?))", [str(path)]).fetchall()
    ]
    if sorted(there) != sorted(held):
        raise StoreError(
            f"not the columns of a manifest of version {manifest.version}",
            file=path,
            found=", ".join(sorted(set(there) ^ set(held))) + " in one of the two only",
            next_step="use the version of tautlog that made it, or a newer one",
        )
    # Names come from the literal table above and the schema; the path is bound. Rows keep their order (seq).
    insert = f"INSERT INTO {table} SELECT {columns} FROM read_parquet(?)"
    inserted = con.execute(insert, [str(path)]).fetchone()
    if inserted is None or inserted[0] != file.rows:
        raise StoreError(f"not the {file.rows} rows that the manifest names", file=path, found=str(inserted))
