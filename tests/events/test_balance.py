"""Balance: what each line of a role bore, exactly, however the record is cut into days."""

import random
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.events.balance import HOUR_BINS, CallDay, Traced, balance, borne_on

FAST = range(10, 5_000)


def traced(line: str, role: str, means: dict[int, int]) -> Traced:
    bins = sorted(means)
    return Traced(line, role, np.array(bins, np.int64), np.array([means[b] for b in bins], np.int64))


def test_a_balance_by_hand() -> None:
    # Heads: (100 + 140) / 2 = 120 kN in the mean, the larger 140 / 120; the last hour holds bins 401 and on.
    lines = [
        traced("L1", "head", dict.fromkeys(range(10, 761), 10_000)),
        traced("L2", "head", {b: 8_000 if b >= 401 else 20_000 - 2_000 * (b < 10) for b in range(0, 761)}),
        traced("L3", "spring", {700: 5_000}),
    ]
    (call,) = balance([d for d in [borne_on("S1", 7, lines, fast=FAST, day=range(0, 8640))] if d is not None])
    head, spring = call.roles
    assert [line.line for line in head.lines] == ["L1", "L2"]
    assert head.lines[0].mean_kn == 100.0
    # 391 bins of 200 kN and 360 of 80 kN
    assert head.lines[1].mean_kn == pytest.approx((391 * 200 + 360 * 80) / 751)
    assert head.lines[1].last_hour_kn == 80.0
    assert head.largest is not None
    assert head.largest_last_hour is not None
    assert head.largest.line == "L2"
    assert head.largest_last_hour.line == "L1"
    assert head.largest_last_hour.times_mean == pytest.approx(100 / 90)
    assert spring.largest is not None
    assert (spring.largest.line, spring.largest.times_mean) == ("L3", 1.0)


def test_a_role_that_bears_nothing_has_no_largest_share() -> None:
    lines = [traced(name, "head", {20: 0}) for name in ("L1", "L2")]
    day = borne_on("S1", 7, lines, fast=FAST, day=range(0, 8640))
    assert day is not None
    (call,) = balance([day])
    assert call.roles[0].largest is not None
    assert call.roles[0].largest.times_mean is None


def test_outside_the_time_when_all_are_fast_nothing_counts() -> None:
    assert borne_on("S1", 7, [traced("L1", "head", {9: 1, 5_000: 1})], fast=FAST, day=range(0, 8640)) is None


TRACES = st.dictionaries(st.integers(0, 1999), st.integers(-50, 50_000), max_size=40)


@given(
    st.lists(TRACES, min_size=1, max_size=4),
    st.lists(st.integers(1, 1999), max_size=3, unique=True).map(sorted),
    st.randoms(use_true_random=False),
)
def test_however_the_days_are_cut_the_balance_is_that_of_the_whole(
    traces: list[dict[int, int]], cuts: list[int], order: random.Random
) -> None:
    fast = range(100, 1_900)
    lines = [traced(f"L{i}", "head" if i % 2 else "stern", found) for i, found in enumerate(traces)]

    def near(day: range) -> list[Traced]:
        """What a day sees: itself, and the hour before."""
        kept = [(one, (one.bins >= day.start - HOUR_BINS) & (one.bins < day.stop)) for one in lines]
        return [Traced(one.line, one.role, one.bins[k], one.mean_dan[k]) for one, k in kept]

    bounds = [range(a, b) for a, b in pairwise([0, *cuts, 2_000])]
    days = [borne_on("S1", 7, near(day), fast=fast, day=day) for day in bounds]
    whole = borne_on("S1", 7, lines, fast=fast, day=range(0, 2_000))
    parts = [CallDay.from_payload(day.to_payload()) for day in days if day is not None]
    order.shuffle(parts)
    assert balance(parts) == balance([whole] if whole is not None else [])
    for call in balance(parts):
        for role in call.roles:
            for line in role.lines:
                means = traces[int(line.line[1:])]
                inside = [means[b] for b in means if b in fast]
                exact = Fraction(sum(inside), 100 * len(inside)) if inside else None
                assert line.mean_kn == (None if exact is None else float(exact))
