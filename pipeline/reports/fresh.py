"""What pages were made of, in a file beside them: so that a night with nothing new makes none, and nothing else than
pages of ours is ever replaced by pages.
"""

from __future__ import annotations

import hashlib
import json
from functools import cache
from importlib.metadata import version
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from pipeline.ledger.database import schema_sha256
from pipeline.ledger.published import read_published

MARK = "pages.json"
VERSION = 1


def made_of(run: int, run_id: str, manifest_sha256: str) -> dict[str, Any]:
    """What pages of a published run are made of: that run, and the program."""
    return {
        "run": run,
        "run_id": run_id,
        "manifest_sha256": manifest_sha256,
        "schema_sha256": schema_sha256(),
        "program": f"tautlog {version('tautlog')}",
        "pages_sha256": _our_sha256(),
    }


def mark_of(folder: Path) -> dict[str, Any] | None:
    """What the pages in a folder were made of; None where it has none that are whole."""
    try:
        said = json.loads((folder / MARK).read_bytes())
        return dict(said["made_of"]) if said["version"] == VERSION else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def are_wanted(site_root: Path, folder: Path) -> bool:
    """Whether something is published of which, by this program, the pages in a folder are not."""
    published = read_published(site_root)
    if published is None:
        return False
    return mark_of(folder) != made_of(published.run, published.run_id, published.manifest_sha256)


@cache
def _our_sha256() -> str:
    """Of modules, templates, styles and scripts of this room: while the program is changed its version stays."""
    digest = hashlib.sha256()
    for name, content in sorted(_contents(files("pipeline.reports"), "")):
        digest.update(f"{name}\0{len(content)}\0".encode() + content)
    return digest.hexdigest()


def _contents(folder: Traversable, path: str) -> list[tuple[str, bytes]]:
    found: list[tuple[str, bytes]] = []
    for entry in folder.iterdir():
        if entry.name.startswith(("__pycache__", ".")):
            continue
        if entry.is_dir():
            found += _contents(entry, f"{path}{entry.name}/")
        else:
            found.append((path + entry.name, entry.read_bytes()))
    return found
