"""The demo site: registers, specs and layouts of the invented berth, and its raw logs night by night."""

from __future__ import annotations

import shutil
from importlib.resources import files
from pathlib import Path


def _package() -> Path:
    root = files("sample_logs")
    if not isinstance(root, Path):
        raise FileNotFoundError("the sample logs lie in an archive; install tautlog unpacked to run the demo")
    return root


def copy_demo_site(target: Path) -> list[list[Path]]:
    """Copies registers, specs and layouts into `target` (made if need be); returns the deliveries.

    Among the specs is one that no line uses: a candidate on the page of ropes.

    The deliveries are the raw files of each night, in the order in which they came. Nothing is run, and
    nothing is put into the inbox. FileExistsError if `target` holds anything already.
    """
    if target.exists() and any(target.iterdir()):
        raise FileExistsError(f"{target} is not empty; name a new folder for the demo site")
    shutil.copytree(_package() / "site", target, dirs_exist_ok=True)
    shutil.copytree(_package() / "candidates", target / "specs", dirs_exist_ok=True)
    (target / "inbox").mkdir(exist_ok=True)
    return deliveries()


def deliveries() -> list[list[Path]]:
    """The raw files as they were delivered, night by night, each night's by name."""
    nights = sorted(path for path in (_package() / "raw").iterdir() if path.is_dir())
    return [sorted(path for path in night.iterdir() if path.is_file()) for night in nights]
