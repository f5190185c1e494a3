"""Strength left falls with life used, goes on below the retirement line, and never below nothing."""

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from pipeline.errors import Bug, RegisterError
from pipeline.wear.strength import after_blocks, margin, residual, retirement_kn, strength_left_kn, used_at
from schemas.specs import StrengthLeft

USED = st.floats(0, 3)
EXPONENT = st.floats(0.2, 8)


def left(exponent: float = 2.0, at_end: float = 0.6) -> StrengthLeft:
    return StrengthLeft(exponent=exponent, at_end=at_end, source="invented for the tests")


def test_a_new_line_has_its_break_force_and_a_used_up_one_what_the_spec_says() -> None:
    assert strength_left_kn(1370.0, 0.0, left()) == 1370.0
    assert strength_left_kn(1000.0, 1.0, left(at_end=0.6)) == pytest.approx(600.0, rel=1e-15)


def test_strength_goes_on_downward_past_the_end_of_life_and_the_retirement_line() -> None:
    # 1000 * (1 - 0.4 * 1.5^2) = 100, far under the 750 at which it should have been retired.
    assert strength_left_kn(1000.0, 1.5, left()) == pytest.approx(100.0, rel=1e-12)
    assert strength_left_kn(1000.0, 1.5, left()) < retirement_kn(1000.0)


def test_strength_ends_at_nothing_also_where_the_power_is_beyond_a_double() -> None:
    assert strength_left_kn(1000.0, 2.0, left()) == 0.0
    assert strength_left_kn(1000.0, 1e300, left(exponent=5.0)) == 0.0


@given(USED, USED, EXPONENT, st.floats(0.01, 0.99))
def test_more_life_used_never_leaves_more_strength(one: float, other: float, exponent: float, at_end: float) -> None:
    less, more = sorted((one, other))
    of = left(exponent, at_end)
    assert 0 <= strength_left_kn(1370.0, more, of) <= strength_left_kn(1370.0, less, of) <= 1370.0


@given(st.floats(0, 1), EXPONENT, st.floats(0.01, 0.99))
def test_the_spec_s_form_is_that_of_schaff_and_davidson(used: float, exponent: float, at_end: float) -> None:
    by_form = residual(1370.0, at_end * 1370.0, used, exponent)
    assert strength_left_kn(1370.0, used, left(exponent, at_end)) == pytest.approx(by_form, rel=1e-12)


@given(st.floats(0.01, 2), st.floats(0.5, 4), st.floats(0, 0.9))
def test_the_life_that_leaves_a_strength_is_the_inverse(used: float, exponent: float, sp: float) -> None:
    # Near no loss at all strength has no digits left to tell the life by: 0.01^4 is 1e-8.
    assert used_at(1.0, sp, residual(1.0, sp, used, exponent), exponent) == pytest.approx(used, rel=1e-5)


@example([0.0078125, 0.5], 7.0)
@given(st.lists(st.floats(0, 0.5), max_size=6), EXPONENT)
def test_blocks_of_one_load_are_one_block(parts: list[float], exponent: float) -> None:
    whole = residual(1.0, 0.4, math.fsum(parts), exponent)
    assert after_blocks(1.0, [(0.4, part) for part in parts], exponent) == pytest.approx(whole, abs=1e-12)


def test_the_order_of_loads_counts() -> None:
    # By hand, exponent 1: half of A's life leaves 0.85, of B's 0.75; the rest adds 0.5 * 0.5 and 0.5 * 0.3. Straight
    # lines add up either way; bent ones do not.
    high_first, low_first = [(0.7, 0.5), (0.5, 0.5)], [(0.5, 0.5), (0.7, 0.5)]
    assert after_blocks(1.0, high_first, 1.0) == pytest.approx(0.6, rel=1e-12)
    assert after_blocks(1.0, low_first, 1.0) == pytest.approx(0.6, rel=1e-12)
    # Exponent 2: A leaves 0.925, which is sqrt(0.15) of B's life; B leaves 0.875, sqrt(0.125 / 0.3) of A's.
    assert after_blocks(1.0, high_first, 2.0) == pytest.approx(1 - 0.5 * (math.sqrt(0.15) + 0.5) ** 2, rel=1e-12)
    assert after_blocks(1.0, low_first, 2.0) == pytest.approx(1 - 0.3 * (math.sqrt(0.125 / 0.3) + 0.5) ** 2, rel=1e-12)
    assert after_blocks(1.0, [], 2.0) == 1.0


def test_a_margin_is_how_many_times_the_peak_goes_into_the_strength() -> None:
    assert margin(400.0, 1000.0) == 2.5
    assert margin(1100.0, 1000.0) == pytest.approx(1 / 1.1)
    assert margin(400.0, 0.0) == 0.0


@pytest.mark.parametrize("peak_kn", [0.0, -0.0, -3.0])
def test_without_a_peak_there_is_no_margin(peak_kn: float) -> None:
    assert margin(peak_kn, 1000.0) is None


def test_the_retirement_line_is_of_ship_design_mbl_and_the_policy_may_move_it() -> None:
    assert retirement_kn(1200.0, 80.0) == 960.0
    assert retirement_kn(1200.0, 100) == 1200.0


@pytest.mark.parametrize(
    ("mbl_kn", "percent"),
    [(0.0, 75.0), (-1.0, 75.0), (math.nan, 75.0), (math.inf, 75.0), (100.0, 0.0), (100.0, 101.0), (100.0, math.nan)],
)
def test_a_retirement_line_of_nothing_is_refused(mbl_kn: float, percent: float) -> None:
    with pytest.raises(RegisterError, match="percentage of ship design MBL"):
        retirement_kn(mbl_kn, percent)


@pytest.mark.parametrize("bad", [-0.01, math.nan, math.inf])
def test_a_life_that_cannot_be_is_a_bug_and_never_full_strength(bad: float) -> None:
    with pytest.raises(Bug, match="life used"):
        strength_left_kn(1000.0, bad, left())
    with pytest.raises(Bug, match="no strength left"):
        residual(1.0, 0.5, bad, 1.0)


@pytest.mark.parametrize(
    ("s0", "sp", "exponent"), [(0.5, 0.5, 1.0), (0.5, -0.1, 1.0), (1.0, 0.5, 0.0), (math.nan, 0.5, 1.0)]
)
def test_a_form_that_cannot_be_is_a_bug(s0: float, sp: float, exponent: float) -> None:
    with pytest.raises(Bug, match="no strength left"):
        residual(s0, sp, 0.5, exponent)
    with pytest.raises(Bug, match="no life used"):
        used_at(s0, sp, 0.4, exponent)


def test_a_strength_above_the_new_one_or_a_margin_of_no_number_is_a_bug() -> None:
    with pytest.raises(Bug, match="no life used"):
        used_at(1.0, 0.5, 1.1, 1.0)
    for peak_kn, strength_kn in ((math.nan, 1.0), (math.inf, 1.0), (1.0, math.nan), (1.0, -1.0), (1.0, math.inf)):
        with pytest.raises(Bug, match="no margin"):
            margin(peak_kn, strength_kn)


def test_a_break_force_that_is_none_has_no_strength_left() -> None:
    with pytest.raises(RegisterError, match="break force"):
        strength_left_kn(0.0, 0.1, left())
