"""Flat line, and stuck at zero while the neighbours move."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.quality import Series, flat_line, stuck_at_zero
from pipeline.quality.flags import Times, Values


def seconds(*at_s: float) -> Times:
    return np.array([round(at * 1e6) for at in at_s], np.int64)


def every_second(*values: float) -> tuple[Times, Values]:
    return np.arange(len(values), dtype=np.int64) * 1_000_000, np.array(values)


def test_a_reading_is_flat_once_it_has_stood_for_the_whole_time() -> None:
    at_us, value = every_second(7, 7, 7, 7, 7)
    flags = flat_line(at_us, value, tolerance=0, flat_s=3, max_gap_s=10)
    assert flags.tolist() == [2, 1, 1, 3, 3]


def test_a_slow_drift_within_the_tolerance_is_flat_until_it_leaves_it() -> None:
    at_us, value = every_second(1, 2, 3, 4, 5, 6, 3, 3)
    # The last 2 s range over 2 throughout the ramp; 5, 6, 3 range over 3.
    flags = flat_line(at_us, value, tolerance=2, flat_s=2, max_gap_s=10)
    assert flags.tolist() == [2, 1, 3, 3, 3, 3, 1, 1]
    assert flat_line(at_us, value, tolerance=1.9, flat_s=2, max_gap_s=10).tolist() == [2, 1, 1, 1, 1, 1, 1, 1]


def test_missing_readings_do_not_end_a_flat_stretch_and_a_gap_does() -> None:
    at_us = seconds(0, 1, 2, 3, 4, 20, 21, 22, 23)
    value = np.array([7, np.nan, 7, 7, 7, 7, 7, 7, 7.0])
    for tolerance in (0.0, 0.5):
        flags = flat_line(at_us, value, tolerance=tolerance, flat_s=3, max_gap_s=10)
        assert flags.tolist() == [2, 9, 1, 3, 3, 2, 1, 1, 3]


def test_what_lies_within_the_unjudged_band_around_zero_is_not_called_flat() -> None:
    at_us, value = every_second(0.1, 0.1, 0.1, 0.1, 5, 5, 5)
    for tolerance in (0.0, 0.05):
        flags = flat_line(at_us, value, tolerance=tolerance, flat_s=2, max_gap_s=10, unjudged=0.1)
        assert flags.tolist() == [2, 2, 2, 2, 1, 1, 3]


@pytest.mark.parametrize("tolerance", [0.0, 1.0])
def test_flat_line_takes_nothing_one_reading_and_nothing_but_missing_ones(tolerance: float) -> None:
    none = np.empty(0, np.int64)
    assert flat_line(none, np.empty(0), tolerance=tolerance, flat_s=1, max_gap_s=1).size == 0
    assert flat_line(none[:0], np.empty(0), tolerance=tolerance, flat_s=1, max_gap_s=1).tolist() == []
    one = every_second(4)
    assert flat_line(*one, tolerance=tolerance, flat_s=1, max_gap_s=1).tolist() == [2]
    missing = every_second(np.nan, np.nan)
    assert flat_line(*missing, tolerance=tolerance, flat_s=1, max_gap_s=1).tolist() == [9, 9]


def flat_by_definition(at_us: Times, value: Values, tolerance: float, flat_us: int, gap_us: int) -> list[int]:
    """The docstring's rule, spelt out: grow the stretch back from each reading while it stays flat."""
    flags: list[int] = []
    for i, here in enumerate(value):
        if np.isnan(here):
            flags.append(9)
            continue
        before = [j for j in range(i) if not np.isnan(value[j])]
        inside, alone = [i], True
        for j in reversed(before):
            if at_us[inside[-1]] - at_us[j] > gap_us:
                break
            alone = False
            stretch = value[[*inside, j]]
            if stretch.max() - stretch.min() > tolerance:
                break
            inside.append(j)
        flags.append(2 if alone else 3 if at_us[i] - at_us[inside[-1]] >= flat_us else 1)
    return flags


