"""Manifests: the hash-chained record of every run, and the commit point.

What a run adds lies below `manifests/RUN_ID/`, one Parquet file a table, and below `manifests/archive/`, by
SHA-256, the exact bytes of every register, layout, spec and policy it used. Then `manifests/NNNNNN.json`
names all of it with digests, and the SHA-256 of the manifest before it. The rename that puts this last file
in place is the commit, and in an object store the put on condition that its name is free: before it nothing of
the run exists for anyone, after it all of it does. A `run_id`
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

from pipeline.errors import Bug, SiteBusy, StoreError
from pipeline.store.bucket import NameTaken
from pipeline.store.depot import Depot
from pipeline.store.files import digest_of
from schemas.versions import MANIFEST_VERSION

if TYPE_CHECKING:
    import polars as pl

_NAME = re.compile(r"(\d{6,})\.json", re.ASCII)
_RUN_ID = re.compile(r"\d{6,}-[0-9a-f]{8}", re.ASCII)
_TABLE = re.compile(r"[a-z][a-z_]*", re.ASCII)
_DIGEST = re.compile(r"[0-9a-f]{64}", re.ASCII)
_RESTORE = "restore manifests/ from a backup; nothing of the site may be trusted until `tautlog audit` agrees"


class NewerManifest(StoreError):
    """A newer program has written to the site: this one must leave it alone."""


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
    """One committed run. `sha256` is the manifest file's own; `archive` maps register paths to SHA-256.

    `version`: the one it was written in, which decides what columns its tables have (`schemas.versions`).
    """

    version: int
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
    depot: Depot,
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
    `next_run` or the disk refuses, SiteBusy when another coordinator put its manifest into the object store first.
    Nothing is committed then. Where the object store gave no answer, it may have taken the manifest: the next run sees.
    """
    last = head(depot.folder)
    path = manifest_path(depot.folder, ref.run)
    if (last.sha256 if last is not None else None) != ref.previous or path.exists():
        raise StoreError("another run has committed since this one began", file=path, next_step="run again")
    facts: dict[str, Any] = {
        "run_id": ref.run_id,
        "started_us": started_us,
        "program": program,
        "horizon_us": horizon_us,
    }
    digests = {name: _keep(depot, content) for name, content in sorted(archive.items())}
    kept = {"archive": canonical_json(digests), "meta": canonical_json(dict(meta or {}))}
    runs = frame("runs", [{**facts, **kept, "prev": ref.previous, "through": through}])
    frames = {"runs": runs, **{name: rows for name, rows in tables.items() if rows.height}}
    files = {name: _write_table(depot, ref, name, rows) for name, rows in sorted(frames.items())}
    document = {
        **facts,
        "version": MANIFEST_VERSION,
        "run": ref.run,
        "previous": ref.previous,
        "through": None if through is None else through.isoformat(),
        "tables": {n: {"sha256": f.sha256, "bytes": f.bytes, "rows": f.rows} for n, f in files.items()},
        "archive": digests,
        "meta": dict(meta or {}),
    }
    text = canonical_json(document)
    try:
        depot.write(manifest_name(ref.run), lambda draft: _put(draft, text.encode()))
    except NameTaken as error:
        raise SiteBusy(
            f"another run, of another folder, committed run {ref.run} first; nothing of this one counts",
            file=depot.at(manifest_name(ref.run)),
            next_step="run again: it takes in that run, and then does what is left",
        ) from error
    return read(depot.folder, ref.run)


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


def refuse_newer(site_root: Path) -> None:
    """NewerManifest when a newer program wrote the newest run: ask before anything of the site is touched.

    A head that is broken is not judged here.
    """
    try:
        head(site_root)
    except NewerManifest:
        raise
    except StoreError:
        return


def follows(manifest: Manifest, previous: str | None, site_root: Path) -> None:
    """StoreError unless the manifest names `previous` as the SHA-256 of the one before it."""
    if manifest.previous != previous:
        raise StoreError(
            f"the chain of manifests is broken: this one does not follow {manifest.run - 1:06d}.json as that stands",
            file=manifest_path(site_root, manifest.run),
            found=manifest.previous or "no previous manifest",
            expected=previous or "no previous manifest",
            next_step=_RESTORE,
        )


def read(site_root: Path, run: int) -> Manifest:
    """One manifest, by its number; StoreError when it is missing, of a newer program, or not what `commit` writes."""
    path = manifest_path(site_root, run)
    try:
        content = path.read_bytes()
    except OSError as error:
        raise StoreError(f"cannot read: {error.strerror}", file=path, next_step=_RESTORE) from error
    return manifest_of(content, run, path)


