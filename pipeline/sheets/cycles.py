"""Turning points and four-point rainflow counting, as a stack that samples are fed into one by one.

Source of the method: ISO 12110-2 and Amzallag et al. (1994), Int. J. Fatigue 16:287. House rules, so that
any two people get the same digits: no gate; ties close (inner range <= both neighbours); of a plateau the
first sample is the turning point; the last point of the stack is provisional, so that a cycle closes at the
first sample that reaches or passes its outer point.

Law (tests/sheets): counting a record whole, or counting its parts and feeding the residue of each part into
the residue of those before it, gives the same closed (low, high) pairs and the same residue values.
"""

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@compiled
def feed(residue_kn: Floats, residue_us: Ints, kn: Floats, at_us: Ints) -> tuple[Floats, Ints, Floats, Ints, Ints]:
    """Feed values, in time order, to an open residue.

    Shapes: residue (r,), values (n,); units kN and UTC microseconds; no NaN.
    Returns residue_kn, residue_us, then the closed cycles in the order they closed: points_kn (c, 2) as first
    and second turning point, points_us (c, 2), closed_us (c,): the sample that closed each.

    Of the last four points A, B, C, D the inner pair B, C is closed when D has reached B and A is not inside B, C.
    Values are compared, not their differences, which would round.
    """
    room = residue_kn.size + kn.size + 1
    stack_kn = np.empty(room, np.float64)
    stack_us = np.empty(room, np.int64)
    depth = residue_kn.size
    stack_kn[:depth] = residue_kn
    stack_us[:depth] = residue_us
    points_kn = np.empty((room // 2 + 1, 2), np.float64)
    points_us = np.empty((room // 2 + 1, 2), np.int64)
    closed_us = np.empty(room // 2 + 1, np.int64)
    count = 0
    rising = depth > 1 and stack_kn[depth - 1] > stack_kn[depth - 2]
    for i in range(kn.size):
        value = kn[i]
        if depth == 0:
            depth = 1
        elif value == stack_kn[depth - 1]:
            continue
        elif depth == 1 or (value > stack_kn[depth - 1]) != rising:
            rising = value > stack_kn[depth - 1]
            depth += 1
        stack_kn[depth - 1] = value
        stack_us[depth - 1] = at_us[i]
        while depth >= 4:
            first, second = stack_kn[depth - 3], stack_kn[depth - 2]
            if rising:
                if value < first or stack_kn[depth - 4] > second:
                    break
            elif value > first or stack_kn[depth - 4] < second:
                break
            points_kn[count, 0] = first
            points_kn[count, 1] = second
            points_us[count, 0] = stack_us[depth - 3]
            points_us[count, 1] = stack_us[depth - 2]
            closed_us[count] = at_us[i]
            count += 1
            depth -= 2
            stack_kn[depth - 1] = value
            stack_us[depth - 1] = at_us[i]
    return (
        stack_kn[:depth].copy(),
        stack_us[:depth].copy(),
        points_kn[:count].copy(),
        points_us[:count].copy(),
        closed_us[:count].copy(),
    )


@compiled
def turning_points(kn: Floats) -> Ints:
    """Indices of the first value, of every turning point, and of the last extreme; of equal neighbours the first.

    kn (n,), no NaN. Two loops, so that the first runs on whole vectors and the second has no branch to mispredict.
    """
    step = np.empty(kn.size, np.int8)
    for i in range(kn.size - 1):
        step[i] = np.int8(kn[i + 1] > kn[i]) - np.int8(kn[i + 1] < kn[i])
    turns = np.empty(kn.size, np.int64)
    if kn.size == 0:
        return turns
    # Unsigned, so that no index is checked for counting from the end.
    one, count, last = np.uint64(1), np.uint64(0), np.uint64(0)
    direction = np.int8(0)
    turns[0] = 0
    for i in range(np.uint64(kn.size - 1)):
        moved = step[i] != 0
        count += np.uint64(moved & (step[i] != direction))
        direction = step[i] if moved else direction
        last = i + one if moved else last
        turns[count] = last
    return turns[: count + one].copy()


@compiled
def close_cycles(turn_kn: Floats) -> tuple[Floats, Floats, Ints]:
    """Closed cycles of successive turning points, from nothing open: their two ends in closing order, (c,) each.

    Third: indices of the turning points still open. The last three open values are held in registers.
    """
    one, two, three = np.uint64(1), np.uint64(2), np.uint64(3)
    stack_kn = np.empty(turn_kn.size, np.float64)
    stack = np.empty(turn_kn.size, np.int64)
    first = np.empty(turn_kn.size // 2 + 1, np.float64)
    second = np.empty(turn_kn.size // 2 + 1, np.float64)
    count, depth = np.uint64(0), np.uint64(0)
    a = b = c = 0.0
    for i in range(np.uint64(turn_kn.size)):
        value = turn_kn[i]
        # Closed: b, c with `value` at or beyond b, and a not inside b, c. c lies between a and value or is equal.
        while depth >= three:
            if b > c:
                if value < b or a > c:
                    break
            elif value > b or a < c:
                break
            first[count] = b
            second[count] = c
            count += one
            depth -= two
            c = a
            b = stack_kn[depth - two] if depth >= two else 0.0
            a = stack_kn[depth - three] if depth >= three else 0.0
        stack_kn[depth] = value
        stack[depth] = i
        depth += one
        a, b, c = b, c, value
    return first[:count].copy(), second[:count].copy(), stack[:depth].copy()


@compiled
def tally(low_kn: Floats, high_kn: Floats) -> tuple[Floats, Floats, Ints]:
    """Count equal (low, high) pairs: an open-addressing table on the bits of the two values.

    Returns the distinct pairs, in order of first appearance, with their counts. -0.0 and 0.0 are one value.
    """
    size = 64
    while size < 2 * low_kn.size:
        size *= 2
    slots = np.full(size, -1, np.int64)
    out_low = np.empty(low_kn.size, np.float64)
    out_high = np.empty(low_kn.size, np.float64)
    out_count = np.empty(low_kn.size, np.int64)
    low_bits = (low_kn + 0.0).view(np.uint64)
    high_bits = (high_kn + 0.0).view(np.uint64)
    used = 0
    for i in range(low_kn.size):
        mixed = (low_bits[i] * np.uint64(0x9E3779B97F4A7C15)) ^ (high_bits[i] * np.uint64(0xC2B2AE3D27D4EB4F))
        mixed ^= mixed >> np.uint64(29)
        mixed *= np.uint64(0xBF58476D1CE4E5B9)
        slot = np.int64((mixed >> np.uint64(20)) & np.uint64(size - 1))
        while True:
            held = slots[slot]
            if held < 0:
                slots[slot] = used
                out_low[used] = low_kn[i]
                out_high[used] = high_kn[i]
                out_count[used] = 1
                used += 1
                break
            if out_low[held] == low_kn[i] and out_high[held] == high_kn[i]:
                out_count[held] += 1
                break
            slot = (slot + 1) & (size - 1)
    return out_low[:used].copy(), out_high[:used].copy(), out_count[:used].copy()


def tally_sorted(low_kn: Floats, high_kn: Floats) -> tuple[Floats, Floats, Ints]:
    """Distinct closed cycles as (low, high, count), ascending in low then high: the form a sheet keeps."""
    low, high, count = tally(np.ascontiguousarray(low_kn), np.ascontiguousarray(high_kn))
    order = np.lexsort((high, low))
    return low[order], high[order], count[order]
