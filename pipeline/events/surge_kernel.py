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
def fit_of(values: Values, first: int, shape: Values) -> tuple[float, float]:
    """How much of a shape stands in the values from a place on, and the sum of their squared deviations; NaN where one
    is."""
    fit = middle = around = 0.0
    for i in range(shape.size):
        fit += values[first + i] * shape[i]
        middle += values[first + i]
    middle /= shape.size
    for i in range(shape.size):
        around += (values[first + i] - middle) ** 2
    return fit, around


@compiled
def double_pulses(
    changes: Values, roles: Ints, shape: Values, places: Ints, answer: float, share: float
) -> tuple[Values, NDArray[np.int8]]:
    """What lines show of a double pulse about each of some places (p, 5), and each witness's sign (p, k), 0 of others.

    changes (k, n): of each line; roles (k,): HEAD, STERN, SPRING or BREAST; shape (m,), m odd: the pulse, of mean 0 and
    of squares that sum to 1. A line along the quay answers whose pulse is `answer` high; it is a witness if the pulse
    explains `share` of its variance. The columns: which share the pulse explains of the mean of the witnesses that have
    its sign less that of the others; how many times the standard deviation of the breast lines' mean that has (a
    million where they are not known or lie still); the sum of what the witnesses answer; how much of what head and
    stern witnesses answer is head less stern (-1 without any); whether a spring answers (1), and springs that are
    witnesses pull against each other (2). All 0 where there are no witnesses of both signs.
    """
    count, size = changes.shape
    length = shape.size
    told, signs = np.zeros((places.size, 5)), np.zeros((places.size, count), np.int8)
    height = shape.max()
    for place in range(places.size):
        first = places[place] - length // 2
        if first < 0 or first + length > size:
            continue
        along, of = np.zeros((2, length)), np.zeros(2)
        strong = ends = against = 0.0
        springs = 0
        pulling = np.zeros(2)
        for k in range(count):
            if roles[k] >= ALONG:
                continue
            fit, around = fit_of(changes[k], first, shape)
            if not abs(fit) * height >= answer:  # never where it is NaN
                continue
            springs |= 1 if roles[k] == SPRING else 0
            if fit * fit < share * around:
                continue
            side = 0 if fit > 0.0 else 1
            signs[place, k] = 1 - 2 * side
            strong += abs(fit)
            of[side] += 1.0
            along[side] += changes[k, first : first + length]
            if roles[k] == SPRING:
                pulling[side] += 1.0
            else:
                ends += abs(fit)
                against += fit if roles[k] == HEAD else -fit
        if of[0] == 0.0 or of[1] == 0.0:
            continue
        fit, around = fit_of(along[0] / of[0] - along[1] / of[1], 0, shape)
        told[place, 0] = fit * fit / around
        told[place, 1] = np.sqrt(around / max(breast_around(changes, roles, first, length), 1e-12 * around))
        told[place, 2] = strong
        told[place, 3] = abs(against) / ends if ends > 0.0 else -1.0
        told[place, 4] = 2 if pulling[0] > 0.0 and pulling[1] > 0.0 else springs
    return told, signs


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
