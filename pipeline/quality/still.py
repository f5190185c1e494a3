"""Checks on readings that do not move: flat line, and stuck at zero while the neighbours move. At most 3."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from pipeline.kernels import compiled
from pipeline.quality.flags import Flags, Times, Values


class Series(NamedTuple):
    """One channel's readings: at_us (n,) ascending UTC microseconds, value (n,), NaN where missing."""

    at_us: Times
    value: Values


@compiled
def _repeats(at_us: Times, value: Values, flat_us: int, max_gap_us: int, unjudged: float) -> Flags:
    """`_flat_line` for a tolerance of 0, at a fraction of its time."""
    out = np.empty(value.size, np.int8)
    last = np.nan
    last_us = start_us = np.int64(0)
    for i in range(value.size):
        here = value[i]
        if here != here:
            out[i] = 9
            continue
        alone = last != last or at_us[i] - last_us > max_gap_us
        if alone or here != last:
            start_us = at_us[i]
        last = here
        last_us = at_us[i]
        flag = np.int8(3) if at_us[i] - start_us >= flat_us else np.int8(1)
        if alone or abs(here) <= unjudged:
            flag = np.int8(2)
        out[i] = flag
    return out


@compiled
def _flat_line(at_us: Times, value: Values, tolerance: float, flat_us: int, max_gap_us: int, unjudged: float) -> Flags:
    n = value.size
    out = np.empty(n, np.int8)
    # Two monotone queues hold the candidates for the highest and the lowest reading from `start` to here.
    high = np.empty(n, np.int64)
    low = np.empty(n, np.int64)
    high_head = high_tail = low_head = low_tail = 0
    start = 0
    last_us = np.int64(0)
    for i in range(n):
        here = value[i]
        if here != here:
            out[i] = 9
            continue
        alone = high_head == high_tail or at_us[i] - last_us > max_gap_us
        last_us = at_us[i]
        if alone:
            high_head = high_tail = low_head = low_tail = 0
            start = i
        while high_tail > high_head and value[high[high_tail - 1]] <= here:
            high_tail -= 1
        while low_tail > low_head and value[low[low_tail - 1]] >= here:
            low_tail -= 1
        high[high_tail] = i
        low[low_tail] = i
        high_tail += 1
        low_tail += 1
        while value[high[high_head]] - value[low[low_head]] > tolerance:
            if high[high_head] < low[low_head]:
                start = high[high_head] + 1
                high_head += 1
            else:
                start = low[low_head] + 1
                low_head += 1
        while value[start] != value[start]:
            start += 1
        if alone or abs(here) <= unjudged:
            out[i] = 2
        else:
            out[i] = 3 if at_us[i] - at_us[start] >= flat_us else 1
    return out


def flat_line(
    at_us: Times, value: Values, *, tolerance: float, flat_s: float, max_gap_s: float, unjudged: float = -1.0
) -> Flags:
    """3 where every reading of the last `flat_s` seconds lies within `tolerance` of every other.

    at_us (n,) ascending, value (n,), tolerance in the unit of value (0: the very same reading). Missing
    readings are passed over; a gap over `max_gap_s` starts anew. 2 where a reading has none before it to be
    held against, and within `unjudged` of zero, where a slack line reads flat honestly (`stuck_at_zero` looks
    there). 9 missing. Source: QARTOD flat line test; it looks back only, so the start of a flat stretch
    passes.
    """
    flat_us, max_gap_us = round(flat_s * 1e6), round(max_gap_s * 1e6)
    if tolerance == 0:
        return _repeats(at_us, value, flat_us, max_gap_us, unjudged)
    return _flat_line(at_us, value, tolerance, flat_us, max_gap_us, unjudged)


@compiled
def _zero_runs(at_us: Times, value: Values, zero: float, zero_us: int, max_gap_us: int) -> Times:
    """Runs within `zero` of zero for at least `zero_us`: rows of first index, index where it was, stop."""
    # Two runs of such length share at most an end, so this many rows are enough.
    span_us = at_us[-1] - at_us[0] if at_us.size else np.int64(0)
    runs = np.empty((min(span_us // max(zero_us, 1), at_us.size) + 1, 3), np.int64)
    count = 0
    first = lasted = -1
    last_us = np.int64(0)
    for i in range(value.size):
        here = value[i]
        if here != here:
            continue
        near = abs(here) <= zero
        if first >= 0 and (not near or at_us[i] - last_us > max_gap_us):
            if lasted >= 0:
                runs[count, 0], runs[count, 1], runs[count, 2] = first, lasted, i
                count += 1
            first = lasted = -1
        if near and first < 0:
            first = i
        if near and lasted < 0 and at_us[i] - at_us[first] >= zero_us:
            lasted = i
        last_us = at_us[i]
    if lasted >= 0:
        runs[count, 0], runs[count, 1], runs[count, 2] = first, lasted, value.size
        count += 1
    return runs[:count].copy()


@compiled
def _first_move(value: Values, move: float, low: float, high: float) -> int:
    """Index at which readings within [low, high] have first ranged over more than `move`; -1 never."""
    least = np.inf
    most = -np.inf
    for i in range(value.size):
        here = value[i]
        if here >= low and here <= high:
            least = min(least, here)
            most = max(most, here)
            if most - least > move:
                return i
    return -1


def stuck_at_zero(
    at_us: Times,
    value: Values,
    neighbours: Sequence[Series],
    *,
    zero: float | None,
    zero_s: float,
    move: float,
    max_gap_s: float,
    plausible: tuple[float, float] = (-np.inf, np.inf),
) -> Flags:
    """3 where a reading has stayed within `zero` of zero for `zero_s` while a neighbour ranged over `move`.

    at_us (n,) ascending, value (n,); zero, move and `plausible` (bounds on the neighbours' readings that are
    believed) in the unit of value. Missing readings are passed over; a gap over `max_gap_s` starts anew.
    2 without a level or without neighbours. 9 missing. It knows no rigging: a hook without a line may well
    read zero while its neighbours work. House rule, no source.
    """
    if zero is None or not neighbours:
        return np.where(np.isnan(value), np.int8(9), np.int8(2))
    out = np.where(np.isnan(value), np.int8(9), np.int8(1))
    for first, lasted, stop in _zero_runs(at_us, value, zero, round(zero_s * 1e6), round(max_gap_s * 1e6)):
        moved_us = _first_move_us(neighbours, at_us[first], at_us[stop - 1], move, plausible)
        if moved_us is not None:
            begin = max(lasted, int(np.searchsorted(at_us, moved_us)))
            stretch = out[begin:stop]
            stretch[stretch == 1] = 3
    return out


def _first_move_us(
    neighbours: Sequence[Series], from_us: int, to_us: int, move: float, plausible: tuple[float, float]
) -> int | None:
    """The first instant of [from_us, to_us] by which any neighbour has ranged over more than `move`."""
    found: int | None = None
    for near in neighbours:
        begin, stop = np.searchsorted(near.at_us, (from_us, to_us + 1))
        index = _first_move(near.value[begin:stop], move, *plausible)
        if index >= 0:
            at = int(near.at_us[begin + index])
            found = at if found is None else min(found, at)
    return found
