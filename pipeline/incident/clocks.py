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

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import stdtrit

from pipeline.incident.clock_fit import FLOOR_S, fit
from pipeline.incident.lags import DECIMALS, Floats, Lag, grids_of, lags_of, nearer
from pipeline.quality.clock_pool import offsets
from pipeline.quality.clocks import STEP_S, Offset, Series

# House rules, no source.
WINDOW_S: Final = 300.0
WIDEN: Final = 1.5
"""By so much the spread is widened: the jackknife alone held 90 % of true offsets on the family `tune` of simulated
incidents, for windows share what the lines do to the motion."""
TURNS: Final = 2
PERCENT: Final = 95.0


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
        before, coarse = coarse, nearer(loggers, coarse, reference, window_s)
        if all(abs(coarse[name] - before[name]) <= 2 * STEP_S for name in coarse):
            break
    lags = lags_of(grids_of(loggers, coarse), window_s)
    names = [name for name in sorted(coarse) if name != reference]
    found = fit(lags, names, reference, at_us)
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


def _windows_of(lags: Sequence[Lag], weights: Floats, name: str) -> int:
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
