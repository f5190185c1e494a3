"""Outside checks 1-8: other people's rainflow counts, and the figures of the ASTM history.

Ours counts four-point, without classes and without a gate, and keeps what stays open. Where an outside
figure rests on classes, a gate, or a repeated history, the test says so and puts that step before or after
our count.

Oracles: rainflow 3.2.0 (ASTM E1049-85 three-point, open ranges as halves); rfcnt 0.6.1 (four-point, by
classes); fatpack 0.7.8 (`find_rainflow_cycles` on exact turning points, since its `find_reversals` bins by
the record's own range); pylife 2.3.1 (`FourPointDetector`).
"""

from collections import Counter
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path

import fatpack
import numpy as np
import pytest
import rainflow
import rfcnt
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from pylife.stress.rainflow import FourPointDetector, FullRecorder

from pipeline.sheets import cycles
from pipeline.sheets.cycles import feed, tally_sorted
from pipeline.wear.fatigue import half_cycles

Pairs = Counter[tuple[float, float]]

# Source: ASTM E1049-85, 5.4.4, Fig. 6: from memory; its counts were obtained from rainflow and rfcnt.
ASTM = [-2, 1, -3, 5, -1, 3, -4, 4, -2]

HISTORY = st.lists(st.integers(-6, 6), min_size=1, max_size=60)
"""Small integers: ties and plateaus everywhere."""


def count(values: Sequence[float]) -> tuple[Pairs, list[float]]:
    """Our count of a whole record: closed (low, high) pairs, and the residue."""
    return carry(values, [])


def carry(values: Sequence[float], residue: Sequence[float]) -> tuple[Pairs, list[float]]:
    """Our count of values that follow an open residue."""
    before, more = np.array(residue, np.float64), np.array(values, np.float64)
    times = np.zeros(before.size, np.int64), np.arange(more.size)
    residue_kn, _, points_kn, _, _ = feed(before, times[0], more, times[1])
    low, high, counts = tally_sorted(points_kn.min(axis=1), points_kn.max(axis=1))
    pairs = zip(low.tolist(), high.tolist(), strict=True)
    return Counter(dict(zip(pairs, counts.tolist(), strict=True))), residue_kn.tolist()


def pairs_of(points: Sequence[Sequence[float]]) -> Pairs:
    return Counter((float(min(point)), float(max(point))) for point in points)


def range_mean_counts(closed: Pairs, residue: Sequence[float]) -> dict[tuple[float, float], float]:
    """Closed cycles as 1, open ranges as half cycles: what an account calls pending."""
    total: Counter[tuple[float, float]] = Counter()
    for (low, high), times in closed.items():
        total[high - low, (high + low) / 2] += 2 * times
    low_kn, high_kn = half_cycles(np.array(residue, np.float64))
    for low, high in zip(low_kn.tolist(), high_kn.tolist(), strict=True):
        total[high - low, (high + low) / 2] += 1
    return {cycle: halves / 2 for cycle, halves in total.items()}


def by_range(counts: dict[tuple[float, float], float]) -> dict[float, float]:
    total: dict[float, float] = {}
    for (extent, _), times in counts.items():
        total[extent] = total.get(extent, 0.0) + times
    return total


def turning_points(values: Sequence[float]) -> list[float]:
    """First value, strict local extremes once equal neighbours are one, last value."""
    distinct = [value for i, value in enumerate(values) if i == 0 or value != values[i - 1]]
    inner = [b for a, b, c in zip(distinct, distinct[1:], distinct[2:], strict=False) if (b > a) != (c > b)]
    return [*distinct[:1], *inner, *distinct[1:][-1:]]


def gated(values: Sequence[float], keeps: Callable[[float], bool]) -> list[float]:
    """Turning points whose swings all pass a gate; nothing before the first swing that does."""
    kept: list[float] = []
    low = high = values[0]
    for value in values:
        if not kept:
            low, high = min(low, value), max(high, value)
            if keeps(high - low):
                kept = [low, high] if value == high else [high, low]
        elif (value > kept[-1]) == (kept[-1] > kept[-2]):
            kept[-1] = value
        elif keeps(abs(value - kept[-1])):
            kept.append(value)
    return kept


def test_1_the_astm_history_with_open_ranges_as_half_cycles() -> None:
    # Source: ASTM E1049-85, 5.4.4 and Fig. 6 (from memory); the cycle list as rainflow 3.2.0 gives it.
    expected = {
        (3, -0.5): 0.5,
        (4, -1.0): 0.5,
        (4, 1.0): 1.0,
        (8, 1.0): 0.5,
        (9, 0.5): 0.5,
        (8, 0.0): 0.5,
        (6, 1.0): 0.5,
    }
    ours = range_mean_counts(*count(ASTM))
    assert ours == expected
    assert by_range(ours) == {3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5}
    assert by_range(ours) == dict(rainflow.count_cycles(ASTM))


