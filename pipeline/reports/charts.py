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

    `dash`: solid, dashed, dotted, dotdash; None: by turns, so that no series is told by its colour alone.
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
    width: float = 1.4


@dataclass(frozen=True, slots=True)
class Mark:
    """A line across the chart, at an `x` (a service, a storm) or a `y` (a limit), with its words."""

    at: float
    words: str
    colour: str = "soft"


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
    shown |= {"x": asdict(chart.x), "y": asdict(chart.y), "series": [_series(one) for one in chart.series]}
    return shown | {name: [asdict(mark) for mark in shown[name]] for name in ("marks", "levels")}


def _series(series: Series) -> dict[str, Any]:
    made = {name: getattr(series, name) for name in ("kind", "name", "colour", "dash", "width")}
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