@settings(deadline=None)  # the first call compiles
@given(
    steps=st.lists(st.tuples(st.integers(1, 4), st.sampled_from([0, 1, 2, 3, np.nan])), max_size=40),
    tolerance=st.sampled_from([0.0, 1e-9, 1.0, 2.0]),
    flat_s=st.integers(1, 6),
)
def test_flat_line_equals_its_definition(steps: list[tuple[int, float]], tolerance: float, flat_s: int) -> None:
    at_us = np.cumsum([step for step, _ in steps], dtype=np.int64) * 1_000_000
    value = np.array([kn for _, kn in steps], np.float64)
    flags = flat_line(at_us, value, tolerance=tolerance, flat_s=flat_s, max_gap_s=3)
    assert flags.tolist() == flat_by_definition(at_us, value, tolerance, flat_s * 1_000_000, 3_000_000)


def test_zero_is_suspect_once_it_has_lasted_and_a_neighbour_has_moved() -> None:
    at_us = np.arange(8, dtype=np.int64) * 1_000_000
    stuck = np.array([50, 0, 0, 0.1, -0.1, 0, 0, 50])
    moving = Series(at_us, np.array([9, 9, 9, 9, 20, 20, 20, 20.0]))
    flags = stuck_at_zero(at_us, stuck, [moving], zero=0.1, zero_s=2, move=10, max_gap_s=10)
    # Two seconds are over at index 3, but the neighbour has not moved by more than 10 before index 4.
    assert flags.tolist() == [1, 1, 1, 1, 3, 3, 3, 1]


def test_zero_is_honest_while_the_neighbours_are_still_or_only_imagine_motion() -> None:
    at_us = np.arange(6, dtype=np.int64) * 1_000_000
    zero = np.zeros(6)
    still = Series(at_us, np.array([9, 9.5, 9, 9.5, 9, 9.5]))
    broken = Series(at_us, np.array([9, 9, 1e6, np.nan, 9, -1e6]))
    flags = stuck_at_zero(at_us, zero, [still, broken], zero=0.1, zero_s=2, move=5, max_gap_s=10, plausible=(-25, 200))
    assert flags.tolist() == [1] * 6


def test_a_neighbour_with_stamps_of_its_own_is_looked_at_over_the_same_time() -> None:
    at_us = seconds(0, 1, 2, 3, 4)
    # Its step at 2.5 s makes readings from 3 s on suspect; what it did at 90 s is beside the point.
    near = Series(seconds(0.5, 2.5, 90), np.array([10.0, 30.0, 900.0]))
    flags = stuck_at_zero(at_us, np.zeros(5), [near], zero=0.1, zero_s=1, move=5, max_gap_s=10)
    assert flags.tolist() == [1, 1, 1, 3, 3]


def test_stuck_at_zero_passes_over_missing_readings_and_starts_anew_after_a_gap() -> None:
    at_us = seconds(0, 1, 2, 3, 20, 21, 22)
    value = np.array([0, np.nan, 0, 0, 0, 0, 0])
    near = Series(at_us, np.array([0, 50, 0, 50, 0, 50, 0.0]))
    flags = stuck_at_zero(at_us, value, [near], zero=0.0, zero_s=2, move=5, max_gap_s=10)
    assert flags.tolist() == [1, 9, 3, 3, 1, 1, 3]


def test_stuck_at_zero_is_not_evaluated_without_a_level_or_without_neighbours() -> None:
    at_us = np.arange(2, dtype=np.int64)
    value = np.array([0, np.nan])
    near = Series(at_us, np.ones(2))
    assert stuck_at_zero(at_us, value, [], zero=1.0, zero_s=0, move=1, max_gap_s=1).tolist() == [2, 9]
    assert stuck_at_zero(at_us, value, [near], zero=None, zero_s=0, move=1, max_gap_s=1).tolist() == [2, 9]
    none = np.empty(0, np.int64)
    assert stuck_at_zero(none, np.empty(0), [near], zero=1.0, zero_s=1, move=1, max_gap_s=1).size == 0
