"""The folder of pages: what is copied into it, and how a draft takes its place."""

from __future__ import annotations

import glob
import importlib.util
import os
import secrets
import shutil
import time
from importlib.resources import files
from pathlib import Path

from pipeline.errors import StoreError
from pipeline.reports.fresh import mark_of

SCRIPTS = ("bokeh.min.js", "bokeh-api.min.js")
"""Of Bokeh: what draws, and what it is told by."""
STRAY_S = 3600.0


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


def sweep(folder: Path) -> None:
    """Take away what a making that was killed left beside the folder; a making under way is younger than an hour."""
    for stray in folder.parent.glob(f".{glob.escape(folder.name)}-????????.*"):
        if stray.suffix in (".draft", ".old") and time.time() - stray.stat().st_mtime > STRAY_S:
            shutil.rmtree(stray, ignore_errors=True)


def swap(draft: Path, folder: Path) -> None:
    """Let the draft take the folder's place. Should the machine stop between both renames, the old pages lie beside
    and the next making puts new ones in; a half-written page is never seen.
    """
    before = folder.with_name(f".{folder.name}-{secrets.token_hex(4)}.old")
    had = folder.exists()
    if had:
        os.rename(folder, before)
    try:
        os.rename(draft, folder)
    except OSError:
        if had:
            os.rename(before, folder)
        raise
    shutil.rmtree(before, ignore_errors=True)
