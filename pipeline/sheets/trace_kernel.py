"""The compiled loop that gathers a day's samples into the bins of its trace."""

import numpy as np

from pipeline.kernels import compiled
from pipeline.sheets.cycles import Floats, Ints
from pipeline.sheets.kernel import Bools


@compiled
def gather(
    at_us: Ints, kn: Floats, usable: Bools, day_us: int, bin_us: int, bins_of_day: int
) -> tuple[Ints, Ints, Floats, Floats]:
    """Number in the day, mean [daN], lowest and highest [kN] of each bin with a usable sample, ascending.

    Samples (n,) ascending, none before `day_us`. A mean is the sum in order of time, by the count, to the nearest
    whole daN, half to even.
    """
    room = min(kn.size, bins_of_day)
    bins = np.empty(room, np.int64)
    mean_dan = np.empty(room, np.int64)
    low_kn = np.empty(room, np.float64)
    high_kn = np.empty(room, np.float64)
    used = -1
    ends_us = np.int64(day_us)  # of the open bin; none is open yet
    total, count = 0.0, 0
    for i in range(kn.size):
        if not usable[i]:
            continue
        if used < 0 or at_us[i] >= ends_us:
            if used >= 0:
                mean_dan[used] = np.int64(np.rint(total / count * 100.0))
            used += 1
            bins[used] = (at_us[i] - day_us) // bin_us
            ends_us = day_us + (bins[used] + 1) * bin_us
            low_kn[used] = high_kn[used] = kn[i]
            total, count = kn[i], 1
            continue
        total += kn[i]
        count += 1
        low_kn[used] = min(low_kn[used], kn[i])
        high_kn[used] = max(high_kn[used], kn[i])
    if used >= 0:
        mean_dan[used] = np.int64(np.rint(total / count * 100.0))
    used += 1
    return bins[:used].copy(), mean_dan[:used].copy(), low_kn[:used].copy(), high_kn[:used].copy()
