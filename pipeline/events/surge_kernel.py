"""The compiled loops of `pipeline.events.surge`: a running median, moving means, and how far a lobe reaches."""

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled

Values = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.uint64]
"""A set of ranks, 64 a word, the least in the lowest bit of the first."""

NONE = -1
HEAD, STERN, SPRING, BREAST = 0, 1, 2, 3
ALONG = BREAST
"""Roles below it lead along the quay."""
STEP_BINS = 5
"""Over so many bins the traces are smoothed in which a step is looked for."""
ABREAST = 512
"""So many windows at a time stay in the nearest memory."""
SIEVE = np.uint64(0x03F79D71B4CB0A89)
"""Any six successive bits of it are others: of its product with a power of two the uppermost six tell which power."""
BIT_OF = np.argsort([((int(SIEVE) << bit) % 2**64) >> 58 for bit in range(64)])
"""The power of two of each such six bits."""


def running_median(values: Values, half: int, least: int) -> Values:
    """Median of the values up to `half` places to either side of each (n,), NaN left out.

    NaN where under `least` are known to either side, the place itself counted on both. Of an even number the mean of
    the two middle ones. Nothing counts but the values in a place's window.
    """
    sortable = np.where(np.isnan(values), np.inf, values)  # sorting is slow where it meets a NaN
    return median_by_rank(values, np.argsort(sortable), half, least)


@compiled
def next_held(words: Words, rank: int) -> int:
    """The least rank of a set from `rank` on; NONE without one."""
    at = rank >> 6
    if at >= words.size:
        return NONE
    aside = np.uint64(rank & 63)
    word = (words[at] >> aside) << aside
    while word == np.uint64(0):
        at += 1
        if at == words.size:
            return NONE
        word = words[at]
    return int((at << 6) + BIT_OF[((word & (~word + np.uint64(1))) * SIEVE) >> np.uint64(58)])


@compiled
def last_held(words: Words, rank: int) -> int:
    """The largest rank of a set up to `rank`; NONE without one."""
    if rank < 0:
        return NONE
    at, aside = rank >> 6, np.uint64(63 - (rank & 63))
    word = (words[at] << aside) >> aside
    while word == np.uint64(0):
        at -= 1
        if at < 0:
            return NONE
        word = words[at]
    for step in (1, 2, 4, 8, 16, 32):
        word |= word >> np.uint64(step)
    return int((at << 6) + BIT_OF[((word ^ (word >> np.uint64(1))) * SIEVE) >> np.uint64(58)])


@compiled
def median_by_rank(values: Values, order: Ints, half: int, least: int) -> Values:
    """As `running_median`; `order` (n,): the indices of the values, ascending by value."""
    size = values.size
    out = np.full(size, np.nan)
    ranks, ascending = np.empty(size, np.int64), np.empty(size, np.float64)
    for rank in range(size):
        ranks[order[rank]] = rank
        ascending[rank] = values[order[rank]]
    words = np.zeros((size >> 6) + 1, np.uint64)  # the ranks in the window
    held = after = below = middle = 0  # `below` of those held are of a lesser rank than `middle`
    for i in range(-half, size):
        entering, leaving = i + half, i - half - 1
        if leaving >= 0 and not np.isnan(values[leaving]):
            rank = ranks[leaving]
            words[rank >> 6] ^= np.uint64(1) << np.uint64(rank & 63)
            held -= 1
            below -= 1 if rank < middle else 0
        if entering < size and not np.isnan(values[entering]):
            rank = ranks[entering]
            words[rank >> 6] ^= np.uint64(1) << np.uint64(rank & 63)
            held += 1
            after += 1
            below += 1 if rank < middle else 0
        if i > 0 and not np.isnan(values[i - 1]):
            after -= 1
        # `after` counts those from the place itself on.
        before = held - after + (0 if i < 0 or np.isnan(values[i]) else 1)
        if i < 0 or before < least or after < least:
            continue
        from_middle = next_held(words, middle)
        if from_middle == NONE:
            middle = last_held(words, middle)
            below -= 1
        else:
            middle = from_middle
        while below < (held - 1) // 2:
            middle = next_held(words, middle + 1)
            below += 1
        while below > (held - 1) // 2:
            middle = last_held(words, middle - 1)
            below -= 1
        upper = middle if held % 2 == 1 else next_held(words, middle + 1)
        out[i] = 0.5 * (ascending[middle] + ascending[upper])
    return out


