"""Files of the store that no manifest names: left by a run that died before it committed. They are nobody's."""

import time
from collections.abc import Collection, Iterable
from pathlib import Path


def strays(folders: Iterable[Path], named: Collection[Path]) -> list[Path]:
    """Files below the folders that are not among those named, in order."""
    return [
        path
        for folder in folders
        if folder.exists()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path not in named
    ]


def sweep(folders: Iterable[Path], named: Collection[Path], *, older_than_s: float = 0.0) -> int:
    """Take away the strays last written so long ago; returns how many. Only under the site's lock: no other run writes.

    A clock that was set back makes a stray look young: it goes with a later sweep.
    """
    before = time.time() - older_than_s
    found = [path for path in strays(folders, named) if older_than_s == 0.0 or path.stat().st_mtime < before]
    for path in found:
        path.unlink()
    return len(found)
