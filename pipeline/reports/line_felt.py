"""What a line felt, by class, as its page draws it: rainflow matrix, range exceedance, time at level, days. Pure.

Classes are those of the ledger: 5 kN wide, told by their middles; a cycle whose two ends lie in one class has there a
range of 0. Squares of the matrix are wider where a history fills many classes: which width they have is said.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import numpy as np

from pipeline.compare.history import History
from pipeline.wear.cells import CLASS_KN
from pipeline.wear.fatigue import damage
from schemas.registers import FatigueCurve
from schemas.times import rfc3339_us

WIDTHS_KN: Final = (5.0, 10.0, 20.0, 50.0, 100.0)
"""Widths that squares of the matrix may have."""
MOST_SQUARES: Final = 1200
"""More filled squares than this are not told apart by eye, and make a page large. House rule."""


@dataclass(frozen=True)
class Matrix:
    """Closed cycles in squares: lower edges of range and mean [kN], and how many; `width_kn`: of a square."""

    width_kn: float
    range_kn: list[float]
    mean_kn: list[float]
    count: list[int]


@dataclass(frozen=True)
class Exceedance:
    """How many closed cycles have at least each range [kN], by class, widest range last."""

    range_kn: list[float]
    count: list[int]


@dataclass(frozen=True)
class Levels:
    """Time at level: lower edges of the classes [kN], and seconds in each."""

    class_kn: list[float]
    seconds: list[float]
    total_s: float


def felt_of(histories: Iterable[History]) -> History | None:
    """What both zones of a line felt, put together: the whole line bears the tension. None without any."""
    found = list(histories)
    if not found:
        return None
    return History(
        np.concatenate([one.low_kn for one in found]),
        np.concatenate([one.high_kn for one in found]),
        np.concatenate([one.count for one in found]),
        np.concatenate([one.residue_kn for one in found]),
        np.concatenate([one.level_class for one in found]),
        np.concatenate([one.level_us for one in found]),
    )


def matrix_of(felt: History) -> Matrix:
    """Cycles by range and mean, in the narrowest squares of which there are not too many."""
    range_kn, mean_kn = felt.high_kn - felt.low_kn, (felt.high_kn + felt.low_kn) / 2
    for width in WIDTHS_KN:
        squares = np.column_stack((np.floor(range_kn / width), np.floor(mean_kn / width))).astype(np.int64)
        filled, where = np.unique(squares, axis=0, return_inverse=True)
        if len(filled) <= MOST_SQUARES or width == WIDTHS_KN[-1]:
            count = np.zeros(len(filled), np.int64)
            np.add.at(count, where.ravel(), felt.count)
            edges = filled.astype(np.float64) * width
            return Matrix(width, edges[:, 0].tolist(), edges[:, 1].tolist(), count.tolist())
    raise AssertionError("the last width takes any number of squares")


def exceedance_of(felt: History) -> Exceedance:
    """Cycles of at least each range that occurs."""
    ranges, where = np.unique(felt.high_kn - felt.low_kn, return_inverse=True)
    count = np.zeros(ranges.size, np.int64)
    np.add.at(count, where.ravel(), felt.count)
    return Exceedance(ranges.tolist(), np.cumsum(count[::-1])[::-1].tolist())


def curve_of(
    curve: FatigueCurve, force_kn: float, mean_kn: float, range_kn: Sequence[float]
) -> list[tuple[float, float]]:
    """The spec's curve at one mean: (range [kN], cycles N that use up a life), for the ranges above 0."""
    strength_kn = curve.reference_strength * force_kn
    found = []
    for one in range_kn:
        used = damage(one / strength_kn, mean_kn / strength_kn, curve) if one > 0 else 0.0
        if used > 0:
            found.append((one, 1 / used))
    return found


def ranges_for_curve(force_kn: float, lowest_kn: float) -> list[float]:
    """Ranges [kN] at which a curve is drawn: from the lowest felt to break force, evenly in their logarithm."""
    low = max(lowest_kn, CLASS_KN)
    return [low * math.pow(force_kn / low, at / 24) for at in range(25)] if force_kn > low else []


def mean_of_cycles_kn(felt: History) -> float:
    """The mean tension of all closed cycles, each counted once; 0 without any."""
    whole = int(felt.count.sum())
    return float((((felt.high_kn + felt.low_kn) / 2) * felt.count).sum() / whole) if whole else 0.0


def levels_of(felt: History) -> Levels:
    """Time in each class, ascending."""
    classes, where = np.unique(felt.level_class, return_inverse=True)
    us = np.zeros(classes.size, np.int64)
    np.add.at(us, where.ravel(), felt.level_us)
    return Levels((classes * CLASS_KN).tolist(), (us / 1e6).tolist(), float(us.sum() / 1e6))


def time_above(levels: Levels, kn: float) -> float:
    """Seconds in classes that lie wholly at or above a tension."""
    return math.fsum(time for edge, time in zip(levels.class_kn, levels.seconds, strict=True) if edge >= kn)


@dataclass(frozen=True)
class DayFelt:
    """A day: the highest tension and when; the rope's warmest core [degC], None where the spec has no [heat]."""

    day: date
    zone: str
    peak_kn: float | None
    peak_us: int | None
    core_c: float | None


def days_felt(facts: Mapping[tuple[str, str, date], Mapping[str, Any]]) -> list[DayFelt]:
    """By day, from the facts of a line's wear days; a day on which both ends were outboard has one row a zone."""
    return [
        DayFelt(day, zone, found.get("peak_kn"), found.get("peak_us"), found.get("core_c"))
        for (_, zone, day), found in sorted(facts.items(), key=lambda item: (item[0][2], item[0][1]))
    ]


@dataclass(frozen=True)
class Storm:
    """Peak-loads of one line of which each begins within a gap of the end of those before."""

    from_us: int
    to_us: int
    peak_kn: float
    events: tuple[str, ...]


def storms(events: Iterable[Mapping[str, Any]], gap_us: int) -> list[Storm]:
    """Stretches of high load: what a storm does to a line, as far as tension tells. `events`: as `events` answers."""
    found: list[Storm] = []
    for event in sorted(events, key=lambda one: rfc3339_us(one["from_at"])):
        from_us, to_us = rfc3339_us(event["from_at"]), rfc3339_us(event["to_at"])
        if found and from_us - found[-1].to_us <= gap_us:
            last = found[-1]
            found[-1] = Storm(
                last.from_us,
                max(last.to_us, to_us),
                max(last.peak_kn, event["peak_kn"]),
                (*last.events, event["event"]),
            )
        else:
            found.append(Storm(from_us, to_us, event["peak_kn"], (event["event"],)))
    return found