def manifest_of(content: bytes, run: int, file: str | Path) -> Manifest:
    """The manifest of a run from its bytes, which came from `file`; StoreError: not what `commit` writes."""
    try:
        manifest = _parse(content)
    except NewerManifest as error:
        raise error.at(file) from None
    except (ValueError, KeyError, TypeError) as error:
        raise StoreError(f"not a whole manifest: {error!r}", file=file, next_step=_RESTORE) from error
    if manifest.run != run:
        raise StoreError(
            "manifest under another run's name", file=file, found=f"run {manifest.run}", next_step=_RESTORE
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
    return site_root / archive_name(digest)


def archive_name(digest: str) -> str:
    """What archived bytes of a SHA-256 are called below the site."""
    return f"manifests/archive/{digest}"


def is_archived(name: str) -> bool:
    """Whether a name below the site is that of archived bytes."""
    return _DIGEST.fullmatch(name.removeprefix("manifests/archive/")) is not None


def named_files(manifest: Manifest) -> dict[str, str]:
    """SHA-256 of the manifest's own file, its tables and its archive, by name below the site."""
    tables = {table.path: table.sha256 for table in manifest.tables.values()}
    archive = {archive_name(digest): digest for digest in manifest.archive.values()}
    return {manifest_name(manifest.run): manifest.sha256, **tables, **archive}


def _schema(table: str) -> dict[str, pl.DataType]:
    from schemas.tables import TABLES

    if table not in TABLES:
        raise Bug(f"no manifest table is called {table!r}", expected=", ".join(TABLES))
    return {name: column.dtype for name, column in TABLES[table].columns().items()}


def _write_table(depot: Depot, ref: RunRef, table: str, rows: pl.DataFrame) -> TableFile:
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
    name = _table_path(ref.run_id, table)
    digest = depot.write(name, partial(_write_parquet, valid))
    return TableFile(name, digest, (depot / name).stat().st_size, valid.height)


def _write_parquet(rows: pl.DataFrame, path: Path) -> None:
    import polars as pl

    try:
        rows.write_parquet(path, compression="zstd")
    except pl.exceptions.PolarsError as error:
        raise OSError(str(error)) from error  # so Polars tells of a disk that refuses; the rows are valid


def _keep(depot: Depot, content: bytes) -> str:
    """Archive bytes under their SHA-256, unless they are there already; returns the digest."""
    digest = hashlib.sha256(content).hexdigest()
    path = archive_path(depot.folder, digest)
    if not path.exists():
        depot.write(archive_name(digest), lambda draft: _put(draft, content))
    elif digest_of(path) != digest:
        raise StoreError("an archived register was altered", file=path, next_step=_RESTORE)
    return digest


def _put(path: Path, content: bytes) -> None:
    path.write_bytes(content)


def manifest_path(site_root: Path, run: int) -> Path:
    """Where the manifest of a run lies."""
    return site_root / manifest_name(run)


def manifest_name(run: int) -> str:
    """What the manifest of a run is called below the site."""
    return f"manifests/{run:06d}.json"


def run_of(name: str) -> int | None:
    """The run whose manifest has this name below the site; None when it is no manifest's."""
    match = _NAME.fullmatch(name.removeprefix("manifests/"))
    return None if match is None else int(match[1])


def _table_path(run_id: str, table: str) -> str:
    return f"manifests/{run_id}/{table}.parquet"


def _numbers(site_root: Path) -> list[int]:
    folder = site_root / "manifests"
    if not folder.is_dir():
        return []
    return sorted(run for name in folder.iterdir() if (run := run_of(name.name)) is not None)


def _parse(content: bytes) -> Manifest:
    """ValueError, KeyError or TypeError when the bytes are not, to the byte, a manifest of `commit`.

    NewerManifest when they are of a version that this program does not know yet.
    """
    raw = json.loads(content)
    version = raw["version"]
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise ValueError(f"no manifest has version {version!r}")
    if version > MANIFEST_VERSION:
        raise NewerManifest(
            "a newer tautlog wrote this manifest; this one cannot read it",
            found=f"manifest version {version}, by {raw.get('program', 'an unnamed program')}",
            expected=f"version {MANIFEST_VERSION} or older",
            next_step="use the newer tautlog on this site; there is no way back but from a backup",
        )
    if canonical_json(raw).encode() != content:
        raise ValueError("not in canonical form")
    if _RUN_ID.fullmatch(raw["run_id"]) is None or not raw["run_id"].startswith(f"{raw['run']:06d}-"):
        raise ValueError(f"no run is called {raw['run_id']!r}")
    if not all(_TABLE.fullmatch(name) for name in raw["tables"]):
        raise ValueError("a table's name is none")
    if not all(_DIGEST.fullmatch(digest) for digest in raw["archive"].values()):
        raise ValueError("an archive digest is none")
    return Manifest(
        version=version,
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
