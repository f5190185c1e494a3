"""Pages of the making before that are still good: one with a key is taken over where the same program made it of the
same. So a year of events costs a night no more than what is new.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from pipeline.manifest import canonical_json
from pipeline.night.plan import digest
from pipeline.reports.page import Page

KEYS = "keys.json"


class Kept:
    """The pages with keys in a folder of pages, as long as `made_by` is what made them: program, and pages led to."""

    def __init__(self, folder: Path, made_by: object) -> None:
        self._folder, self._made_by = folder, digest(made_by)
        self._before = _read(folder, self._made_by)

    def take(self, page: Page) -> bytes | None:
        """The bytes of a page as it was made before of the same; None where it is to be made."""
        key, sha256 = self._before.get(page.path, (None, None))
        if page.key is None or page.key != key:
            return None
        try:
            held = (self._folder / page.path).read_bytes()
        except OSError:
            return None
        # Whoever changed a page by hand gets it as it was made.
        return held if hashlib.sha256(held).hexdigest() == sha256 else None

    def take_over(self, pages: Iterable[Page], draft: Path) -> list[tuple[str, str, int]]:
        """Write those that are good into a draft; path, title and size of each."""
        found = []
        for page in pages:
            held = self.take(page)
            if held is not None:
                (draft / page.path).parent.mkdir(parents=True, exist_ok=True)
                (draft / page.path).write_bytes(held)
                found.append((page.path, page.title, len(held)))
        return found

    def write(self, pages: Iterable[Page], draft: Path) -> None:
        """Put down beside the pages of a draft which of them may be taken over next time."""
        keys = {
            page.path: [page.key, hashlib.sha256((draft / page.path).read_bytes()).hexdigest()]
            for page in pages
            if page.key is not None
        }
        said = {"made_by": self._made_by, "keys": keys}
        (draft / KEYS).write_text(canonical_json(said), encoding="utf-8")


def _read(folder: Path, made_by: str) -> Mapping[str, tuple[str, str]]:
    """Key and SHA-256 of each page, by path; nothing where it cannot be read, or another program made them."""
    try:
        said: dict[str, Any] = json.loads((folder / KEYS).read_bytes())
        rows: Iterable[tuple[str, Any]] = said["keys"].items() if said["made_by"] == made_by else ()
        return {str(path): (str(key), str(sha256)) for path, (key, sha256) in rows}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}