def test_2_the_astm_history_four_point_closes_one_cycle() -> None:
    # Source: obtained from rfcnt 0.6.1 and fatpack 0.7.8, both of which run here.
    closed, residue = count(ASTM)
    assert closed == {(-1, 3): 1}
    assert residue == [-2, 1, -3, 5, -4, 4, -2]
    assert rfcnt_count(ASTM) == (closed, residue)
    assert fatpack_count(ASTM) == (closed, residue)


def test_3_the_astm_history_repeated_closes_what_was_open() -> None:
    # Source: ASTM E1049-85, 5.4.5 (from memory); Amzallag et al. 1994, Int. J. Fatigue 16:287; and rfcnt.
    # A line's life is no repeated history: an account shows the residue as pending, and never repeats it.
    closed, residue = count(ASTM)
    again, still_open = carry(residue, residue)
    assert Counter(high - low for low, high in again.elements()) == {3: 1, 7: 1, 9: 1}
    assert Counter(high - low for low, high in (closed + again).elements()) == {9: 1, 7: 1, 4: 1, 3: 1}
    assert still_open == residue
    repeated = by_classes(ASTM, residual_method=rfcnt.ResidualMethod.REPEATED)["rp"]
    assert {extent: times for extent, times in repeated.tolist() if times > 0} == {3: 1, 4: 1, 7: 1, 9: 1}


def test_4_the_astm_history_by_simple_ranges() -> None:
    # Source: ASTM E1049-85, 5.2 (from memory); arithmetic. Simple ranges are what a sheet calls swings.
    history = np.array(ASTM, np.float64)
    halves = Counter(np.abs(np.diff(history[cycles.turning_points(history)])).tolist())
    assert {extent: times / 2 for extent, times in halves.items()} == {3: 0.5, 4: 1, 6: 1, 7: 0.5, 8: 1}


@settings(deadline=None)
@given(HISTORY)
def test_5_three_point_count_is_our_closed_cycles_and_open_halves(values: list[int]) -> None:
    # Source: McInnes & Meehan 2008, Int. J. Fatigue 30:547; Marsh et al. 2016, 82:757 (both from memory).
    theirs: Counter[tuple[float, float]] = Counter()
    # To that package a constant is a range of 0, and a record of one swing nothing at all; ours has it open.
    points = turning_points(values)
    assume(len(points) > 2)
    for extent, mean, times, _, _ in rainflow.extract_cycles(points):
        theirs[extent, mean] += round(2 * times)
    assert range_mean_counts(*count(values)) == {cycle: halves / 2 for cycle, halves in theirs.items()}


@settings(deadline=None)
@given(HISTORY)
def test_5_four_point_counters_of_others_give_our_pairs_and_residue(values: list[int]) -> None:
    ours = count(values)
    assert fatpack_count(values) == ours
    # A class for each integer and a gate under 1 are no classes and no gate. rfcnt calls a constant nothing.
    if len(set(values)) > 1:
        assert rfcnt_count(values) == ours
        assert pylife_count(values) == ours


@settings(deadline=None)
@given(HISTORY, st.lists(st.integers(0, 60), max_size=4))
def test_6_no_cut_changes_the_count(values: list[int], cuts: list[int]) -> None:
    # Source: as check 5; the whole is counted by fatpack.
    bounds = [0, *sorted(min(cut, len(values)) for cut in cuts), len(values)]
    whole = fatpack_count(values)
    carried: tuple[Pairs, list[float]] = Counter(), []
    joined: tuple[Pairs, list[float]] = Counter(), []
    for begin, end in pairwise(bounds):
        closed, residue = carry(values[begin:end], carried[1])
        carried = carried[0] + closed, residue
        alone, its_residue = count(values[begin:end])
        closed, residue = carry(its_residue, joined[1])
        joined = joined[0] + alone + closed, residue
    assert carried == whole
    assert joined == whole


def test_6_halving_the_residue_of_each_piece_would_not_add_up() -> None:
    whole = range_mean_counts(*count(ASTM))
    pieces: Counter[tuple[float, float]] = Counter()
    for part in (ASTM[:4], ASTM[4:]):
        pieces.update(range_mean_counts(*count(part)))
    assert dict(pieces) != whole


