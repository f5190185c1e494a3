"""What a line felt, put into matrix, exceedance, levels and stretches: by hand arithmetic on a few cycles."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.compare.history import History
from pipeline.reports.line_felt import (
    MOST_SQUARES,
    curve_of,
    days_felt,
    exceedance_of,
    felt_of,
    levels_of,
    matrix_of,
    mean_of_cycles_kn,
    ranges_for_curve,
    storms,
    time_above,
)
from pipeline.wear.cells import middles_kn
from schemas.specs import FatigueCurve


def history(
    cycles: list[tuple[int, int, int]], levels: list[tuple[int, int]] | None = None, residue: tuple[float, ...] = ()
) -> History:
    """`cycles`: (class of low, class of high, count); `levels`: (class, us)."""
    levels = [] if levels is None else levels
    return History(
        middles_kn(np.array([low for low, _, _ in cycles], np.int64)),
        middles_kn(np.array([high for _, high, _ in cycles], np.int64)),
        np.array([count for _, _, count in cycles], np.int64),
        np.array(residue, np.float64),
        np.array([class_ for class_, _ in levels], np.int64),
        np.array([us for _, us in levels], np.int64),
    )


def curve(**given_: float) -> FatigueCurve:
    return FatigueCurve.model_validate({"a": 3.0, "b": 0.0, "m": 5.0, "source": "invented for the demo", **given_})


def test_a_matrix_holds_every_cycle_at_its_range_and_mean() -> None:
    # Classes 2 and 6: middles 12.5 and 32.5 kN, so a range of 20 and a mean of 22.5, in the square from 20 and 20.
    found = matrix_of(history([(2, 6, 3), (4, 4, 7)]))
    assert found.width_kn == 5.0
    assert dict(zip(zip(found.range_kn, found.mean_kn, strict=True), found.count, strict=True)) == {
        (20.0, 20.0): 3,
        (0.0, 20.0): 7,
    }


def test_squares_widen_until_they_can_be_told_apart_and_no_cycle_is_lost() -> None:
    many = [(low, high, 1) for low in range(60) for high in range(low, 60)]
    found = matrix_of(history(many))
    assert len(found.count) <= MOST_SQUARES
    assert found.width_kn > 5.0
    assert sum(found.count) == len(many)


@given(
    st.lists(
        st.tuples(st.integers(-2, 80), st.integers(0, 120), st.integers(1, 1000)).map(
            lambda one: (one[0], one[0] + one[1], one[2])
        ),
        min_size=1,
        max_size=60,
    )
)
def test_exceedance_never_rises_with_range_and_begins_with_all_cycles(cycles: list[tuple[int, int, int]]) -> None:
    found = exceedance_of(history(cycles))
    assert found.count[0] == sum(count for _, _, count in cycles)
    assert all(later <= former for former, later in zip(found.count, found.count[1:], strict=False))
    assert found.count[-1] == sum(count for low, high, count in cycles if (high - low) * 5.0 == found.range_kn[-1])


def test_exceedance_counts_cycles_of_at_least_each_range() -> None:
    found = exceedance_of(history([(0, 2, 10), (0, 4, 3), (1, 5, 1)]))
    assert (found.range_kn, found.count) == ([10.0, 20.0], [14, 4])


def test_the_curve_drawn_is_the_curve_that_prices() -> None:
    # N = 10^3 * (R)^-5; at R of 0.1 that is 10^8, at 0.5 it is 32,000. By hand.
    drawn = curve_of(curve(), 1000.0, 300.0, [0.0, 100.0, 500.0])
    assert [kn for kn, _ in drawn] == [100.0, 500.0]
    assert [n for _, n in drawn] == pytest.approx([1e8, 32_000.0], rel=1e-12)


def test_a_curve_with_a_mean_is_drawn_at_the_mean_of_the_cycles() -> None:
    # b = 2 and Lm = 0.25: N is lower by 10^0.5.
    [(_, n)] = curve_of(curve(b=2.0), 1000.0, 250.0, [100.0])
    assert n == pytest.approx(1e8 / math.sqrt(10), rel=1e-12)


def test_a_curve_is_drawn_from_the_smallest_range_felt_to_break_force() -> None:
    found = ranges_for_curve(1000.0, 10.0)
    assert found[0] == 10.0
    assert found[-1] == pytest.approx(1000.0)
    assert ranges_for_curve(1000.0, 1000.0) == []
    assert ranges_for_curve(1000.0, 0.0)[0] == 5.0


def test_the_mean_of_cycles_counts_each_cycle_once() -> None:
    # Three cycles about 22.5 kN and one about 62.5 kN: 32.5 kN. By hand.
    assert mean_of_cycles_kn(history([(2, 6, 3), (10, 14, 1)])) == 32.5
    assert mean_of_cycles_kn(history([])) == 0.0


def test_time_at_level_is_added_up_over_both_ends_of_a_line() -> None:
    both = felt_of([history([], [(3, 2_000_000), (4, 1_000_000)]), history([], [(4, 500_000), (-1, 250_000)])])
    assert both is not None
    found = levels_of(both)
    assert (found.class_kn, found.seconds, found.total_s) == ([-5.0, 15.0, 20.0], [0.25, 2.0, 1.5], 3.75)


def test_time_above_a_tension_counts_classes_that_lie_wholly_above_it() -> None:
    found = levels_of(history([], [(3, 2_000_000), (4, 1_000_000)]))
    assert time_above(found, 15.0) == 3.0
    assert time_above(found, 15.1) == 1.0
    assert time_above(found, 25.0) == 0.0


def test_nothing_felt_is_nothing_to_draw() -> None:
    assert felt_of([]) is None
    assert matrix_of(history([])).count == []
    assert levels_of(history([])).total_s == 0.0


def test_days_stand_in_order_of_time_and_say_what_is_not_known() -> None:
    facts = {
        ("L1", "b", date(2026, 1, 2)): {"peak_kn": 10.0, "peak_us": 5},
        ("L1", "a", date(2026, 1, 3)): {"core_c": 17.5},
        ("L1", "a", date(2026, 1, 2)): {"peak_kn": 0.0, "peak_us": 0, "core_c": 0.0},
    }
    found = days_felt(facts)
    assert [(one.day.day, one.zone, one.peak_kn, one.core_c) for one in found] == [
        (2, "a", 0.0, 0.0),
        (2, "b", 10.0, None),
        (3, "a", None, 17.5),
    ]


def event(name: str, from_at: str, to_at: str, peak_kn: float) -> dict[str, object]:
    return {"event": name, "from_at": from_at, "to_at": to_at, "peak_kn": peak_kn}


def test_peak_loads_less_than_the_gap_apart_are_one_stretch_with_the_highest_of_them() -> None:
    day_us = 86_400_000_000
    found = storms(
        [
            event("C", "2026-01-05T00:00:01Z", "2026-01-05T00:01:00Z", 700.0),
            event("A", "2026-01-01T00:00:00Z", "2026-01-01T03:00:00Z", 650.0),
            event("B", "2026-01-02T03:00:00Z", "2026-01-02T03:00:09Z", 900.0),
        ],
        day_us,
    )
    assert [(one.events, one.peak_kn) for one in found] == [(("A", "B"), 900.0), (("C",), 700.0)]
    assert found[0].to_us - found[0].from_us == day_us + 3 * 3_600_000_000 + 9_000_000
