"""A page in a browser without a network, and everything that it asked for or complained of."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from playwright.sync_api import Browser, ConsoleMessage, Page

PHONE, LAPTOP, WALL = (390, 844), (1280, 900), (2560, 1440)


@dataclass
class Opened:
    """A page, and what it asked for and complained of."""

    page: Page
    asked: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    @property
    def from_outside(self) -> list[str]:
        """What it asked for that is no file beside it."""
        return [url for url in self.asked if not url.startswith("file:///")]


@contextmanager
def opened(
    browser: Browser, path: Path, size: tuple[int, int] = LAPTOP, *, dark: bool = False, reach: str = "charts"
) -> Iterator[Opened]:
    """A page of a folder, opened offline, when its charts are drawn (`reach`: "ready": when its tables work)."""
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, offline=True, color_scheme="dark" if dark else "light"
    )
    found = Opened(context.new_page())
    found.page.on("request", lambda request: found.asked.append(request.url))
    found.page.on("console", lambda message: _heard(found, message))
    found.page.on("pageerror", lambda error: found.complaints.append(str(error)))
    found.page.on("dialog", lambda dialog: found.complaints.append(f"dialog: {dialog.message}"))
    found.page.goto(path.as_uri())
    # Attached is enough: a page's root element counts as visible or not by its size.
    found.page.wait_for_selector(f"html[data-{reach}]", state="attached")
    try:
        yield found
    finally:
        context.close()


def _heard(found: Opened, message: ConsoleMessage) -> None:
    # Bokeh says by an "info" how long it took.
    if message.type in ("error", "warning"):
        found.complaints.append(f"{message.type}: {message.text}")
