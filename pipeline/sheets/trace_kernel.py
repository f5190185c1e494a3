"""The compiled loops that gather a day's samples into the bins of its trace."""

import numpy as np

from pipeline.kernels import compiled
from pipeline.sheets.cycles import Floats, Ints
from pipeline.sheets.kernel import Bools

LANES = 4
"""Bins that are gone through side by side: a sum in order of time waits for itself, four do not wait for each other."""


@compiled
def bins_begin(at_us: Ints, day_us: int, bin_us: int, bins_of_day: int) -> tuple[Ints, Ints]:
    """Number in the day of each bin with a sample, ascending (b,), and at which index it begins, with the end (b + 1,).

    Samples (n,) ascending, none before `day_us`.
    """
    samples = at_us.size
    room = min(samples, bins_of_day)
    bins, begins = np.empty(room, np.int64), np.empty(room + 1, np.int64)
    used, stop, length = 0, 0, 1
    ends_us = np.int64(day_us)
    number = np.int64(-1)
    while stop < samples:
        begin = stop
        number += 1
        ends_us += bin_us
        if at_us[begin] >= ends_us:
            number = (at_us[begin] - day_us) // bin_us
            ends_us = day_us + (number + 1) * bin_us
        # In most logs a bin has as many samples as the one before.
        stop = min(begin + length, samples)
        while stop < samples and at_us[stop] < ends_us:
            stop += 1
        while at_us[stop - 1] >= ends_us:
            stop -= 1
        length = stop - begin
        bins[used], begins[used] = number, begin
        used += 1
    begins[used] = samples
    return bins[:used].copy(), begins[: used + 1].copy()


@compiled
def reach_of_four(kn: Floats, begins: Ints, done: int, sums: Floats, lows: Floats, highs: Floats) -> None:
    """Sum, lowest and highest of the first `done` samples from each of four indices on, each in order of time."""
    a, b = kn[begins[0] : begins[0] + done], kn[begins[1] : begins[1] + done]
    c, d = kn[begins[2] : begins[2] + done], kn[begins[3] : begins[3] + done]
    sum_a, low_a, high_a = a[0], a[0], a[0]
    sum_b, low_b, high_b = b[0], b[0], b[0]
    sum_c, low_c, high_c = c[0], c[0], c[0]
    sum_d, low_d, high_d = d[0], d[0], d[0]
    for k in range(1, done):
        x, y, z, w = a[k], b[k], c[k], d[k]
        sum_a, low_a, high_a = sum_a + x, min(low_a, x), max(high_a, x)
        sum_b, low_b, high_b = sum_b + y, min(low_b, y), max(high_b, y)
        sum_c, low_c, high_c = sum_c + z, min(low_c, z), max(high_c, z)
        sum_d, low_d, high_d = sum_d + w, min(low_d, w), max(high_d, w)
    sums[0], sums[1], sums[2], sums[3] = sum_a, sum_b, sum_c, sum_d
    lows[0], lows[1], lows[2], lows[3] = low_a, low_b, low_c, low_d
    highs[0], highs[1], highs[2], highs[3] = high_a, high_b, high_c, high_d


@compiled
def gather(kn: Floats, usable: Bools, unusable: Ints, bins: Ints, begins: Ints) -> tuple[Ints, Ints, Floats, Floats]:
    """Number in the day, mean [daN], lowest and highest [kN] of each bin with a usable sample, ascending.

    Samples (n,), of which bin `bins[b]` has those of [begins[b], begins[b + 1]); `unusable`: indices of those that are
    not usable. A mean is the sum in order of time, by the count, to the nearest whole daN, half to even.
    """
    room = bins.size
    found, mean_dan = np.empty(room, np.int64), np.empty(room, np.int64)
    low_kn, high_kn = np.empty(room, np.float64), np.empty(room, np.float64)
    sums, lows, highs = np.empty(LANES, np.float64), np.empty(LANES, np.float64), np.empty(LANES, np.float64)
    used = first = bad = 0
    while first < room:
        lanes = min(LANES, room - first)
        while bad < unusable.size and unusable[bad] < begins[first]:
            bad += 1
        done = 0
        if lanes == LANES and (bad == unusable.size or unusable[bad] >= begins[first + LANES]):
            done = begins[first + 1] - begins[first]
            for b in range(first + 1, first + LANES):
                done = min(done, begins[b + 1] - begins[b])
            reach_of_four(kn, begins[first : first + LANES], done, sums, lows, highs)
        for lane in range(lanes):
            count = done
            total, low, high = (sums[lane], lows[lane], highs[lane]) if done > 0 else (0.0, np.inf, -np.inf)
            for i in range(begins[first + lane] + done, begins[first + lane + 1]):
                if usable[i]:
                    total = total + kn[i] if count > 0 else kn[i]
                    low = min(low, kn[i])
                    high = max(high, kn[i])
                    count += 1
            if count > 0:
                found[used] = bins[first + lane]
                mean_dan[used] = np.int64(np.rint(total / count * 100.0))
                low_kn[used], high_kn[used] = low, high
                used += 1
        first += lanes
    return found[:used].copy(), mean_dan[:used].copy(), low_kn[:used].copy(), high_kn[:used].copy()
