"""Writing files so that they are either whole and lasting, or not there."""

import hashlib
import os
import secrets
from datetime import date
from pathlib import Path
from urllib.parse import quote

from pipeline.errors import StoreError


def unique_name(stem: str) -> str:
    """A file name never used before: `stem`, then 64 random bits."""
    return f"{stem}-{secrets.token_hex(8)}.parquet"


def place_day(kind: str, place: str, day: date) -> str:
    """Folder, below the store, of one place and day. A place's name is percent-encoded, dots too: it cannot leave."""
    return f"{kind}/{quote(place, safe='').replace('.', '%2E')}/{day.isoformat()}"


def draft_of(path: Path) -> Path:
    """Where a file is written until it is whole; its folder is made."""
    make_folder(path.parent)
    return path.with_name(draft_name(path.name))


def draft_name(name: str) -> str:
    """What a file is called until it is whole: hidden, and never the name of anything finished."""
    return f".{name}.draft"


def make_folder(folder: Path) -> None:
    """Make a folder, and those above it, such that they outlive a power cut as the files in them do."""
    if not folder.is_dir():
        make_folder(folder.parent)
        folder.mkdir(exist_ok=True)
        sync_folder(folder.parent)


def cannot_write(path: Path, error: OSError) -> StoreError:
    """The disk refused: what to tell the user."""
    return StoreError(
        f"cannot write: {error.strerror or error}", file=path, next_step="free space or rights, then run again"
    )


def sync_file(path: Path) -> str:
    """Flush a file to the disk; returns the SHA-256 of its bytes."""
    with path.open("rb") as handle:
        os.fsync(handle.fileno())
        return hashlib.file_digest(handle, "sha256").hexdigest()


def flush_file(path: Path) -> None:
    """Flush a file to the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(path: Path) -> None:
    """Flush a folder's entries, so that a rename in it outlives a power cut."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def digest_of(path: Path) -> str:
    """SHA-256 of a file's bytes."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()
