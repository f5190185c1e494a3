"""Small pieces of SVG, as text. Colours are classes: the page's style sheet says them, or `STYLE` in the picture."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from html import escape

STYLE = """
text { font-family: 'Libertinus Serif'; font-size: 14px; fill: #1c2429; }
.c-small { font-size: 12px; fill: #4d5a63; }
.c-strong { font-weight: bold; }
.c-grid { stroke: #d5dade; stroke-width: 0.6; fill: none; }
.c-frame { stroke: #9aa5ad; stroke-width: 0.8; fill: none; }
.c-line { stroke: #23566b; stroke-width: 1; fill: none; }
.c-band { fill: #9c2f1c; fill-opacity: 0.16; }
.c-mark { stroke: #4d5a63; stroke-width: 0.8; stroke-dasharray: 2 2; fill: none; }
.c-tag { fill: #1c2429; }
.c-hull { fill: #eef1f3; stroke: #66737c; stroke-width: 1; }
.c-quay { fill: #d9dee2; }
.c-rope { stroke: #23566b; fill: none; }
.c-lost { stroke: #9c2f1c; }
.c-none { stroke: #9aa5ad; stroke-dasharray: 2 3; }
"""


def svg(width: float, height: float, body: Iterable[str], *, label: str, style: bool = False) -> str:
    """A picture with its description for those who do not see it; `style`: with its own colours, for the PDF."""
    inside = f"<style>{STYLE}</style>" if style else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {num(width)} {num(height)}" role="img" '
        f'aria-label="{_xml(label)}">{inside}{"".join(body)}</svg>'
    )


def line(x1: float, y1: float, x2: float, y2: float, css: str, *, width: float | None = None) -> str:
    """A straight line; `width` only for classes that say none, since a class outweighs it."""
    wide = "" if width is None else f' stroke-width="{num(width)}"'
    return f'<line x1="{num(x1)}" y1="{num(y1)}" x2="{num(x2)}" y2="{num(y2)}" class="{css}"{wide}/>'


def rect(x: float, y: float, width: float, height: float, css: str) -> str:
    return f'<rect x="{num(x)}" y="{num(y)}" width="{num(width)}" height="{num(height)}" class="{css}"/>'


def text(x: float, y: float, words: str, css: str = "", *, anchor: str = "start") -> str:
    return f'<text x="{num(x)}" y="{num(y)}" text-anchor="{anchor}" class="{css}">{_xml(words)}</text>'


def path(points: Iterable[tuple[float, float] | None], css: str) -> str:
    """A line through points; None lifts the pen."""
    out: list[str] = []
    pen = "M"
    for point in points:
        if point is None:
            pen = "M"
            continue
        out.append(f"{pen}{num(point[0])} {num(point[1])}")
        pen = "L"
    return f'<path d="{"".join(out)}" class="{css}"/>'


def outline(points: Sequence[tuple[float, float] | None]) -> Iterator[tuple[float, float] | None]:
    """Points to draw: of those closer than half a unit across, the highest and the lowest, so that no peak is lost."""
    group: list[tuple[float, float]] = []
    for point in (*points, None):
        if group and (point is None or point[0] - group[0][0] > 0.5):
            ends = {min(group, key=_height), max(group, key=_height)}
            yield from sorted(ends, key=group.index)
            group = []
        if point is None:
            yield None
        else:
            group.append(point)


def _xml(words: str) -> str:
    """Words as text of an XML document; control characters are none, whatever a register says."""
    return escape("".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in words))


def _height(point: tuple[float, float]) -> float:
    return point[1]


def num(value: float) -> str:
    """A coordinate to a tenth, without needless noughts; never -0."""
    shown = f"{value:.1f}".rstrip("0").rstrip(".")
    return "0" if shown == "-0" else shown
