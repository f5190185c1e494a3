"""The compiled loop that reads a column of cells as numbers.

It decides only what it can decide exactly and leaves every other cell to `numbers.CellRules.read`. Up to
2^53 and 10^22 one division or multiplication of exact doubles is correctly rounded (W. D. Clinger, "How to
read floating point numbers accurately", PLDI 1990). Beyond, up to 19 digits, the product with a 128-bit
power of five is taken (D. Lemire, "Number parsing at a gigabyte per second", Software: Practice and
Experience 51, 2021).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled
from pipeline.readers.numbers import LONGEST_CELL, Bytes, Offsets

Powers = NDArray[np.uint64]

_LEAST_POWER, _MOST_POWER = -64, 40
_TEN = np.array([10.0**n for n in range(23)])


def _power_of_five(q: int) -> int:
    """The leading 128 bits of 5^q: cut off for q >= 0, rounded up for q < 0 (Lemire 2021, section 6)."""
    if q >= 0:
        power: int = 5**q
        bits = power.bit_length()
        return power << (128 - bits) if bits <= 128 else power >> (bits - 128)
    divisor: int = 5**-q
    z = (divisor - 1).bit_length()
    value = (1 << (z + 127 if q >= -27 else 2 * z + 128)) // divisor + 1
    return value >> max(0, value.bit_length() - 128)


def _power_table() -> Powers:
    powers = [_power_of_five(q) for q in range(_LEAST_POWER, _MOST_POWER + 1)]
    return np.array([[p >> 64, p & (2**64 - 1)] for p in powers], np.uint64)


_FIVE = _power_table()


def read_column(
    buffer: Bytes,
    starts: Offsets,
    ends: Offsets,
    decimal: int,
    texts: tuple[Bytes, Offsets, NDArray[np.float64], np.uint64],
    out: NDArray[np.float64],
    odd: Offsets,
) -> int:
    """Read the cells `buffer[starts[r]:ends[r]]`, bare already, into `out`; `starts[r] < 0`: none here.

    Returns how many cells it could not decide; `odd` holds their rows.
    """
    letters, bounds, values, lengths = texts
    return _read_column(buffer, starts, ends, decimal, letters, bounds, values, lengths, out, odd, _TEN, _FIVE)


@compiled
def _high_product(a: np.uint64, b: np.uint64) -> np.uint64:
    """The upper 64 bits of a 128-bit product."""
    low = np.uint64(0xFFFFFFFF)
    half = np.uint64(32)
    a0, a1, b0, b1 = a & low, a >> half, b & low, b >> half
    mid = a1 * b0 + ((a0 * b0) >> half)
    mid2 = a0 * b1 + (mid & low)
    return a1 * b1 + (mid >> half) + (mid2 >> half)


@compiled
def _nearest(w: np.uint64, q: int, five: Powers) -> float:
    """The double nearest to w * 10^q, w > 0; NaN where the method does not decide, or near the ends of
    range."""
    one = np.uint64(1)
    shift = 0
    while w >> np.uint64(63) == np.uint64(0):
        w = w << one
        shift += 1
    row = q - _LEAST_POWER
    low = w * five[row, 0]
    high = _high_product(w, five[row, 0])
    if high & np.uint64(0x1FF) == np.uint64(0x1FF):
        more = _high_product(w, five[row, 1])
        low = low + more
        if low < more:
            high = high + one
    if low == np.uint64(0xFFFFFFFFFFFFFFFF) and (q < -27 or q > 55):
        return math.nan
    upper = np.int64(high >> np.uint64(63))
    cut = upper + 9
    mantissa = high >> np.uint64(cut)
    if low <= one and -4 <= q <= 23 and mantissa & np.uint64(3) == one and mantissa << np.uint64(cut) == high:
        mantissa = mantissa & ~one  # exactly half way: to even
    mantissa = (mantissa + (mantissa & one)) >> one
    # 217706 / 2^16 is log2(10): the binary exponent of 10^q.
    exponent = ((217706 * q) >> 16) + 63 + upper - shift - 52
    return math.ldexp(np.float64(mantissa), int(exponent))


@compiled
def _known_text(buffer: Bytes, start: int, length: int, letters: Bytes, bounds: Offsets) -> int:
    """Which of the known texts these bytes are; -1: none."""
    for k in range(bounds.size - 1):
        at = bounds[k]
        if bounds[k + 1] - at == length:
            same = True
            for i in range(length):
                if buffer[start + i] != letters[at + i]:
                    same = False
                    break
            if same:
                return k
    return -1


@compiled
def _number(buffer: Bytes, i: int, end: int, decimal: int, ten: NDArray[np.float64], five: Powers) -> float:
    """The number that `buffer[i:end]` is; NaN where that is not certain."""
    negative = False
    if i < end and (buffer[i] == 45 or buffer[i] == 43):
        negative = buffer[i] == 45
        i += 1
    w, digits, q = np.uint64(0), 0, 0
    first = i
    while i < end and 48 <= buffer[i] <= 57:
        w = w * np.uint64(10) + np.uint64(buffer[i] - 48)
        digits += 1 if digits > 0 or w != np.uint64(0) else 0  # leading zeros take no room
        i += 1
    some = i > first
    if i < end and buffer[i] == decimal:
        i += 1
        first = i
        while i < end and 48 <= buffer[i] <= 57:
            w = w * np.uint64(10) + np.uint64(buffer[i] - 48)
            digits += 1 if digits > 0 or w != np.uint64(0) else 0
            i += 1
        q = first - i
        some = some or q < 0
    if not some or digits > 19:
        return math.nan
    if i < end and (buffer[i] == 101 or buffer[i] == 69):
        i += 1
        minus = False
        if i < end and (buffer[i] == 45 or buffer[i] == 43):
            minus = buffer[i] == 45
            i += 1
        power = 0
        first = i
        while i < end and 48 <= buffer[i] <= 57 and i - first < 4:
            power = power * 10 + (buffer[i] - 48)
            i += 1
        if i == first:
            return math.nan
        q += -power if minus else power
    if i < end:
        return math.nan
    value = 0.0
    if w <= np.uint64(9007199254740992) and -22 <= q <= 22:
        value = np.float64(w) * ten[q] if q >= 0 else np.float64(w) / ten[-q]
    elif w != np.uint64(0):
        if q < _LEAST_POWER or q > _MOST_POWER:
            return math.nan
        value = _nearest(w, q, five)
    return -value if negative else value


@compiled
def _read_column(
    buffer: Bytes,
    starts: Offsets,
    ends: Offsets,
    decimal: int,
    letters: Bytes,
    bounds: Offsets,
    values: NDArray[np.float64],
    lengths: np.uint64,
    out: NDArray[np.float64],
    odd: Offsets,
    ten: NDArray[np.float64],
    five: Powers,
) -> int:
    n_odd = 0
    for r in range(starts.size):
        i, end = starts[r], ends[r]
        out[r] = math.nan
        if i < 0:
            continue
        length = end - i
        if length > LONGEST_CELL:
            odd[n_odd] = r
            n_odd += 1
            continue
        if (lengths >> np.uint64(length)) & np.uint64(1) != np.uint64(0):
            k = _known_text(buffer, i, length, letters, bounds)
            if k >= 0:
                out[r] = values[k]
                continue
        # Plain numbers of few digits here, without a call; all others below.
        at, w, q = i, 0, 0
        if at < end and buffer[at] == 45:
            at += 1
        while at < end and 48 <= buffer[at] <= 57:
            w = w * 10 + (buffer[at] - 48)
            at += 1
        if at < end and buffer[at] == decimal:
            at += 1
            q = end - at
            while at < end and 48 <= buffer[at] <= 57:
                w = w * 10 + (buffer[at] - 48)
                at += 1
        if at == end and 3 <= length <= 15:
            value = np.float64(w) / ten[q]
            out[r] = -value if buffer[i] == 45 else value
            continue
        value = _number(buffer, i, end, decimal, ten, five)
        if math.isnan(value):
            odd[n_odd] = r
            n_odd += 1
        else:
            out[r] = value
    return n_odd
