"""One page, and where it lies: no name of a line, place or event can leave the folder, or meet another's file."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

Context = Mapping[str, Any]
BERTH, EVENTS, QUALITY = "index.html", "events.html", "quality.html"
METHOD, COMPARE = "method.html", "compare.html"
"""Pages of which there is one."""
_PLAIN = {"lines": re.compile(r"[A-Z0-9][A-Z0-9_-]{0,39}", re.ASCII)}
_PLAIN_ELSE = re.compile(r"[a-z0-9][a-z0-9_-]{0,39}", re.ASCII)
"""Names that are file names as they are. Within a kind only one case: some file systems cannot tell L1 from l1."""
_DEVICES = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])", re.ASCII | re.IGNORECASE)
"""Names that are no files on Windows. Source: Microsoft, Naming Files, Paths, and Namespaces."""


@dataclass(frozen=True)
class Page:
    """A page to be written. `path`: below `pages/`. `context`: what the template shows, or what makes it, called when
    the page is written. `template`: file in `templates/`.

    For those who write many at once: `line`: the line whose statement it shows, so that one process writes all pages of
    a line; `last`: it shows every line's, and is written when they are there (ask `Snapshot.summary`). `key`: digest of
    all that decides the page; one that the same program made of the same is not made anew. None: it is, every time.
    """

    path: str
    title: str
    template: str
    context: Context | Callable[[], Context]
    line: str | None = None
    last: bool = False
    key: str | None = None

    @property
    def shown(self) -> Context:
        """What the template shows."""
        return self.context() if callable(self.context) else self.context

    @property
    def root(self) -> str:
        """From this page's folder to `pages/`."""
        return "../" * self.path.count("/")


def page_path(kind: str, name: str) -> str:
    """Path of the page of a thing that has a name: `lines/L07.html`, `events/….html`. One path for each name.

    A name that is no plain file name gives its harmless letters and a digest of all of it.
    """
    plain = _PLAIN.get(kind, _PLAIN_ELSE)
    if plain.fullmatch(name) and not _DEVICES.fullmatch(name):
        return f"{kind}/{name}.html"
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:20]
    letters = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:24]
    return f"{kind}/{letters or 'x'}.{digest}.html"
