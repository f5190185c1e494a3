"""Manifests: the hash-chained record of every run, and the commit point.

What a run adds lies below `manifests/RUN_ID/`, one Parquet file a table, and below `manifests/archive/`, by
SHA-256, the exact bytes of every register, layout, spec and policy it used. Then `manifests/NNNNNN.json`
names all of it with digests, and the SHA-256 of the manifest before it. The rename that puts this last file
in place is the commit: before it nothing of the run exists for anyone, after it all of it does. A `run_id`
holds random bits, so that the files of a run that never committed are never mistaken for those of one that
did.
"""

from __future__ import annotations

import hashlib
import json
import re
import secrets
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import Bug, StoreError
from pipeline.store.files import digest_of, write_whole

if TYPE_CHECKING:
    import polars as pl

VERSION = 1
_NAME = re.compile(r"(\d{6,})\.json", re.ASCII)
_RUN_ID = re.compile(r"\d{6,}-[0-9a-f]{8}", re.ASCII)
_TABLE = re.compile(r"[a-z][a-z_]*", re.ASCII)
_DIGEST = re.compile(r"[0-9a-f]{64}", re.ASCII)
_RESTORE = "restore manifests/ from a backup; nothing of the site may be trusted until `tautlog audit` agrees"


@dataclass(frozen=True, slots=True)
class RunRef:
    """A run that has not committed yet. `run_id` is unique for ever: use it in names of new store files."""

    run: int
    run_id: str
    previous: str | None


@dataclass(frozen=True, slots=True)
class TableFile:
    """One table of one run: its Parquet file (relative to the site), SHA-256, bytes, rows."""

    path: str
    sha256: str
    bytes: int
    rows: int


@dataclass(frozen=True, slots=True)
class Manifest:
    """One committed run. `sha256` is the manifest file's own; `archive` maps register paths to SHA-256."""

    run: int
    run_id: str
    previous: str | None
    sha256: str
    started_us: int
    program: str
    through: date | None
    horizon_us: int | None
    tables: Mapping[str, TableFile]
    archive: Mapping[str, str]
    meta: Mapping[str, Any]


