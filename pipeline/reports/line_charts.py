"""The charts of a line's page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from pipeline.compare.history import History
from pipeline.reports.charts import Axis, Chart, Mark, Series, ms
from pipeline.reports.line_felt import (
    DayFelt,
    Storm,
    curve_of,
    exceedance_of,
    levels_of,
    matrix_of,
    mean_of_cycles_kn,
    ranges_for_curve,
)
from pipeline.site import Site
from pipeline.wear import MECHANISMS
from pipeline.wear.cells import CLASS_KN
from schemas.registers import FatigueCurve
from schemas.times import DAY_US, day_start_us

HalfCycles = Sequence[Mapping[str, Any]]
"""Open half cycles as `explain` has them, widest first."""
Lives = Mapping[str, Mapping[str, Sequence[tuple[date, Decimal]]]]
LIMITS = (("peak_load_pct", "peak-load level"), ("alarm_peak_pct", "alarm level"))
"""Levels drawn with the peaks of a main line, as the policy has them, in percent of what limits are of."""
TIME = "days"
"""Charts against time zoom together."""
MOST_MARKS = 24
"""More marks than this hide the chart; then the highest are marked. House rule."""
COLOURS = dict(zip(MECHANISMS, ("c1", "c2", "c3"), strict=True))


def _marks(services: Sequence[Any], high: Sequence[Storm]) -> list[Mark]:
    """Services, and the stretches of high load (where there are many, the highest of them)."""
    highest = sorted(high, key=lambda one: one.peak_kn, reverse=True)[:MOST_MARKS]
    marks = [Mark(ms(row.at_us), row.action, "c4") for row in services]
    return marks + [Mark(ms(one.from_us), "high load", "warn") for one in highest]


def _not_marked(high: Sequence[Storm]) -> list[str]:
    """That some stretches of high load are not marked, where they are not."""
    many = len(high)
    return [] if many <= MOST_MARKS else [f"Of {many} stretches of high load the highest {MOST_MARKS} are marked."]


def life_charts(
    answer: Mapping[str, Any], lives: Lives, services: Sequence[Any], high: Sequence[Storm], worst: str
) -> list[Chart]:
    """Life consumed against time, a chart a mechanism, as they differ by decades; none of one that has used nothing."""
    return [
        _life_chart(answer["basis"], name, drawn, _marks(services, high), _not_marked(high))
        for name in MECHANISMS
        if (drawn := [_risen(zone, name, lives[zone][name], solid=zone == worst) for zone in _with(lives, name)])
    ]


def _with(lives: Lives, name: str) -> list[str]:
    """Zones of which a mechanism has used something."""
    return [zone for zone, of_zone in lives.items() if any(used for _, used in of_zone.get(name, ()))]


def _life_chart(
    basis: str, mechanism: str, drawn: Sequence[Series], marks: Sequence[Mark], notes: Sequence[str]
) -> Chart:
    ends = [(one.name, one.y[-1] or 0.0) for one in drawn]
    return Chart(
        f"life-{mechanism}",
        f"{mechanism.capitalize()} consumed against time: {basis}",
        f"The {basis} consumed by each posted day's end. At the end: "
        + "; ".join(f"{name} {used:.3g}" for name, used in ends)
        + ".",
        Axis("day", "at"),
        Axis(basis, low=0.0, high=1.05 * max(used for _, used in ends)),
        drawn,
        marks=marks,
        height=170,
        link=TIME,
        notes=[
            "Straight within a day, as only its whole is posted; a day's life stands where its cycles closed. Marked: "
            "services, and where high loads begin.",
            *notes,
        ],
    )


def _risen(zone: str, name: str, points: Sequence[tuple[date, Decimal]], *, solid: bool) -> Series:
    """What a mechanism has used of a zone: level between posted days, straight within each."""
    at: list[float] = []
    lives: list[float] = []
    used = 0.0
    for day, after in points:
        begin_us = day_start_us(day)
        if not at or at[-1] < ms(begin_us):
            at.append(ms(begin_us))
            lives.append(used)
        used = float(after)
        at.append(ms(begin_us + DAY_US))
        lives.append(used)
    dash = "solid" if solid else "dashed"
    return Series("line", f"zone {zone}", at, lives, colour=COLOURS[name], dash=dash)


def peaks_chart(
    site: Site, line: str, by_day: Sequence[DayFelt], services: Sequence[Any], high: Sequence[Storm]
) -> Chart | None:
    """The highest tension of each day, with the levels of the policy."""
    drawn = [(ms(one.peak_us), one.peak_kn) for one in by_day if one.peak_kn is not None and one.peak_us is not None]
    if not drawn:
        return None
    mbl = site.design_mbl_kn(line)
    base_kn, base = (site.break_force_kn(line), "break force") if mbl is None else (mbl, "ship design MBL")
    of_line = LIMITS if site.lines[line].part == "main" else ()
    levels = [(getattr(site.policy, name), words) for name, words in of_line]
    highest = max(peak for _, peak in drawn)
    return Chart(
        "peaks",
        "Highest tension of each day",
        f"Points, one a day, {len(drawn)} in all; the highest {highest:.0f} kN.",
        Axis("day", "at"),
        Axis("tension", unit="kN", low=0.0, high=1.1 * max(highest, *(pct / 100 * base_kn for pct, _ in levels), 1.0)),
        [Series("points", "highest of the day", [at for at, _ in drawn], [peak for _, peak in drawn])],
        marks=_marks(services, high),
        levels=[Mark(pct / 100 * base_kn, f"{words}, {pct:g} % of {base}", "alarm") for pct, words in levels],
        link=TIME,
        notes=_not_marked(high),
    )


def _noon(day: date) -> float:
    return ms(day_start_us(day) + DAY_US // 2)


def temperature_chart(by_day: Sequence[DayFelt]) -> Chart | None:
    """The warmest core of each day; None where the spec has no [heat]."""
    warm = [(one.day, one.core_c) for one in by_day if one.core_c is not None]
    if not warm:
        return None
    return Chart(
        "temperature",
        "Warmest core of the rope on each day, reckoned",
        f"Points, one a day, from {min(c for _, c in warm):.1f} to {max(c for _, c in warm):.1f} °C.",
        Axis("day", "at"),
        Axis("core", unit="°C"),
        [Series("points", "warmest core", [_noon(day) for day, _ in warm], [core_c for _, core_c in warm])],
        link=TIME,
        notes=["Drawn at noon. Reckoned from swings and air, not measured; by itself a temperature gives no advice."],
    )


def _open_words(still_open: HalfCycles) -> str:
    """What is open, in a sentence that ends a description; nothing where nothing is."""
    if not still_open:
        return ""
    low_kn, high_kn = still_open[0]["low_kn"], still_open[0]["high_kn"]
    many = "1 half cycle is" if len(still_open) == 1 else f"{len(still_open)} half cycles are"
    return f" {many} open, the widest from {low_kn:.0f} to {high_kn:.0f} kN."


def _open_points(still_open: HalfCycles) -> list[Series]:
    """Open half cycles at their own range and mean: few, and often the widest of all."""
    if not still_open:
        return []
    mean_kn = [(row["low_kn"] + row["high_kn"]) / 2 for row in still_open]
    range_kn = [row["high_kn"] - row["low_kn"] for row in still_open]
    return [Series("points", "half cycle still open", mean_kn, range_kn, colour="c2", marker="triangle")]


def matrix_chart(felt: History, still_open: HalfCycles) -> Chart | None:
    """Closed cycles by range and mean, coloured by how many; open half cycles, widest first, as triangles."""
    found = matrix_of(felt)
    if not found.count and not still_open:
        return None
    width = found.width_kn
    whole = sum(found.count)
    widest_kn = max(found.range_kn, default=-width) + width
    return Chart(
        "matrix",
        "Rainflow matrix of closed cycles, and open half cycles, both ends",
        f"{whole} cycles in {len(found.count)} squares of {width:g} kN by range and mean; the widest range "
        f"{widest_kn:g} kN at most.{_open_words(still_open)}",
        Axis("mean", unit="kN"),
        Axis("range", unit="kN"),
        [
            Series(
                "cells",
                "cycles",
                found.mean_kn,
                found.range_kn,
                [kn + width for kn in found.mean_kn],
                [kn + width for kn in found.range_kn],
                found.count,
            ),
            *_open_points(still_open),
        ],
        height=300,
        notes=[
            f"Squares of {width:g} kN: closed cycles, made of 5 kN classes told by their middles; the shade goes by "
            f"logarithm. Triangles: half cycles still open, each by itself.{_open_words(still_open)}"
        ],
    )


def exceedance_chart(felt: History, curve: FatigueCurve, force_kn: float, still_open: HalfCycles) -> Chart | None:
    """How many closed cycles had at least a range; beside it how many of one range alone the spec's curve gives."""
    found = exceedance_of(felt)
    drawn = [(n, kn) for n, kn in zip(found.count, found.range_kn, strict=True) if n > 0 and kn > 0]
    if not drawn:
        return None
    mean_kn = mean_of_cycles_kn(felt)
    # Where the curve asks for far more cycles than were felt it says nothing, and would squeeze the rest.
    most = 1e4 * max(drawn[0][0], 100)
    given = [
        (kn, n) for kn, n in curve_of(curve, force_kn, mean_kn, ranges_for_curve(force_kn, drawn[0][1])) if n <= most
    ]
    at_mean = "" if curve.b == 0 else f", at the mean of these, {mean_kn:.0f} kN"
    return Chart(
        "exceedance",
        "Range exceedance of closed cycles, and the curve of the spec",
        f"{drawn[0][0]} cycles of {drawn[0][1]:g} kN or more, down to {drawn[-1][0]} of {drawn[-1][1]:g} kN or more."
        f"{_open_words(still_open)}",
        Axis("cycles", "log"),
        Axis("range", unit="kN", low=0.0, high=1.02 * force_kn),
        [
            Series("line", "cycles of this range or more", [n for n, _ in drawn], [kn for _, kn in drawn]),
            Series(
                "line",
                "cycles that end the curve",
                [n for _, n in given],
                [kn for kn, _ in given],
                dash="dashed",
            ),
        ],
        height=300,
        notes=[
            f"So many cycles of one range alone end the curve{at_mean}. How far the two lie apart is no life left: "
            f"many ranges act together, and creep and abrasion besides. Closed cycles only.{_open_words(still_open)}"
        ],
    )


def levels_chart(felt: History) -> Chart | None:
    """Hours in each 5 kN class."""
    found = levels_of(felt)
    if not found.seconds:
        return None
    return Chart(
        "levels",
        "Time at level",
        f"Bars of hours in classes of {CLASS_KN:g} kN, {found.total_s / 3600:.1f} h in all.",
        Axis("tension", unit="kN"),
        Axis("time", unit="h"),
        [
            Series(
                "bars",
                "hours",
                found.class_kn,
                [time / 3600 for time in found.seconds],
                [kn + CLASS_KN for kn in found.class_kn],
            )
        ],
    )
