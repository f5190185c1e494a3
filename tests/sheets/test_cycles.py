"""Sheets add up: folded, they count what the whole record counts, each cycle on the day that closed it."""

from collections import Counter
from collections.abc import Sequence
from datetime import date
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.sheets.cycles import Floats, Ints, feed, tally_sorted
from pipeline.sheets.fold import EMPTY, State, fold
from pipeline.sheets.sheet import Sheet
from schemas.times import DAY_US, day_of
from tests.extent import examples
from tests.sheets.slow import (
    MIDNIGHT_US,
    SECOND_US,
    Pair,
    Point,
    Record,
    Rigged,
    Sample,
    closed_and_open,
    closings,
    pairs_of,
    records,
    sheets,
    turning_points,
)


def folded(found: Sequence[Sheet]) -> tuple[dict[date, Counter[Pair]], State]:
    """Closed cycles by day, and what stays open."""
    by_day: dict[date, Counter[Pair]] = {}
    state = EMPTY
    for sheet in found:
        joined = fold(state, sheet)
        state = joined.state
        here = by_day.setdefault(sheet.slice.day, Counter())
        here += pairs_of(sheet.low_kn, sheet.high_kn, sheet.count)
        here += pairs_of(joined.low_kn, joined.high_kn, joined.count)
    return {day: cycles for day, cycles in by_day.items() if cycles}, state


def moored(*values: float, step_us: int = SECOND_US, from_us: int = MIDNIGHT_US) -> tuple[Sample, ...]:
    return tuple(Sample(from_us + i * step_us, kn) for i, kn in enumerate(values))


def rigged(samples: tuple[Sample, ...], *bounds: int | None) -> Record:
    return Record(samples, tuple(Rigged(a, b) for a, b in pairwise(bounds) if a is not None))


