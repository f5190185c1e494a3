"""A folder that is made whole beside its place, and then takes it: pages, exports."""

import glob
import os
import secrets
import shutil
import time
from pathlib import Path
from typing import Final

STRAY_S: Final = 3600.0
"""How old a draft must be to be one of a making that was killed, rather than of one under way. House rule."""


def draft_beside(folder: Path) -> Path:
    """Where a folder is made until it is whole; nothing is made yet."""
    return folder.with_name(f".{folder.name}-{secrets.token_hex(4)}.draft")


def sweep_beside(folder: Path) -> None:
    """Take away what makings that were killed left beside a folder."""
    for stray in folder.parent.glob(f".{glob.escape(folder.name)}-????????.*"):
        if stray.suffix in (".draft", ".old") and time.time() - stray.stat().st_mtime > STRAY_S:
            shutil.rmtree(stray, ignore_errors=True)


def swap_in(draft: Path, folder: Path) -> None:
    """Let a draft take the folder's place; where that is refused (OSError), what was there stays.

    Should the machine stop between both renames, what was there lies beside, and the next making puts a new one in: a
    half-written file is never seen.
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
