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


@compiled
def _sum_mantissas(
    lives: NDArray[np.float64], count: NDArray[np.int64], scale: float, low_bits: int, sums: NDArray[np.int64]
) -> int:
    """Add count * round(life * scale) to `sums` (2, exponents): high and low mantissa bits, by exponent.

    Returns the index of the first life that is no finite number of 0 or more, or -1.
    """
    for i in range(lives.size):
        # Scaling by a power of two is exact; rint rounds half to even; at 2^52 and above a double is whole.
        units = np.rint(lives[i] * scale)
        if not (lives[i] >= 0 and units < np.inf):
            return i
        exponent = 0
        while units >= 9007199254740992.0:  # 2^53, from which on every double is even: the half is exact
            units *= 0.5
            exponent += 1
        mantissa = np.int64(units)
        sums[0, exponent] += (mantissa >> low_bits) * count[i]
        sums[1, exponent] += (mantissa & ((1 << low_bits) - 1)) * count[i]
    return -1


def sum_units(lives: NDArray[np.float64], count: NDArray[np.int64] | None = None) -> int:
    """The sum of count * round(life * 2^100), half to even, over lives (n,): whole units of 2^-100.

    count (n,): 0 or more, fewer than 2^35 in all; None: each life once.

    Equal to the same sum in unbounded integers. Raises Bug for a life below 0, or one of 2^924 or more, infinite or
    NaN: whoever reckons lives refuses these with words of his own.
    """
    if lives.size >= _MOST_ITEMS:
        raise Bug("fewer than 2^35 lives are summed at once")
    sums = np.zeros((2, _EXPONENTS), np.int64)
    counts = np.ones(lives.size, np.int64) if count is None else count
    bad = _sum_mantissas(lives, counts, float(2**UNIT_EXPONENT), _LOW_BITS, sums)
    if bad >= 0:
        raise Bug(f"a life that cannot be: {float(lives[bad])}", expected="a number of 0 or more, below 2^924")
    total = 0
    for exponent in np.flatnonzero(sums[0] | sums[1]).tolist():
        total += ((int(sums[0, exponent]) << _LOW_BITS) + int(sums[1, exponent])) << exponent
    return total
