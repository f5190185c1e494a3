"""Charts that zoom: what is to be drawn, as plain data in the page; `static/pages.js` draws it with Bokeh's script.

Bokeh's Python side is not used: its script alone draws as well, and sixty pages of charts are written in a moment.
Colours are names (`c1` … `c8`, `ink`, `soft`, `alarm`, `warn`), which `static/pages.css` says for light and dark, in
one place. Values in kN are given in kN, and drawn in the unit that the reader chose. A gap is None in `y`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, fields
from typing import Any, Literal

Number = float | int | None
Scale = Literal["at", "number", "log"]
Kind = Literal["line", "step", "points", "bars", "band", "cells"]


@dataclass(frozen=True, slots=True)
class Axis:
    """An axis: `at` (instants, in milliseconds since 1970), `number` or `log`; its label, and its unit."""

    label: str
    scale: Scale = "number"
    unit: str = ""
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Series:
    """One series. line, step (`y` stands from its `x` on), points: `x`, `y`. bars: from `x` to `x2`, up to `y`.
    band: between `y` and `y2`. cells: rectangles `x`, `x2`, `y`, `y2`, coloured by `value`.

    `dash`: solid, dashed, dotted, dotdash; None, like a colour of None: that of the series' place among them (`look`),
    so that none is told by its colour alone. `marker` of points, where not a dot: "triangle".
    """

    kind: Kind
    name: str
    x: Sequence[Number]
    y: Sequence[Number]
    x2: Sequence[Number] | None = None
    y2: Sequence[Number] | None = None
    value: Sequence[Number] | None = None
    colour: str | None = None
    dash: str | None = None
    marker: str | None = None
    width: float = 1.4


@dataclass(frozen=True, slots=True)
class Mark:
    """A line across the chart, at an `x` (a service, a storm) or a `y` (a limit), with its words.

    `valued`: after the words stands the value it lies at, in the unit that the reader chose.
    """

    at: float
    words: str
    colour: str = "soft"
    valued: bool = False


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart. `alt`: what it shows, in a sentence, for those who do not see it. `link`: charts of one page that share
    this word zoom together in x. `from_x`, `to_x`: what is shown first, where not all.
    """

    id: str
    title: str
    alt: str
    x: Axis
    y: Axis
    series: Sequence[Series]
    marks: Sequence[Mark] = ()
    levels: Sequence[Mark] = ()
    height: int = 220
    link: str | None = None
    from_x: float | None = None
    to_x: float | None = None
    notes: Sequence[str] = field(default_factory=tuple)


def chart_json(chart: Chart) -> dict[str, Any]:
    """A chart as the page holds it. Figures are floats as they are; what is not finite is a gap."""
    # Not all of it by `asdict`, which copies every point of every series one by one.
    shown = {one.name: getattr(chart, one.name) for one in fields(chart)}
    shown |= {
        "x": asdict(chart.x),
        "y": asdict(chart.y),
        "series": [_series(one, nth) for nth, one in enumerate(chart.series)],
    }
    return shown | {name: [asdict(mark) for mark in shown[name]] for name in ("marks", "levels")}


COLOURS, DASHES = tuple(f"c{nth}" for nth in range(1, 9)), ("solid", "dashed", "dotted", "dotdash")


def look(nth: int) -> tuple[str, str]:
    """Colour and dash of the nth series: 32 in turn before one comes again."""
    # Neighbours differ in both; each round of colours begins at the next dash, so that none meets its own.
    return COLOURS[nth % len(COLOURS)], DASHES[(nth + nth // len(COLOURS)) % len(DASHES)]


def _series(series: Series, nth: int) -> dict[str, Any]:
    made = {name: getattr(series, name) for name in ("kind", "name", "colour", "dash", "marker", "width")}
    made = {**dict(zip(("colour", "dash"), look(nth), strict=True)), **{k: v for k, v in made.items() if v is not None}}
    for name in ("x", "y", "x2", "y2", "value"):
        values = getattr(series, name)
        made[name] = None if values is None else _numbers(values)
    return made


def _numbers(values: Sequence[Number]) -> list[Number]:
    """Plain numbers, None where one is not finite: what is not has no difference of nought from itself."""
    plain = (int, float)  # others, such as NumPy's, are no JSON
    return [None if one is None or one - one != 0 else one if type(one) in plain else float(one) for one in values]


def ms(at_us: int) -> float:
    """An instant as charts take it [ms since 1970]."""
    return at_us / 1000
