"""Copying files from one site folder into another: verified, atomic file by file, never taking anything away.

Everything that backup and restore do with files goes through here.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

from pipeline.errors import StoreError
from pipeline.store.depot import Depot
from pipeline.store.files import cannot_write, digest_of, draft_of, sync_file, sync_folder

ASIDE = "superseded"
"""Folder of a backup that keeps what people changed or took away since, as PATH.SHA256."""


def copy_named(source: Path, target: Path, sha256: str) -> str:
    """Copy a file whose bytes are known, unless it is there; what was written is read back and hashed.

    Returns "copied", "there", "only there" (the source is gone), or what is wrong with the source in words; then
    nothing is put in place. A target that is not of the source's size is damaged: it is copied again. Raises
    StoreError when the target's disk refuses.
    """
    try:
        status = source.stat()
    except FileNotFoundError:
        return "only there" if target.exists() else "missing"
    except OSError as error:
        return f"cannot be read: {error.strerror}"
    if target.exists() and target.stat().st_size == status.st_size:
        return "there"
    draft = _draft(source, target)
    if isinstance(draft, str):
        return draft
    try:
        if sync_file(draft) != sha256:
            return "altered"
        draft.chmod(status.st_mode & 0o777)
        os.replace(draft, target)
        sync_folder(target.parent)
    except OSError as error:
        raise cannot_write(target, error) from error
    finally:
        draft.unlink(missing_ok=True)
    return "copied"


def copy_changing(source: Path, root: Path, relative: str) -> tuple[str, str] | None:
    """Copy a file that people keep into `root`; what stood there with other bytes is set aside.

    Returns its SHA-256, and whether it was "copied" or "there"; None when it was written to or taken away meanwhile.
    Raises StoreError when the source cannot be read, or the target's disk refuses.
    """
    target = root / relative
    before = _state(source)
    draft = _draft(source, target)
    if isinstance(draft, str):
        if not source.exists():
            return None
        raise StoreError(draft, file=source, next_step="check its permissions")
    try:
        if before is None or before != _state(source):
            return None
        sha256 = digest_of(draft)
        if target.exists():
            if digest_of(target) == sha256:
                return sha256, "there"
            set_aside(root, relative)
        return Depot(target.parent).put(draft, target.name), "copied"
    except OSError as error:
        raise cannot_write(target, error) from error
    finally:
        draft.unlink(missing_ok=True)


def set_aside(root: Path, relative: str) -> None:
    """Keep a file of a backup that is no longer what people have, under its digest, out of the way."""
    path = root / relative
    kept = aside_path(root, relative, digest_of(path))
    draft_of(kept)  # makes the folder
    os.replace(path, kept)
    sync_folder(kept.parent)


def aside_path(root: Path, relative: str, sha256: str) -> Path:
    """Where `set_aside` keeps these bytes of a file."""
    return root / ASIDE / f"{relative}.{sha256}"


def files_of_people(root: Path, programs: frozenset[str]) -> Iterator[str]:
    """Files below a site that are not the program's own (`programs`: names of top-level files and folders), in order.

    Hidden files and folders are somebody's unfinished work. Links to folders are followed, but never round in a circle.
    """
    seen = {root.resolve()}
    for folder, below, names in os.walk(root, followlinks=True):
        at = Path(folder).relative_to(root)
        real = {name: (root / at / name).resolve() for name in below if _kept(at / name, programs)}
        below[:] = sorted(name for name, path in real.items() if path not in seen)
        seen.update(real.values())
        yield from (path.as_posix() for name in sorted(names) if _kept(path := at / name, programs))


def sweep_drafts(root: Path) -> None:
    """Take away what a copying that died had half written."""
    for draft in root.rglob(".*.draft"):
        if draft.is_file():
            draft.unlink()


def _state(path: Path) -> tuple[int, int] | None:
    """Size and time of writing; None when it is gone."""
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    return found.st_size, found.st_mtime_ns


def _kept(path: Path, programs: frozenset[str]) -> bool:
    return not path.name.startswith(".") and path.parts[0] not in programs


def _draft(source: Path, target: Path) -> Path | str:
    """The source's bytes beside the target; words when the source cannot be read."""
    try:
        read = source.open("rb")
    except OSError as error:
        return f"cannot be read: {error.strerror}"
    with read:
        try:
            draft = draft_of(target)
            try:
                with draft.open("wb") as write:
                    shutil.copyfileobj(read, write, 1 << 20)
            except BaseException:
                draft.unlink(missing_ok=True)
                raise
        except OSError as error:
            raise cannot_write(target, error) from error
    return draft
