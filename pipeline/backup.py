"""Backup and restore: a folder that is a site itself, made from what manifests name, checked byte for byte.

A backup takes no lock on the site, and needs none: what a manifest names never changes, and is on disk before the
manifest is. So the head of the chain is read first, and all that it and the manifests before it name is copied before
they are. A night that commits meanwhile is taken by the next backup. The inbox is copied before the head is read: a
file is then either in that copy, or taken in by a run that the backup holds, or came later. Registers are copied last
before the manifests. A backup that dies leaves the one before it as good as it was.
"""

from __future__ import annotations

import json
import time
import tomllib
from collections.abc import Iterable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline import manifest as manifests
from pipeline.errors import RegisterError, StoreError
from pipeline.ledger.database import open_ledger
from pipeline.ledger.publish import publish
from pipeline.ledger.rebuild import rebuild
from pipeline.ledger.removed import named_by
from pipeline.lock import hold
from pipeline.manifest import Manifest
from pipeline.site import LOCK
from pipeline.store.copies import ASIDE, aside_path, copy_changing, copy_named, files_of_people, set_aside, sweep_drafts
from pipeline.store.depot import write_whole
from pipeline.store.files import digest_of, draft_name, make_folder
from pipeline.watch import Silent, Watch

MARK = "backup.json"
"""In a backup: up to which run it is good, and which registers belong to that."""
PROGRAMS = frozenset(
    {
        "raw",
        "store",
        "quarantine",
        "manifests",
        "published",
        "pages",
        "ledger.duckdb",
        "ledger.duckdb.wal",
        "last-night.json",
        LOCK,
        MARK,
        ASIDE,
    }
)
"""What the program keeps in a site folder; the rest is people's."""
INBOX = "inbox/"


@dataclass
class _Count:
    """What a backup or restore did."""

    copied: int = 0
    bytes: int = 0
    already: int = 0
    notes: list[str] = field(default_factory=list)

    def took(self, outcome: str, path: Path) -> None:
        if outcome == "copied":
            self.copied += 1
            self.bytes += path.stat().st_size
        else:
            self.already += 1


