"""The trace: each 10-second bin holds its samples' mean to the daN, and their exact lowest and highest."""

from fractions import Fraction

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.sheets.trace import BIN_US, BINS_OF_DAY, DAN_PER_KN, Trace, make_trace
from schemas.times import DAY_US

DAY = 20_000 * DAY_US
S = 1_000_000
Reading = tuple[int, float, bool]
"""Instant in the day [us], tension [kN], usable."""
READINGS = st.lists(
    st.tuples(st.integers(0, 100 * S), st.floats(-500.0, 5000.0), st.booleans()),
    max_size=60,
    unique_by=lambda reading: reading[0],
).map(sorted)
OFFSETS = st.sampled_from([0, 7 * S, DAY_US - 101 * S])


def trace_of(readings: list[Reading], offset_us: int = 0) -> Trace:
    return make_trace(
        np.array([DAY + offset_us + at for at, *_ in readings], np.int64),
        np.array([kn for _, kn, _ in readings], np.float64),
        np.array([usable for *_, usable in readings], np.bool_),
        DAY,
    )


def rows(trace: Trace) -> list[tuple[int, int, float, float]]:
    columns = (trace.bins, trace.mean_dan, trace.low_kn, trace.high_kn)
    return list(zip(*(column.tolist() for column in columns), strict=True))


def test_a_trace_by_hand() -> None:
    # (100 + 104 + 99) / 3 = 101 kN; what is not usable is not looked at; an empty bin has no row.
    readings = [(0, 100.0, True), (5 * S, 104.0, True), (6 * S, 9e9, False), (9_999_999, 99.0, True)]
    readings += [(10 * S, 50.25, True), (40 * S, 1.0, False), (50 * S, -2.0, True)]
    assert rows(trace_of(readings)) == [
        (0, 10_100, 99.0, 104.0),
        (1, 5_025, 50.25, 50.25),
        (5, -200, -2.0, -2.0),
    ]


def test_the_last_bin_of_a_day_holds_its_last_microsecond() -> None:
    found = trace_of([(0, 7.0, True)], DAY_US - 1)
    assert found.bins.tolist() == [BINS_OF_DAY - 1]


@given(READINGS, OFFSETS)
def test_each_bin_is_that_of_its_own_samples(readings: list[Reading], offset_us: int) -> None:
    bins: dict[int, list[float]] = {}
    for at, kn, usable in readings:
        if usable:
            bins.setdefault((offset_us + at) // BIN_US, []).append(kn)
    found = rows(trace_of(readings, offset_us))
    assert [row[0] for row in found] == sorted(bins)
    for number, mean_dan, low, high in found:
        held = bins[number]
        assert (low, high) == (min(held), max(held))
        exact = DAN_PER_KN * sum(map(Fraction, held), Fraction(0)) / len(held)
        assert abs(Fraction(mean_dan) - exact) <= Fraction(1, 2) + Fraction(1, 10**6)


@given(st.integers(0, 2**32 - 1), st.sampled_from([1, 3, 10, 97]), st.sampled_from([0.0, 0.01, 0.5]))
def test_a_mean_is_the_sum_in_order_of_time_to_the_last_bit(seed: int, per_second: int, gone: float) -> None:
    # Of 13 bins and a bit, of a regular log and one with readings left out, to the daN and halves to even.
    rng = np.random.default_rng(seed)
    count = 137 * per_second
    kept = np.flatnonzero(rng.uniform(size=count) >= gone * 0.3)
    at_us = DAY + kept * (S // per_second)
    kn = rng.normal(0.0, 10.0 ** rng.integers(-3, 16), kept.size) + rng.choice([-0.0, 0.0], kept.size)
    kn[rng.uniform(size=kept.size) < 0.3] *= 0.0
    usable = rng.uniform(size=kept.size) >= gone
    made = make_trace(at_us, kn, usable, DAY)
    sums: dict[int, tuple[float, int, float, float]] = {}
    for number, value, counts in zip(((at_us - DAY) // BIN_US).tolist(), kn.tolist(), usable.tolist(), strict=True):
        if counts:
            total, many, low, high = sums.get(number, (None, 0, value, value))
            sums[number] = value if total is None else total + value, many + 1, min(low, value), max(high, value)
    assert made.bins.tolist() == list(sums)
    assert made.mean_dan.tolist() == [round(total / many * 100.0) for total, many, *_ in sums.values()]
    assert list(map(float.hex, made.low_kn.tolist())) == [low.hex() for *_, low, _ in sums.values()]
    assert list(map(float.hex, made.high_kn.tolist())) == [high.hex() for *_, high in sums.values()]


@given(READINGS, st.integers(0, 11))
def test_cut_between_two_bins_the_parts_give_the_whole(readings: list[Reading], cut: int) -> None:
    before = [reading for reading in readings if reading[0] < cut * BIN_US]
    after = [reading for reading in readings if reading[0] >= cut * BIN_US]
    assert rows(trace_of(before)) + rows(trace_of(after)) == rows(trace_of(readings))
