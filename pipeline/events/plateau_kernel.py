"""Least squares with weights of one sign, for `plateau`: plain loops, the same digits on every machine."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled

Floats = NDArray[np.float64]

SWEEPS = 400
STILL = 1e-7


@compiled
def least_squares(columns: Floats, y: Floats, used: int) -> tuple[Floats, float]:
    """Weights (used,), none below 0, of the first `used` of `columns` (k, n) with a free constant that come nearest to
    `y` (n,), and the sum of squares that is left. By coordinate descent, at most `SWEEPS` times round."""
    n = y.size
    centred = np.empty((used, n), np.float64)
    for j in range(used):
        total = 0.0
        for i in range(n):
            total += columns[j, i]
        for i in range(n):
            centred[j, i] = columns[j, i] - total / n
    left = np.empty(n, np.float64)
    total = 0.0
    for i in range(n):
        total += y[i]
    size = 0.0
    for i in range(n):
        left[i] = y[i] - total / n
        size += left[i] * left[i]
    gram = np.empty((used, used), np.float64)
    slope = np.empty(used, np.float64)
    for j in range(used):
        for k in range(j + 1):
            total = 0.0
            for i in range(n):
                total += centred[j, i] * centred[k, i]
            gram[j, k] = total
            gram[k, j] = total
        total = 0.0
        for i in range(n):
            total += centred[j, i] * left[i]
        slope[j] = total
    weights = np.zeros(used, np.float64)
    for _ in range(SWEEPS):
        moved = 0.0
        for j in range(used):
            if gram[j, j] <= 0.0:
                continue
            wanted = slope[j]
            for k in range(used):
                wanted -= gram[j, k] * weights[k]
            to = max(weights[j] + wanted / gram[j, j], 0.0)
            step = to - weights[j]
            weights[j] = to
            moved = max(moved, step * step * gram[j, j])
        if moved <= STILL * size * STILL:
            break
    rest = 0.0
    for i in range(n):
        fitted = left[i]
        for j in range(used):
            fitted -= weights[j] * centred[j, i]
        rest += fitted * fitted
    return weights, rest
