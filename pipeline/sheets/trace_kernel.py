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
    used, i, samples = 0, 0, kn.size
    while i < samples:
        if not usable[i]:
            i += 1
            continue
        number = (at_us[i] - day_us) // bin_us
        ends_us = day_us + (number + 1) * bin_us
        total, count = kn[i], 1
        low = high = kn[i]
        i += 1
        while i < samples and at_us[i] < ends_us:
            if usable[i]:
                total += kn[i]
                count += 1
                low = min(low, kn[i])
                high = max(high, kn[i])
            i += 1
        bins[used] = number
        mean_dan[used] = np.int64(np.rint(total / count * 100.0))
        low_kn[used] = low
        high_kn[used] = high
        used += 1
    return bins[:used].copy(), mean_dan[:used].copy(), low_kn[:used].copy(), high_kn[:used].copy()
