"""A trace is thinned for drawing: every point is a sample, no extreme is lost, and a gap stays a gap."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.reports.thin import LEAST_POINTS, thin

SECOND = 1_000_000


@st.composite
def samples(draw: st.DrawFn) -> tuple[list[int], list[float]]:
    """Instants [us], strictly ascending, with gaps; and values, of which some are missing and many are equal."""
    steps = draw(st.lists(st.sampled_from([SECOND // 2, SECOND, 30 * SECOND]), min_size=1, max_size=300))
    at_us = np.cumsum(steps).tolist()
    value = st.one_of(st.integers(-5, 5).map(float), st.floats(-1e4, 1e4), st.just(float("nan")))
    return at_us, draw(st.lists(value, min_size=len(at_us), max_size=len(at_us)))


@given(samples(), st.integers(LEAST_POINTS, 60))
def test_the_first_last_lowest_and_highest_sample_are_always_drawn(
    made: tuple[list[int], list[float]], most: int
) -> None:
    at_us, value = np.array(made[0], np.int64), np.array(made[1])
    drawn = thin(at_us, value, most, gap_us=10 * SECOND)
    good = np.isfinite(value)
    assert drawn.of == int(good.sum())
    if drawn.of:
        points = ~np.isnan(drawn.value)
        assert np.nanmax(drawn.value) == value[good].max()
        assert np.nanmin(drawn.value) == value[good].min()
        assert (drawn.at_us[points][0], drawn.at_us[points][-1]) == (at_us[good][0], at_us[good][-1])
        assert drawn.points <= max(most, 1)


@given(samples(), st.integers(LEAST_POINTS, 60))
def test_every_point_drawn_is_a_sample_in_order_of_time(made: tuple[list[int], list[float]], most: int) -> None:
    at_us, value = np.array(made[0], np.int64), np.array(made[1])
    drawn = thin(at_us, value, most, gap_us=10 * SECOND)
    recorded = dict(zip(made[0], made[1], strict=True))
    assert np.all(np.diff(drawn.at_us) > 0)
    assert all(
        recorded[at] == kn for at, kn in zip(drawn.at_us.tolist(), drawn.value.tolist(), strict=True) if kn == kn
    )


@given(samples(), st.integers(LEAST_POINTS, 60))
def test_the_line_breaks_wherever_samples_are_missing_between_two_points_and_nowhere_else(
    made: tuple[list[int], list[float]], most: int
) -> None:
    at_us, value = np.array(made[0], np.int64), np.array(made[1])
    drawn = thin(at_us, value, most, gap_us=10 * SECOND)
    shown = list(zip(drawn.at_us.tolist(), drawn.value.tolist(), strict=True))
    points = [i for i, (_, kn) in enumerate(shown) if kn == kn]
    for one, other in pairwise(points):
        between = [i for i, at in enumerate(made[0]) if shown[one][0] <= at <= shown[other][0]]
        missing = any(made[1][i] != made[1][i] for i in between)
        far = any(made[0][j] - made[0][i] > 10 * SECOND for i, j in pairwise(between))
        assert (other - one == 2) == (missing or far)


def test_samples_that_are_to_be_kept_are_drawn_though_they_are_no_extreme() -> None:
    at_us = np.arange(10_000, dtype=np.int64) * SECOND
    value = np.sin(np.arange(10_000) / 7.0)
    drawn = thin(at_us, value, 50, gap_us=10 * SECOND, keep_us=[1234 * SECOND, 5678 * SECOND, 5])
    shown = dict(zip(drawn.at_us.tolist(), drawn.value.tolist(), strict=True))
    assert (shown[1234 * SECOND], shown[5678 * SECOND]) == (value[1234], value[5678])
    assert 5 not in shown


def test_a_gap_takes_no_points_away() -> None:
    # A tenth of the time holds all samples: as many points as without the gap.
    at_us = np.concatenate((np.arange(5000), 100_000 + np.arange(5000))).astype(np.int64) * SECOND
    value = np.tile([0.0, 1.0, 2.0, 1.0], 2500)
    assert thin(at_us, value, 1000, gap_us=10 * SECOND).points > 700