def back_up(root: Path, dest: Path, *, watch: Watch | None = None) -> dict[str, Any]:
    """Bring a backup up to the site's head; the object that `backup --json` prints.

    Nothing is ever taken away from `dest`, which must be new, empty, or a backup of the same site. Raises StoreError
    when a file of the site is missing or not as it was committed (it is named, and the backup stays good only up to
    where it was), RegisterError when `root` is no site, SiteBusy when `dest` is in use.
    """
    watch = watch if watch is not None else Silent()
    root, dest = root.resolve(), dest.resolve()
    _check_folders(root, dest)
    _no_object_store(root)
    make_folder(dest)
    with hold(dest / LOCK, "backup") as died:
        count = _Count()
        _same_site(root, dest)
        if died:
            sweep_drafts(dest)
        if not (dest / MARK).exists():
            _write_mark(dest, None)
        make_folder(dest / INBOX)
        with watch.stage("inbox") as facts:
            people = _copy_people(root, dest, (p for p in _people(root) if p.startswith(INBOX)), count)
            facts |= {"files": len(people)}
        committed = manifests.chain(root)
        with watch.stage("files") as facts:
            _copy_files(root, dest, committed, count)
            facts |= {"copied": count.copied, "bytes": count.bytes}
        with watch.stage("manifests"):
            people |= _copy_people(root, dest, (p for p in _people(root) if not p.startswith(INBOX)), count)
            _copy_manifests(root, dest, committed, count)
            _set_gone_aside(root, dest)
        with watch.stage("ledger"), open_ledger(dest) as ledger:
            publish(ledger)
        good = {**_head(committed), "at_us": time.time_ns() // 1000, "people": people}
        _write_mark(dest, good)
    return {"dest": str(dest), **_head(committed), **_told(count)}


def restore(dest: Path, root: Path, *, watch: Watch | None = None) -> dict[str, Any]:
    """Make a site anew from a backup, in a folder that is not there or empty; what `restore --json` prints.

    Every file is verified; the manifests come last; then the ledger and what is published are made from them. `dest`
    is only read. Raises StoreError when `dest` is no good backup, or a file of it is missing or altered.
    """
    watch = watch if watch is not None else Silent()
    root, dest = root.resolve(), dest.resolve()
    mark = read_mark(dest)
    if mark is None:
        raise StoreError(
            "no backup was finished here", file=dest / MARK, next_step="name the folder that `tautlog backup` wrote to"
        )
    if root.exists() and (not root.is_dir() or any(root.iterdir())):
        raise StoreError(
            "the folder is not empty; nothing was touched",
            file=root,
            next_step="name a new or empty folder; clear away what a restore that died left",
        )
    count = _Count()
    make_folder(root / INBOX)
    committed = manifests.chain(dest)
    with watch.stage("files") as facts:
        _copy_files(dest, root, committed, count)
        for relative, sha256 in mark["people"].items():
            source = _as_it_was(dest, relative, sha256)
            _must(copy_named(source, root / relative, sha256), source, root / relative, count)
        facts |= {"copied": count.copied, "bytes": count.bytes}
    with watch.stage("manifests"):
        _copy_manifests(dest, root, committed, count)
    with watch.stage("ledger"), hold(root / LOCK, "restore") if committed else nullcontext():
        if committed:
            rebuild(root)
    return {"site": str(root), **_head(committed), **_told(count)}


def read_mark(dest: Path) -> dict[str, Any] | None:
    """What a backup's mark says of its last good end; None before there was one. StoreError when it is unreadable."""
    try:
        good = json.loads((dest / MARK).read_bytes())["good"]
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(f"cannot be read: {error!r}", file=dest / MARK, next_step="run `tautlog backup`") from error
    return None if good is None else dict(good)


def _check_folders(root: Path, dest: Path) -> None:
    if not (root / "site.toml").is_file():
        raise RegisterError("not a site folder: it has no site.toml", file=root, next_step="check the folder's name")
    if (root / MARK).exists():
        raise RegisterError("this is a backup itself", file=root, next_step="back up the site that it was made from")
    if dest == root or root in dest.parents or dest in root.parents:
        raise RegisterError("a site cannot be backed up into itself", file=dest, next_step="name a folder elsewhere")
    begun = {LOCK, draft_name(MARK)}  # all that a first backup has made that died before its mark stood
    if dest.exists() and not (dest / MARK).exists() and any(path.name not in begun for path in dest.iterdir()):
        raise StoreError(
            "the folder holds something that is no backup; nothing was touched",
            file=dest,
            next_step="name a new or empty folder, or the backup of this site",
        )


def _same_site(root: Path, dest: Path) -> None:
    """StoreError unless the runs that the backup holds are the first runs of the site."""
    ours, theirs = manifests.chain(root), manifests.chain(dest)
    if [m.sha256 for m in theirs] != [m.sha256 for m in ours[: len(theirs)]]:
        raise StoreError(
            "the backup holds runs that the site does not: another site's, or from before the site was set back",
            file=dest,
            found=f"{len(theirs)} runs, the site has {len(ours)}",
            next_step="name another folder; keep this one, it holds what the site has not",
        )


def _no_object_store(root: Path) -> None:
    """A copy of a folder that is only a cache, beside registers that name the same bucket, would be no backup."""
    try:
        url = tomllib.loads((root / "site.toml").read_text(encoding="utf-8"))["site"].get("store")
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return  # broken registers are backed up as they stand
    if url is not None:
        raise RegisterError(
            "what this site keeps lies in an object store, which this command does not copy",
            file=root / "site.toml",
            found=str(url),
            next_step="have the bucket keep versions, or replicate it; back the registers up as files",
        )


def _copy_files(source: Path, target: Path, committed: Sequence[Manifest], count: _Count) -> None:
    """Everything that the runs name, but their manifests; StoreError naming what is missing or altered."""
    named, removed = named_by(source, committed)
    files = [(path, sha256) for path, sha256 in named.items() if path not in removed]
    for manifest in committed:
        files += [(f"manifests/archive/{sha256}", sha256) for sha256 in manifest.archive.values()]
        files += [(table.path, table.sha256) for table in manifest.tables.values()]
    odd = {}
    for path, sha256 in dict(files).items():
        outcome = copy_named(source / path, target / path, sha256)
        if outcome in ("copied", "there"):
            count.took(outcome, target / path)
        else:
            odd[path] = outcome
    if odd:
        # A tidy may have taken superseded files away since the head was read.
        _, removed = named_by(source, manifests.chain(source))
        odd = {path: outcome for path, outcome in odd.items() if path not in removed}
    lost = [path for path, outcome in odd.items() if outcome == "only there"]
    count.notes += [f"{path} is missing in the site, and stands here: run `tautlog audit` on the site" for path in lost]
    wrong = {path: outcome for path, outcome in odd.items() if outcome != "only there"}
    if wrong:
        raise _not_good(source, wrong)


def _not_good(source: Path, wrong: dict[str, str]) -> StoreError:
    listed = ", ".join(f"{path} {outcome}" for path, outcome in list(wrong.items())[:20])
    more = f" and {len(wrong) - 20} more" if len(wrong) > 20 else ""
    return StoreError(
        f"{len(wrong)} files are not as they were committed; what was copied is not called good",
        file=source,
        found=listed + more,
        next_step="run `tautlog audit` on it, and bring these files back from another backup",
    )


def _copy_manifests(source: Path, target: Path, committed: Iterable[Manifest], count: _Count) -> None:
    for manifest in committed:
        path = manifests.manifest_path(source, manifest.run)
        copy = manifests.manifest_path(target, manifest.run)
        _must(copy_named(path, copy, manifest.sha256), path, copy, count)


def _must(outcome: str, source: Path, target: Path, count: _Count) -> None:
    if outcome not in ("copied", "there"):
        raise StoreError(f"not as it was committed: {outcome}", file=source, next_step="run `tautlog audit`")
    count.took(outcome, target)


def _people(root: Path) -> Iterable[str]:
    found = files_of_people(root, PROGRAMS)
    return [path for path in found if not path.startswith("ledger.duckdb.set-aside-")]


def _copy_people(root: Path, dest: Path, paths: Iterable[str], count: _Count) -> dict[str, str]:
    """Copy files that people keep; returns SHA-256 by path of those that came over whole."""
    copied = {}
    for relative in paths:
        outcome = copy_changing(root / relative, dest, relative)
        if outcome is None:
            count.notes.append(f"{relative} was changed or taken away meanwhile; the next backup takes it")
            continue
        copied[relative] = outcome[0]
        count.took(outcome[1], dest / relative)
    return copied


def _set_gone_aside(root: Path, dest: Path) -> None:
    """What people took away is kept, but no longer stands among the registers; nor raw logs that were taken in."""
    for relative in _people(dest):
        if (root / relative).exists():
            continue
        if relative.startswith(INBOX) and (dest / "raw" / digest_of(dest / relative)).exists():
            (dest / relative).unlink()  # its bytes stand in raw/, as in the site
        elif not relative.startswith(INBOX) or not _still_to_come(root, dest, relative):
            set_aside(dest, relative)


def _still_to_come(root: Path, dest: Path, relative: str) -> bool:
    """Whether a run that this backup does not hold yet has taken an inbox file in."""
    return (root / "raw" / digest_of(dest / relative)).exists()


def _as_it_was(dest: Path, relative: str, sha256: str) -> Path:
    """A register as the last good backup had it: one that died since may have brought a newer one."""
    aside = aside_path(dest, relative, sha256)
    return aside if aside.exists() else dest / relative


def _write_mark(dest: Path, good: dict[str, Any] | None) -> None:
    text = manifests.canonical_json({"version": 1, "good": good}).encode()
    write_whole(dest / MARK, lambda draft: _put(draft, text))


def _put(path: Path, content: bytes) -> None:
    path.write_bytes(content)


def _head(committed: Sequence[Manifest]) -> dict[str, Any]:
    last = committed[-1] if committed else None
    return {
        "run": None if last is None else last.run,
        "run_id": None if last is None else last.run_id,
        "manifest_sha256": None if last is None else last.sha256,
    }


def _told(count: _Count) -> dict[str, Any]:
    return {"copied": count.copied, "bytes": count.bytes, "already": count.already, "notes": count.notes}
