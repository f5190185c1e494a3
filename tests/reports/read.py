"""A written page as a reader's program would take it: its figures, each with where it says it comes from; its text."""

from __future__ import annotations

import json
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Fig:
    """A figure of a page: all its digits, its unit, what is shown, and what it says it is from."""

    value: str
    unit: str
    said: str


class Reading(HTMLParser):
    """Figures, text outside of scripts, charts, and headings."""

    def __init__(self) -> None:
        super().__init__()
        self.figures: list[Fig] = []
        self.words: list[str] = []
        self.charts: list[dict[str, Any]] = []
        self.ids: list[str] = []
        self._in_script = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if given.get("id") is not None:
            self.ids.append(str(given["id"]))
        if tag == "script":
            self._in_script = True
        if tag == "data" and given.get("class") == "fig":
            title = str(given["title"])
            assert title.startswith("from "), title
            self.figures.append(Fig(str(given["value"]), str(given["data-unit"]), title.removeprefix("from ")))

    def handle_endtag(self, tag: str) -> None:
        if tag == "script":
            self._in_script = False

    def handle_data(self, data: str) -> None:
        if not self._in_script:
            self.words.append(data)
        elif data.strip().startswith("{"):
            self.charts.append(json.loads(data))

    @property
    def text(self) -> str:
        """All that is to be read, white space made one."""
        return " ".join(" ".join(self.words).split())


def read_page(path: Path) -> Reading:
    """Read one page."""
    return read_html(path.read_text(encoding="utf-8"))


def read_html(text: str) -> Reading:
    """The same of its text."""
    reading = Reading()
    reading.feed(text)
    reading.close()
    return reading


def numbers_in(answer: str) -> set[str]:
    """Every number of a JSON text, digit for digit."""
    found: set[str] = set()

    def kept(text: str) -> str:
        found.add(text)
        return text

    json.loads(answer, parse_float=kept, parse_int=kept)
    return found
