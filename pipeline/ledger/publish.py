"""Publish what readers open: one versioned folder, swapped whole, so that nobody waits for the writer.

`published/RUN_ID-TOKEN/` holds the ledger as a database file that older DuckDB versions can read too
(without the guards, which they do not know), Parquet exports of what people ask for most, and
`published.json`, which names them with digests and the head of the chain, and counts the findings that stand
(so that a healthcheck needs no database). `published/current` is a link to the newest folder, replaced in one
step; the folder before it is kept for those who are just opening it.
"""

from __future__ import annotations

import os
import secrets
import shutil
from pathlib import Path

import duckdb

from pipeline import manifest as manifests
from pipeline.errors import StoreError
from pipeline.ledger.database import Ledger, literal, schema_sha256
from pipeline.ledger.published import read_published
from pipeline.manifest import canonical_json
from pipeline.store.files import sync_file, sync_folder

STORAGE_VERSION = "v1.2.0"
"""The oldest DuckDB whose file format the snapshot is written in. (2.0 files are unreadable before 2.0.)"""

EXPORTS = {
    "entries": "SELECT * FROM entries ORDER BY run, seq",
    "live_entries": "SELECT * FROM live_entries ORDER BY line, zone, day, mechanism",
    "live_events": "SELECT * FROM live_events ORDER BY line, from_us, kind",
    "live_receipts": "SELECT * FROM live_receipts ORDER BY run, seq",
    "live_findings": "SELECT * FROM live_findings ORDER BY run, seq",
}


def publish(ledger: Ledger, *, anew: bool = False) -> Path | None:
    """Publish the open ledger; None when what is published is already at its head (unless `anew`).

    Call it on the writer's ledger, after the run was taken in, under the site's lock. Returns the new folder.
    Raises StoreError when the disk refuses; what was published before then stays as it is.
    """
    head = manifests.head(ledger.root)
    if head is None or (not anew and published_head(ledger.root) == head.sha256):
        return None
    shelf = ledger.root / "published"
    folder = shelf / f"{head.run_id}-{secrets.token_hex(4)}"
    draft = shelf / f".{folder.name}.draft"
    try:
        draft.mkdir(parents=True)
        files = _fill(ledger, draft)
        facts = {"version": 1, "run": head.run, "run_id": head.run_id, "manifest_sha256": head.sha256}
        facts |= {"findings": _open_findings(ledger), "schema_sha256": schema_sha256()}
        (draft / "published.json").write_text(canonical_json({**facts, "files": files}), encoding="utf-8")
        sync_file(draft / "published.json")
        sync_folder(draft)
        os.rename(draft, folder)
        before = _swap(shelf, folder)
    except (OSError, duckdb.Error) as error:
        raise StoreError(
            f"cannot publish: {error}", file=folder, next_step="free space or rights, then run again"
        ) from error
    _sweep(shelf, keep={"current", folder.name, before})
    return folder


def published_head(site_root: Path) -> str | None:
    """SHA-256 of the manifest that the published snapshot is at.

    None when there is no readable snapshot, or another version of the schema made it: it is published anew then.
    """
    published = read_published(site_root)
    return None if published is None or published.schema_sha256 != schema_sha256() else published.manifest_sha256


def _open_findings(ledger: Ledger) -> dict[str, dict[str, int]]:
    """How many findings stand, by severity and kind."""
    counts: dict[str, dict[str, int]] = {}
    for severity, kind, count in ledger.rows("SELECT severity, kind, count(*) FROM live_findings GROUP BY ALL"):
        counts.setdefault(severity, {})[kind] = count
    return counts


def _fill(ledger: Ledger, draft: Path) -> dict[str, str]:
    """Write the snapshot's files; returns their SHA-256 by name."""
    con = ledger.con
    database = con.execute("SELECT current_database()").fetchone()
    assert database is not None
    con.execute(f"ATTACH {literal(str(draft / 'ledger.duckdb'))} AS snapshot (STORAGE_VERSION '{STORAGE_VERSION}')")
    try:
        con.execute(f'COPY FROM DATABASE "{database[0]}" TO snapshot')
    finally:
        con.execute("DETACH snapshot")
    for name, query in EXPORTS.items():
        target = literal(str(draft / f"{name}.parquet"))
        con.execute(f"COPY ({query}) TO {target} (FORMAT parquet, COMPRESSION zstd)")
    names = ["ledger.duckdb", *(f"{name}.parquet" for name in EXPORTS)]
    odd = {path.name for path in draft.iterdir()} ^ set(names)
    if odd:
        raise StoreError("the snapshot is not whole", file=draft, found=", ".join(sorted(odd)))
    # The snapshot is detached: opening its file here drops no lock of ours.
    return {name: sync_file(draft / name) for name in names}


def _swap(shelf: Path, folder: Path) -> str:
    """Let `current` mean the new folder, in one step; returns the name of the folder it meant before."""
    current = shelf / "current"
    before = os.readlink(current) if current.is_symlink() else ""
    link = shelf / f".current-{secrets.token_hex(4)}"
    os.symlink(folder.name, link)
    os.replace(link, current)
    sync_folder(shelf)
    return before


def _sweep(shelf: Path, keep: set[str]) -> None:
    """Take away older snapshots, and drafts that a crash left behind. Who has one open keeps reading it."""
    for path in shelf.iterdir():
        if path.name in keep:
            continue
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink()
