"""Checks on how fast a reading moves: spike and rate of change. Both give at most 3, at any sampling rate."""

from __future__ import annotations

import numpy as np

from pipeline.kernels import compiled
from pipeline.quality.flags import Flags, Times, Values


@compiled
def _spike(at_us: Times, value: Values, limit: float, max_gap_us: int) -> Flags:
    n = value.size
    out = np.empty(n, np.int8)
    for i in range(n):
        if i == 0 or i == n - 1:
            out[i] = 9 if value[i] != value[i] else 2
            continue
        before_us = at_us[i] - at_us[i - 1]
        after_us = at_us[i + 1] - at_us[i]
        # Straight line between the neighbours, held against the sample; multiplied out, for speed.
        line = value[i - 1] * after_us + value[i + 1] * before_us
        off = abs(value[i] * (before_us + after_us) - line)
        flag = np.int8(3) if off > limit * (before_us + after_us) else np.int8(1)
        if value[i - 1] != value[i - 1] or value[i + 1] != value[i + 1]:
            flag = np.int8(2)
        if before_us > max_gap_us or after_us > max_gap_us:
            flag = np.int8(2)
        if value[i] != value[i]:
            flag = np.int8(9)
        out[i] = flag
    return out


def spike(at_us: Times, value: Values, *, limit: float | None, max_gap_s: float) -> Flags:
    """3 where a sample lies more than `limit` off the straight line in time between its two neighbours.

    at_us (n,) ascending, value (n,), limit in the unit of value. 2 where there is no limit, or where a
    neighbour is absent, missing or further than `max_gap_s` away: across a longer gap a spike looks like
    motion. 9 missing. Source: QARTOD spike test (mean of the neighbours), made right for uneven times; it
    marks, as that does, the neighbours of a spike of more than twice the limit too.
    """
    if limit is None:
        return np.where(np.isnan(value), np.int8(9), np.int8(2))
    return _spike(at_us, value, limit, round(max_gap_s * 1e6))


@compiled
def _rate(at_us: Times, value: Values, limit_per_us: float, floor_us: int, max_gap_us: int) -> Flags:
    out = np.empty(value.size, np.int8)
    last = np.nan
    last_us = np.int64(0)
    for i in range(value.size):
        here = value[i]
        if here != here:
            out[i] = 9
            continue
        apart_us = at_us[i] - last_us
        if last != last or apart_us > max_gap_us:
            out[i] = 2
        else:
            out[i] = 3 if abs(here - last) > limit_per_us * max(apart_us, floor_us) else 1
        last = here
        last_us = at_us[i]
    return out


def rate(at_us: Times, value: Values, *, limit_per_s: float | None, max_gap_s: float, floor_s: float = 0.0) -> Flags:
    """3 where a reading moved faster than `limit_per_s` since the latest reading before it.

    at_us (n,) ascending, value (n,), limit in the unit of value per second. 2 without a limit, and where
    there is no reading before it within `max_gap_s`. 9 missing. Readings less than `floor_s` apart are judged
    as if that far apart: between two stamps a millisecond apart, noise alone looks fast. Source: QARTOD rate
    of change test.
    """
    if limit_per_s is None:
        return np.where(np.isnan(value), np.int8(9), np.int8(2))
    return _rate(at_us, value, limit_per_s / 1e6, round(floor_s * 1e6), round(max_gap_s * 1e6))
