"""Offsets between loggers from the motion that their channels share."""

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.quality.clock_pool import offsets
from pipeline.quality.clocks import Offset, Series, apart, levelled, offset

Floats = NDArray[np.float64]
HOUR_S = 3600


def motions(seed: int, count: int, *, ways: int = 3) -> Floats:
    """Motions of a ship at 10 Hz (ways, n): waves of 7 to 10 s and slow ones of a minute or two."""
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft(rng.standard_normal((ways, count)), axis=1)
    hz = np.fft.rfftfreq(count, 0.1)
    waves = ((hz > 0.1) & (hz < 0.15)) * 1.0
    slow = ((hz > 0.008) & (hz < 0.02)) * 3.0
    found = np.fft.irfft(spectrum * (waves + slow), count, axis=1)
    return np.asarray(found / found.std(axis=1, keepdims=True))


def logger(ship: Floats, mix: Floats, *, ahead_s: float, rate_hz: int, seed: int) -> list[Series]:
    """One channel for each row of the mixing matrix, stamped by a clock that is so much ahead."""
    rng = np.random.default_rng(seed)
    every = 10 // rate_hz
    kn = 100 + 12 * (mix @ ship)[:, ::every]
    at_us = np.round((np.arange(ship.shape[1])[::every] * 0.1 + ahead_s) * 1e6).astype(np.int64)
    return [Series(at_us, row + 0.4 * rng.standard_normal(row.size)) for row in kn]


HEADS = np.array([[1.0, 0.3, 0.4], [0.9, -0.5, 0.2], [0.1, 1.0, 0.7]])
STERNS = np.array([[-1.0, 0.4, -0.3], [-0.8, 0.2, -0.6]])


@pytest.mark.parametrize("rates", [(10, 10), (10, 2), (10, 1), (1, 1)])
@pytest.mark.parametrize("ahead_s", [0.0, 3.7, -61.25, 240.0])
def test_the_offset_is_found_whatever_the_lines_signs_and_the_loggers_rates(
    rates: tuple[int, int], ahead_s: float
) -> None:
    ship = motions(7, 2 * HOUR_S * 10)
    one = logger(ship, HEADS, ahead_s=0.0, rate_hz=rates[0], seed=1)
    other = logger(ship, STERNS, ahead_s=ahead_s, rate_hz=rates[1], seed=2)
    found = offset(one, other, most_s=300.0)
    assert found is not None
    assert found.offset_s == pytest.approx(ahead_s, abs=0.2)
    assert abs(found.offset_s - ahead_s) <= 4 * found.uncertainty_s


def test_the_offset_of_the_first_against_the_second_is_the_opposite() -> None:
    ship = motions(8, 2 * HOUR_S * 10)
    one = logger(ship, HEADS, ahead_s=0.0, rate_hz=2, seed=1)
    other = logger(ship, STERNS, ahead_s=12.5, rate_hz=2, seed=2)
    there, back = offset(one, other, most_s=300.0), offset(other, one, most_s=300.0)
    assert there is not None
    assert back is not None
    assert there.offset_s == pytest.approx(-back.offset_s, abs=0.1)


def test_loggers_that_share_no_motion_tell_no_offset() -> None:
    one = logger(motions(9, 2 * HOUR_S * 10), HEADS, ahead_s=0.0, rate_hz=2, seed=1)
    other = logger(motions(10, 2 * HOUR_S * 10), STERNS, ahead_s=0.0, rate_hz=2, seed=2)
    assert offset(one, other, most_s=300.0) is None


def test_less_than_half_an_hour_tells_no_offset() -> None:
    ship = motions(11, 1700 * 10)
    one = logger(ship, HEADS, ahead_s=0.0, rate_hz=2, seed=1)
    other = logger(ship, STERNS, ahead_s=5.0, rate_hz=2, seed=2)
    assert offset(one, other, most_s=300.0) is None


def test_channels_that_stand_still_or_are_missing_tell_no_offset() -> None:
    ship = motions(12, 2 * HOUR_S * 10)
    one = logger(ship, HEADS, ahead_s=0.0, rate_hz=2, seed=1)
    still = [Series(series.at_us, np.full(series.kn.size, 80.0)) for series in one]
    assert offset(one, still, most_s=300.0) is None
    assert offset(one, [], most_s=300.0) is None


def test_a_wave_that_reaches_bow_and_stern_at_different_instants_is_not_taken_for_an_offset() -> None:
    rng = np.random.default_rng(13)
    count = 2 * HOUR_S * 10
    hz = np.fft.rfftfreq(count, 0.1)
    waves, slow = (
        np.fft.irfft(np.fft.rfft(rng.standard_normal(count)) * ((hz > low) & (hz < high)), count)
        for low, high in ((0.06, 0.20), (0.008, 0.04))
    )
    there, later = waves / waves.std() + slow / slow.std(), np.roll(waves, 40) / waves.std() + slow / slow.std()
    fore = logger(there[None, :], np.array([[1.0], [-0.7]]), ahead_s=0.0, rate_hz=2, seed=1)
    aft = logger(later[None, :], np.array([[0.8], [1.0]]), ahead_s=0.0, rate_hz=2, seed=2)
    found = offset(fore, aft, most_s=300.0)
    # The waves are 4 s late, and slow motion is not: nothing is told, or no offset.
    assert found is None or abs(found.offset_s) < 1.0


