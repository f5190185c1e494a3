"""An export's folder: made whole as a draft beside it, then renamed. The same snapshot makes the same bytes."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pipeline.errors import RegisterError
from pipeline.exports.csv_text import formula_like, write_csv
from pipeline.exports.dictionary import as_text, dictionary, readme
from pipeline.exports.frames import TABLES, frame_of
from pipeline.exports.setting import statements_by
from pipeline.exports.source import Source
from pipeline.exports.views import VIEWS
from pipeline.exports.workbook import write_workbook
from pipeline.ledger.database import Ledger
from pipeline.ledger.portable import PortableTable, PortableView, write_database
from pipeline.store.files import cannot_write, make_folder, sync_file, sync_folder
from pipeline.store.folders import draft_beside, swap_in, sweep_beside
from pipeline.store.tables import write_table
from schemas.exported import DUCKDB, VERSION, Table, json_schema

if TYPE_CHECKING:
    import polars as pl

MANIFEST: Final = "manifest.json"
WHAT: Final = "tautlog export"
MANIFEST_VERSION: Final = 1
DATABASE, WORKBOOK, STATEMENTS = "export.duckdb", "workbook.xlsx", "statements"
PROGRAMS: Final = ("tautlog", "duckdb", "polars", "typst", "xlsxwriter")
"""Programs by whose version a byte may be another."""
THE_SITES_OWN: Final = (
    "inbox",
    "layouts",
    "ledger.duckdb",
    "manifests",
    "pages",
    "published",
    "quarantine",
    "raw",
    "specs",
    "store",
    "superseded",
)


def write_export(ledger: Ledger, out: Path, names: Sequence[str] = (), *, workers: str | None = None) -> dict[str, Any]:
    """Write what is published as the folder `out`; returns what `tautlog export --json` answers.

    `names`: only these tables, as Parquet and CSV; without any, all of them, the workbook, the DuckDB file and a
    statement of each line, set by `workers` (as `--workers`). Raises RegisterError where `out` may not be an export,
    StoreError when the disk refuses or the snapshot is unreadable.
    """
    out = Path(os.path.abspath(out))
    must_be_ours(out, ledger.root)
    place = Path(os.path.abspath(out))  # `.` has a name too
    sweep_beside(place)
    source = Source(ledger)
    tables = [table for table in TABLES.values() if not names or table.name in names]
    draft = draft_beside(place)
    try:
        make_folder(draft)
        manifest = _fill(draft, source, tables, whole=not names, workers=workers)
        (draft / MANIFEST).write_text(as_text(manifest), encoding="utf-8")
        digest = sync_file(draft / MANIFEST)
        sync_folder(draft)
        swap_in(draft, place)
        sync_folder(out.resolve().parent)
    except OSError as error:
        raise cannot_write(out, error) from error
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return {
        "folder": str(out),
        "dictionary_version": VERSION,
        "run_id": manifest["run_id"],
        "tables": {name: found["rows"] for name, found in manifest["tables"].items()},
        "formula_like": {
            name: found["formula_like"] for name, found in manifest["tables"].items() if found["formula_like"]
        },
        "files": len(manifest["files"]) + 1,
        "manifest_sha256": digest,
    }


def must_be_ours(out: Path, site_root: Path) -> None:
    """RegisterError unless the folder is new, empty or an export of ours that holds nothing else."""
    place, root = out.resolve(), site_root.resolve()
    if place == root or any(place.is_relative_to(root / name) for name in THE_SITES_OWN):
        raise RegisterError(
            "an export may not lie in the site's own folders", file=out, next_step="name another folder"
        )
    if odd := sorted(set(str(place)) & set("?*[")):
        raise RegisterError(
            "the exported database takes these characters in a path for patterns",
            file=out,
            found=" ".join(odd),
            next_step="name another folder",
        )
    if not out.exists() and not out.is_symlink():
        return
    if out.is_symlink() or not out.is_dir():
        raise RegisterError("an export needs a folder of its own", file=out, next_step="name a new folder")
    there = {str(path.relative_to(out)) for path in out.rglob("*") if path.is_symlink() or not path.is_dir()}
    if there and (strangers := sorted(there - _files_of(out))):
        raise RegisterError(
            "the folder holds what no export made, and an export replaces its folder whole",
            file=out,
            found=", ".join(strangers[:3]),
            next_step="name a new folder, or an earlier export",
        )


def _files_of(out: Path) -> set[str]:
    """The files that an earlier export made; none where its manifest cannot be read or is none of ours."""
    try:
        found = json.loads((out / MANIFEST).read_bytes())
        return {MANIFEST, *found["files"]} if found["what"] == WHAT else set()
    except (OSError, ValueError, KeyError, TypeError):
        return set()


def _fill(draft: Path, source: Source, tables: Sequence[Table], *, whole: bool, workers: str | None) -> dict[str, Any]:
    """Write everything but the manifest, which it returns."""
    with ExitStack() as stack:
        statements = stack.enter_context(statements_by(source, workers)) if whole else None
        frames = {table.name: frame_of(source, table) for table in tables}
        for folder in ("parquet", "csv", "schemas"):
            (draft / folder).mkdir()
        counts = {table.name: formula_like(frames[table.name], table) for table in tables}
        for table in tables:
            _write(draft, table, frames[table.name])
        if whole:
            _write_portable(draft, tables)
            write_workbook(draft / WORKBOOK, tables, frames, source.site.info.id)
        files = {"dictionary.json": as_text(dictionary(tables)), "READ-ME.txt": readme(_some(counts), whole=whole)}
        for name, text in files.items():
            (draft / name).write_text(text, encoding="utf-8", newline="")
        by_line = {} if statements is None else statements.write(draft / STATEMENTS)
    return _manifest(draft, source, frames, counts, by_line)


def _write(draft: Path, table: Table, frame: pl.DataFrame) -> None:
    schema = as_text(json_schema(table))
    write_table(frame, draft / "parquet" / f"{table.name}.parquet", {"tautlog.schema": schema})
    write_csv(frame, draft / "csv" / f"{table.name}.csv")
    (draft / "schemas" / f"{table.name}.json").write_text(schema, encoding="utf-8", newline="")


def _write_portable(draft: Path, tables: Sequence[Table]) -> None:
    write_database(
        draft / DATABASE,
        [
            PortableTable(
                table.name,
                f"{table.title}. One row: {table.one_row}. {table.description}",
                {
                    column.name: (
                        DUCKDB[column.kind],
                        column.description if column.unit is None else f"{column.description} [{column.unit}]",
                    )
                    for column in table.columns
                },
                draft / "parquet" / f"{table.name}.parquet",
            )
            for table in tables
        ],
        [PortableView(view.name, view.comment, view.query, view.columns) for view in VIEWS],
    )


def _manifest(
    draft: Path,
    source: Source,
    frames: Mapping[str, pl.DataFrame],
    counts: Mapping[str, Mapping[str, int]],
    by_line: Mapping[str, str],
) -> dict[str, Any]:
    files = sorted(path for path in draft.rglob("*") if path.is_file())
    digests = {
        str(path.relative_to(draft)): {"sha256": sync_file(path), "bytes": path.stat().st_size} for path in files
    }
    for folder in sorted(path for path in draft.rglob("*") if path.is_dir()):
        sync_folder(folder)
    head = source.gathered.head or {"run": None, "run_id": None, "manifest_sha256": None}
    return {
        "what": WHAT,
        "version": MANIFEST_VERSION,
        "dictionary_version": VERSION,
        "site": source.site.info.id,
        **head,
        "until": source.status["until"],
        "made_with": {name: version(name) for name in PROGRAMS},
        "tables": {name: {"rows": frame.height, "formula_like": dict(counts[name])} for name, frame in frames.items()},
        "statements": dict(by_line),
        "files": digests,
    }


def _some(counts: Mapping[str, Mapping[str, int]]) -> dict[str, Mapping[str, int]]:
    return {name: columns for name, columns in counts.items() if columns}
