"""One run at a time: a lock file of our own, held by the operating system and let go even when a run is killed."""

import fcntl
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from pipeline.errors import SiteBusy, StoreError


@contextmanager
def hold(path: Path, what: str, *, heals: bool = True) -> Iterator[str]:
    """Hold a site's lock; SiteBusy, naming who holds it, when another run does.

    The file stays; only the lock on it counts, so that a run that was killed leaves nothing to clear away. Gives
    the note of a holder that died before its end; empty when the last one ended well. `heals`: whether this run
    clears away what the dead one left; if not, its note is kept for the run that does.
    """
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise StoreError(
            f"cannot open the lock: {error.strerror}", file=path, next_step="check the site folder's permissions"
        ) from error
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(handle, 500, 0).decode("utf-8", "replace").strip()
            raise SiteBusy(
                "another run holds the site",
                file=path,
                found=holder or "no name",
                next_step="wait for it, or look whether that process hangs",
            ) from None
        note = f"{what}, process {os.getpid()} on {socket.gethostname()}, since {datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"
        died = os.pread(handle, 500, 0).decode("utf-8", "replace").strip()
        os.ftruncate(handle, 0)
        os.pwrite(handle, note.encode(), 0)
        yield died
        os.ftruncate(handle, 0)
        if not heals:
            os.pwrite(handle, died.encode(), 0)
    finally:
        os.close(handle)


def note_of(path: Path) -> str:
    """What the holder of a lock wrote in it, or one that died; empty when the last one ended well. Only reads."""
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except FileNotFoundError:
        return ""


def is_held(path: Path) -> bool:
    """Whether somebody holds the lock now. Only reads, but holds it for an instant itself, shared: a run that begins
    in that very instant is told that the site is busy. So ask only of a lock whose note looks wrong.
    """
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(handle)
    return False
