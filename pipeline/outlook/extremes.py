"""Return-level peaks: the peak that is reached or passed once in so many rigged years, on average.

Excursions above a threshold are gathered into clusters (runs declustering; Coles 2001, An Introduction to
Statistical Modeling of Extreme Values, section 5.3.2); the excesses of the clusters' peaks follow a generalised
Pareto distribution, fitted by maximum likelihood (section 4.3.2), and clusters come as a Poisson process. The
interval is by profile likelihood (section 4.3.3, and 2.6.6), over shape and rate. Shape `xi` has Coles's sign:
scipy's genpareto has c = +xi, its genextreme c = -xi.

Limits: a return level says how high, and says nothing of strength. It takes the coming time to be like the observed.
The rate's doubt is a Poisson one, too little where clusters come in seasons. A clipped peak is `at least`, and so is
then the level. The threshold must be high enough for the tail to have its form, which nothing here tests. The
shape is held within [-0.5, 1]: below, likelihood theory fails (Smith 1985, from memory), above, no mean exists.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import Bug
from schemas.times import DAY_US

Values = NDArray[np.float64]
Ints = NDArray[np.int64]
Function = Callable[[float], float]

FEWEST_CLUSTERS: Final = 30
YEAR_US: Final = 365 * DAY_US
"""A rigged year, and the least observed time for a return level. Both minima: house rules."""

SHAPES: Final = (-0.5, 1.0)
_HALF_CHI2: Final = 1.920729410347062
"""Half of the 95 % quantile of chi-square with one degree of freedom (3.841458820694124)."""

_RATE_REACH: Final = 4.0
"""How many standard deviations of its logarithm the rate is searched to either side: the interval needs two."""

_PROFILE_WITHIN: Final = 1e-4
"""In a valley the likelihood moves with the square of this."""

_FARTHEST: Final = 100.0
"""An interval that reaches this many times as high as anything seen has no upper end."""


@dataclass(frozen=True)
class TooShort:
    """No return level: fewer than 30 clusters, or less than a year of observed rigged time."""

    clusters: int
    observed_us: int
    words: str = "record too short"


@dataclass(frozen=True)
class NoLevel:
    """No return level although the record is long enough, and why."""

    why: str


@dataclass(frozen=True)
class Tail:
    """A fitted generalised Pareto tail: scale [the excesses' unit], shape, negative log-likelihood."""

    sigma: float
    xi: float
    nll: float


@dataclass(frozen=True)
class ReturnLevel:
    """The level for `years` rigged years, with its 95 % profile-likelihood interval; high None: without end."""

    years: float
    level_kn: float
    low_kn: float
    high_kn: float | None
    threshold_kn: float
    clusters: int
    observed_us: int
    tail: Tail


def cluster_peaks(first_us: Ints, last_us: Ints, peak_kn: Values, gap_us: int) -> Values:
    """The largest peak of each cluster of excursions, (n,) each, in order of time.

    first_us, last_us: first and last sample above the threshold. A new cluster begins where an excursion's first
    lies more than `gap_us` after the last of all before it.
    """
    if not first_us.size == last_us.size == peak_kn.size:
        raise Bug(f"excursions do not match: {first_us.size} firsts, {last_us.size} lasts, {peak_kn.size} peaks")
    if not (np.isfinite(peak_kn).all() and (first_us <= last_us).all() and (np.diff(first_us) >= 0).all()):
        raise Bug("excursions must have numbers for peaks, end after they begin, and stand in order of time")
    if first_us.size == 0:
        return np.empty(0)
    until_us = np.maximum.accumulate(last_us)
    begins = np.concatenate([[0], 1 + np.flatnonzero(first_us[1:] - until_us[:-1] > gap_us)])
    return np.maximum.reduceat(peak_kn, begins)


def tail_nll(sigma: float, xi: float, excess: Values) -> float:
    """Negative log-likelihood of excesses above zero; inf where they cannot be. Source: Coles 2001, (4.10), (4.11)."""
    if sigma <= 0:
        return math.inf
    if abs(xi) < 1e-9:
        return excess.size * math.log(sigma) + float(excess.sum()) / sigma
    grown = xi / sigma * excess
    if grown.min() <= -1:
        return math.inf
    return excess.size * math.log(sigma) + (1.0 + 1.0 / xi) * float(np.log1p(grown).sum())


def fit_tail(excess: Values) -> Tail | NoLevel:
    """The generalised Pareto tail of excesses (n,) above zero, by maximum likelihood.

    The shape is searched within `SHAPES`; for each, the best scale. A shape at either edge is no fit.
    """
    if excess.size < 2 or not (np.isfinite(excess).all() and excess.min() > 0):
        raise Bug("a tail is fitted to two or more excesses above zero")

    def best_of(xi: float) -> float:
        return _scale_for(xi, excess)[1]

    xi, _ = _lowest(best_of, *SHAPES)
    if min(xi - SHAPES[0], SHAPES[1] - xi) < 1e-3:
        return NoLevel(f"the peaks' tail has no shape within {SHAPES[0]} and {SHAPES[1]}: {xi:.3f}")
    sigma, nll = _scale_for(xi, excess)
    return Tail(sigma, xi, nll)


def return_level(
    first_us: Ints,
    last_us: Ints,
    peak_kn: Values,
    *,
    threshold_kn: float,
    gap_us: int,
    observed_us: int,
    years: float,
) -> ReturnLevel | TooShort | NoLevel:
    """The peak expected once in `years` rigged years [kN], from excursions above `threshold_kn`.

    Excursions as in `cluster_peaks`. observed_us: rigged time that was observed [µs], in which the clusters came;
    what was not observed shows no peaks, so that it must not count. `years` of 365 days.
    """
    if not (years > 0 and math.isfinite(years)):
        raise Bug(f"a return level is for a number of years above 0, not {years}")
    peaks = cluster_peaks(first_us, last_us, peak_kn, gap_us)
    if peaks.size < FEWEST_CLUSTERS or observed_us < YEAR_US:
        return TooShort(int(peaks.size), observed_us)
    excess = peaks - threshold_kn
    if excess.min() <= 0:
        raise Bug(f"an excursion above {threshold_kn} kN has a peak of {peaks.min()} kN")
    tail = fit_tail(excess)
    if isinstance(tail, NoLevel):
        return tail
    records = years * YEAR_US / observed_us
    if peaks.size * records <= 1:
        return NoLevel(f"in {years} years fewer than one cluster is expected: the level is not above the threshold")
    height = _height(tail.sigma, tail.xi, peaks.size * records)
    low, high = _interval(height, excess, records, tail.nll)
    return ReturnLevel(
        years,
        threshold_kn + height,
        threshold_kn + low,
        None if high is None else threshold_kn + high,
        threshold_kn,
        int(peaks.size),
        observed_us,
        tail,
    )


def _height(sigma: float, xi: float, clusters: float) -> float:
    """Excess that one of `clusters` passes on average. Source: Coles 2001, (4.12), (4.13)."""
    return sigma * _growth(xi, clusters)


def _growth(xi: float, clusters: float) -> float:
    log = math.log(clusters)
    return log if abs(xi) < 1e-9 else math.expm1(xi * log) / xi


def _scale_for(xi: float, excess: Values) -> tuple[float, float]:
    """The best scale for a shape, and its negative log-likelihood."""
    mean, most = float(excess.mean()), float(excess.max())
    least = max(1e-6 * mean, -xi * most * (1 + 1e-12))
    # The scale's score is one-signed beyond these, and the likelihood has one hill in the logarithm between them.
    log_sigma, nll = _lowest(
        lambda log: tail_nll(math.exp(log), xi, excess), math.log(least), math.log(2 * (mean + most))
    )
    return math.exp(log_sigma), nll


def _interval(height: float, excess: Values, records: float, best_nll: float) -> tuple[float, float | None]:
    """Where the profile likelihood has fallen by half the chi-square quantile, below and above `height`."""
    from scipy.optimize import brentq

    count = excess.size
    allowed = best_nll + count - count * math.log(count) + _HALF_CHI2

    def beyond(at: float) -> float:
        return _profile(at, excess, records) - allowed

    low = height
    while beyond(low) < 0:
        low *= 0.9
    high = height
    while beyond(high) < 0:
        high *= 1.2
        if high > _FARTHEST * (height + float(excess.max())):
            return float(brentq(beyond, low, height, xtol=1e-6 * height)), None
    ends = [float(brentq(beyond, end, height, xtol=1e-6 * height)) for end in (low, high)]
    return ends[0], ends[1]


def _profile(height: float, excess: Values, records: float) -> float:
    """Least negative log-likelihood, of tail and Poisson rate together, with a given return height.

    records: how many times the observed record the return period is.
    """
    count, most = excess.size, float(excess.max())

    def with_rate(log_rate: float) -> float:
        clusters = math.exp(log_rate) * records
        # Above this shape the largest excess is possible: sigma + xi * most > 0, with sigma = height / growth.
        least = SHAPES[0] if height >= most else max(SHAPES[0], math.log1p(-height / most) / math.log(clusters))
        _, nll = _lowest(
            lambda xi: tail_nll(height / _growth(xi, clusters), xi, excess), least, SHAPES[1], _PROFILE_WITHIN
        )
        return nll + math.exp(log_rate) - count * log_rate

    reach = _RATE_REACH / math.sqrt(count)
    from_log = max(math.log(count) - reach, 1e-6 - math.log(records))
    return _lowest(with_rate, from_log, math.log(count) + reach, _PROFILE_WITHIN)[1]


def _lowest(of: Function, low: float, high: float, within: float = 1e-9) -> tuple[float, float]:
    """Where, to `within`, a function with one valley is lowest in [low, high], and its value there."""
    from scipy.optimize import minimize_scalar

    found = minimize_scalar(of, bounds=(low, high), method="bounded", options={"xatol": within})
    return float(found.x), float(found.fun)
