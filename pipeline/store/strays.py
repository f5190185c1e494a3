"""Files of the store that no manifest names: left by a run that died before it committed. They are nobody's."""

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


def sweep(folders: Iterable[Path], named: Collection[Path]) -> int:
    """Take away the strays; returns how many there were. Only under the site's lock: no other run is writing."""
    found = strays(folders, named)
    for path in found:
        path.unlink()
    return len(found)
