"""The compiled loop that gathers a channel's readings into bins of equal length."""

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled
from pipeline.quality.flags import Times, Values

Bools = NDArray[np.bool_]


@compiled
def gather(at_us: Times, value: Values, usable: Bools, bin_us: int, room: int) -> tuple[Times, Values, Values, Values]:
    """Bin since 1970, mean, lowest and highest of each bin with a usable reading; at most `room` bins, ascending.

    Readings (n,) ascending. A mean is the sum in order of time by the count.
    """
    bins = np.empty(room, np.int64)
    mean = np.empty(room, np.float64)
    low = np.empty(room, np.float64)
    high = np.empty(room, np.float64)
    used = -1
    ends_us = np.int64(0)
    total, count = 0.0, 0
    for i in range(value.size):
        here = value[i]
        if not usable[i]:
            continue
        if used < 0 or at_us[i] >= ends_us:
            if used >= 0:
                mean[used] = total / count
            used += 1
            bins[used] = at_us[i] // bin_us
            ends_us = (bins[used] + 1) * bin_us
            low[used] = high[used] = total = here
            count = 1
            continue
        total += here
        count += 1
        low[used] = min(low[used], here)
        high[used] = max(high[used], here)
    if used >= 0:
        mean[used] = total / count
    used += 1
    return bins[:used].copy(), mean[:used].copy(), low[:used].copy(), high[:used].copy()