@compiled
def window_sums(values: Values, length: int, before: int) -> tuple[Values, Ints]:
    """Sum of the known values in each window of `length`, in order of place, and how many are known.

    Window k begins `before` places before value k, for all k down to where the window ends at the last value.
    """
    size, windows = values.size, values.size + 2 * before - length + 1
    sums, counts = np.zeros(windows, np.float64), np.zeros(windows, np.int64)
    padded, known = np.zeros(size + 2 * before, np.float64), np.zeros(size + 2 * before, np.int64)
    for i in range(size):
        if not np.isnan(values[i]):
            padded[before + i], known[before + i] = values[i], 1
    # Many windows are summed side by side. What is not known adds 0.0, which changes no sum that begins with it.
    for first in range(0, windows, ABREAST):
        width = min(ABREAST, windows - first)
        abreast = sums[first : first + width]
        for step in range(length):
            shifted = padded[first + step : first + step + width]
            for k in range(width):
                abreast[k] += shifted[k]
    count = known[: length - 1].sum()
    for k in range(windows):
        count += known[k + length - 1]
        counts[k] = count
        count -= known[k]
    return sums, counts


@compiled
def moving_mean(values: Values, half: int) -> Values:
    """Mean of the values up to `half` places to either side of each (n,), NaN left out; NaN where more than half are.

    Each is summed in order of its own window alone.
    """
    out = np.full(values.size, np.nan)
    sums, counts = window_sums(values, 2 * half + 1, half)
    for i in range(values.size):
        if counts[i] > half:
            out[i] = sums[i] / counts[i]
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


