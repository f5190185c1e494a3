"""The compiled pass that tells readings which a gauge made up from those that a line bore; `sound` says the rules."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

NONE = -1
LOADED = 1.5
"""A line bears a load from this many times its slack level on."""


@compiled
def made_up(
    at_us: Ints,
    kn: Floats,
    usable: Bools,
    spiky: Bools,
    level_from_us: Ints,
    level_kn: Floats,
    max_gap_us: int,
    calm_us: int,
    longest_us: int,
    least_alike: int,
) -> Bools:
    """Which usable readings are none of a line's load, (n,)."""
    out = np.zeros(kn.size, np.bool_)
    before = first = last = NONE
    low_us = at_us[0] - calm_us - 1 if at_us.size > 0 else 0
    alike = now = 0
    calm = False
    for i in range(kn.size):
        if not usable[i]:
            continue
        if spiky[i]:
            out[i] = True
            continue
        while now + 1 < level_from_us.size and at_us[i] >= level_from_us[now + 1]:
            now += 1
        level = level_kn[now]
        joins = before != NONE and at_us[i] - at_us[before] <= max_gap_us
        if first != NONE and joins and kn[i] == kn[first]:
            alike += 1
            last = before = i
            continue
        if first != NONE:
            gone = joins and kn[i] >= level
            gone = gone and (
                (alike == 1 and kn[first] < -level)
                or (
                    alike >= least_alike
                    and calm
                    and kn[i] >= LOADED * level
                    and at_us[last] - at_us[first] <= longest_us
                )
            )
            if gone:
                for j in range(first, last + 1):
                    out[j] = out[j] or usable[j]
            else:
                low_us = at_us[last]
            first = NONE
        if kn[i] < level and joins and kn[before] >= level:
            first = last = i
            alike = 1
            calm = kn[before] >= LOADED * level and at_us[i] - low_us > calm_us
        elif kn[i] < level:
            low_us = at_us[i]
        before = i
    return out
