"""Retention: what was superseded long ago is taken away by decision, and a run of its own says so in the chain.

Only sheets and flags files that hold nothing live and that no live entry cites, ledger files that were set aside, and
published folders that were replaced. Never raw files, samples, quarantine or manifests: from those all of it can be
made again. The record is committed before the first file goes; a death in between is finished by the next tidy.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from importlib.metadata import version
from pathlib import Path
from typing import Any

from pipeline import manifest as manifests
from pipeline.errors import StoreError
from pipeline.ledger import index
from pipeline.ledger.apply import apply
from pipeline.ledger.database import Ledger, ledger_file, open_ledger, open_published
from pipeline.ledger.publish import publish
from pipeline.ledger.removed import removed_files, superseded_files
from pipeline.lock import hold
from pipeline.remote import fetch_manifests
from pipeline.site import LOCK, open_site
from pipeline.store.depot import Depot
from pipeline.store.files import digest_of, sync_folder
from schemas.times import day_start_us


@dataclass(frozen=True, slots=True)
class _Going:
    """A file that goes."""

    kind: str
    path: str
    sha256: str
    bytes: int
    superseded_run: int | None
    reason: str


def tidy_site(root: Path, before: date, *, really: bool) -> dict[str, Any]:
    """The object that `tidy --json` prints: what goes, or went, by kind; `run_id` of the record, None without one.

    Only `really` touches anything, under the site's lock. Raises StoreError when a file that would go is not as it was
    committed: a loss is never recorded as a decision.
    """
    root = root.resolve()
    manifests.refuse_newer(root)
    depot = open_site(root).depot  # a folder that is no site is told so, and not locked
    if not really:
        with open_published(root) as ledger:
            return _told(before, _going(ledger, depot, before), None, 0)
    with hold(root / LOCK, "tidy", heals=False):
        fetch_manifests(depot)
        with open_ledger(root) as ledger:
            left = _left_over(ledger)
            going = _going(ledger, depot, before)
            run_id = _record(ledger, depot, before, going) if going else None
        _take_away(depot, [*left, *(file.path for file in going)])
        return _told(before, going, run_id, len(left))


def _going(ledger: Ledger, depot: Depot, before: date) -> list[_Going]:
    root, before_us = ledger.root, day_start_us(before)
    going = [
        _Going(
            file.kind,
            file.path,
            file.sha256,
            _sound_size(depot.local(file.path), file.sha256),
            file.run,
            f"superseded by run {file.run}, before {before}",
        )
        for file in superseded_files(ledger, before_us)
    ]
    return going + [
        _Going(kind, path.relative_to(root).as_posix(), digest_of(path), path.stat().st_size, None, why)
        for kind, path, why in _index_files(root)
        if path.stat().st_mtime_ns // 1000 < before_us
    ]


def _index_files(root: Path) -> Iterable[tuple[str, Path, str]]:
    """Copies of the index that nothing needs: it is made from the manifests."""
    for path in sorted(root.glob(f"{ledger_file(root).name}.set-aside-*")):
        yield "ledger", path, "a ledger file that was set aside; the ledger was made anew from the manifests"
    shelf = root / "published"
    current = (shelf / "current").resolve()
    for folder in sorted(shelf.glob("[0-9]*")):
        if folder.is_dir() and folder.resolve() != current:
            yield from (("published", path, "a snapshot that was replaced") for path in sorted(folder.iterdir()))


def _sound_size(path: Path, sha256: str) -> int:
    try:
        found = digest_of(path)
    except OSError as error:
        found = str(error.strerror)
    if found != sha256:
        raise StoreError(
            "a superseded file is not as it was committed, and is not taken away as if it were",
            file=path,
            found=found,
            expected=sha256,
            next_step="run `tautlog audit`, restore the file from a backup, and tidy again",
        )
    return path.stat().st_size


def _record(ledger: Ledger, depot: Depot, before: date, going: list[_Going]) -> str:
    """Commit which files go, take that in and publish it; returns the run's id."""
    rows = [{name: getattr(file, name) for name in file.__slots__} for file in going]
    ref = manifests.next_run(ledger.root)
    manifest = manifests.commit(
        depot,
        ref,
        {"removed": manifests.frame("removed", rows)},
        # What the last run knew: registers that were changed since are for the next night to take in.
        manifests.archived(ledger.root, index.head_archive(ledger)),
        started_us=time.time_ns() // 1000,
        program=f"tautlog {version('tautlog')}",
        through=None,
        horizon_us=index.horizon_us(ledger),
        meta={"tidy": {"superseded_before": before.isoformat()}},
    )
    apply(ledger, manifest)
    publish(ledger)
    return ref.run_id


def _left_over(ledger: Ledger) -> list[str]:
    """Files recorded as taken away, by a tidy that died before it came to them."""
    return [
        path
        for path, removed in removed_files(ledger).items()
        if (ledger.root / path).is_file() and digest_of(ledger.root / path) == removed.sha256
    ]


def _take_away(depot: Depot, paths: Iterable[str]) -> None:
    root, folders = depot.folder, set()
    for path in paths:
        # Of a published folder the publishing of this very record may have been quicker.
        if path.startswith("store/"):
            depot.remove(path)
        else:
            (root / path).unlink(missing_ok=True)
        folders.add((root / path).parent)
    for folder in sorted(folders):
        if folder.is_dir():
            sync_folder(folder)
            if folder.parent == root / "published" and not any(folder.iterdir()):
                folder.rmdir()


def _told(before: date, going: list[_Going], run_id: str | None, finished: int) -> dict[str, Any]:
    kinds: dict[str, dict[str, int]] = {}
    for file in going:
        found = kinds.setdefault(file.kind, {"files": 0, "bytes": 0})
        found["files"] += 1
        found["bytes"] += file.bytes
    return {
        "superseded_before": before.isoformat(),
        "run_id": run_id,
        "kinds": kinds,
        "finished": finished,
        "files": [_object(file) for file in going],
    }


def _object(file: _Going) -> Mapping[str, Any]:
    return {name: getattr(file, name) for name in file.__slots__}
