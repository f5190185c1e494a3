"""One motion in a stiffer or softer rope: laws of the map."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.compare.history import History, moved_kn

TENSIONS = st.lists(st.floats(-20.0, 2000.0), min_size=2, max_size=40)
MEANS = st.floats(0.0, 1000.0)
SCALES = st.floats(0.05, 20.0)


@given(TENSIONS, MEANS)
def test_a_rope_as_stiff_feels_the_same_to_the_last_bit(kn: list[float], mean_kn: float) -> None:
    felt = np.array(kn)
    assert np.array_equal(moved_kn(felt, mean_kn, 1.0), felt)


@given(TENSIONS, MEANS, SCALES)
def test_more_tension_never_becomes_less_so_cycles_stay_cycles(kn: list[float], mean_kn: float, scale: float) -> None:
    moved = moved_kn(np.sort(np.array(kn)), mean_kn, scale)
    assert (np.diff(moved) >= -1e-9).all()


@given(MEANS, SCALES)
def test_slack_stays_slack_and_the_mean_stays(mean_kn: float, scale: float) -> None:
    slack, mean = moved_kn(np.array([0.0, mean_kn]), mean_kn, scale)
    assert slack == 0.0
    assert abs(mean - mean_kn) <= 1e-9


@given(TENSIONS, MEANS, SCALES, SCALES)
def test_a_stiffer_rope_pulls_no_less_above_the_mean_and_no_more_below_it(
    kn: list[float], mean_kn: float, one: float, other: float
) -> None:
    felt = np.array(kn)
    soft, stiff = sorted((one, other))
    more = moved_kn(felt, mean_kn, stiff) - moved_kn(felt, mean_kn, soft)
    assert (more[felt >= mean_kn] >= -1e-9).all()
    assert (more[felt <= mean_kn] <= 1e-9).all()


def test_a_stiffer_rope_by_hand() -> None:
    # About a mean of 100: 160 is 60 above and becomes 190, 60 is 40 below and becomes 40, 20 would be below slack.
    assert moved_kn(np.array([160.0, 60.0, 20.0, 0.0]), 100.0, 1.5).tolist() == [190.0, 40.0, 0.0, 0.0]
    assert moved_kn(np.array([160.0, 60.0, 30.0]), 100.0, 2.0).tolist() == [220.0, 20.0, 0.0]


def test_a_softer_rope_by_hand_is_left_as_it_was_below_the_mean() -> None:
    assert moved_kn(np.array([160.0, 60.0, 0.0]), 100.0, 0.5).tolist() == [130.0, 60.0, 0.0]


def test_time_at_level_moves_with_the_tension_and_none_of_it_is_lost() -> None:
    empty = np.empty(0)
    history = History(
        empty, empty, np.empty(0, np.int64), empty, np.array([10, 20, 30]), np.array([4_000_000, 8_000_000, 4_000_000])
    )
    assert history.mean_kn == 102.5
    moved = history.moved(1.4)
    # Middles 52.5, 102.5, 152.5 come to 32.5, 102.5, 172.5: classes 6, 20, 34.
    assert moved.level_class.tolist() == [6, 20, 34]
    assert moved.level_us.tolist() == [4_000_000, 8_000_000, 4_000_000]
    assert history.moved(9.0).level_us.sum() == history.level_us.sum()
