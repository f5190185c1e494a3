"""Sums of lives: rounded once each, then exact."""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import Bug
from pipeline.wear.exact import UNIT_EXPONENT, sum_units
from pipeline.wear.fatigue import UNIT_EXPONENT as FATIGUE_UNIT_EXPONENT

LARGEST = math.ldexp(math.nextafter(1.0, 0), 1024 - UNIT_EXPONENT)


def test_the_unit_is_that_of_fatigue() -> None:
    assert UNIT_EXPONENT == FATIGUE_UNIT_EXPONENT


@settings(deadline=None)
@given(st.lists(st.one_of(st.floats(0, LARGEST), st.floats(0, 1e-20), st.floats(0, 1)), max_size=60))
def test_a_sum_equals_that_of_unbounded_integers(lives: list[float]) -> None:
    assert sum_units(np.array(lives, np.float64)) == sum(round(Fraction(life) * 2**UNIT_EXPONENT) for life in lives)


def test_halves_go_to_the_even_unit_and_the_largest_life_is_summed() -> None:
    for halves, units in ((1, 0), (3, 2), (5, 2), (7, 4)):
        assert sum_units(np.array([math.ldexp(halves, -UNIT_EXPONENT - 1)])) == units
    assert sum_units(np.array([LARGEST, LARGEST])) == 2 * int(LARGEST) * 2**UNIT_EXPONENT


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1e-20, -1e-300, math.ldexp(1.0, 1024 - UNIT_EXPONENT)])
def test_a_life_that_cannot_be_is_a_bug(bad: float) -> None:
    with pytest.raises(Bug, match="cannot be"):
        sum_units(np.array([0.5, bad]))
