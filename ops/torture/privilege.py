"""What only a privileged user may do to a night: mount small or read-only disks, and take privileges away."""

from __future__ import annotations

import ctypes
import os
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

_PR_CAPBSET_DROP = 24
_DAC_OVERRIDE, _DAC_READ_SEARCH = 1, 2


class Skipped(Exception):
    """A fault that cannot be made on this machine, and why."""


@contextmanager
def small_disk(at: Path, mebibytes: int) -> Iterator[Path]:
    """A file system of its own in memory, so small; Skipped where mounting is not allowed."""
    at.mkdir(parents=True)
    _mount("-t", "tmpfs", "-o", f"size={mebibytes}m", "torture", str(at))
    try:
        yield at
    finally:
        subprocess.run(["umount", str(at)], check=True)


@contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """A folder mounted read-only over itself."""
    _mount("--bind", str(folder), str(folder))
    try:
        _mount("-o", "remount,bind,ro", str(folder))
        yield
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def without_privileges() -> Callable[[], None] | None:
    """What a child does first so that permissions bind it: root's child loses the right to pass over them.

    It keeps its user, so that it can still read the program, wherever that is installed.
    """
    return _obey_permissions if os.geteuid() == 0 else None


def _obey_permissions() -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    for capability in (_DAC_OVERRIDE, _DAC_READ_SEARCH):
        if libc.prctl(_PR_CAPBSET_DROP, capability, 0, 0, 0) != 0:
            raise OSError(ctypes.get_errno(), "cannot drop a capability")


def _mount(*words: str) -> None:
    try:
        done = subprocess.run(["mount", *words], capture_output=True, text=True, check=False)
    except FileNotFoundError:
        raise Skipped("no `mount` on this machine") from None
    if done.returncode != 0:
        raise Skipped(f"mounting is not allowed here ({done.stderr.strip()})")