@compiled
def double_pulses(
    traces: Values, roles: Ints, channels: Ints, lobes: Values, places: Ints, limits: Values
) -> tuple[Values, NDArray[np.int8]]:
    """What lines show of a double pulse about each of some places (p, 9), and each witness's sign (p, k), 0 of others.

    traces (k, n): of each line; roles (k,): HEAD, STERN, SPRING or BREAST; channels (k,): numbers from 0; lobes (2, m),
    m odd: the first half of the pulse and the second, each of mean 0; limits: as `surge_pulse` gives them. A line is
    fitted over the m places by a level and both lobes, each of a height of its own, and by a level that steps once at
    any instant; it is a witness if the lobes tell it better. Its sign is 1 if it bears more in the first half than in
    the second.

    The columns, of each channel its best line: by how much the lobes tell it better, of witnesses of sign 1 (0) and -1
    (1), as logarithms of likelihood ratios; how much of that needs the first lobe (2), and the second (3); how many
    channels are witnesses (4); how far the channel that goes third furthest goes to either side of its middle, witness
    or not (5); the most that a spring bears (6), and how far one goes to either side of its middle (7); how many times
    as far as the mean of the breast lines the mean of the witnesses of sign 1 less that of the others goes, as
    standard deviations (8), a million where those lie still.
    """
    least, both_ways, share, floor, dearer = limits
    count, size = traces.shape
    length = lobes.shape[1]
    half = length // 6
    noise = length * floor * floor
    told, signs = np.zeros((places.size, 9)), np.zeros((places.size, count), np.int8)
    of_one, of_two = (lobes[0] * lobes[0]).sum(), (lobes[1] * lobes[1]).sum()
    mixed = (lobes[0] * lobes[1]).sum()
    whole = of_one * of_two - mixed * mixed
    for number in range(places.size):
        first = places[number] - length // 2
        if first < 0 or first + length > size:
            continue
        shown, went = np.zeros((4, channels.max() + 1)), np.zeros(channels.max() + 1)
        along, of = np.zeros((2, length)), np.zeros(2)
        for k in range(count):
            if roles[k] >= ALONG:
                continue
            trace = traces[k, first : first + length]
            middle = trace.sum() / length
            if np.isnan(middle):
                continue
            at = channels[k]
            went[at] = max(went[at], 0.5 * (trace.max() - trace.min()))
            if roles[k] == SPRING:
                told[number, 6] = max(told[number, 6], trace.max())
                told[number, 7] = max(told[number, 7], 0.5 * (trace.max() - trace.min()))
            one = two = around = 0.0
            for i in range(length):
                off = trace[i] - middle
                one += off * lobes[0, i]
                two += off * lobes[1, i]
                around += off * off
            high = (one * of_two - two * mixed) / whole, (two * of_one - one * mixed) / whole
            change = 0.5 * abs(high[0] - high[1])
            if change < least or 0.5 * abs(high[0] + high[1]) > both_ways * change:
                continue
            left = max(around - high[0] * one - high[1] * two, 0.0) + noise
            if left > (1.0 - share) * (around + noise):
                continue
            better = 0.5 * half * np.log((left_by_a_step(trace, middle, around) + noise) / left) - dearer
            if not better > 0.0:
                continue
            side = 0 if high[0] > high[1] else 1
            signs[number, k] = 1 - 2 * side
            along[side] += trace
            of[side] += 1.0
            shown[side, at] = max(shown[side, at], better)
            for lobe, without in ((2, around - two * two / of_two), (3, around - one * one / of_one)):
                needed = 0.5 * half * np.log((max(without, 0.0) + noise) / left)
                shown[lobe, at] = max(shown[lobe, at], min(needed, better + dearer))
        if of[0] == 0.0 or of[1] == 0.0:
            continue
        for column in range(4):
            told[number, column] = shown[column].sum()
        told[number, 4] = (np.maximum(shown[0], shown[1]) > 0.0).sum()
        told[number, 5] = np.sort(went)[-3] if went.size >= 3 else 0.0
        pull = along[0] / of[0] - along[1] / of[1]
        spread = ((pull - pull.mean()) ** 2).sum()
        told[number, 8] = np.sqrt(spread / max(breast_around(traces, roles, first, length), 1e-12 * spread))
    return told, signs


@compiled
def left_by_a_step(trace: Values, middle: float, around: float) -> float:
    """The sum of squares that a level leaves which steps once, at whichever instant leaves least; smoothed as a trace
    is, over `STEP_BINS`. middle: the trace's mean; around: the sum of its squared deviations."""
    length = trace.size
    best = after = 0.0
    tail = np.zeros(length + 1)
    for i in range(length - 1, -1, -1):
        after += trace[i] - middle
        tail[i] = after
    # Of a step that rises by a fifth in each of five places, the last of them `at`: its mean, and its sum of squares.
    for at in range(STEP_BINS, length - STEP_BINS):
        fit = 0.0
        for i in range(STEP_BINS):
            fit += tail[at - i] / STEP_BINS
        ones = length - at
        raised = ones + 0.5 * (STEP_BINS - 1)
        squares = ones + (STEP_BINS - 1) * (2 * STEP_BINS - 1) / (6.0 * STEP_BINS) - raised * raised / length
        best = max(best, fit * fit / squares)
    return float(max(around - best, 0.0))


@compiled
def breast_around(changes: Values, roles: Ints, first: int, length: int) -> float:
    """The sum of squared deviations of the mean of the breast lines that are known throughout; 0 without any."""
    total, of = np.zeros(length), 0.0
    for k in range(roles.size):
        if roles[k] == BREAST and not np.isnan(changes[k, first : first + length]).any():
            total += changes[k, first : first + length]
            of += 1.0
    if of == 0.0:
        return 0.0
    total /= of
    return float(((total - total.mean()) ** 2).sum())
