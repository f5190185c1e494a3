"""The price of unobserved time: from the line's own days alone, the same each time, and wide enough to be true."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import Bug
from pipeline.outlook.blocks import (
    DAY_US,
    Day,
    Record,
    TooFew,
    begins_in,
    drawn_records,
    even_stretches,
    record_of,
    seed_of,
    stretches,
)
from pipeline.outlook.unobserved import Price, gaps_of, unobserved_price

HOUR_US = DAY_US // 24


def days(seed: int = 1, many: int = 90) -> list[Day]:
    rng = np.random.default_rng(seed)
    life = np.exp(rng.normal(0, 2, many) + 40)
    return [Day(int(units), DAY_US, DAY_US) for units in life]


def price(of: list[Day], gaps_us: list[int], seed: int = 7) -> Price:
    found = unobserved_price(of, gaps_us, seed)
    assert isinstance(found, Price)
    return found


GAPS = st.lists(st.integers(1, 5 * DAY_US), min_size=1, max_size=5)


@settings(deadline=None, max_examples=15)
@given(GAPS, st.randoms(use_true_random=False))
def test_the_same_gaps_cost_the_same_twice_and_in_any_order(gaps_us: list[int], order: object) -> None:
    shuffled = gaps_us.copy()
    order.shuffle(shuffled)  # type: ignore[attr-defined]
    first = price(days(), gaps_us)
    assert first == price(days(), gaps_us) == price(days(), [*shuffled, 0])
    assert 0 <= first.low <= first.median <= first.high


@given(st.lists(st.tuples(st.integers(0, 400), st.integers(0, 90)), max_size=20), st.integers(1, 60))
def test_a_gap_is_the_same_however_it_is_cut_and_told(pieces: list[tuple[int, int]], step: int) -> None:
    whole = [(begin, begin + extent) for begin, extent in pieces]
    cut = [(at, min(at + step, end)) for begin, end in whole for at in range(begin, end, step)]
    # By hand: the unobserved instants one by one, and how many stand together.
    instants = {at for begin, end in whole for at in range(begin, end)}
    runs = [next(n for n in range(1, 600) if at + n not in instants) for at in instants if at - 1 not in instants]
    assert gaps_of(whole) == gaps_of(cut[::-1] + whole) == tuple(sorted(runs, reverse=True))


def test_a_gap_across_midnight_is_one_gap_and_costs_what_it_costs() -> None:
    cut = gaps_of([(20 * HOUR_US, DAY_US), (DAY_US, 2 * DAY_US), (2 * DAY_US, 50 * HOUR_US)])
    assert cut == (30 * HOUR_US,)
    assert price(days(), list(cut)) == price(days(), [30 * HOUR_US])


def test_another_line_or_zone_draws_otherwise_and_the_same_one_alike() -> None:
    seeds = {seed_of("L1", "a", "gap"), seed_of("L1", "b", "gap"), seed_of("L2", "a", "gap"), seed_of("L1", "a", "x")}
    assert len(seeds) == 4
    assert seed_of("L1", "a", "gap") in seeds
    assert seed_of("ab", "c", "gap") != seed_of("a", "bc", "gap")
    first, second = (price(days(), [DAY_US], seed_of("L1", zone, "gap")) for zone in "ab")
    assert first != second


@settings(deadline=None, max_examples=15)
@given(st.integers(0, 2**32), st.integers(HOUR_US, 10 * DAY_US))
def test_twice_the_life_on_every_day_is_twice_the_price(seed: int, gap_us: int) -> None:
    once = price(days(seed), [gap_us])
    twice = price([Day(2 * day.life_units, day.observed_us, day.rigged_us) for day in days(seed)], [gap_us])
    for one, two in ((once.low, twice.low), (once.median, twice.median), (once.high, twice.high)):
        assert two == pytest.approx(2 * one, rel=1e-6)


def test_a_longer_gap_costs_more() -> None:
    costs = [price(days(), [hours * HOUR_US]) for hours in (1, 6, 24, 100, 500)]
    for shorter, longer in pairwise(costs):
        assert shorter.median < longer.median
        assert shorter.high < longer.high


def test_days_that_are_all_alike_price_a_long_gap_at_their_rate() -> None:
    # 1000 units a day for ever: no doubt is left but how a day's life falls within it.
    alike = [Day(1000, DAY_US, DAY_US)] * 60
    assert price(alike, [10 * DAY_US]) == Price(10_000, 10_000, 10_000, 20, 3.0)
    assert price(alike, [DAY_US // 4]).median == pytest.approx(250, abs=1)


def test_days_observed_in_part_count_by_the_time_that_was_observed() -> None:
    # 1000 units in each observed 6 hours are 4000 a day, and the rest of the day is not zero.
    quarter = [Day(1000, DAY_US // 4, DAY_US)] * 240
    assert price(quarter, [2 * DAY_US]).median == 8000


def test_the_worst_may_be_worse_than_the_worst_seen() -> None:
    record = record_of(days())
    assert isinstance(record, Record)
    begins_us = np.random.default_rng(2).random(5000) * record.total_us
    drawn = stretches(record, float(DAY_US), begins_us, np.random.default_rng(3), parts=False)
    assert drawn.max() > 1.2 * record.life.max()


def test_too_little_is_refused_with_its_reason() -> None:
    for few, gaps_us, why in (
        (days(many=19), [HOUR_US], "19.0 days observed; at least 20"),
        ([Day(0, DAY_US, DAY_US)] * 50, [HOUR_US], "no observed day used any life"),
        (days(many=30), [31 * DAY_US], "31.0 days unobserved against 30.0 observed"),
        ([], [HOUR_US], "0.0 days observed"),
    ):
        found = unobserved_price(few, gaps_us, 1)
        assert isinstance(found, TooFew)
        assert why in found.why
    assert isinstance(unobserved_price(days(many=20), [HOUR_US], 1), Price)


def test_unrigged_and_unobserved_days_change_nothing() -> None:
    spread = [part for day in days() for part in (day, Day(0, 0, DAY_US), Day(0, 0, 0))]
    assert price(spread, [DAY_US]) == price(days(), [DAY_US])


def test_no_gap_costs_nothing() -> None:
    found = price(days(), [])
    assert (found.low, found.median, found.high) == (0, 0, 0)


def test_a_stretch_takes_whole_days_as_they_were() -> None:
    # From the begin of day 1 for two days, wrapping round from day 3 to day 0, and no smoothing with one rate.
    record = record_of([Day(1000, DAY_US, DAY_US)] * 30)
    assert isinstance(record, Record)
    begins_us = np.array([1.0, 29.0, 29.5]) * DAY_US
    whole = stretches(record, 2.0 * DAY_US, begins_us, np.random.default_rng(1), parts=False)
    assert whole.tolist() == pytest.approx([2000.0, 2000.0, 2000.0], rel=1e-12)


@settings(deadline=None, max_examples=15)
@given(st.lists(st.integers(1, 15 * DAY_US), min_size=1, max_size=9), st.integers(0, 99))
def test_stretches_drawn_at_once_are_those_drawn_one_by_one_to_the_last_bit(lengths_us: list[int], seed: int) -> None:
    record = record_of([*days(3), Day(10**17, DAY_US // 3, DAY_US)])
    assert isinstance(record, Record)
    lengths = [min(float(us), record.block_us) for us in lengths_us]
    one, other = np.random.default_rng(seed), np.random.default_rng(seed)
    drawn = drawn_records(record, 20, one)
    assert np.array_equal(drawn, drawn_records(record, 20, other))
    apart = [stretches(record, us, begins_in(drawn, record, one), one, parts=False) for us in lengths]
    assert np.array_equal(np.array(apart), even_stretches(record, lengths, drawn, other))


def test_what_cannot_be_is_a_bug() -> None:
    for day in (Day(-1, 1, 1), Day(1, 2, 1), Day(1, 1, DAY_US + 1)):
        with pytest.raises(Bug, match="a day cannot"):
            unobserved_price([day], [1], 1)
    with pytest.raises(Bug, match="shorter than nothing"):
        unobserved_price(days(), [-1], 1)
    record = record_of(days())
    assert isinstance(record, Record)
    with pytest.raises(Bug, match="one block"):
        stretches(record, record.block_us * 1.01, np.zeros(1), np.random.default_rng(1))
