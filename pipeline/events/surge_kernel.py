"""The compiled loops of `pipeline.events.surge`: a running median, and how far a lobe reaches."""

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled

Values = NDArray[np.float64]


@compiled
def running_median(values: Values, half: int, least: int) -> Values:
    """Median of the values up to `half` places to either side of each (n,), NaN left out.

    NaN where under `least` are known to either side, the place itself counted on both. Of an even number the mean of
    the two middle ones. Nothing counts but the values in a place's window.
    """
    out = np.full(values.size, np.nan)
    window = np.empty(2 * half + 2, np.float64)  # those in the window, ascending, and room for one more
    held = after = 0
    for i in range(-half, values.size):
        entering, leaving = i + half, i - half - 1
        comes = entering < values.size and not np.isnan(values[entering])
        if leaving >= 0 and not np.isnan(values[leaving]):
            place, beyond = 0, held
            while place < beyond:
                middle = (place + beyond) // 2
                if window[middle] < values[leaving]:
                    place = middle + 1
                else:
                    beyond = middle
        else:
            place = held
            held += 1
        # The place that is free now moves to where what enters belongs, or to the end.
        if comes:
            while place > 0 and window[place - 1] > values[entering]:
                window[place] = window[place - 1]
                place -= 1
            while place + 1 < held and window[place + 1] < values[entering]:
                window[place] = window[place + 1]
                place += 1
            window[place] = values[entering]
            after += 1
        else:
            held -= 1
            while place < held:
                window[place] = window[place + 1]
                place += 1
        if i > 0 and not np.isnan(values[i - 1]):
            after -= 1
        # `after` counts those from the place itself on.
        before = held - after + (0 if i < 0 or np.isnan(values[i]) else 1)
        if i >= 0 and before >= least and after >= least:
            out[i] = 0.5 * (window[(held - 1) // 2] + window[held // 2])
    return out


@compiled
def moving_mean(values: Values, half: int) -> Values:
    """Mean of the values up to `half` places to either side of each (n,), NaN left out; NaN where more than half are.

    Each is summed in order of its own window alone.
    """
    out = np.full(values.size, np.nan)
    for i in range(values.size):
        total, count = 0.0, 0
        for j in range(max(i - half, 0), min(i + half + 1, values.size)):
            if not np.isnan(values[j]):
                total += values[j]
                count += 1
        if count > half:
            out[i] = total / count
    return out


@compiled
def turning(values: Values, length: int) -> Values:
    """Mean of the `length` values before each place, less that of as many from it on (n,), NaN left out.

    NaN where half or fewer of either are known. Each is summed in order of its own window alone.
    """
    out = np.full(values.size, np.nan)
    for i in range(values.size):
        before, after = 0.0, 0.0
        known_before, known_after = 0, 0
        for j in range(max(i - length, 0), i):
            if not np.isnan(values[j]):
                before += values[j]
                known_before += 1
        for j in range(i, min(i + length, values.size)):
            if not np.isnan(values[j]):
                after += values[j]
                known_after += 1
        if 2 * known_before > length and 2 * known_after > length:
            out[i] = before / known_before - after / known_after
    return out


@compiled
def lobe_reach(slow: Values, least: Values, at: int, most: int) -> tuple[int, int]:
    """First and last place of the run around `at` in which |slow| is over `least` with the sign that it has there.

    Never more than `most` places to either side.
    """
    sign = 1.0 if slow[at] > 0.0 else -1.0
    first = last = at
    while first > 0 and at - first < most and sign * slow[first - 1] > least[first - 1]:
        first -= 1
    while last + 1 < slow.size and last - at < most and sign * slow[last + 1] > least[last + 1]:
        last += 1
    return first, last