@pytest.mark.parametrize(("band_hz", "told"), [((0.06, 0.20), True), ((0.124, 0.126), False)])
def test_where_slow_motion_tells_nothing_waves_do_unless_the_next_one_is_as_like(
    band_hz: tuple[float, float], told: bool
) -> None:
    rng = np.random.default_rng(15)
    count = 2 * HOUR_S * 10
    hz = np.fft.rfftfreq(count, 0.1)

    def noise(low: float, high: float) -> Floats:
        kept = np.fft.rfft(rng.standard_normal(count)) * ((hz > low) & (hz < high))
        made = np.fft.irfft(kept, count)
        return np.asarray(made / made.std())

    waves = noise(*band_hz)
    one, other = (np.stack([waves, noise(0.008, 0.04)]) for _ in range(2))
    fore = logger(one, np.array([[1.0, 1.0], [-0.7, 1.0]]), ahead_s=0.0, rate_hz=2, seed=1)
    aft = logger(other, np.array([[0.8, -1.0]]), ahead_s=30.0, rate_hz=2, seed=2)
    found = offset(fore, aft, most_s=300.0)
    assert (found is not None) == told
    if found is not None:
        assert found.offset_s == pytest.approx(30.0, abs=0.2)


def little_shared() -> dict[str, list[Series]]:
    """Three loggers: two share a motion, and have three each of their own; the third, 30 s ahead, has one channel, of
    which an eighth is what each of them has to itself."""
    ship = motions(14, 2 * HOUR_S * 10, ways=8)
    fore, aft = np.eye(8)[[0, 1, 2, 3]], np.eye(8)[[0, 4, 5, 6]]
    spring = np.array([[0.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 18.0**0.5]])
    return {
        "fore": logger(ship, fore, ahead_s=0.0, rate_hz=2, seed=1),
        "aft": logger(ship, aft, ahead_s=3.0, rate_hz=2, seed=2),
        "spring": logger(ship, spring, ahead_s=30.0, rate_hz=2, seed=3),
    }


def test_a_logger_that_shares_too_little_with_any_other_is_told_by_all_of_them_together() -> None:
    loggers = little_shared()
    assert offset(loggers["fore"], loggers["spring"], most_s=300.0) is None
    assert offset(loggers["aft"], loggers["spring"], most_s=300.0) is None
    at_s = levelled(offsets(loggers, most_s=300.0))
    assert at_s["spring"] - at_s["fore"] == pytest.approx(30.0, abs=0.3)
    assert at_s["aft"] - at_s["fore"] == pytest.approx(3.0, abs=0.3)


def test_a_logger_that_shares_nothing_with_the_others_together_stays_untold() -> None:
    loggers = little_shared()
    loggers["spring"] = logger(motions(15, 2 * HOUR_S * 10), HEADS[:1], ahead_s=30.0, rate_hz=2, seed=3)
    assert set(levelled(offsets(loggers, most_s=300.0))) == {"fore", "aft"}


def test_without_any_offset_no_clock_is_on_anothers() -> None:
    assert levelled({}) == {}


def told(offset_s: float, uncertainty_s: float = 0.05) -> Offset:
    return Offset(offset_s, uncertainty_s, 0.5, 9)


def test_the_clock_that_stands_apart_from_most_is_told_and_not_the_others() -> None:
    pairs = {("a", "b"): told(0.1), ("a", "c"): told(20.0), ("b", "c"): told(19.9), ("c", "d"): told(-20.0)}
    [wrong] = apart(pairs, {}, least_s=2.0)
    assert (wrong.logger, wrong.against, wrong.alone) == ("c", ("a", "b", "d"), False)
    assert wrong.offset_s == pytest.approx(19.95, abs=0.1)


def test_a_pair_that_took_the_next_wave_for_the_same_one_is_outvoted() -> None:
    pairs = {("a", "b"): told(0.0), ("b", "c"): told(0.0), ("a", "c"): Offset(3.9, 0.05, 0.2, 9)}
    assert apart(pairs, {}, least_s=2.0) == []


def test_of_two_clocks_nobody_can_tell_which_is_right() -> None:
    [wrong] = apart({("a", "b"): told(-7.0)}, {"a": 1, "b": 4}, least_s=2.0)
    assert (wrong.logger, wrong.alone) == ("a", True)
    assert wrong.offset_s == pytest.approx(7.0)


def test_an_offset_within_its_uncertainty_or_the_policy_is_not_told() -> None:
    assert apart({("a", "b"): told(1.9)}, {}, least_s=2.0) == []
    assert apart({("a", "b"): told(5.0, uncertainty_s=1.8)}, {}, least_s=2.0) == []
