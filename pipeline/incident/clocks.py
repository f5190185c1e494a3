"""Offsets and drifts of loggers' clocks about an instant, with intervals, from the motion that their channels share.

`pipeline.quality.clocks` finds each pair of loggers' offset over the whole stretch; by that all are brought onto one
clock, as nearly as a constant can. Then, window by window, every pair is compared again, for what is left: the lag at
which the one's channels best explain the other's, by the same measure. All lags of all pairs and windows are put into
one fit: each logger has an offset at the instant and a drift. A lag that the others contradict has taken the next wave
for the same one, and weighs little (Tukey's biweight) or nothing.

Uncertainty: the fit is made again without each window in turn (the jackknife: windows are apart in time, so that their
errors are hardly of one another, while pairs of one window share loggers), and widened by Student's t of the windows
less the two constants fitted, and by `WIDEN`. It is never less than `FLOOR_S`. What no window tells: that channels of
two loggers lag each other always. A filter does that; where channels.csv gives its length, half of it is taken off.

Pure. Sign: positive is ahead, so that raw - offset is the reference logger's time.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from pipeline.quality.clocks import BANDS_S, STEP_S, Offset, Series, offsets, on_grid, uncorrelated, vertex

Floats = NDArray[np.float64]

# House rules, no source.
WINDOW_S: Final = 300.0
REFINE_S: Final = 4.0
LEAST_SHARED: Final = 0.12
LEAST_WINDOWS: Final = 4
FLOOR_S: Final = 0.02
WIDEN: Final = 1.5
"""By so much the spread is widened: the jackknife alone held 90 % of true offsets on the family `tune` of simulated
incidents, for windows share what the lines do to the motion."""
WAVES: Final = BANDS_S[:1]
SLOW: Final = BANDS_S[1:]
"""Slow sway and yaw lag each other, and lines feel them by different mixtures; so where there are waves they decide."""
SLOW_WEIGHS: Final = 0.1
BIWEIGHT: Final = 4.685
"""Tukey's constant: 95 % efficient for normal errors. From memory."""
ROUNDS: Final = 12
START_S: Final = 0.2
NEARER_S: Final = 16.0
"""How far a whole logger is looked for about where pairs put it: two waves to each side."""
TURNS: Final = 2
DRIFT: Final = 1e-4
"""What drift is usual [s/s]: watch crystals are some 20 ppm off, and 60 in the cold (from memory). It holds a fit that
has few windows, and gives way to what many say."""
PERCENT: Final = 95.0
DECIMALS: Final = 4
"""Seconds are told to a tenth of a millisecond: what linear algebra leaves in the last bits differs from run to run."""


@dataclass(frozen=True)
class Window:
    """One pair of loggers in one stretch: middle of it on the reference's clock [us], lag of `second` against `first`
    left over once both were brought there [s], the measure, and the weight that the fit gave it (0 to 1)."""

    first: str
    second: str
    middle_us: int
    lag_s: float
    shared: float
    weight: float


@dataclass(frozen=True)
class Fitted:
    """A logger's clock: `offset_s` ahead of the reference at the instant, growing by `drift` [s/s], with standard
    uncertainties and how many windows they rest on; `low_s`, `high_s`: its 95 % interval at the instant."""

    logger: str
    offset_s: float
    drift: float
    standard_s: float
    drift_standard: float
    low_s: float
    high_s: float
    windows: int
    at_us: int
    covariance: float

    def at(self, us: int) -> float:
        """The offset at another instant of the reference's clock [s]."""
        return self.offset_s + self.drift * (us - self.at_us) / 1e6

    def standard_at(self, us: int) -> float:
        """Its standard uncertainty there [s]."""
        apart_s = (us - self.at_us) / 1e6
        square = self.standard_s**2 + 2 * apart_s * self.covariance + (apart_s * self.drift_standard) ** 2
        return float(np.sqrt(max(square, FLOOR_S**2)))


@dataclass(frozen=True)
class Clocks:
    """The clocks of the loggers that could be told, the reference among them (offset 0), and all windows."""

    reference: str
    at_us: int
    fitted: Mapping[str, Fitted]
    windows: tuple[Window, ...]
    pairs: Mapping[tuple[str, str], Offset]


def clocks_about(
    loggers: Mapping[str, Sequence[Series]], reference: str, at_us: int, *, most_s: float, window_s: float = WINDOW_S
) -> Clocks:
    """The clocks of loggers about `at_us`, as the reference stamps it. `loggers`: channels by logger, raw stamps less
    half their filter. A logger whose channels share no motion with the others', or for too short, is left out."""
    pairs = offsets(loggers, most_s=most_s)
    coarse = _coarse(pairs, reference)
    alone = Clocks(reference, at_us, {reference: _exact(reference, at_us)}, (), pairs)
    if len(coarse) < 2:
        return alone
    for _ in range(TURNS):
        before, coarse = coarse, _nearer(loggers, coarse, reference, window_s)
        if all(abs(coarse[name] - before[name]) <= 2 * STEP_S for name in coarse):
            break
    lags = _lags(_grids(loggers, coarse), window_s)
    names = [name for name in sorted(coarse) if name != reference]
    found = _fit(lags, names, reference, at_us)
    if found is None:
        return alone
    weights, solved, spread = found
    fitted = {reference: _exact(reference, at_us)}
    for name in names:
        if name in solved:
            fitted[name] = _told(
                name, coarse[name], solved[name], spread[name], _windows_of(lags, weights, name), at_us
            )
    told = tuple(Window(*lag[:5], float(weight)) for lag, weight in zip(lags, weights, strict=True))
    return Clocks(reference, at_us, fitted, told, pairs)


