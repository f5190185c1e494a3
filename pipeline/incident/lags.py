"""How far the channels of loggers lag each other, window by window, about where whole stretches put them. Pure.

The measure is that of `pipeline.quality.clocks`; `clocks` says what is made of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.quality.clocks import BANDS_S, STEP_S, Series, on_grid, uncorrelated, vertex

Floats = NDArray[np.float64]

# House rules, no source.
REFINE_S: Final = 4.0
LEAST_SHARED: Final = 0.12
WAVES: Final = BANDS_S[:1]
SLOW: Final = BANDS_S[1:]
"""Slow sway and yaw lag each other, and lines feel them by different mixtures; so where there are waves they decide."""
SLOW_WEIGHS: Final = 0.1
NEARER_S: Final = 16.0
"""How far a whole logger is looked for about where pairs put it: two waves to each side."""
DECIMALS: Final = 4
"""Seconds are told to a tenth of a millisecond: what linear algebra leaves in the last bits differs from run to run."""


@dataclass(frozen=True)
class Grids:
    """Channels by logger on one grid of half seconds, on the reference's clock as nearly as is known."""

    grid_us: NDArray[np.int64]
    series: Mapping[str, Sequence[Series]]


def grids_of(loggers: Mapping[str, Sequence[Series]], coarse: Mapping[str, float]) -> Grids:
    moved = {
        name: [Series(one.at_us - round(coarse[name] * 1e6), one.kn) for one in loggers[name] if one.at_us.size > 1]
        for name in coarse
    }
    begins = [int(one.at_us[0]) for some in moved.values() for one in some]
    ends = [int(one.at_us[-1]) for some in moved.values() for one in some]
    step_us = round(STEP_S * 1e6)
    first = -(-min(begins) // step_us)
    return Grids(np.arange(first, max(ends) // step_us + 1, dtype=np.int64) * step_us, moved)


def nearer(
    loggers: Mapping[str, Sequence[Series]], coarse: Mapping[str, float], reference: str, window_s: float
) -> dict[str, float]:
    """The same offsets, each logger's set to where all others together explain it best, over all windows.

    Two loggers of a channel or two may share so little that the next wave fits better; all others do not.
    """
    grids = grids_of(loggers, coarse)
    near = round(NEARER_S / STEP_S)
    windows = list(_windows(grids, window_s))
    out = dict(coarse)
    for name in coarse:
        total = np.zeros(2 * near + 1)
        for _, there in windows:
            others = [kn for other, some in there.items() if other != name for kn in some]
            if name in there and others:
                shared = _shared_near(np.array(others), there[name], near, BANDS_S)
                total += 0.0 if shared is None else shared
        best = int(np.argmax(total))
        if 0 < best < total.size - 1:
            out[name] += (best - near) * STEP_S
    return {name: offset_s - out[reference] for name, offset_s in out.items()}


def _shared_near(a: Floats, b: Floats, near: int, bands_s: Sequence[tuple[float, float]]) -> Floats | None:
    """The measure of `pipeline.quality.clocks` at lags -near … near (2 near + 1,) of grid steps, over what overlaps.

    None where a set of channels does not move in a band.
    """
    total = np.zeros(2 * near + 1)
    size = a.shape[1]
    for band_s in bands_s:
        one, other = uncorrelated(a, band_s), uncorrelated(b, band_s)
        if one.size == 0 or other.size == 0:
            return None
        ways = min(len(one), len(other))
        for place in range(2 * near + 1):
            lag = place - near
            first = one[:, max(0, -lag) : size - max(0, lag)] @ other[:, max(0, lag) : size - max(0, -lag)].T
            total[place] += float((first**2).sum()) / ways * (size / (size - abs(lag))) ** 2
    return np.asarray(total / len(bands_s))


Lag = tuple[str, str, int, float, float]


def lags_of(grids: Grids, window_s: float) -> list[Lag]:
    """What is left between every pair of loggers in every window."""
    near = round(REFINE_S / STEP_S)
    out: list[Lag] = []
    for middle_us, there in _windows(grids, window_s):
        for one, other in combinations(there, 2):
            lag = _lag(there[one], there[other], near, WAVES)
            if lag is not None:
                out.append((one, other, middle_us, *lag))
                continue
            slow = _lag(there[one], there[other], near, SLOW)
            if slow is not None:
                out.append((one, other, middle_us, slow[0], SLOW_WEIGHS * slow[1]))
    return out


def _windows(grids: Grids, window_s: float) -> Iterator[tuple[int, dict[str, Floats]]]:
    """The middle of each window, and by logger the channels that reach over it (channels, steps)."""
    size = round(window_s / STEP_S)
    for begin in range(0, grids.grid_us.size - size + 1, size):
        grid_us = grids.grid_us[begin : begin + size]
        there = {
            name: np.array(kept)
            for name, some in sorted(grids.series.items())
            if (kept := [kn for one in some if (kn := _inside(one, grid_us)) is not None])
        }
        yield int(grid_us[0] + grid_us[-1]) // 2, there


def _inside(series: Series, grid_us: NDArray[np.int64]) -> Floats | None:
    """A channel on a window's grid; None where it does not reach over it, has a gap in it, or lost its load in it."""
    begin, end = np.searchsorted(series.at_us, [grid_us[0] - 10_000_000, grid_us[-1] + 10_000_000])
    at_us, kn = series.at_us[begin:end], series.kn[begin:end]
    if at_us.size < 2 or at_us[0] > grid_us[0] or at_us[-1] < grid_us[-1] or np.diff(at_us).max() > 10_000_000:
        return None
    found = on_grid(Series(at_us, kn), grid_us)
    if found is None:
        return None
    tenths = np.array_split(found, 10)
    least, middle = min(float(np.median(part)) for part in tenths), float(np.median(found))
    return found if least > 0.2 * middle > 0 else None


def _lag(a: Floats, b: Floats, near: int, bands_s: Sequence[tuple[float, float]]) -> tuple[float, float] | None:
    """Lag of b against a [s] and the measure there; None where too little is shared, or the best lies at the edge."""
    shared = _shared_near(a, b, near + 1, bands_s)
    if shared is None:
        return None
    best = int(np.argmax(shared[1:-1])) + 1
    if not 1 < best < shared.size - 2 or shared[best] < LEAST_SHARED:
        return None
    lag_s = (best - near - 1 + vertex(*shared[best - 1 : best + 2].tolist())) * STEP_S
    return round(lag_s, DECIMALS), round(float(shared[best]), DECIMALS)