@settings(deadline=None)
@given(HISTORY, st.integers(1, 8))
def test_7_a_gate_takes_only_the_smaller_cycles_out_of_our_count(values: list[int], gate: int) -> None:
    # Source: a property of four-point counting (4,000 random trials, no mismatch). ASTM prescribes no gate,
    # and ours has none: every closed cycle is priced, however small.
    closed, residue = count(values)
    wide = Counter({cycle: times for cycle, times in closed.items() if cycle[1] - cycle[0] >= gate})
    passed, left = count(gated(values, lambda extent: extent >= gate))
    assert passed == wide
    assert left == without_narrow_ends(residue, gate)


def without_narrow_ends(residue: list[float], gate: float) -> list[float]:
    """A residue widens, then narrows: its swings under a gate are at its ends."""
    wide = [i for i, (a, b) in enumerate(pairwise(residue)) if abs(b - a) >= gate]
    return residue[wide[0] : wide[-1] + 2] if wide else []


def test_7_one_library_keeps_only_swings_over_its_gate() -> None:
    # Source: rfcnt 0.6.1. With a gate of 1 it drops the swing of 1 that "at least the gate" would keep.
    assert by_classes([0, 1, 0, 3, 0], gate=1)["res"].tolist() == [0, 3, 0]
    assert count(gated([0, 1, 0, 3, 0], lambda extent: extent >= 1)) == ({(0, 1): 1}, [0, 3, 0])
    assert count(gated([0, 1, 0, 3, 0], lambda extent: extent > 1)) == ({}, [0, 3, 0])


@pytest.fixture(scope="module")
def long_series() -> list[float]:
    """The recorded history that rfcnt (BSD-2) carries: 10,001 whole numbers."""
    return [float(value) for value in np.loadtxt(Path(rfcnt.__file__).parent / "tests" / "long_series.csv")]


def test_8_the_long_series_counted_without_classes_equals_three_other_counts(
    long_series: list[float],
) -> None:
    closed, residue = count(long_series)
    assert closed.total() == 2358
    assert pylife_count(long_series) == (closed, residue)
    assert fatpack_count(long_series) == (closed, residue)
    theirs: Counter[tuple[float, float]] = Counter()
    for extent, mean, times, _, _ in rainflow.extract_cycles(long_series):
        theirs[extent, mean] += times
    assert range_mean_counts(closed, residue) == theirs


def test_8_the_published_figures_need_classes_and_a_gate_before_our_count(long_series: list[float]) -> None:
    # Source: rfcnt 0.6.1, tests/test_rfcnt.py (read): class width 50, offset -2025, hysteresis 50.
    # The residue is given as the values first seen in each class; our count sees classes only.
    published = [0, 142, -609, 2950, -2000, 2159, 1894, 2101, 1991, 2061]
    points = gated(long_series, lambda extent: extent > 50)
    closed, residue = count([class_of(value) for value in points])
    assert closed.total() == 640
    assert residue == [class_of(value) for value in published]


def class_of(value: float) -> float:
    return (value + 2025) // 50


def test_8_the_long_series_cut_in_seventeen_counts_the_same(long_series: list[float]) -> None:
    total: Pairs = Counter()
    residue: list[float] = []
    for part in np.array_split(np.array(long_series), 17):
        closed, residue = carry(part.tolist(), residue)
        total += closed
    assert (total, residue) == count(long_series)


def fatpack_count(values: Sequence[float]) -> tuple[Pairs, list[float]]:
    closed, residue = fatpack.find_rainflow_cycles(np.array(turning_points(values), np.float64))
    return pairs_of(closed.tolist()), turning_points(residue.tolist())


def pylife_count(values: Sequence[float]) -> tuple[Pairs, list[float]]:
    detector = FourPointDetector(FullRecorder())
    detector.process(np.array(values, np.float64))
    record = detector.recorder
    closed = pairs_of(list(zip(record.values_from, record.values_to, strict=True)))
    return closed, turning_points(detector.residuals.tolist())


def by_classes(
    values: Sequence[float], *, gate: float = 0.5, residual_method: int = rfcnt.ResidualMethod.NONE
) -> dict[str, np.ndarray]:
    """rfcnt's count with a class for each whole number."""
    result: dict[str, np.ndarray] = rfcnt.rfc(
        np.array(values, np.float64),
        class_width=1,
        class_count=int(max(values) - min(values)) + 2,
        class_offset=min(values) - 0.5,
        hysteresis=gate,
        residual_method=residual_method,
    )
    return result


def rfcnt_count(values: Sequence[float]) -> tuple[Pairs, list[float]]:
    found = by_classes(values)
    closed: Pairs = Counter()
    for first, second in np.argwhere(found["rfm"] > 0).tolist():
        low, high = sorted((first + min(values), second + min(values)))
        closed[low, high] += round(found["rfm"][first, second])
    return closed, turning_points(found["res"].tolist())
