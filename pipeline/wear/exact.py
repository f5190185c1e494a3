"""Sums of lives that do not depend on cuts or order: every item rounded once to whole units, the units summed."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import Bug
from pipeline.kernels import compiled
from pipeline.wear.lives import UNIT_EXPONENT as UNIT_EXPONENT

# A finite double has a mantissa of 53 bits, shifted by at most 971; it is taken apart at bit 26, so that 2^35 items of
# either part fit a 64-bit sum.
_EXPONENTS: Final = 972
_LOW_BITS: Final = 26
_MOST_ITEMS: Final = 1 << 35
MOST_LIFE: Final = 2.0 ** (1024 - UNIT_EXPONENT)
"""A life from which on its units are beyond all doubles."""
_ONCE: Final = np.empty(0, np.int64)


@compiled
def _sum_mantissas(
    lives: NDArray[np.float64],
    count: NDArray[np.int64],
    scale: float,
    most: float,
    units: NDArray[np.float64],
    bits: NDArray[np.int64],
    sums: NDArray[np.int64],
) -> int:
    """Add count * round(life * scale) to `sums` (2, exponents): high and low bits of mantissas, by exponent.

    `count` (n,), or (0,) for one of each. `units`, `bits` (1,): two views of the same eight bytes, to write over.
    Returns the first life that is not at least 0 and below `most`, or -1.
    """
    for i in range(lives.size):
        if not 0.0 <= lives[i] < most:
            return i
        # Scaling by a power of two is exact; rint rounds half to even. Adding 0.0 makes 0.0 of -0.0.
        units[0] = np.rint(lives[i] * scale) + 0.0
        # A double is its 52 stored bits, a leading one, and a power of two: 1075 stands for 2^0 of that whole number.
        exponent = (bits[0] >> 52) - 1075
        mantissa = (bits[0] & ((1 << 52) - 1)) | (1 << 52)
        if exponent < 0:
            # Whole, so that what is shifted out is zero; and all of it for zero itself.
            mantissa = mantissa >> -exponent if exponent > -53 else 0
            exponent = 0
        times = count[i] if count.size > 0 else 1
        sums[0, exponent] += (mantissa >> _LOW_BITS) * times
        sums[1, exponent] += (mantissa & ((1 << _LOW_BITS) - 1)) * times
    return -1


def sum_units(lives: NDArray[np.float64], count: NDArray[np.int64] | None = None) -> int:
    """The sum of count * round(life * 2^100), half to even, over lives (n,): whole units of 2^-100.

    count (n,): 0 or more, fewer than 2^35 in all; None: each life once.

    Equal to the same sum in unbounded integers. Raises Bug for a life below 0, or one of 2^924 or more, infinite or
    NaN: whoever reckons lives refuses these with words of his own.
    """
    if lives.size >= _MOST_ITEMS:
        raise Bug("fewer than 2^35 lives are summed at once")
    if count is not None and count.size != lives.size:
        raise Bug(f"{lives.size} lives have {count.size} counts")
    if lives.size == 0:
        return 0
    sums = np.zeros((2, _EXPONENTS), np.int64)
    counts, unit = _ONCE if count is None else count, np.empty(1)
    bad = _sum_mantissas(lives, counts, 2.0**UNIT_EXPONENT, MOST_LIFE, unit, unit.view(np.int64), sums)
    if bad >= 0:
        raise Bug(f"a life that cannot be: {float(lives[bad])}", expected="a number of 0 or more, below 2^924")
    total = 0
    for exponent in np.flatnonzero(sums[0] | sums[1]).tolist():
        total += ((int(sums[0, exponent]) << _LOW_BITS) + int(sums[1, exponent])) << exponent
    return total
