"""Swings across sheets: the half-cycles that begin on one day and end on the next.

A sheet holds the swings between its inner turning points; its first and last half-cycle are kept as their end
points only, since neighbouring days decide how far they run. `bridge` finishes them.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.sheets.cycles import Floats, Ints
from pipeline.sheets.sheet import Felt


@dataclass(frozen=True)
class OpenSwing:
    """The half-cycle still running: from its turning point to the furthest value so far (kN, us). May be empty."""

    kn: tuple[float, ...]
    us: tuple[int, ...]


NO_SWING = OpenSwing((), ())


@dataclass(frozen=True)
class Bridged:
    """Swings finished by a join, as (low, high, end) arrays, and the swing open after the sheet."""

    low_kn: Floats
    high_kn: Floats
    end_us: Ints
    open: OpenSwing


def bridge(before: OpenSwing, sheet: Felt) -> Bridged:
    """Join a sheet's first half-cycle to the one open before it."""
    ends = list(zip(sheet.ends_kn.tolist(), sheet.ends_us.tolist(), strict=True))
    turns = _turning_points(zip(before.kn, before.us, strict=True), ends[:2])
    if len(ends) > 2:
        finished, running = turns, ends[-2:]
    else:
        finished, running = turns[:-1], turns[-2:]
    pairs = list(pairwise(finished))
    return Bridged(
        np.array([min(a[0], b[0]) for a, b in pairs], np.float64),
        np.array([max(a[0], b[0]) for a, b in pairs], np.float64),
        np.array([b[1] for _, b in pairs], np.int64),
        OpenSwing(tuple(kn for kn, _ in running), tuple(us for _, us in running)),
    )


def _turning_points(*parts: Iterable[tuple[float, int]]) -> list[tuple[float, int]]:
    """Turning points of a few values in time order; of equal neighbours the first."""
    turns: list[tuple[float, int]] = []
    for part in parts:
        for kn, us in part:
            if turns and kn == turns[-1][0]:
                continue
            if len(turns) > 1 and (turns[-1][0] > turns[-2][0]) == (kn > turns[-1][0]):
                turns.pop()
            turns.append((kn, us))
    return turns
