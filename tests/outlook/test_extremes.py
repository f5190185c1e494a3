"""Return-level peaks: only from a record long enough, rising with the period, with an interval that is honest."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.errors import Bug
from pipeline.outlook.extremes import (
    YEAR_US,
    NoLevel,
    ReturnLevel,
    TooShort,
    cluster_peaks,
    fit_tail,
    return_level,
    tail_nll,
)

HOUR_US = 3_600_000_000


def drawn(seed: int, clusters: int, xi: float, sigma: float = 50.0) -> NDArray[np.float64]:
    """Peaks above 300 kN with a generalised Pareto tail, by its inverse distribution."""
    uniform = np.random.default_rng(seed).random(clusters)
    if xi == 0:
        return 300 - sigma * np.log1p(-uniform)
    return 300 + sigma / xi * ((1 - uniform) ** -xi - 1)


def level(peaks: NDArray[np.float64], years: float = 10.0, observed_us: int = 2 * YEAR_US) -> object:
    at_us = np.arange(peaks.size, dtype=np.int64) * 200 * HOUR_US
    return return_level(
        at_us, at_us + HOUR_US, peaks, threshold_kn=300.0, gap_us=24 * HOUR_US, observed_us=observed_us, years=years
    )


def test_a_record_of_less_than_thirty_clusters_is_too_short() -> None:
    found = level(drawn(1, 29, 0.1))
    assert found == TooShort(29, 2 * YEAR_US)
    assert isinstance(found, TooShort)
    assert found.words == "record too short"
    assert isinstance(level(drawn(1, 30, 0.1)), ReturnLevel)


def test_a_record_of_less_than_a_year_is_too_short_however_many_its_clusters() -> None:
    assert level(drawn(1, 100, 0.1), observed_us=YEAR_US - 1) == TooShort(100, YEAR_US - 1)
    assert isinstance(level(drawn(1, 100, 0.1), observed_us=YEAR_US), ReturnLevel)


def test_thirty_excursions_of_one_storm_are_one_cluster() -> None:
    at_us = np.arange(30, dtype=np.int64) * HOUR_US
    found = return_level(
        at_us, at_us, drawn(1, 30, 0.1), threshold_kn=300.0, gap_us=24 * HOUR_US, observed_us=YEAR_US, years=10.0
    )
    assert found == TooShort(1, YEAR_US)


def test_no_excursion_at_all_is_a_record_too_short() -> None:
    assert level(np.empty(0)) == TooShort(0, 2 * YEAR_US)


def test_a_gap_as_long_as_the_limit_does_not_part_two_excursions_and_a_microsecond_more_does() -> None:
    last, peaks = np.array([10, 210]), np.array([5.0, 7.0])
    assert cluster_peaks(np.array([0, 110]), last, peaks, 100).tolist() == [7.0]
    assert cluster_peaks(np.array([0, 111]), last, peaks, 100).tolist() == [5.0, 7.0]


def test_a_long_excursion_holds_together_what_lies_within_it() -> None:
    first, last = np.array([0, 10, 900]), np.array([1000, 20, 910])
    assert cluster_peaks(first, last, np.array([5.0, 9.0, 7.0]), 50).tolist() == [9.0]


@given(
    st.lists(st.tuples(st.integers(1, 50), st.integers(0, 50), st.floats(1, 99)), min_size=1, max_size=40),
    st.integers(0, 60),
)
def test_clusters_are_those_of_a_count_one_by_one(steps: list[tuple[int, int, float]], gap_us: int) -> None:
    first, last, peaks, at = [], [], [], 0
    for wait, extent, peak in steps:
        first.append(at + wait)
        at += wait + extent
        last.append(at)
        peaks.append(peak)
    slow = [[peaks[0]]]
    for nth in range(1, len(peaks)):
        if first[nth] - last[nth - 1] > gap_us:
            slow.append([])
        slow[-1].append(peaks[nth])
    found = cluster_peaks(np.array(first), np.array(last), np.array(peaks), gap_us)
    assert found.tolist() == [max(cluster) for cluster in slow]


@settings(deadline=None, max_examples=15)
@given(st.integers(0, 2**32), st.integers(40, 200), st.integers(-25, 40))
def test_the_level_rises_with_the_period_and_lies_in_its_interval(seed: int, clusters: int, hundredths: int) -> None:
    before = 300.0
    for years in (1.0, 10.0, 100.0):
        found = level(drawn(seed, clusters, hundredths / 100), years)
        if isinstance(found, NoLevel):  # a drawn tail may lie at the edge of the shapes
            assert "no shape within" in found.why
            return
        assert isinstance(found, ReturnLevel)
        assert found.low_kn < found.level_kn
        assert found.high_kn is None or found.level_kn < found.high_kn
        assert before < found.level_kn
        before = found.level_kn


@settings(deadline=None, max_examples=10)
@given(st.integers(0, 2**32), st.sampled_from([0.25, 2.0, 1024.0]))
def test_a_record_in_another_unit_has_the_same_tail(seed: int, unit: float) -> None:
    excess = drawn(seed, 80, 0.1) - 300
    one, other = fit_tail(excess), fit_tail(excess * unit)
    if isinstance(one, NoLevel) or isinstance(other, NoLevel):
        assert type(one) is type(other)
        return
    assert other.xi == pytest.approx(one.xi, abs=1e-5)
    assert other.sigma == pytest.approx(one.sigma * unit, rel=1e-5)


def test_the_interval_covers_the_true_level_about_as_often_as_it_says() -> None:
    # 60 clusters in two years, xi 0.1: the true ten-year level is that which one of 300 peaks passes.
    truth = 300 + 50 / 0.1 * (300**0.1 - 1)
    covered = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        found = level(drawn(seed + 1000, max(30, int(rng.poisson(60))), 0.1))
        assert isinstance(found, ReturnLevel)
        covered += found.low_kn <= truth <= (math.inf if found.high_kn is None else found.high_kn)
    # A perfect 95 % interval covers fewer than 51 of 60 once in 900 tries.
    assert covered >= 51


def test_a_longer_record_of_the_same_tail_has_the_narrower_interval() -> None:
    short = level(drawn(3, 40, 0.1))
    long = level(drawn(3, 400, 0.1), observed_us=20 * YEAR_US)
    assert isinstance(short, ReturnLevel)
    assert isinstance(long, ReturnLevel)
    assert long.high_kn is not None
    assert short.high_kn is None or long.high_kn - long.low_kn < short.high_kn - short.low_kn


def test_peaks_that_are_all_alike_have_no_tail() -> None:
    found = level(np.full(50, 350.0))
    assert isinstance(found, NoLevel)
    assert "no shape" in found.why


def test_a_period_too_short_for_one_cluster_has_no_level() -> None:
    found = level(drawn(1, 30, 0.1), years=0.01)
    assert isinstance(found, NoLevel)
    assert "fewer than one cluster" in found.why


def test_the_exponential_tail_is_the_limit_of_the_others() -> None:
    excess = drawn(5, 50, 0.0) - 300
    assert tail_nll(50.0, 0.0, excess) == pytest.approx(tail_nll(50.0, 1e-6, excess), rel=1e-6)
    assert tail_nll(50.0, -0.5, np.array([100.0])) == math.inf
    assert tail_nll(0.0, 0.1, excess) == math.inf


def test_what_cannot_be_is_a_bug() -> None:
    one = np.zeros(1, np.int64)
    with pytest.raises(Bug, match="do not match"):
        cluster_peaks(one, one, np.ones(2), 0)
    with pytest.raises(Bug, match="order of time"):
        cluster_peaks(one, one - 1, np.ones(1), 0)
    with pytest.raises(Bug, match="order of time"):
        cluster_peaks(one, one, np.array([math.nan]), 0)
    with pytest.raises(Bug, match="two or more"):
        fit_tail(np.array([1.0, 0.0]))
    with pytest.raises(Bug, match="has a peak of"):
        level(np.full(40, 300.0))
    with pytest.raises(Bug, match="years above 0"):
        level(drawn(1, 40, 0.1), years=math.nan)
