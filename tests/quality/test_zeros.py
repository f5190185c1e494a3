"""Zero checks: what counts as one, and what a row of them shows."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.quality.bins import Bins, make_bins
from pipeline.quality.zeros import (
    HOUR_US,
    ZeroCheck,
    against_temperature,
    change_of,
    gaps_between,
    merged,
    middle_of,
    theil_sen,
    zero_check,
)

S = 1_000_000
MINUTE = 60 * S


def check(hour: float, kn: float, *, slope: float = 0.0) -> ZeroCheck:
    """A check of half an hour that begins at an hour."""
    from_us = round(hour * HOUR_US)
    return ZeroCheck(from_us, from_us + HOUR_US // 2, 1800, kn, 0.2, 0.2, slope, True)


def looked_at(value: np.ndarray, *, every_s: int = 1, **more: object) -> ZeroCheck | None:
    at_us = np.arange(value.size, dtype=np.int64) * every_s * S
    given = {"zero_kn": 0.0, "full_kn": 1000.0, "rigged_stir_kn": None, "frozen": False} | more
    bins = make_bins(at_us, value, np.ones(value.size, np.bool_))
    return zero_check((0, value.size * every_s * S), value, bins, **given)  # type: ignore[arg-type]


def test_a_quarter_is_left_out_at_both_sides_and_at_most_ten_minutes() -> None:
    assert middle_of((0, 20 * MINUTE), (0, 10**15), least_us=5 * MINUTE) == (5 * MINUTE, 15 * MINUTE)
    assert middle_of((0, 600 * MINUTE), (0, 10**15), least_us=5 * MINUTE) == (10 * MINUTE, 590 * MINUTE)
    assert middle_of((0, 20 * MINUTE), (16 * MINUTE, 10**15), least_us=5 * MINUTE) is None


def test_median_and_spread_are_of_the_readings_themselves() -> None:
    # By hand: sorted -1, 0, 1, 2, 3 (each 20 times): median 1, quartiles 0 and 2, 2 / 1.349 = 1.4826.
    found = looked_at(np.tile([3.0, -1.0, 2.0, 0.0, 1.0], 20))
    assert found is not None
    assert (found.reading_kn, found.samples, found.still) == (1.0, 100, True)
    assert found.spread_kn == pytest.approx(2 / 1.349)


def test_noise_is_what_changes_from_reading_to_reading_and_no_slow_change_moves_it() -> None:
    rng = np.random.default_rng(1)
    noise = rng.normal(0.0, 0.3, 20_000)
    still, drifting = looked_at(noise), looked_at(noise + np.linspace(0.0, 50.0, 20_000))
    assert still is not None
    assert drifting is not None
    assert still.noise_kn == pytest.approx(0.3, rel=0.03)
    assert drifting.noise_kn == pytest.approx(still.noise_kn, rel=0.01)


def test_a_gauge_that_moves_with_a_load_is_no_zero_check() -> None:
    waves = 80.0 + 10.0 * np.sin(np.arange(3600) / 1.3)
    found = looked_at(waves)
    assert found is not None
    assert not found.still


def test_far_from_the_registers_zero_only_a_gauge_without_motion_counts() -> None:
    far = 60.0 + 2.0 * np.sin(2 * np.pi * np.arange(3600) / 8.1)  # 6 % of full scale, spread 0.2 %, in waves of 8 s
    alone, beside = looked_at(far), looked_at(far, rigged_stir_kn=40.0)
    assert alone is not None
    assert beside is not None
    assert (alone.still, beside.still) == (False, True)


def test_far_from_the_registers_zero_readings_as_white_as_noise_count_where_they_come_every_second() -> None:
    rng = np.random.default_rng(2)
    white = 60.0 + rng.normal(0.0, 1.5, 3600)
    every_second, seldom = looked_at(white), looked_at(white[::5], every_s=5)
    assert every_second is not None
    assert seldom is not None
    assert (every_second.still, seldom.still) == (True, False)


def test_a_gauge_that_stuck_under_load_is_no_zero_check() -> None:
    found = looked_at(np.full(3600, 250.0), rigged_stir_kn=40.0, frozen=True)
    assert found is not None
    assert not found.still


def test_a_change_between_two_checks_is_a_step_if_their_own_slopes_do_not_foretell_it() -> None:
    step = change_of([check(0, 0.0), check(4, 20.0)], threshold_kn=10.0)
    drift = change_of([check(0, 0.0, slope=5.0), check(4, 20.0, slope=5.0)], threshold_kn=10.0)
    assert step is not None
    assert drift is not None
    assert (step.kind, step.from_us, step.to_us, step.change_kn) == ("step", HOUR_US // 2, 4 * HOUR_US, 20.0)
    # From the first check's beginning to the last one's end: 4.5 h at 5 kN an hour.
    assert drift.kind == "drift"
    assert drift.change_kn == pytest.approx(22.5)


def test_many_checks_that_creep_are_a_drift_with_sens_slope() -> None:
    rng = np.random.default_rng(3)
    found = change_of([check(24 * day, 0.5 * day + rng.normal(0, 0.2)) for day in range(30)], threshold_kn=10.0)
    assert found is not None
    assert found.kind == "drift"
    assert found.per_day_kn == pytest.approx(0.5, abs=0.03)
    assert found.low_per_day_kn is not None
    assert found.high_per_day_kn is not None
    assert found.low_per_day_kn < 0.5 < found.high_per_day_kn


def test_many_checks_with_one_jump_are_a_step_there() -> None:
    found = change_of([check(24 * day, 0.0 if day < 12 else 15.0) for day in range(20)], threshold_kn=10.0)
    assert found is not None
    assert (found.kind, found.from_us) == ("step", 11 * 24 * HOUR_US + HOUR_US // 2)


@given(st.lists(st.floats(-4.9, 4.9), min_size=2, max_size=12))
def test_zeros_that_stay_within_the_threshold_of_each_other_show_nothing(kn: list[float]) -> None:
    assert change_of([check(24 * day, here) for day, here in enumerate(kn)], threshold_kn=13.0) is None


@given(st.lists(st.floats(-50, 50), min_size=2, max_size=8), st.floats(-500, 500))
def test_the_verdict_knows_no_zero_of_its_own(kn: list[float], shift: float) -> None:
    def kind(offset: float) -> str | None:
        found = change_of([check(24 * day, round(k + offset, 6)) for day, k in enumerate(kn)], threshold_kn=7.03)
        return None if found is None else found.kind

    assert kind(0.0) == kind(round(shift, 0))


def test_theil_sens_slope_is_that_of_the_worked_example() -> None:
    # By hand: pairwise slopes of (0,0) (1,1) (2,2) (3,30): 1, 1, 10, 1, 14.5, 28; their median is (1 + 10) / 2.
    slope, *_ = theil_sen(np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.0, 1.0, 2.0, 30.0]))
    assert slope == 5.5


def test_a_zero_that_follows_temperature_is_explained_by_it() -> None:
    checks = [check(24 * day, 0.8 * (day % 7)) for day in range(20)]
    found = against_temperature(checks, [float(10 + day % 7) for day in range(20)])
    assert found is not None
    assert found["kn_per_c"] == pytest.approx(0.8)
    assert found["explained"] == pytest.approx(1.0)
    assert against_temperature(checks, [None] * 20) is None
    assert against_temperature(checks, [15.0] * 20) is None


INTERVALS = st.lists(st.tuples(st.integers(0, 100), st.integers(1, 20)).map(lambda p: (p[0], p[0] + p[1])), max_size=8)


@given(INTERVALS)
def test_gaps_and_what_is_taken_make_up_the_whole(taken: list[tuple[int, int]]) -> None:
    kept = [(a, min(b, 100)) for a, b in merged(taken) if a < 100]
    gaps = gaps_between(kept, (0, 100))
    instants = [t for a, b in [*kept, *gaps] for t in range(a, b)]
    assert sorted(instants) == list(range(100))


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60), st.integers(1, 4))
def test_bins_hold_every_usable_reading_between_their_low_and_high(values: list[float], every_s: int) -> None:
    at_us = np.arange(len(values), dtype=np.int64) * every_s * S
    value = np.array(values)
    bins: Bins = make_bins(at_us, value, np.ones(value.size, np.bool_))
    where = np.searchsorted(bins.from_us, at_us, side="right") - 1
    assert np.all(bins.low[where] <= value)
    assert np.all(value <= bins.high[where])
    slack = 1e-9 * np.maximum(1.0, np.abs(bins.high) + np.abs(bins.low))
    assert np.all(bins.low - slack <= bins.mean)
    assert np.all(bins.mean <= bins.high + slack)
