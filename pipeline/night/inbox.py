"""The inbox: which files have settled and may be taken, and how those that are safe leave it.

A file that is taken while its writer still holds it open loses what is written after. So it is taken only when no
process of this machine has it open for writing, and its size and time of writing stood still for a while.
"""

import fcntl
import os
import signal
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from errno import EAGAIN
from pathlib import Path

from pipeline.errors import StoreError
from pipeline.night.intake import Inbox

LONGEST_WAIT_S = 5.0
"""A run waits no longer than this for files just written. House rule."""


@dataclass(frozen=True)
class Seen:
    """A file as it was at the first look, and how long it must stand so from then on."""

    size: int
    mtime_ns: int
    wait_s: float


@dataclass
class Settling:
    """Files by what was seen of them: `settled` may be taken, `unsettled` not, `fresh` may settle yet."""

    settled: list[Path] = field(default_factory=list)
    unsettled: list[Path] = field(default_factory=list)
    fresh: dict[Path, Seen] = field(default_factory=dict)


def look_at(paths: Sequence[Path], settle_s: float) -> Settling:
    """First look. A file last written `settle_s` ago or longer is settled unless it is open; one written later needs a
    second look. A time of writing ahead of the clock proves nothing, and counts as now.
    """
    out, now_ns = Settling(), time.time_ns()
    for path in paths:
        try:
            found = path.stat()
        except FileNotFoundError:
            continue
        except OSError:
            out.settled.append(path)  # who copies it says what is wrong with it
            continue
        wait_s = settle_s - max((now_ns - found.st_mtime_ns) / 1e9, 0.0)
        if open_for_writing(path):
            out.unsettled.append(path)
        elif wait_s <= 0:
            out.settled.append(path)
        elif wait_s <= LONGEST_WAIT_S:
            out.fresh[path] = Seen(found.st_size, found.st_mtime_ns, wait_s)
        else:
            out.unsettled.append(path)
    return out


def look_again(first: Settling) -> Settling:
    """Second look at the fresh ones, after one wait for all of them. One that is gone is in neither list."""
    out = Settling()
    time.sleep(max((seen.wait_s for seen in first.fresh.values()), default=0.0))
    for path, seen in first.fresh.items():
        try:
            found = path.stat()
        except FileNotFoundError:
            continue
        same = (found.st_size, found.st_mtime_ns) == (seen.size, seen.mtime_ns)
        (out.settled if same and not open_for_writing(path) else out.unsettled).append(path)
    return out


def open_for_writing(path: Path) -> bool:
    """Whether a process of this machine has a file open for writing. False where that cannot be told: it is another
    user's, its file system grants no leases, or it is gone.
    """
    if sys.platform != "linux":
        return False
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        # Who opens the file while the lease is held makes the kernel signal us; its own choice, SIGIO, would kill.
        fcntl.fcntl(handle, fcntl.F_SETSIG, signal.SIGURG)
        fcntl.fcntl(handle, fcntl.F_SETLEASE, fcntl.F_RDLCK)
        fcntl.fcntl(handle, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    except OSError as error:
        return error.errno == EAGAIN
    finally:
        os.close(handle)
    return False


def let_go(files: Iterable[Inbox]) -> None:
    """Take files whose bytes are committed out of the inbox. StoreError for one that cannot be, on the night it came;
    on later nights that is a finding, which stands.
    """
    failed = [(inbox, error) for inbox in files if (error := _let_go(inbox)) is not None and not inbox.known]
    for inbox, error in failed[:1]:
        raise StoreError(
            f"what came is safe and committed, but it cannot be taken out of the inbox: {error.strerror}",
            file=inbox.path,
            found=f"{len(failed)} such files" if len(failed) > 1 else None,
            next_step="let the run write to the inbox; until then the file is told as delivered again",
        ) from error


def _let_go(inbox: Inbox) -> OSError | None:
    """Take a file out, or say why not. One that was written to since it was read, or that somebody has open to do so,
    stays, and comes again.
    """
    try:
        now = inbox.path.stat()
        if (now.st_size, now.st_mtime_ns) == (inbox.size, inbox.mtime_ns) and not open_for_writing(inbox.path):
            inbox.path.unlink()
    except FileNotFoundError:
        return None
    except OSError as error:
        return error
    return None
