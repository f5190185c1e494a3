"""The compiled loops that gather a day's samples into the bins of its trace."""

import numpy as np

from pipeline.kernels import compiled
from pipeline.sheets.cycles import Floats, Ints
from pipeline.sheets.kernel import Bools

LANES = 4
"""Bins that are gone through side by side: a sum in order of time waits for itself, four do not wait for each other."""


@compiled
def stop_of(at_us: Ints, begin: int, guess: int, ends_us: int) -> int:
    """Index of the first sample at or after `ends_us`, looked for from `guess` on; that of `begin` lies before it."""
    stop = min(max(guess, begin + 1), at_us.size)
    while stop < at_us.size and at_us[stop] < ends_us:
        stop += 1
    while at_us[stop - 1] >= ends_us:
        stop -= 1
    return stop


@compiled
def all_true(bools: Bools) -> bool:
    count = 0
    for one in bools:
        count += np.int64(one)
    return count == bools.size


@compiled
def reach_of_four(kn: Floats, begins: Ints, least: int, sums: Floats, lows: Floats, highs: Floats) -> None:
    """Sum, lowest and highest of the first `least` samples from each of four indices on, each in order of time."""
    a, b = kn[begins[0] : begins[0] + least], kn[begins[1] : begins[1] + least]
    c, d = kn[begins[2] : begins[2] + least], kn[begins[3] : begins[3] + least]
    sum_a, low_a, high_a = a[0], a[0], a[0]
    sum_b, low_b, high_b = b[0], b[0], b[0]
    sum_c, low_c, high_c = c[0], c[0], c[0]
    sum_d, low_d, high_d = d[0], d[0], d[0]
    for k in range(1, least):
        x, y, z, w = a[k], b[k], c[k], d[k]
        sum_a, low_a, high_a = sum_a + x, min(low_a, x), max(high_a, x)
        sum_b, low_b, high_b = sum_b + y, min(low_b, y), max(high_b, y)
        sum_c, low_c, high_c = sum_c + z, min(low_c, z), max(high_c, z)
        sum_d, low_d, high_d = sum_d + w, min(low_d, w), max(high_d, w)
    sums[0], sums[1], sums[2], sums[3] = sum_a, sum_b, sum_c, sum_d
    lows[0], lows[1], lows[2], lows[3] = low_a, low_b, low_c, low_d
    highs[0], highs[1], highs[2], highs[3] = high_a, high_b, high_c, high_d


@compiled
def gather(
    at_us: Ints, kn: Floats, usable: Bools, day_us: int, bin_us: int, bins_of_day: int
) -> tuple[Ints, Ints, Floats, Floats]:
    """Number in the day, mean [daN], lowest and highest [kN] of each bin with a usable sample, ascending.

    Samples (n,) ascending, none before `day_us`. A mean is the sum in order of time, by the count, to the nearest
    whole daN, half to even.
    """
    samples = kn.size
    room = min(samples, bins_of_day)
    bins, mean_dan = np.empty(room, np.int64), np.empty(room, np.int64)
    low_kn, high_kn = np.empty(room, np.float64), np.empty(room, np.float64)
    begins, numbers = np.empty(LANES + 1, np.int64), np.empty(LANES, np.int64)
    sums, lows, highs = np.empty(LANES, np.float64), np.empty(LANES, np.float64), np.empty(LANES, np.float64)
    used, begin, length = 0, 0, 1
    while begin < samples:
        lanes, least = 0, samples
        while lanes < LANES and begin < samples:
            begins[lanes] = begin
            numbers[lanes] = (at_us[begin] - day_us) // bin_us
            stop = stop_of(at_us, begin, begin + length, day_us + (numbers[lanes] + 1) * bin_us)
            length = stop - begin  # as long as the one before, in most logs
            least = min(least, length)
            begin = stop
            lanes += 1
        begins[lanes] = begin
        plain = lanes == LANES and all_true(usable[begins[0] : begin])
        if plain:
            reach_of_four(kn, begins, least, sums, lows, highs)
        for lane in range(lanes):
            count = least if plain else 0
            total, low, high = (sums[lane], lows[lane], highs[lane]) if plain else (0.0, np.inf, -np.inf)
            for i in range(begins[lane] + count, begins[lane + 1]):
                if usable[i]:
                    total = total + kn[i] if count > 0 else kn[i]
                    low = min(low, kn[i])
                    high = max(high, kn[i])
                    count += 1
            if count > 0:
                bins[used] = numbers[lane]
                mean_dan[used] = np.int64(np.rint(total / count * 100.0))
                low_kn[used], high_kn[used] = low, high
                used += 1
    return bins[:used].copy(), mean_dan[:used].copy(), low_kn[:used].copy(), high_kn[:used].copy()