NIGHT = moored(10, 40, 20, 30, 20, 45, 45, 5, 0, 50, 5, step_us=DAY_US // 4)


@settings(deadline=None, max_examples=examples(300))
@given(records())
@example(Record((), (Rigged(MIDNIGHT_US, None),)))
@example(rigged(moored(7.5), MIDNIGHT_US, None))
@example(rigged(moored(*[12.5] * 9, step_us=DAY_US // 3), MIDNIGHT_US - 5, None))
@example(rigged(NIGHT, MIDNIGHT_US, MIDNIGHT_US + DAY_US, MIDNIGHT_US + 2 * DAY_US, None))
@example(rigged(NIGHT, MIDNIGHT_US - DAY_US, MIDNIGHT_US + DAY_US // 3, MIDNIGHT_US + 5 * DAY_US))
def test_folding_the_sheets_counts_what_the_whole_record_counts_day_by_day(record: Record) -> None:
    points = record.felt()
    expected: dict[date, Counter[Pair]] = {}
    for at_us, pair in closings(points):
        expected.setdefault(day_of(at_us), Counter())[pair] += 1
    by_day, state = folded(sheets(record))
    assert by_day == expected
    assert state.residue_kn.tolist() == closed_and_open([kn for kn, _ in points])[1]


@settings(deadline=None)
@given(records())
def test_open_points_carry_the_instant_of_a_sample_that_had_their_value(record: Record) -> None:
    _, state = folded(sheets(record))
    open_points = list(zip(state.residue_kn.tolist(), state.residue_us.tolist(), strict=True))
    assert set(open_points) <= set(record.felt())
    assert [at for _, at in open_points] == sorted(at for _, at in open_points)


@settings(deadline=None)
@given(records())
def test_a_sheet_alone_counts_its_own_slice(record: Record) -> None:
    for sheet in sheets(record):
        piece = sheet.slice
        inside = [(s.kn, s.at_us) for s in record.samples if s.usable and piece.from_us <= s.at_us < piece.to_us]
        felt = [0.0] * piece.begins + [kn for kn, _ in inside] + [0.0] * piece.ends
        closed, still_open = closed_and_open(felt)
        assert pairs_of(sheet.low_kn, sheet.high_kn, sheet.count) == closed
        assert sheet.residue_kn.tolist() == still_open


@settings(deadline=None)
@given(records())
def test_a_sheets_cycles_are_distinct_ascending_and_of_positive_range(record: Record) -> None:
    for sheet in sheets(record):
        pairs = list(zip(sheet.low_kn.tolist(), sheet.high_kn.tolist(), strict=True))
        assert pairs == sorted(set(pairs))
        assert (sheet.low_kn < sheet.high_kn).all()
        assert (sheet.count > 0).all()


def test_days_without_samples_change_nothing() -> None:
    apart = (*moored(10, 40, 20), *moored(30, 15, 45, from_us=MIDNIGHT_US + 4 * DAY_US))
    record = rigged(apart, MIDNIGHT_US, None)
    found = sheets(record)
    assert len(found) == 5
    assert folded(found[:1] + found[-1:])[1].residue_kn.tolist() == folded(found)[1].residue_kn.tolist()
    empty = found[2]
    assert empty.observed_us == empty.residue_kn.size == empty.count.size == empty.ends_kn.size == 0


def test_a_line_is_made_fast_slack_and_let_go_slack() -> None:
    # 0, 20, 0 at the end: nothing closes; what is open is one range up and one down.
    [sheet] = sheets(rigged(moored(20), MIDNIGHT_US, MIDNIGHT_US + 5 * SECOND_US))
    assert sheet.residue_kn.tolist() == [0, 20, 0]
    assert sheet.residue_us.tolist() == [MIDNIGHT_US, MIDNIGHT_US, MIDNIGHT_US + 5 * SECOND_US]


def test_a_rigging_that_ends_at_midnight_ends_on_the_day_that_midnight_opens() -> None:
    # The range of 0 to 20 closes when the line is let go, which is the first instant of the next day.
    record = rigged(moored(30, 10, 20, 5, from_us=MIDNIGHT_US), MIDNIGHT_US - 1, MIDNIGHT_US + DAY_US)
    by_day, state = folded(sheets(record))
    assert by_day == {day_of(MIDNIGHT_US): Counter({(10, 20): 1})}
    assert [sheet.slice.day for sheet in sheets(record)][-1] == day_of(MIDNIGHT_US + DAY_US)
    assert state.residue_us.tolist()[-1] == MIDNIGHT_US + DAY_US


def test_a_cycle_closes_on_the_day_of_the_first_sample_that_reaches_its_outer_point() -> None:
    day, next_day = day_of(MIDNIGHT_US), day_of(MIDNIGHT_US + DAY_US)
    before = moored(40, 20, 30, 21)
    for value, closes in ((20.0, True), (20.1, False), (19.0, True)):
        after = moored(value, from_us=MIDNIGHT_US + DAY_US)
        by_day, _ = folded(sheets(rigged((*before, *after), MIDNIGHT_US, None)))
        assert by_day.get(next_day, Counter())[20, 30] == closes
        assert day not in by_day


FLOATS = st.one_of(
    st.floats(-1e6, 1e6),
    st.sampled_from([1000.0, 500.0, 0.1, -0.3]).flatmap(
        lambda kn: st.sampled_from([kn, float(np.nextafter(kn, 2e9)), float(np.nextafter(kn, -2e9))])
    ),
)
"""Any values, and values one unit in the last place apart, whose differences round to the same number."""

Points = tuple[Floats, Ints]
CUTS = st.lists(st.integers(0, 40), max_size=5)


def pieces(values: Sequence[float], cuts: Sequence[int]) -> list[Points]:
    bounds = [0, *sorted(min(cut, len(values)) for cut in cuts), len(values)]
    at_us = np.arange(len(values), dtype=np.int64)
    return [(np.array(values[a:b], np.float64), at_us[a:b]) for a, b in pairwise(bounds)]


NOTHING: Points = (np.empty(0, np.float64), np.empty(0, np.int64))


def in_pairs(points_kn: Floats) -> Counter[Pair]:
    return pairs_of(*tally_sorted(points_kn.min(axis=1), points_kn.max(axis=1)))


@settings(deadline=None)
@given(st.lists(FLOATS, max_size=25), CUTS)
@example([1000.0, -0.3, float(np.nextafter(1000.0, 2e9)), -0.3, -0.4], [2])
def test_no_rounding_of_differences_decides_what_closes(values: list[float], cuts: list[int]) -> None:
    expected = closed_and_open(values)
    residue, closed = NOTHING, Counter[Pair]()
    for kn, at_us in pieces(values, cuts):
        alone_kn, alone_us, alone, _, _ = feed(*NOTHING, kn, at_us)
        joined_kn, joined_us, points_kn, _, _ = feed(*residue, alone_kn, alone_us)
        residue = joined_kn, joined_us
        closed += in_pairs(alone) + in_pairs(points_kn)
    assert (closed, residue[0].tolist()) == expected


@settings(deadline=None)
@given(st.lists(st.one_of(FLOATS, st.integers(0, 6).map(float)), max_size=25), CUTS)
def test_streaming_on_from_what_is_open_gives_the_same_times_as_the_whole(values: list[float], cuts: list[int]) -> None:
    [whole] = pieces(values, [])
    residue, closed = NOTHING, list[tuple[object, ...]]()
    for kn, at_us in pieces(values, cuts):
        residue_kn, residue_us, *cycles = feed(*residue, kn, at_us)
        residue = residue_kn, residue_us
        closed += zip(*(column.tolist() for column in cycles), strict=True)
    whole_kn, whole_us, *whole_cycles = feed(*NOTHING, *whole)
    assert closed == list(zip(*(column.tolist() for column in whole_cycles), strict=True))
    assert residue[0].tolist() == whole_kn.tolist()
    assert residue[1].tolist() == whole_us.tolist()


@settings(deadline=None)
@given(st.lists(st.integers(0, 6), max_size=25))
def test_streamed_cycles_are_told_with_the_samples_that_made_and_closed_them(values: list[int]) -> None:
    points: list[Point] = [(float(kn), at_us) for at_us, kn in enumerate(values)]
    [whole] = pieces([kn for kn, _ in points], [])
    _, _, points_kn, points_us, closed_us = feed(*NOTHING, *whole)
    told = [(at, (min(kn), max(kn))) for at, kn in zip(closed_us.tolist(), points_kn.tolist(), strict=True)]
    assert Counter(told) == Counter(closings(points))
    for (first_kn, second_kn), (first_us, second_us), closed in zip(
        points_kn.tolist(), points_us.tolist(), closed_us.tolist(), strict=True
    ):
        assert first_us < second_us < closed
        assert (points[first_us][0], points[second_us][0]) == (first_kn, second_kn)
    assert {at for at in points_us.ravel().tolist()} <= {at for _, at in turning_points(points)}


@settings(deadline=None)
@given(st.lists(st.tuples(st.sampled_from([-0.0, 0.0, 1.5, 2.5]), st.sampled_from([2.5, 3.0])), max_size=200))
def test_equal_cycles_are_counted_together_whatever_the_sign_of_zero(pairs: list[Pair]) -> None:
    low = np.array([pair[0] for pair in pairs], np.float64)
    high = np.array([pair[1] for pair in pairs], np.float64)
    low_kn, high_kn, count = tally_sorted(low, high)
    assert pairs_of(low_kn, high_kn, count) == Counter(pairs)
    assert low_kn.size == len(set(pairs))


@pytest.mark.parametrize("distinct", [31, 32, 33, 1000, 70_000])
def test_any_number_of_distinct_cycles_is_counted(distinct: int) -> None:
    low = np.tile(np.arange(distinct) * 0.1, 3)
    low[0] = -0.0
    low_kn, high_kn, count = tally_sorted(low, low + 7.0)
    assert low_kn.tolist() == (np.arange(distinct) * 0.1).tolist()
    assert (high_kn == low_kn + 7.0).all()
    assert count.tolist() == [3] * distinct
