"""One fit of all lags between loggers: an offset and a drift of each, with their spread. Pure. See `clocks`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from pipeline.incident.lags import Floats, Lag

# House rules, no source.
LEAST_WINDOWS: Final = 4
FLOOR_S: Final = 0.02
BIWEIGHT: Final = 4.685
"""Tukey's constant: 95 % efficient for normal errors. From memory."""
ROUNDS: Final = 12
START_S: Final = 0.2
DRIFT: Final = 1e-4
"""What drift is usual [s/s]: watch crystals are some 20 ppm off, and 60 in the cold (from memory). It holds a fit that
has few windows, and gives way to what many say."""


_Solved = dict[str, tuple[float, float]]


def fit(
    lags: Sequence[Lag], names: Sequence[str], reference: str, at_us: int
) -> tuple[Floats, _Solved, dict[str, tuple[float, float, float]]] | None:
    """Weights of the lags; offset left and drift of each name; their standard uncertainties and covariance."""
    used = [name for name in names if any(name in lag[:2] for lag in lags)]
    middles = sorted({lag[2] for lag in lags})
    if not used or len(middles) < LEAST_WINDOWS:
        return None
    whole = _robust(lags, used, at_us)
    if whole is None:
        return None
    solved, weights = whole
    kept = []
    for middle in middles:
        rest = [number for number, lag in enumerate(lags) if lag[2] != middle]
        again = _robust([lags[number] for number in rest], used, at_us)
        if again is not None:
            kept.append(again[0])
    if len(kept) < LEAST_WINDOWS:
        return None
    spread = {}
    count = len(kept)
    for place, name in enumerate(used):
        both = np.array([one[2 * place : 2 * place + 2] for one in kept])
        off = both - both.mean(axis=0)
        square = (count - 1) / count * off.T @ off
        spread[name] = (float(np.sqrt(square[0, 0])), float(np.sqrt(square[1, 1])), float(square[0, 1]))
    return weights, {name: (solved[2 * k], solved[2 * k + 1]) for k, name in enumerate(used)}, spread


def _robust(lags: Sequence[Lag], names: Sequence[str], at_us: int) -> tuple[Floats, Floats] | None:
    """Least squares with Tukey's biweight; the scale is the median absolute residual, times 1.4826."""
    weights, scale = np.ones(len(lags)), START_S
    solved = _solve(lags, names, at_us, weights, scale)
    for _ in range(ROUNDS):
        if solved is None:
            return None
        off = _off(lags, names, at_us, solved)
        scale = max(1.4826 * float(np.median(np.abs(off))), FLOOR_S)
        weights = np.clip(1.0 - (off / (BIWEIGHT * scale)) ** 2, 0.0, 1.0) ** 2
        solved = _solve(lags, names, at_us, weights, scale)
    return None if solved is None else (solved, weights)


def _design(lags: Sequence[Lag], names: Sequence[str], at_us: int) -> Floats:
    """(lags, 2 names): how each lag depends on each name's offset at the instant and drift."""
    row = {name: 2 * place for place, name in enumerate(names)}
    out = np.zeros((len(lags), 2 * len(names)))
    for number, (one, other, middle_us, *_) in enumerate(lags):
        for name, sign in ((one, -1.0), (other, 1.0)):
            if name in row:
                out[number, row[name]] = sign
                out[number, row[name] + 1] = sign * (middle_us - at_us) / 1e6
    return out


def _solve(lags: Sequence[Lag], names: Sequence[str], at_us: int, weights: Floats, scale_s: float) -> Floats | None:
    """Offset and drift of each name in turn; None where a name has no lag of any weight."""
    root = np.sqrt(weights) * np.array([lag[4] for lag in lags]) / scale_s
    design = _design(lags, names, at_us)
    if not np.all((np.abs(design[:, ::2]) * root[:, None]).sum(axis=0) > 0):
        return None
    usual = np.zeros((len(names), design.shape[1]))
    usual[np.arange(len(names)), 2 * np.arange(len(names)) + 1] = 1.0 / DRIFT
    left = np.concatenate((design * root[:, None], usual))
    right = np.concatenate((np.array([lag[3] for lag in lags]) * root, np.zeros(len(names))))
    size = np.tile([1.0, DRIFT], len(names))
    return np.asarray(np.linalg.lstsq(left * size, right, rcond=None)[0] * size)


def _off(lags: Sequence[Lag], names: Sequence[str], at_us: int, solved: Floats) -> Floats:
    return np.asarray(np.array([lag[3] for lag in lags]) - _design(lags, names, at_us) @ solved)
