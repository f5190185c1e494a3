"""Raw numbers as scaled integers: exact, small, and fast to read.

A logger writes decimals such as 18,80. Kept as the integer 1880 with scale 2, a slowly moving channel packs into
less than a byte a sample. Exact by proof, not by trust: a column is stored so only where integer / 10^scale gives
back every double, bit for bit but for the sign of zero; else it is stored as doubles.
"""

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled

Floats = NDArray[np.float64]
LARGEST_SCALE = 9
INT32_MISSING = -(2**31)
LARGEST_EXACT = 2**53
AS_FLOAT = -1
"""Scale that says: stored as doubles, missing as NaN."""


@compiled
def scale_into(values: Floats, scale: float, limit: float, missing: int, out: NDArray[np.int64]) -> bool:
    """Fill `out` with values * scale; False at the first that does not come back exactly, or is over the limit."""
    for i in range(values.size):
        value = values[i]
        if np.isnan(value):
            out[i] = missing
            continue
        scaled = np.rint(value * scale)
        if not (abs(scaled) < limit) or scaled / scale != value:
            return False
        out[i] = np.int64(scaled)
    return True


def scaled_exactly(values: Floats, scale: int) -> NDArray[np.int64] | None:
    """The values as integers of 10^-scale that fit in 32 bits, missing as INT32_MISSING; None if they do not."""
    out = np.empty(values.size, np.int64)
    fits = scale_into(values, 10.0**scale, float(2**31), INT32_MISSING, out)
    return out if fits else None


def smallest_scale(values: Floats) -> int:
    """The least scale that holds every value exactly in 32 bits; AS_FLOAT when there is none."""
    probe = np.ascontiguousarray(values[:256])
    for scale in range(LARGEST_SCALE + 1):
        if scaled_exactly(probe, scale) is not None and scaled_exactly(values, scale) is not None:
            return scale
    return AS_FLOAT


def value_bits(values: Floats) -> NDArray[np.int64]:
    """The bits of each double, for telling values apart: one for all missing, one for both zeros."""
    return np.where(np.isnan(values), np.nan, values + 0.0).view(np.int64)


def unscaled(integers: NDArray[np.int32], scale: int) -> Floats:
    """Back to raw numbers; missing is NaN. A correctly rounded quotient of two exact numbers: the text's double."""
    values = integers / np.float64(10.0**scale)
    values[integers == INT32_MISSING] = np.nan
    return values
