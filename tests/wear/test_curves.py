"""What scatter makes of a life, and the level read from a thousand-cycle test."""

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from pipeline.errors import Bug, RegisterError
from pipeline.wear.curves import scatter_band, thousand_cycle_level

LEVEL = st.floats(0.05, 0.95)


def test_nine_of_ten_ropes_lie_within_the_band() -> None:
    # z = 1.6449 for 90 % in the middle (any table of the normal distribution); 10^(1.6449 * 0.2) = 2.1329.
    low, high = scatter_band(0.4, 0.2)
    assert low == pytest.approx(0.4 / 2.1329, rel=2e-5)
    assert high == pytest.approx(0.4 * 2.1329, rel=2e-5)


def test_the_band_holds_its_share_of_simulated_ropes() -> None:
    # Ropes whose log10 N scatters by 0.25 went through what uses 0.3 of the mean rope's life.
    used = 0.3 / 10 ** np.random.default_rng(14).normal(0.0, 0.25, 200_000)
    for share in (0.5, 0.9, 0.99):
        low, high = scatter_band(0.3, 0.25, share)
        assert ((used >= low) & (used <= high)).mean() == pytest.approx(share, abs=0.005)


def test_no_scatter_is_no_band_and_no_life_stays_none() -> None:
    assert scatter_band(0.4, 0.0) == (0.4, 0.4)
    assert scatter_band(0.0, 0.3) == (0.0, 0.0)


@given(st.floats(1e-12, 1e3), st.floats(0, 2), st.floats(0.01, 0.98))
def test_a_wider_share_is_a_wider_band_around_the_life(life: float, scatter: float, share: float) -> None:
    low, high = scatter_band(life, scatter, share)
    wider_low, wider_high = scatter_band(life, scatter, share + 0.01)
    assert wider_low <= low <= life <= high <= wider_high
    assert math.log10(life / low) == pytest.approx(math.log10(high / life), abs=1e-12)


@pytest.mark.parametrize(
    ("life", "scatter", "share"),
    [(-0.1, 0.2, 0.9), (math.nan, 0.2, 0.9), (0.1, -0.2, 0.9), (0.1, math.nan, 0.9), (0.1, 0.2, 0.0), (0.1, 0.2, 1.0)],
)
def test_a_band_of_what_cannot_be_is_a_bug(life: float, scatter: float, share: float) -> None:
    with pytest.raises(Bug, match="no band"):
        scatter_band(life, scatter, share)


@given(LEVEL)
def test_a_thousand_cycles_at_one_level_read_as_that_level(level: float) -> None:
    assert thousand_cycle_level([(level, 1000.0)]) == pytest.approx(level, abs=1e-12)


@given(st.lists(st.tuples(LEVEL, st.floats(1, 1e4)), min_size=1, max_size=6))
def test_the_level_is_where_damage_on_the_line_adds_up_to_one(runs: list[tuple[float, float]]) -> None:
    # Straight from 1 at one cycle to the level at a thousand: N = 1000^((1 - S) / (1 - level)).
    assume(sum(cycles * 1000 ** (level - 1) for level, cycles in runs) > 1.001)
    found = thousand_cycle_level(runs)
    assert 0 < found < 1
    damage = sum(cycles / 1000 ** ((1 - level) / (1 - found)) for level, cycles in runs)
    assert damage == pytest.approx(1.0, rel=1e-9)
    assert thousand_cycle_level(runs[::-1]) == pytest.approx(found, abs=1e-12)


@pytest.mark.parametrize(
    "runs",
    [[], [(0.0, 1000.0)], [(1.0, 1000.0)], [(1.2, 5.0)], [(0.5, 0.0)], [(0.5, math.nan)], [(math.nan, 10.0)]],
)
def test_runs_that_cannot_be_are_refused(runs: list[tuple[float, float]]) -> None:
    with pytest.raises(RegisterError, match="these runs give no thousand-cycle level"):
        thousand_cycle_level(runs)


def test_runs_that_end_too_early_are_refused_with_what_they_are() -> None:
    # 20 cycles at 0.5: 20 * 1000^-0.5 is below 1, so even a level of 0 would have survived them.
    with pytest.raises(RegisterError, match=r"found 20 cycles at 0\.5, expected enough cycles"):
        thousand_cycle_level([(0.5, 20.0)])
