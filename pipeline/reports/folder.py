"""The folder of pages: what is copied into it, and whose it must be."""

from __future__ import annotations

import importlib.util
import shutil
from importlib.resources import files
from pathlib import Path

from pipeline.errors import StoreError
from pipeline.reports.fresh import mark_of

SCRIPTS = ("bokeh.min.js", "bokeh-api.min.js")
"""Of Bokeh: what draws, and what it is told by."""


def put_static(folder: Path) -> None:
    """Our style and script, and Bokeh's, once for all pages."""
    folder.mkdir(parents=True)
    for entry in (files("pipeline.reports") / "static").iterdir():
        (folder / entry.name).write_bytes(entry.read_bytes())
    # Found without importing the package, which takes a second and is not needed.
    spec = importlib.util.find_spec("bokeh")
    if spec is None or spec.origin is None:
        raise StoreError("Bokeh is not installed", next_step="install tautlog as its lock says: `make setup`")
    for name in SCRIPTS:
        shutil.copyfile(Path(spec.origin).parent / "server" / "static" / "js" / name, folder / name)


def must_be_ours(folder: Path) -> None:
    """StoreError where something else than pages of ours lies in the folder's place."""
    if folder.is_dir() and not folder.is_symlink() and (mark_of(folder) is not None or not any(folder.iterdir())):
        return
    if folder.exists() or folder.is_symlink():
        raise StoreError(
            "something else than pages is here; nothing is overwritten",
            file=folder,
            next_step="name another folder, or move it away",
        )
