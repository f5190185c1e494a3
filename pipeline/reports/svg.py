"""Pictures that never need zoom, as SVG in the page. Colours are classes, which `static/pages.css` says for light and
dark; every text is escaped.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from pipeline.reports.figures import Picture

WIDTH, HEIGHT = 80.0, 22.0
KEPT = "\n\N{NARROW NO-BREAK SPACE}"


def picture(width: float, height: float, body: Iterable[str], *, label: str, css: str = "") -> Picture:
    """A picture of its own size, with its description for those who do not see it."""
    return Picture(
        f'<svg class="{css}" viewBox="0 0 {num(width)} {num(height)}" width="{num(width)}" height="{num(height)}" '
        f'role="img" aria-label="{xml(label)}">{"".join(body)}</svg>'
    )


def sparkline(values: Sequence[float | None], *, top: float, label: str, level: float | None = None) -> Picture:
    """Values in order of time, from 0 to `top`; None lifts the pen. `level`: a line across."""
    step = WIDTH / max(len(values) - 1, 1)
    scale = (HEIGHT - 3) / top if top > 0 else 0.0

    def y(value: float) -> float:
        return HEIGHT - 1.5 - max(value, 0.0) * scale

    runs: list[list[tuple[float, float]]] = [[]]
    for i, value in enumerate(values):
        if value is None:
            runs.append([])
        else:
            runs[-1].append((i * step, y(value)))
    body = [] if level is None or level > top else [line(0, y(level), WIDTH, y(level), "s-level")]
    for run in runs:
        if len(run) == 1:
            body.append(f'<circle cx="{num(run[0][0])}" cy="{num(run[0][1])}" r="1.4" class="s-dot"/>')
        elif run:
            points = " ".join(f"{num(x)},{num(at)}" for x, at in run)
            body.append(f'<polyline points="{points}" class="s-line"/>')
    return picture(WIDTH, HEIGHT, body, label=label, css="spark")


def bar(share: float | None, *, label: str, css: str = "s-bar", extra: float | None = None) -> Picture:
    """A share from 0 to 1 as a bar; beyond 1 it is full, with an edge. `extra`: what comes on top, paler."""
    width = 80.0
    body = [rect(0, 3, width, 9, "s-frame")]
    if share is not None:
        body.append(rect(0, 3, width * min(max(share, 0.0), 1.0), 9, css))
        if extra is not None and share < 1:
            body.append(rect(width * max(share, 0.0), 3, width * min(extra, 1 - max(share, 0.0)), 9, "s-extra"))
        if share > 1:
            body.append(line(width - 1, 0, width - 1, 15, "s-over"))
    return picture(width, 15, body, label=label, css="bar")


def line(x1: float, y1: float, x2: float, y2: float, css: str, *, width: float | None = None) -> str:
    wide = "" if width is None else f' stroke-width="{num(width)}"'
    return f'<line x1="{num(x1)}" y1="{num(y1)}" x2="{num(x2)}" y2="{num(y2)}" class="{css}"{wide}/>'


def rect(x: float, y: float, width: float, height: float, css: str) -> str:
    return f'<rect x="{num(x)}" y="{num(y)}" width="{num(width)}" height="{num(height)}" class="{css}"/>'


def text(x: float, y: float, words: str, css: str = "", *, anchor: str = "start") -> str:
    return f'<text x="{num(x)}" y="{num(y)}" text-anchor="{anchor}" class="{css}">{xml(words)}</text>'


def xml(words: str) -> str:
    """Words as text of the page; control characters are none, whatever a register says."""
    return escape(printable(words))


def printable(words: str) -> str:
    """Words without control characters, and without those that turn the direction of writing. The narrow space that
    parts the thousands of our own figures is none of these."""
    if words.isprintable():
        return words
    return "".join(c if c.isprintable() or c in KEPT else "\N{REPLACEMENT CHARACTER}" for c in words)


def num(value: float) -> str:
    """A coordinate to a tenth, without needless noughts; never -0."""
    shown = f"{value:.1f}".rstrip("0").rstrip(".")
    return "0" if shown == "-0" else shown
