"""The fold: sheets joined strictly left in time, per line and zone, so that cycles run on across midnights.

For closed (low, high) pairs and open values the fold of sheets equals counting the whole record (see
`pipeline.sheets.cycles`). Times of open points are those of one of the samples that reached the value.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.sheets.cycles import Floats, Ints, feed, tally_sorted
from pipeline.sheets.sheet import Felt


@dataclass(frozen=True)
class State:
    """What is open after a sheet: the residue's turning points [kN] and their times [us]."""

    residue_kn: Floats
    residue_us: Ints


EMPTY = State(np.empty(0, np.float64), np.empty(0, np.int64))


@dataclass(frozen=True)
class Folded:
    """A sheet joined to what was open before it: the state after it, and the closed cycles the join added."""

    state: State
    low_kn: Floats
    high_kn: Floats
    count: Ints


def fold(before: State, sheet: Felt) -> Folded:
    """Join a sheet's residue to the state before it; every cycle that closes by it closes on the sheet's day."""
    residue_kn, residue_us, points_kn, _, _ = feed(
        before.residue_kn, before.residue_us, sheet.residue_kn, sheet.residue_us
    )
    low, high, count = tally_sorted(points_kn.min(axis=1), points_kn.max(axis=1))
    return Folded(State(residue_kn, residue_us), low, high, count)
