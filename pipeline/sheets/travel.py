"""Travel: the metres that a winch let go or hove in over the chock, by the tension of the line meanwhile."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.sheets.cycles import Floats, Ints
from pipeline.sheets.kernel import payout_moves

LATEST_US: Final = 1_000_000
"""How old the tension of a move may be, as in the detector of brake-render."""


@dataclass(frozen=True)
class Travel:
    """Metres of |payout change| by class of tension: (n,) each, classes ascending; class c is [5c, 5c + 5) kN."""

    classes: Ints
    metres: Floats


NO_TRAVEL: Final = Travel(np.empty(0, np.int64), np.empty(0, np.float64))


def travel(
    payout_at_us: Ints,
    payout_m: Floats,
    tension_at_us: Ints,
    tension_kn: Floats,
    *,
    from_us: int,
    to_us: int,
    deadband_m: float,
    max_gap_us: int,
) -> Travel:
    """Travel of the payout samples in [from_us, to_us), of one rigging.

    payout (p,) [m] and tension of the line (n,) [kN], each ascending in time, no NaN, only what counts and only while
    rigged; those before `from_us` tell which way the payout was going. House rules, no source: moves are measured
    between turning points at least `deadband_m` apart, so that an encoder that jitters by less saws no rope through;
    over a gap of more than `max_gap_us` nothing is known, and all begins afresh; a move takes the latest tension at
    most `LATEST_US` old, and is not counted without one.

    Law: travel by days is that of the whole record, if what is given from before `from_us` reaches back to a turn or
    to the start. Else it begins afresh there, and is off by less than twice the deadband.
    """
    classes, metres = payout_moves(
        payout_at_us, payout_m, tension_at_us, tension_kn, from_us, to_us, deadband_m, max_gap_us, LATEST_US
    )
    if classes.size == 0:
        return NO_TRAVEL
    found, which = np.unique(classes, return_inverse=True)
    sums = np.zeros(found.size)
    np.add.at(sums, which, metres)  # one by one, in time order
    return Travel(found, sums)
