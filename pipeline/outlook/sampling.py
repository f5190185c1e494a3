"""Is the logger fast enough? Life of the same record at full, half and quarter rate, and what is still missing.

A peak between two samples is lost, and a lost peak is lost life. Thinning the record shows how much life is lost
with each halving of the rate, and how fast that falls (Richardson 1911, from memory): with full, half and
quarter life L1, L2, L4 the ratio q = (L2 - L4) / (L1 - L2) tends to 4 for smooth peaks, as the height lost at one
goes with the square of the interval. Were every later ratio q, a logger of endless rate would see
L1 + (L1 - L2) / (q - 1); were every later ratio 4, L1 + (L1 - L2) / 3. With q below 4 the truth lies between.

Limits: the record must show convergence (q above 1.5); a jolt shorter than an interval leaves no trace in any of the
three, and a logger that filters before it samples looks fast enough whatever it missed. 5 %, 1.5 and 1000
samples are house rules. Percents are of the figure at full rate, whatever that may be called; words say no more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import Bug

Values = NDArray[np.float64]
Ints = NDArray[np.int64]
LifeOf = Callable[[Values], int]
"""Life [units] of successive tensions [kN]: turning points, cycles and their price."""

Recorded = Literal["instant", "mean", "max"]
Outcome = Literal["fast enough", "too slow", "cannot be told"]

ENOUGH_PCT: Final = 5.0
FEWEST_SAMPLES: Final = 1000
LEAST_RATIO: Final = 1.5
SMOOTH_RATIO: Final = 4.0


@dataclass(frozen=True)
class Sampling:
    """The verdict of one channel and period, and what it rests on.

    rate_hz: of the median interval. Lives [units] at full rate, and the mean of the 2 and 4 ways of thinning.
    shortfall_pct: what a logger of endless rate would add, in percent of the figure at full rate, extrapolated;
    at_least_pct: the same if the loss falls as fast as with smooth peaks. None where not told.
    """

    outcome: Outcome
    words: str
    rate_hz: float | None = None
    full: int | None = None
    half: float | None = None
    quarter: float | None = None
    ratio: float | None = None
    shortfall_pct: float | None = None
    at_least_pct: float | None = None


def judge_sampling(at_us: Ints, kn: Values, life_of: LifeOf, recorded: Recorded = "instant") -> Sampling:
    """Judge one channel by its usable samples of a period: at_us (n,) rising [µs], kn (n,) without NaN.

    Thinning takes every second and fourth sample, from each first one in turn, so that no phase is preferred.
    """
    if at_us.size != kn.size or (np.diff(at_us) <= 0).any() or not np.isfinite(kn).all():
        raise Bug("samples must be numbers, each with its own instant, in rising order")
    if recorded == "mean":
        return _untold("recorded as mean: peaks are cut off, life used is at least what it shows, and how much more")
    if recorded == "max":
        return _untold("recorded as max: there are no troughs and so no fatigue, and whether peaks are missed")
    if kn.size < FEWEST_SAMPLES:
        return _untold(f"{kn.size} samples, fewer than {FEWEST_SAMPLES}: whether they are close enough")
    rate_hz = 1e6 / float(np.median(np.diff(at_us)))
    full = life_of(kn)
    half = sum(life_of(np.ascontiguousarray(kn[first::2])) for first in range(2)) / 2
    quarter = sum(life_of(np.ascontiguousarray(kn[first::4])) for first in range(4)) / 4
    if full <= 0:
        return Sampling("cannot be told", "no life was used in this period: cannot be told", rate_hz, full)
    return _judged(rate_hz, full, half, quarter)


def _judged(rate_hz: float, full: int, half: float, quarter: float) -> Sampling:
    last, before = full - half, half - quarter
    if last == 0 and before == 0:
        words = f"fast enough: the figure at {rate_hz:g} Hz is the same as at half and at quarter of that rate"
        return Sampling("fast enough", words, rate_hz, full, half, quarter, None, 0.0, 0.0)
    ratio = before / last if last > 0 else None
    if ratio is None or ratio <= LEAST_RATIO:
        words = (
            f"cannot be told: from half rate to {rate_hz:g} Hz the figure changes by {100 * last / full:.1f} %, and "
            "the change is not dying out"
        )
        return Sampling("cannot be told", words, rate_hz, full, half, quarter, ratio)
    gain_pct = 100 * last / full
    shortfall_pct = gain_pct / (min(ratio, SMOOTH_RATIO) - 1)
    at_least_pct = gain_pct / (max(ratio, SMOOTH_RATIO) - 1)
    figures = (rate_hz, full, half, quarter, ratio, shortfall_pct, at_least_pct)
    if shortfall_pct < ENOUGH_PCT:
        words = f"fast enough: some {shortfall_pct:.1f} % of the figure is missed"
        return Sampling("fast enough", words, *figures)
    words = f"too slow: the figure is at least {at_least_pct:.1f} % higher, by extrapolation some {shortfall_pct:.1f} %"
    return Sampling("too slow", words, *figures)


def _untold(why: str) -> Sampling:
    return Sampling("cannot be told", f"{why}, cannot be told")
