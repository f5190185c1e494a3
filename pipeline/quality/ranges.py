"""Range checks: what cannot be (4), and what reads at or above the sensor's capacity (3)."""

from __future__ import annotations

import numpy as np

from pipeline.kernels import compiled
from pipeline.quality.flags import Flags, Values


@compiled
def _gross_range(value: Values, low: float, high: float, inside: np.int8) -> Flags:
    out = np.empty(value.size, np.int8)
    for i in range(value.size):
        here = value[i]
        flag = inside
        # An overflow to infinity lies outside any bounds, also where there are none to check.
        if here < low or here > high or abs(here) == np.inf:
            flag = np.int8(4)
        if here != here:
            flag = np.int8(9)
        out[i] = flag
    return out


def gross_range(value: Values, *, low: float | None, high: float | None) -> Flags:
    """4 below `low` or above `high` (the bounds themselves pass), 9 missing, else 1; without both bounds 2.

    Meant for the physically impossible only, because what is flagged 4 is not counted as tension.
    Value (n,) and bounds in one unit. Source: QARTOD gross range test, fail span.
    """
    if low is None or high is None:
        return _gross_range(value, -np.inf, np.inf, np.int8(2))
    return _gross_range(value, low, high, np.int8(1))


@compiled
def _clipped(value: Values, capacity: float, below: np.int8) -> Flags:
    out = np.empty(value.size, np.int8)
    for i in range(value.size):
        here = value[i]
        flag = below
        if here >= capacity:
            flag = np.int8(3)
        if here != here:
            flag = np.int8(9)
        out[i] = flag
    return out


def clipped(value: Values, *, capacity: float | None) -> Flags:
    """3 at or above `capacity`, 9 missing, else 1; without a capacity (None, or not above zero) 2.

    The true load of a clipped sample was at least what it reads. Value (n,) and capacity in one unit.
    House rule, no source: QARTOD's suspect span would let a reading of exactly the capacity pass.
    """
    if capacity is None or not capacity > 0:
        return _clipped(value, np.inf, np.int8(2))
    return _clipped(value, capacity, np.int8(1))