def _exact(name: str, at_us: int) -> Fitted:
    return Fitted(name, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0, at_us, 0.0)


def _coarse(pairs: Mapping[tuple[str, str], Offset], reference: str) -> dict[str, float]:
    """Offsets against the reference, from pair to pair, the surest pair first; only of loggers that pairs connect."""
    found = {reference: 0.0}
    while True:
        steps = [
            (told.uncertainty_s / told.shared, one, other, told.offset_s)
            for (one, other), told in pairs.items()
            if (one in found) != (other in found)
        ]
        if not steps:
            return found
        _, one, other, offset_s = min(steps)
        if one in found:
            found[other] = round(found[one] + offset_s, DECIMALS)
        else:
            found[one] = round(found[other] - offset_s, DECIMALS)


@dataclass(frozen=True)
class _Grids:
    """Channels by logger on one grid of half seconds, on the reference's clock as nearly as is known."""

    grid_us: NDArray[np.int64]
    series: Mapping[str, Sequence[Series]]


def _grids(loggers: Mapping[str, Sequence[Series]], coarse: Mapping[str, float]) -> _Grids:
    moved = {
        name: [Series(one.at_us - round(coarse[name] * 1e6), one.kn) for one in loggers[name] if one.at_us.size > 1]
        for name in coarse
    }
    begins = [int(one.at_us[0]) for some in moved.values() for one in some]
    ends = [int(one.at_us[-1]) for some in moved.values() for one in some]
    step_us = round(STEP_S * 1e6)
    first = -(-min(begins) // step_us)
    return _Grids(np.arange(first, max(ends) // step_us + 1, dtype=np.int64) * step_us, moved)


def _nearer(
    loggers: Mapping[str, Sequence[Series]], coarse: Mapping[str, float], reference: str, window_s: float
) -> dict[str, float]:
    """The same offsets, each logger's set to where all others together explain it best, over all windows.

    Two loggers of a channel or two may share so little that the next wave fits better; all others do not.
    """
    grids = _grids(loggers, coarse)
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


_Lag = tuple[str, str, int, float, float]


def _lags(grids: _Grids, window_s: float) -> list[_Lag]:
    """What is left between every pair of loggers in every window."""
    near = round(REFINE_S / STEP_S)
    out: list[_Lag] = []
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


def _windows(grids: _Grids, window_s: float) -> Iterator[tuple[int, dict[str, Floats]]]:
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


_Solved = dict[str, tuple[float, float]]


def _fit(
    lags: Sequence[_Lag], names: Sequence[str], reference: str, at_us: int
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


def _robust(lags: Sequence[_Lag], names: Sequence[str], at_us: int) -> tuple[Floats, Floats] | None:
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


def _design(lags: Sequence[_Lag], names: Sequence[str], at_us: int) -> Floats:
    """(lags, 2 names): how each lag depends on each name's offset at the instant and drift."""
    row = {name: 2 * place for place, name in enumerate(names)}
    out = np.zeros((len(lags), 2 * len(names)))
    for number, (one, other, middle_us, *_) in enumerate(lags):
        for name, sign in ((one, -1.0), (other, 1.0)):
            if name in row:
                out[number, row[name]] = sign
                out[number, row[name] + 1] = sign * (middle_us - at_us) / 1e6
    return out


def _solve(lags: Sequence[_Lag], names: Sequence[str], at_us: int, weights: Floats, scale_s: float) -> Floats | None:
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


def _off(lags: Sequence[_Lag], names: Sequence[str], at_us: int, solved: Floats) -> Floats:
    return np.asarray(np.array([lag[3] for lag in lags]) - _design(lags, names, at_us) @ solved)


def _windows_of(lags: Sequence[_Lag], weights: Floats, name: str) -> int:
    return len({lag[2] for lag, weight in zip(lags, weights, strict=True) if name in lag[:2] and weight > 0})


def _told(
    name: str,
    coarse_s: float,
    solved: tuple[float, float],
    spread: tuple[float, float, float],
    windows: int,
    at_us: int,
) -> Fitted:
    standard_s = float(np.hypot(WIDEN * spread[0], FLOOR_S))
    wide_s = float(stdtrit(max(windows - 2, 1), 0.5 + PERCENT / 200.0)) * standard_s
    offset_s = coarse_s + solved[0]
    return Fitted(
        logger=name,
        offset_s=round(offset_s, DECIMALS),
        drift=round(solved[1], 2 * DECIMALS),
        standard_s=round(standard_s, DECIMALS),
        drift_standard=round(WIDEN * spread[1], 2 * DECIMALS),
        low_s=round(offset_s - wide_s, DECIMALS),
        high_s=round(offset_s + wide_s, DECIMALS),
        windows=windows,
        at_us=at_us,
        covariance=round(WIDEN**2 * spread[2], 3 * DECIMALS),
    )
