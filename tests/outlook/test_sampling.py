"""Is the logger fast enough: against tensions whose true life is known by arithmetic."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import Bug
from pipeline.outlook.sampling import Ints, Sampling, Values, judge_sampling
from pipeline.sheets.cycles import close_cycles, turning_points
from pipeline.wear.fatigue import UNIT_EXPONENT, life_units
from schemas.registers import FatigueCurve

CURVE = FatigueCurve(a=3.2, b=0.0, m=5.0, source="invented for the demo")
BREAK_KN = 1000.0


def life(kn: Values) -> int:
    """What the program makes of successive tensions: turning points, closed cycles, their price."""
    ends = close_cycles(kn[turning_points(kn)])
    first, second = ends[0], ends[1]
    low, high = np.minimum(first, second), np.maximum(first, second)
    return life_units(low, high, np.ones(low.size, np.int64), break_force_kn=BREAK_KN, curve=CURVE)


def swell(a_period: float, cycles: int = 4000) -> tuple[Ints, Values]:
    """A sine of 100 kN either way, sampled at 1 Hz, `a_period` samples a period (not a whole number of them)."""
    at_s = np.arange(int(a_period * cycles), dtype=np.int64)
    return at_s * 1_000_000, 300 + 100 * np.sin(2 * math.pi * at_s / a_period)


def true_life(cycles: int = 4000) -> float:
    """By hand: each cycle of R = 0.2 takes 0.2^5 / 10^3.2 of a life."""
    return cycles * 0.2**5 / 10**3.2 * 2.0**UNIT_EXPONENT


def missed_pct(verdict: Sampling) -> float:
    assert verdict.full is not None
    return 100 * (true_life() / verdict.full - 1)


@pytest.mark.parametrize("a_period", [20.03, 31.7, 63.1])
def test_many_samples_a_wave_are_fast_enough(a_period: float) -> None:
    verdict = judge_sampling(*swell(a_period), life)
    assert verdict.outcome == "fast enough"
    assert verdict.words.startswith("fast enough: some")
    assert verdict.shortfall_pct is not None
    assert verdict.shortfall_pct == pytest.approx(missed_pct(verdict), abs=1.0)
    assert verdict.shortfall_pct < 5


@pytest.mark.parametrize("a_period", [10.03, 12.07, 15.1])
def test_few_samples_a_wave_are_too_slow_and_the_shortfall_is_about_the_true_one(a_period: float) -> None:
    verdict = judge_sampling(*swell(a_period), life)
    assert verdict.shortfall_pct is not None
    assert verdict.at_least_pct is not None
    # By arithmetic: peaks and troughs are met within half a sample, evenly, and what is missing is the fifth power.
    assert missed_pct(verdict) > 0
    assert verdict.at_least_pct <= missed_pct(verdict) * 1.1
    assert verdict.shortfall_pct >= missed_pct(verdict) * 0.9
    assert verdict.outcome == ("too slow" if verdict.shortfall_pct >= 5 else "fast enough")


def test_too_slow_says_how_much_is_missing_at_least() -> None:
    verdict = judge_sampling(*swell(10.03), life)
    assert verdict.outcome == "too slow"
    more = f"at least {verdict.at_least_pct:.1f} % higher, by extrapolation some {verdict.shortfall_pct:.1f} %"
    assert verdict.words == f"too slow: the figure is {more}"
    assert verdict.rate_hz == 1.0


def test_noise_that_never_settles_cannot_be_told() -> None:
    kn = np.random.default_rng(4).normal(300, 30, 20_000)
    verdict = judge_sampling(np.arange(kn.size) * 100_000, kn, life)
    # Each halving of the rate halves the number of cycles: the loss grows with the rate instead of dying out.
    assert verdict.outcome == "cannot be told"
    assert "not dying out" in verdict.words
    assert verdict.shortfall_pct is None
    assert verdict.rate_hz == 10.0


def test_steps_held_for_many_samples_are_the_same_at_any_rate() -> None:
    kn = np.repeat(np.tile([100.0, 300.0, 150.0, 250.0], 100), 8)
    verdict = judge_sampling(np.arange(kn.size) * 1_000_000, kn, life)
    assert (verdict.outcome, verdict.shortfall_pct) == ("fast enough", 0.0)
    assert verdict.full == pytest.approx(verdict.half, rel=1e-15)
    assert verdict.half == verdict.quarter


@pytest.mark.parametrize(("recorded", "says"), [("mean", "peaks are cut off"), ("max", "no fatigue")])
def test_a_channel_of_means_or_maxima_cannot_be_told(recorded: str, says: str) -> None:
    at_us, kn = swell(63.1)
    verdict = judge_sampling(at_us, kn, life, "mean" if recorded == "mean" else "max")
    assert verdict.outcome == "cannot be told"
    assert verdict.words.startswith(f"recorded as {recorded}")
    assert says in verdict.words
    assert verdict.full is None


def test_too_few_samples_or_no_life_cannot_be_told() -> None:
    at_us, kn = swell(63.1)
    few = judge_sampling(at_us[:999], kn[:999], life)
    assert (few.outcome, few.full) == ("cannot be told", None)
    assert "999 samples, fewer than 1000" in few.words
    still = judge_sampling(at_us, np.full(kn.size, 250.0), life)
    assert (still.outcome, still.full) == ("cannot be told", 0)
    assert "no life was used" in still.words


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 2**32), st.sampled_from([2.0, 8.0]))
def test_the_verdict_does_not_depend_on_the_size_of_the_loads(seed: int, times: float) -> None:
    rng = np.random.default_rng(seed)
    kn = np.convolve(rng.normal(0, 40, 3000), np.hanning(12), mode="valid")
    at_us = np.arange(kn.size, dtype=np.int64) * 500_000
    one, other = judge_sampling(at_us, kn, life), judge_sampling(at_us, kn * times, life)
    assert one.outcome == other.outcome
    if one.ratio is None or other.ratio is None:
        assert one.ratio is other.ratio  # life did not grow from half to full rate: of neither record
    else:
        assert one.ratio == pytest.approx(other.ratio, rel=1e-6)
    assert (one.shortfall_pct is None) == (other.shortfall_pct is None)


def test_samples_out_of_order_or_without_number_are_a_bug() -> None:
    at_us, kn = swell(63.1, 20)
    for times, values in ((at_us[::-1], kn), (at_us, np.where(kn > 390, math.nan, kn)), (at_us[1:], kn)):
        with pytest.raises(Bug, match="rising order"):
            judge_sampling(times, values, life)