def canonical_json(value: object) -> str:
    """JSON with sorted keys and no spaces: equal values, equal text. ValueError for NaN and infinities."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def frame(table: str, rows: Iterable[Mapping[str, Any]]) -> pl.DataFrame:
    """A frame for `commit` from one mapping a row, typed as the table; Bug on missing or unknown columns."""
    import polars as pl

    schema = {name: dtype for name, dtype in _schema(table).items() if name not in ("run", "seq")}
    listed = list(rows)
    for row in listed:
        if row.keys() != schema.keys():
            odd = ", ".join(sorted(row.keys() ^ schema.keys()))
            raise Bug(f"row for table {table} has the wrong columns", found=odd)
    try:
        return pl.DataFrame(listed, schema=schema, orient="row", strict=True)
    except (TypeError, pl.exceptions.PolarsError) as error:
        raise Bug(f"a row for table {table} has a value of the wrong type: {error}") from error


def next_run(site_root: Path) -> RunRef:
    """The run that comes next: its number is the chain's length plus one. Call it under the site's lock."""
    last = head(site_root)
    run = 1 if last is None else last.run + 1
    return RunRef(run, f"{run:06d}-{secrets.token_hex(4)}", None if last is None else last.sha256)


def commit(
    site_root: Path,
    ref: RunRef,
    tables: Mapping[str, pl.DataFrame],
    archive: Mapping[str, bytes],
    *,
    started_us: int,
    program: str,
    through: date | None,
    horizon_us: int | None,
    meta: Mapping[str, Any] | None = None,
) -> Manifest:
    """Write a run's tables and archive, then its manifest; when this returns, the run has happened for good.

    `tables` hold the columns of `schemas.tables` without `run` and `seq`, which are added here; tables
    without rows may be left out. `archive` maps the site-relative path of each register used to its bytes.
    Raises Bug when a frame breaks its table's schema, StoreError when the chain has moved on since
    `next_run` or the disk refuses. Nothing is committed then.
    """
    last = head(site_root)
    path = manifest_path(site_root, ref.run)
    if (last.sha256 if last is not None else None) != ref.previous or path.exists():
        raise StoreError("another run has committed since this one began", file=path, next_step="run again")
    facts: dict[str, Any] = {
        "run_id": ref.run_id,
        "started_us": started_us,
        "program": program,
        "horizon_us": horizon_us,
    }
    digests = {name: _keep(site_root, content) for name, content in sorted(archive.items())}
    kept = {"archive": canonical_json(digests), "meta": canonical_json(dict(meta or {}))}
    runs = frame("runs", [{**facts, **kept, "prev": ref.previous, "through": through}])
    frames = {"runs": runs, **{name: rows for name, rows in tables.items() if rows.height}}
    files = {name: _write_table(site_root, ref, name, rows) for name, rows in sorted(frames.items())}
    document = {
        **facts,
        "version": VERSION,
        "run": ref.run,
        "previous": ref.previous,
        "through": None if through is None else through.isoformat(),
        "tables": {n: {"sha256": f.sha256, "bytes": f.bytes, "rows": f.rows} for n, f in files.items()},
        "archive": digests,
        "meta": dict(meta or {}),
    }
    text = canonical_json(document)
    write_whole(path, lambda draft: _put(draft, text.encode()))
    return read(site_root, ref.run)


def chain(site_root: Path) -> list[Manifest]:
    """Every committed run, oldest first, each proven to follow the one before; StoreError on a break."""
    numbers = _numbers(site_root)
    manifests: list[Manifest] = []
    for expected, run in enumerate(numbers, start=1):
        if run != expected:
            raise StoreError(
                "a manifest of the chain is missing",
                file=manifest_path(site_root, expected),
                next_step=_RESTORE,
            )
        manifest = read(site_root, run)
        follows(manifest, manifests[-1].sha256 if manifests else None, site_root)
        manifests.append(manifest)
    return manifests


def head(site_root: Path) -> Manifest | None:
    """The newest committed run, or None. Reads one manifest; `chain` proves them all."""
    numbers = _numbers(site_root)
    return read(site_root, numbers[-1]) if numbers else None


def follows(manifest: Manifest, previous: str | None, site_root: Path) -> None:
    """StoreError unless the manifest names `previous` as the SHA-256 of the one before it."""
    if manifest.previous != previous:
        raise StoreError(
            "the chain of manifests is broken: this one does not follow the one before it",
            file=manifest_path(site_root, manifest.run),
            found=manifest.previous or "no previous manifest",
            expected=previous or "no previous manifest",
            next_step=_RESTORE,
        )


def read(site_root: Path, run: int) -> Manifest:
    """One manifest, by its number; StoreError when it is missing or not what `commit` writes."""
    path = manifest_path(site_root, run)
    try:
        content = path.read_bytes()
    except OSError as error:
        raise StoreError(f"cannot read: {error.strerror}", file=path, next_step=_RESTORE) from error
    try:
        manifest = _parse(content)
    except (ValueError, KeyError, TypeError) as error:
        raise StoreError(f"not a whole manifest: {error!r}", file=path, next_step=_RESTORE) from error
    if manifest.run != run:
        raise StoreError(
            "manifest under another run's name", file=path, found=f"run {manifest.run}", next_step=_RESTORE
        )
    return manifest


def archived(site_root: Path, digests: Mapping[str, str]) -> dict[str, bytes]:
    """The archived bytes of each digest, by the same keys, checked; StoreError when lost or altered."""
    contents = {}
    for name, digest in digests.items():
        path = archive_path(site_root, digest)
        try:
            contents[name] = path.read_bytes()
        except OSError as error:
            raise StoreError(
                f"cannot read the archived {name}: {error.strerror}", file=path, next_step=_RESTORE
            ) from error
        found = hashlib.sha256(contents[name]).hexdigest()
        if found != digest:
            raise StoreError(f"the archived {name} was altered", file=path, found=found, next_step=_RESTORE)
    return contents


def archive_path(site_root: Path, digest: str) -> Path:
    """Where archived bytes of a SHA-256 lie."""
    return site_root / "manifests" / "archive" / digest


def _schema(table: str) -> dict[str, pl.DataType]:
    from schemas.tables import TABLES

    if table not in TABLES:
        raise Bug(f"no manifest table is called {table!r}", expected=", ".join(TABLES))
    return {name: column.dtype for name, column in TABLES[table].columns().items()}


def _write_table(site_root: Path, ref: RunRef, table: str, rows: pl.DataFrame) -> TableFile:
    import dataframely as dy
    import polars as pl

    from schemas.tables import TABLES

    columns = _schema(table)
    if set(rows.columns) != columns.keys() - {"run", "seq"}:
        odd = ", ".join(sorted(set(rows.columns) ^ (columns.keys() - {"run", "seq"})))
        raise Bug(f"table {table} has the wrong columns", found=odd)
    numbered = rows.select(
        pl.lit(ref.run, pl.Int64).alias("run"),
        pl.int_range(1, pl.len() + 1, dtype=pl.Int64).alias("seq"),
        *[name for name in columns if name not in ("run", "seq")],
    )
    try:
        valid = TABLES[table].validate(numbered)
    except (dy.exc.SchemaError, dy.exc.ValidationError) as error:
        raise Bug(f"rows for table {table} break its schema: {error}") from error
    path = site_root / _table_path(ref.run_id, table)
    digest = write_whole(path, partial(_write_parquet, valid))
    return TableFile(_table_path(ref.run_id, table), digest, path.stat().st_size, valid.height)


def _write_parquet(rows: pl.DataFrame, path: Path) -> None:
    import polars as pl

    try:
        rows.write_parquet(path, compression="zstd")
    except pl.exceptions.PolarsError as error:
        raise OSError(str(error)) from error  # so Polars tells of a disk that refuses; the rows are valid


def _keep(site_root: Path, content: bytes) -> str:
    """Archive bytes under their SHA-256, unless they are there already; returns the digest."""
    digest = hashlib.sha256(content).hexdigest()
    path = archive_path(site_root, digest)
    if not path.exists():
        write_whole(path, lambda draft: _put(draft, content))
    elif digest_of(path) != digest:
        raise StoreError("an archived register was altered", file=path, next_step=_RESTORE)
    return digest


def _put(path: Path, content: bytes) -> None:
    path.write_bytes(content)


def manifest_path(site_root: Path, run: int) -> Path:
    """Where the manifest of a run lies."""
    return site_root / "manifests" / f"{run:06d}.json"


def _table_path(run_id: str, table: str) -> str:
    return f"manifests/{run_id}/{table}.parquet"


def _numbers(site_root: Path) -> list[int]:
    folder = site_root / "manifests"
    if not folder.is_dir():
        return []
    return sorted(int(match[1]) for name in folder.iterdir() if (match := _NAME.fullmatch(name.name)))


def _parse(content: bytes) -> Manifest:
    """ValueError, KeyError or TypeError when the bytes are not, to the byte, a manifest of `commit`."""
    raw = json.loads(content)
    if raw["version"] != VERSION:
        raise ValueError(f"manifest version {raw['version']}, this program reads {VERSION}")
    if canonical_json(raw).encode() != content:
        raise ValueError("not in canonical form")
    if _RUN_ID.fullmatch(raw["run_id"]) is None or not raw["run_id"].startswith(f"{raw['run']:06d}-"):
        raise ValueError(f"no run is called {raw['run_id']!r}")
    if not all(_TABLE.fullmatch(name) for name in raw["tables"]):
        raise ValueError("a table's name is none")
    if not all(_DIGEST.fullmatch(digest) for digest in raw["archive"].values()):
        raise ValueError("an archive digest is none")
    return Manifest(
        run=raw["run"],
        run_id=raw["run_id"],
        previous=raw["previous"],
        sha256=hashlib.sha256(content).hexdigest(),
        started_us=raw["started_us"],
        program=raw["program"],
        through=None if raw["through"] is None else date.fromisoformat(raw["through"]),
        horizon_us=raw["horizon_us"],
        tables={
            name: TableFile(_table_path(raw["run_id"], name), f["sha256"], f["bytes"], f["rows"])
            for name, f in raw["tables"].items()
        },
        archive=raw["archive"],
        meta=raw["meta"],
    )
