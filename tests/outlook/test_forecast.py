"""The forecast: a rate with a band, and a date only where one may be given."""

from datetime import date
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import Bug
from pipeline.outlook.blocks import DAY_US, Day, TooFew
from pipeline.outlook.forecast import Forecast, Limit, Reached, _days_until, forecast

AS_OF = date(2026, 11, 1)


def days(seed: int, many: int = 40, spread: float = 1.0) -> list[Day]:
    life = np.exp(np.random.default_rng(seed).normal(40, spread, many))
    return [Day(int(units), DAY_US, DAY_US) for units in life]


def made(of: list[Day], limit: Limit | None = None, *, may_date: bool = False, last_days: int = 30) -> Forecast:
    found = forecast(of, limit, seed=5, may_date=may_date, last_days=last_days)
    assert isinstance(found, Forecast)
    return found


ALIKE = [Day(1000, DAY_US, DAY_US)] * 30


def test_days_that_are_all_alike_leave_no_doubt() -> None:
    found = made(ALIKE, Limit(10_500, AS_OF, 1.0), may_date=True)
    assert (found.per_day, found.low, found.high, found.days) == (1000, 1000, 1000, 30)
    on = date(2026, 11, 11)  # ten and a half days after the begin of the first: floored, to the safe side
    assert found.reached == Reached(on, on, on)


def test_a_line_that_is_rigged_half_of_the_time_lasts_twice_as_long() -> None:
    found = made(ALIKE, Limit(10_600, AS_OF, 0.5), may_date=True)
    assert found.reached == Reached(*[date(2026, 11, 22)] * 3)


def test_no_date_without_leave_nor_without_a_limit() -> None:
    limit = Limit(10_500, AS_OF, 1.0)
    assert made(ALIKE, limit).reached is None
    assert made(ALIKE, None, may_date=True).reached is None
    # Leave to give a date changes no rate.
    given_date = made(days(1), limit, may_date=True)
    assert (given_date.low, given_date.high) == (made(days(1)).low, made(days(1)).high)


def test_what_is_used_up_already_is_reached_today() -> None:
    for left in (0, -5):
        assert made(ALIKE, Limit(left, AS_OF, 1.0), may_date=True).reached == Reached(AS_OF, AS_OF, AS_OF)


def test_no_date_lies_beyond_ten_years() -> None:
    assert made(ALIKE, Limit(1000 * 3653, AS_OF, 1.0), may_date=True).reached != Reached(None, None, None)
    assert made(ALIKE, Limit(1000 * 3654, AS_OF, 1.0), may_date=True).reached == Reached(None, None, None)
    assert made(ALIKE, Limit(10**30, AS_OF, 1e-9), may_date=True).reached == Reached(None, None, None)


@settings(deadline=None, max_examples=10)
@given(st.integers(0, 2**32), st.integers(1, 200))
def test_earliest_median_and_latest_stand_in_order_and_less_left_is_never_later(seed: int, left_days: int) -> None:
    history = days(seed)
    mean = sum(day.life_units for day in history) // len(history)
    before = None
    for left in (mean * left_days // 2, mean * left_days):
        reached = made(history, Limit(left, AS_OF, 1.0), may_date=True).reached
        assert reached is not None
        told = [at or date.max for at in (reached.earliest, reached.median, reached.latest)]
        assert told == sorted(told)
        assert before is None or all(a <= b for a, b in zip(before, told, strict=True))
        before = told


@settings(deadline=None, max_examples=10)
@given(st.integers(0, 2**32))
def test_the_rate_is_that_of_the_last_rigged_days_and_lies_in_its_band(seed: int) -> None:
    old = [Day(10**30, DAY_US, DAY_US)] * 5
    unrigged = [Day(0, 0, 0)] * 10
    recent = days(seed, 30)
    found = made([*old, *recent, *unrigged])
    assert found == made(recent)
    assert found.per_day == pytest.approx(sum(day.life_units for day in recent) / 30, rel=1e-9)
    assert found.low < found.per_day < found.high


def test_more_spread_between_days_is_a_wider_band() -> None:
    calm, rough = made(days(3, spread=0.3)), made(days(3, spread=2.0))
    assert rough.high / rough.low > 2 * calm.high / calm.low


def test_too_few_days_give_no_rate() -> None:
    found = forecast(days(1, 19), None, seed=1)
    assert isinstance(found, TooFew)
    assert "19.0 days observed" in found.why
    assert isinstance(forecast(days(1), None, seed=1, last_days=10), TooFew)


def test_the_caution_stands_beside_the_figure() -> None:
    assert "no forecast is a reason to keep a line longer" in made(ALIKE).caution


@given(
    st.lists(st.integers(0, 50), min_size=1, max_size=6),
    st.lists(st.integers(0, 50), min_size=1, max_size=6),
    st.integers(0, 3000),
)
def test_the_day_of_reaching_is_that_of_a_count_block_by_block(first: list[int], later: list[int], left: int) -> None:
    found = _days_until(left, [float(units) for units in first], [float(units) for units in later], 3.0)
    done, at = 0, Fraction(0)
    blocks = first + later * (left + 1)
    for units in blocks:
        if left <= done + units:
            at += Fraction(3 * (left - done), units) if units else 0
            break
        done, at = done + units, at + 3
    else:
        assert found == float("inf")
        return
    assert found == pytest.approx(float(at), abs=1e-6)


@pytest.mark.parametrize("share", [0.0, -0.1, 1.01, float("nan")])
def test_a_share_of_rigged_time_that_cannot_be_is_a_bug(share: float) -> None:
    with pytest.raises(Bug, match="calendar time"):
        forecast(ALIKE, Limit(1, AS_OF, share), seed=1, may_date=True)
