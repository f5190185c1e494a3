"""When a line lost its load, from readings whose truth is set down here by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.incident.loss import losses_of, nearest_to
from tests.incident.build import POLICY, START_US, line

HZ = 10


def parted(seconds: float, at_s: float, *, before_kn: float = 300.0) -> np.ndarray:
    """A steady load that is gone from an instant on."""
    at = np.arange(round(seconds * HZ)) / HZ
    return np.where(at < at_s, before_kn, 0.0)


def test_the_instant_lies_between_the_last_loaded_and_the_first_unloaded_reading() -> None:
    (loss,) = losses_of(line("L1", parted(300, 120.0)), POLICY)
    assert (loss.low_us, loss.high_us) == (START_US + 119_900_000, START_US + 120_000_000)
    assert loss.best_us == START_US + 119_950_000
    assert loss.mean_kn == pytest.approx(300.0)
    assert not loss.gap


def test_a_filter_moves_the_least_instant_back_by_its_length_and_the_best_by_half() -> None:
    # A mean over the second before each stamp: 300 kN up to 120.0 s falls to 0 in a straight line by 121.0 s.
    at = np.arange(3000) / HZ
    kn = 300.0 * np.clip(121.0 - at, 0.0, 1.0)
    (loss,) = losses_of(line("L1", kn, filter_s=1.0), POLICY)
    assert loss.low_us <= START_US + 120_000_000 <= loss.high_us
    assert loss.best_us == pytest.approx(START_US + 120_000_000, abs=20_000)


def test_a_gap_over_the_loss_is_the_interval_and_is_said_to_be_one() -> None:
    keep = np.ones(3000, np.bool_)
    keep[1150:1240] = False
    (loss,) = losses_of(line("L1", parted(300, 120.0), keep=keep), POLICY)
    assert loss.gap
    assert (loss.low_us, loss.high_us) == (START_US + 114_900_000, START_US + 124_000_000)


def test_a_line_that_falls_slack_and_is_loaded_again_lost_nothing() -> None:
    kn = parted(300, 120.0)
    kn[2000:] = 250.0
    assert losses_of(line("L1", kn), POLICY) == []


def test_a_load_that_is_let_out_slowly_is_not_lost_at_once() -> None:
    at = np.arange(3000) / HZ
    assert losses_of(line("L1", 300.0 * np.clip((130.0 - at) / 30.0, 0.0, 1.0)), POLICY) == []


def test_a_line_that_bore_next_to_nothing_lost_nothing() -> None:
    assert losses_of(line("L1", parted(300, 120.0, before_kn=30.0)), POLICY) == []


def test_a_line_that_had_just_come_under_load_lost_it_though_its_minute_was_light() -> None:
    kn = parted(300, 120.0, before_kn=30.0)
    kn[1150:1200] = 60.0
    (loss,) = losses_of(line("L1", kn), POLICY)
    assert loss.high_us == START_US + 120_000_000
    assert loss.mean_kn < 50.0


def test_behind_a_filter_slower_than_the_readings_the_fall_may_show_in_one_reading_more() -> None:
    # At 1 Hz, a mean over half a second, gone at 120.25 s: the reading at 120.5 s holds half of it.
    at = 0.5 + np.arange(300)
    kn = 400.0 * np.clip((120.25 - (at - 0.5)) / 0.5, 0.0, 1.0)
    (loss,) = losses_of(line("L1", kn, rate_hz=1.0, start_us=START_US + 500_000, filter_s=0.5), POLICY)
    assert loss.low_us <= START_US + 120_250_000 <= loss.high_us
    assert abs(loss.best_us - (START_US + 120_250_000)) <= 1_000_000


def test_across_a_long_gap_only_the_line_asked_for_may_have_lost_its_load() -> None:
    keep = np.ones(3000, np.bool_)
    keep[1000:1240] = False
    record = line("L1", parted(300, 120.0), keep=keep)
    assert len(losses_of(record, POLICY)) == 1
    assert losses_of(record, POLICY, over_gaps=False) == []


def test_of_two_losses_the_one_nearest_to_the_instant_is_meant() -> None:
    kn = np.concatenate((parted(2200, 100.0), parted(2200, 300.0)))
    found = losses_of(line("L1", kn), POLICY)
    assert len(found) == 2
    nearest = nearest_to(found, START_US + 2_490_000_000)
    assert nearest is not None
    assert nearest.high_us == START_US + 2_500_000_000
    assert nearest_to([], START_US) is None


@given(at_ms=st.integers(70_000, 200_000), hz=st.sampled_from((1, 2, 5, 10)), load=st.floats(60.0, 900.0))
def test_the_true_instant_is_in_the_interval_at_any_rate_phase_and_load(at_ms: int, hz: int, load: float) -> None:
    at = np.arange(300 * hz) / hz
    (loss,) = losses_of(line("L1", np.where(at * 1000 < at_ms, load, 0.0), rate_hz=hz), POLICY)
    true_us = START_US + at_ms * 1000
    assert loss.low_us < true_us <= loss.high_us
    assert loss.high_us - loss.low_us == pytest.approx(1e6 / hz)
    assert abs(loss.best_us - true_us) <= 1e6 / hz
