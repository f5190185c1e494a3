"""Gross range and clipping: bounds, missing readings, and channels that have no capacity."""

import numpy as np
import pytest

from pipeline.quality import clipped, gross_range


def test_a_reading_on_a_bound_of_the_gross_range_passes_and_one_beyond_it_fails() -> None:
    value = np.array([-25.0, np.nextafter(-25.0, -np.inf), 200.0, np.nextafter(200.0, np.inf), np.nan])
    assert gross_range(value, low=-25.0, high=200.0).tolist() == [1, 4, 1, 4, 9]


def test_without_bounds_the_gross_range_is_not_evaluated_but_infinity_is_still_impossible() -> None:
    value = np.array([0.0, np.nan, np.inf, -np.inf])
    assert gross_range(value, low=None, high=None).tolist() == [2, 9, 4, 4]


def test_a_reading_of_exactly_the_capacity_is_clipped() -> None:
    value = np.array([np.nextafter(100.0, 0), 100.0, 130.0, np.nan])
    assert clipped(value, capacity=100.0).tolist() == [1, 3, 3, 9]


@pytest.mark.parametrize("capacity", [None, 0.0, -5.0, float("nan")])
def test_clipping_is_not_evaluated_where_the_capacity_says_nothing(capacity: float | None) -> None:
    assert clipped(np.array([0.0, 7.0, np.nan]), capacity=capacity).tolist() == [2, 2, 9]


def test_no_readings_give_no_flags() -> None:
    assert gross_range(np.empty(0), low=0.0, high=1.0).size == 0
    assert clipped(np.empty(0), capacity=1.0).size == 0
