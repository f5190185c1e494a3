"""Open the ledger's database: as its one writer, or as a reader of the published snapshot.

The ledger is an index of the manifests. Opening it as the writer takes in every manifest it has not seen,
so a crash between a manifest and the ledger, a lost or a torn write-ahead log all heal here, by comparison
with the head of the chain. A file that DuckDB cannot read, or that another version of the schema made, is
set aside and made anew. One process may write, under the site's lock; readers open the published snapshot
and never wait. While it is open nothing else in the process may open the file: closing any handle of it
would drop its lock.
"""

from __future__ import annotations

import hashlib
import importlib.resources
import re
import secrets
import time
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

import duckdb

from pipeline import manifest as manifests
from pipeline.errors import SiteBusy, StoreError
from pipeline.ledger.apply import apply_to, taken_in

_NOT_ITS_FAULT = ("Permission denied", "No space left", "File too large", "Read-only", "Too many open files")
_SQL_FILE = re.compile(r"\d{3}_[a-z_]+\.sql", re.ASCII)
T = TypeVar("T")
_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "allow_community_extensions": "false",
    "threads": "2",
}


@dataclass
class Ledger:
    """An open ledger or published snapshot; close it, or use it in a `with`.

    `root` is the site folder, `notes` what was healed while opening, in words. `kept`: answers that are asked once of
    a snapshot that is held still (`still`); None where what is asked may change.
    """

    root: Path
    file: Path
    con: duckdb.DuckDBPyConnection
    writer: bool
    notes: list[str] = field(default_factory=list)
    _singles: dict[str, Any] = field(default_factory=dict, repr=False)
    kept: dict[Hashable, Any] | None = None

    def __enter__(self) -> Ledger:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            self.close()
        else:
            # Whatever the ledger lacks now is taken in from the manifests at the next open.
            self.con.close()

    def rows(self, sql: str, given: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        """All rows of a query with its bound values; StoreError when the file cannot be read."""
        try:
            return self.con.execute(sql, list(given)).fetchall()
        except duckdb.ProgrammingError:
            raise  # our own query is wrong
        except duckdb.Error as error:
            raise StoreError(
                f"the ledger cannot be read: {error}", file=self.file, next_step="run `tautlog rebuild`"
            ) from error

    def single(self, sql: str) -> Any:
        """The one value of a query that always has one row. A reader asks once: what it has open does not change."""
        if self.writer:
            return self.rows(sql)[0][0]
        if sql not in self._singles:
            self._singles[sql] = self.rows(sql)[0][0]
        return self._singles[sql]

    def once(self, what: Hashable, ask: Callable[[], T]) -> T:
        """What `ask` answers; of a ledger held still it is asked the first time only, and must not be changed."""
        if self.kept is None:
            return ask()
        if what not in self.kept:
            self.kept[what] = ask()
        found: T = self.kept[what]
        return found

    def close(self) -> None:
        """Close; a writer first writes everything into the file and proves that no log is left beside it."""
        if not self.writer:
            self.con.close()
            return
        try:
            self.con.execute("CHECKPOINT")
        except (duckdb.IOException, duckdb.TransactionException) as error:
            raise _cannot_write(self.file, error) from error
        self.con.close()
        log = log_of(self.file)
        if log.exists():
            raise StoreError(
                "the ledger left its write-ahead log behind", file=log, next_step="run again; it heals itself"
            )


def open_ledger(site_root: Path) -> Ledger:
    """The ledger at the head of the chain, for its one writer (hold the site's lock).

    Raises SiteBusy when another process has it open, StoreError when the manifests are broken, were written by a newer
    program, or do not hold what the ledger has already taken in.
    """
    site_root = site_root.resolve()
    manifests.refuse_newer(site_root)  # before a newer program's ledger would be set aside
    file = ledger_file(site_root)
    notes: list[str] = []
    if not file.exists():
        log_of(file).unlink(missing_ok=True)
        ledger = create(site_root, file)
    else:
        ledger = _open_or_renew(site_root, file, notes)
    ledger.notes[:0] = notes
    try:
        catch_up(ledger)
    except BaseException:
        ledger.con.close()
        raise
    return ledger


def open_published(site_root: Path) -> Ledger:
    """The published snapshot, read-only; StoreError when nothing was published yet."""
    return open_snapshot(site_root, lambda root, file: _of_this_form(open_reader(root, file)))


def open_snapshot(site_root: Path, opened: Callable[[Path, Path], Ledger]) -> Ledger:
    """What `opened` (site folder, ledger file) makes of the published snapshot; StoreError: none, or unreadable."""
    site_root = site_root.resolve()
    current = site_root / "published" / "current"
    if not current.exists():
        raise StoreError("nothing is published yet", file=current, next_step="run `tautlog nightly` on this site")
    for attempt in range(5):
        # The folder may be swapped between following the link and opening the file.
        time.sleep(0.01 * attempt)
        try:
            return opened(site_root, (current / "ledger.duckdb").resolve(strict=True))
        except (FileNotFoundError, duckdb.Error) as error:
            failure = error
    raise StoreError(
        f"what is published cannot be read: {failure}",
        file=current,
        next_step="run `tautlog rebuild` on this site",
    ) from failure


def _of_this_form(snapshot: Ledger) -> Ledger:
    """The snapshot, if this version of the schema made it; else StoreError."""
    stamp = _stamp(snapshot.con)
    if stamp != schema_sha256():
        snapshot.con.close()
        raise StoreError(
            "what is published was made by another version of tautlog",
            file=snapshot.file,
            next_step="run `tautlog nightly` once with this version, which publishes it anew",
        )
    return snapshot


def open_reader(site_root: Path, file: Path) -> Ledger:
    """A ledger file read-only and unhealed; duckdb.Error when it cannot be read."""
    con = duckdb.connect(str(file), read_only=True, config=_CONFIG)
    _harden(con, site_root)
    return Ledger(site_root, file, con, writer=False)


def create(site_root: Path, file: Path | str, *, writer: bool = True) -> Ledger:
    """A new, empty ledger in a file that is not there yet, or `":memory:"`. `writer`: closing it checkpoints it."""
    try:
        con = duckdb.connect(str(file), config=_CONFIG)
        _harden(con, site_root)
        con.execute("BEGIN TRANSACTION")
        con.execute(schema_sql())
        con.execute("INSERT INTO schema_stamp VALUES (?)", [schema_sha256()])
        con.execute("COMMIT")
    except (duckdb.IOException, duckdb.TransactionException) as error:
        raise _cannot_write(file, error) from error
    return Ledger(site_root, Path(file), con, writer=writer)


def catch_up(ledger: Ledger) -> None:
    """Take in every manifest the ledger has not seen; StoreError when it has seen what the chain lacks."""
    seen = taken_in(ledger.con)
    head = manifests.head(ledger.root)
    length = 0 if head is None else head.run
    if seen and (seen[-1][0] > length or manifests.read(ledger.root, seen[-1][0]).sha256 != seen[-1][1]):
        raise StoreError(
            f"the ledger has taken in run {seen[-1][0]}, which the manifests do not hold",
            file=ledger.file,
            found=f"{length} manifests",
            next_step="restore manifests/ from a backup, or go by the manifests alone: `tautlog rebuild`",
        )
    previous = seen[-1][1] if seen else None
    for run in range(len(seen) + 1, length + 1):
        manifest = manifests.read(ledger.root, run)
        manifests.follows(manifest, previous, ledger.root)
        apply_to(ledger.con, ledger.root, manifest)
        previous = manifest.sha256
    missed = length - len(seen)
    if seen and missed > 0:
        runs = "1 run" if missed == 1 else f"{missed} runs"
        ledger.notes.append(f"took in {runs} that the ledger had missed, up to run {length}")


def ledger_file(site_root: Path) -> Path:
    """Where the ledger lies."""
    return site_root / "ledger.duckdb"


def schema_sql() -> str:
    """The text that makes an empty ledger: the numbered files of `schemas/sql`, in order."""
    files = (importlib.resources.files("schemas") / "sql").iterdir()
    numbered = sorted((file for file in files if _SQL_FILE.fullmatch(file.name)), key=lambda file: file.name)
    return "\n".join(file.read_text(encoding="utf-8") for file in numbered)


def schema_sha256() -> str:
    """SHA-256 of `schema_sql`, kept in every ledger file made from it."""
    return hashlib.sha256(schema_sql().encode()).hexdigest()


def literal(value: str) -> str:
    """A text as an SQL literal, for the few statements that take no bound values."""
    return "'" + value.replace("'", "''") + "'"


def set_aside(file: Path) -> Path:
    """Rename a ledger file, and its log, out of the way as evidence; returns its new name."""
    aside = file.with_name(f"{file.name}.set-aside-{secrets.token_hex(4)}")
    log = log_of(file)
    file.rename(aside)
    if log.exists():
        log.rename(log_of(aside))
    return aside


def _cannot_write(file: Path | str, error: duckdb.Error) -> StoreError:
    """The disk refused the ledger, which is made from the manifests again when there is room."""
    return StoreError(
        f"cannot write the ledger: {str(error).splitlines()[0]}",
        file=file,
        next_step="free space or rights, then run again",
    )


def _open_or_renew(site_root: Path, file: Path, notes: list[str]) -> Ledger:
    con: duckdb.DuckDBPyConnection | None = None
    try:
        con = duckdb.connect(str(file), config=_CONFIG)
        _harden(con, site_root)
        stamp = _stamp(con)
        if stamp == schema_sha256():
            taken_in(con)
            return Ledger(site_root, file, con, writer=True)
        why = f"made by another version of the schema ({stamp})"
    except duckdb.Error as error:
        why = str(error).splitlines()[0]
        _blame_the_machine(file, why, error)
    if con is not None:
        con.close()
    aside = set_aside(file)
    notes.append(f"the ledger file was set aside as {aside.name} and made anew from the manifests: {why}")
    return create(site_root, file)


def _blame_the_machine(file: Path, why: str, error: duckdb.Error) -> None:
    """Raise when the reason lies outside the file, which may then be sound and is left alone."""
    if "Could not set lock" in why:
        raise SiteBusy(
            "another process has the ledger open",
            file=file,
            found=why,
            next_step="wait until it has ended",
        ) from error
    if any(word in why for word in _NOT_ITS_FAULT):
        raise StoreError(
            f"cannot open the ledger: {why}", file=file, next_step="free space or rights, then run again"
        ) from error


def _stamp(con: duckdb.DuckDBPyConnection) -> str | None:
    tables = con.execute("SELECT count(*) FROM duckdb_tables() WHERE table_name = 'schema_stamp'").fetchone()
    if tables is None or tables[0] == 0:
        return None
    stamps = con.execute("SELECT sha256 FROM schema_stamp").fetchall()
    return str(stamps[0][0]) if len(stamps) == 1 else None


def _harden(con: duckdb.DuckDBPyConnection, site_root: Path) -> None:
    """Shut the connection into the site folder. Not a sandbox: its vendor says so."""
    locked = con.execute("SELECT current_setting('lock_configuration')").fetchone()
    if locked is not None and locked[0]:
        # Another connection of this process has the same file open, and both share one instance's settings.
        return
    con.execute(f"SET allowed_directories = [{literal(str(site_root))}]")
    con.execute("SET enable_external_access = false")
    con.execute("SET lock_configuration = true")


def log_of(file: Path) -> Path:
    """Where DuckDB keeps a file's write-ahead log."""
    return file.with_name(file.name + ".wal")
