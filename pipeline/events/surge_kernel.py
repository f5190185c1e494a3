"""The compiled loops of `pipeline.events.surge`: a running median, moving means, and how far a lobe reaches."""

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled

Values = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.uint64]
"""A set of ranks, 64 a word, the least in the lowest bit of the first."""

NONE = -1
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
def turning(values: Values, length: int) -> Values:
    """Mean of the `length` values before each place, less that of as many from it on (n,), NaN left out.

    NaN where half or fewer of either are known. Each is summed in order of its own window alone.
    """
    out = np.full(values.size, np.nan)
    sums, counts = window_sums(values, length, length)
    for i in range(values.size):
        if 2 * counts[i] > length and 2 * counts[i + length] > length:
            out[i] = sums[i] / counts[i] - sums[i + length] / counts[i + length]
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
def double_pulses(head: Values, stern: Values, breast: Values, springs: Values, shape: Values, least: float) -> Values:
    """How well a double pulse fits the ship's motion along the quay about each place (n, 4).

    head, stern, breast (n,): means of each role's lines; springs (s, n); shape (m,), m odd: the pulse, of mean 0 and of
    squares that sum to 1. Along the quay: head less stern lines, and springs with whichever they move with. The
    columns: which share of its variance the pulse explains; the pulse's height; how many times the standard deviation
    of head and stern lines together, and of the breast lines, that along is (a million where these lie still). All 0
    where head less stern lines answer the pulse by less than `least`, or are not known throughout.
    """
    size, length = head.size, shape.size
    told = np.zeros((size, 4), np.float64)
    height = shape.max()
    ends, along, off = np.empty(length), np.empty(length), np.empty(length)
    for first in range(size - length + 1):
        fit = 0.0
        for i in range(length):
            ends[i] = head[first + i] - stern[first + i]
            off[i] = 0.5 * (head[first + i] + stern[first + i])
            fit += ends[i] * shape[i]
        if not abs(fit) >= least:  # never where it is NaN
            continue
        middle = ends.mean()
        plus, minus = 1, 1
        ahead, astern = head[first : first + length].copy(), stern[first : first + length].copy()
        for k in range(springs.shape[0]):
            own = springs[k, first : first + length]
            with_it = ((ends - middle) * own).sum()
            if with_it > 0.0:
                ahead += own
                plus += 1
            elif with_it < 0.0:
                astern += own
                minus += 1
        fit = spread = 0.0
        for i in range(length):
            along[i] = ahead[i] / plus - astern[i] / minus
            fit += along[i] * shape[i]
        middle = along.mean()
        for i in range(length):
            spread += (along[i] - middle) ** 2
        if spread > 0.0:
            beside = breast[first : first + length]
            at = first + length // 2
            told[at, 0] = fit * fit / spread
            told[at, 1] = abs(fit) * height
            told[at, 2] = np.sqrt(spread / max(((off - off.mean()) ** 2).sum(), 1e-12 * spread))
            still = ((beside - beside.mean()) ** 2).sum()
            told[at, 3] = np.sqrt(spread / max(still, 1e-12 * spread)) if still == still else 1e6
    return told
