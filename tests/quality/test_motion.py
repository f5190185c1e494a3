"""Spike and rate of change, at any sampling rate."""

import numpy as np
import pytest

from pipeline.quality import rate, spike
from pipeline.quality.flags import Times, Values


def seconds(*at_s: float) -> Times:
    return np.array([round(at * 1e6) for at in at_s], np.int64)


def kn(*values: float) -> Values:
    return np.array(values)


def test_a_spike_is_measured_from_the_straight_line_in_time_between_its_neighbours() -> None:
    # On a steady ramp of 10 kN/s nothing is a spike, however uneven the times.
    at_us = seconds(0, 0.1, 1.0, 1.05, 3.0)
    assert spike(at_us, kn(0, 1, 10, 10.5, 30), limit=0.1, max_gap_s=5).tolist() == [2, 1, 1, 1, 2]


def test_a_spike_of_exactly_the_limit_passes() -> None:
    assert spike(seconds(0, 1, 2), kn(10, 13, 10), limit=3.0, max_gap_s=5)[1] == 1
    assert spike(seconds(0, 1, 2), kn(10, 13.001, 10), limit=3.0, max_gap_s=5)[1] == 3


def test_a_spike_downward_counts_as_one_upward() -> None:
    assert spike(seconds(0, 1, 2), kn(10, 2, 10), limit=3.0, max_gap_s=5)[1] == 3


def test_a_spike_is_not_evaluated_beside_a_missing_reading_or_across_a_gap() -> None:
    at_us = seconds(0, 1, 2, 3, 9, 10)
    value = kn(10, 99, np.nan, 10, 99, 10)
    assert spike(at_us, value, limit=3.0, max_gap_s=5).tolist() == [2, 2, 9, 2, 2, 2]


@pytest.mark.parametrize("size", [0, 1, 2])
def test_a_spike_needs_a_neighbour_on_either_side(size: int) -> None:
    at_us = np.arange(size, dtype=np.int64)
    assert spike(at_us, np.ones(size), limit=1.0, max_gap_s=1).tolist() == [2] * size


def test_without_a_limit_neither_spike_nor_rate_is_evaluated() -> None:
    at_us, value = seconds(0, 1, 2), kn(0, np.nan, 900)
    assert spike(at_us, value, limit=None, max_gap_s=9).tolist() == [2, 9, 2]
    assert rate(at_us, value, limit_per_s=None, max_gap_s=9).tolist() == [2, 9, 2]


@pytest.mark.parametrize("rate_hz", [0.2, 1, 2, 10, 100])
def test_a_rate_is_per_second_whatever_the_sampling_rate(rate_hz: float) -> None:
    at_s = np.arange(20) / rate_hz
    at_us = seconds(*at_s)
    assert set(rate(at_us, 4.9 * at_s, limit_per_s=5.0, max_gap_s=60)[1:].tolist()) == {1}
    assert set(rate(at_us, -5.1 * at_s, limit_per_s=5.0, max_gap_s=60)[1:].tolist()) == {3}


def test_a_rate_looks_past_missing_readings_to_the_latest_one_and_not_across_a_gap() -> None:
    at_us = seconds(0, 1, 2, 13, 14)
    value = kn(0, np.nan, 11, 900, 0)
    # 11 kN in 2 s is 5.5 kN/s; the first reading and the one after the gap have nothing to be held against.
    assert rate(at_us, value, limit_per_s=5.0, max_gap_s=10).tolist() == [2, 9, 3, 2, 3]
    assert rate(at_us, value, limit_per_s=5.5, max_gap_s=10).tolist() == [2, 9, 1, 2, 3]


def test_two_stamps_a_millisecond_apart_are_judged_as_if_the_floor_apart() -> None:
    at_us, value = seconds(0, 0.001), kn(100, 101)
    assert rate(at_us, value, limit_per_s=50.0, max_gap_s=10)[1] == 3
    assert rate(at_us, value, limit_per_s=50.0, max_gap_s=10, floor_s=0.1)[1] == 1


def test_no_readings_give_no_rate() -> None:
    assert rate(np.empty(0, np.int64), np.empty(0), limit_per_s=1.0, max_gap_s=1).size == 0
