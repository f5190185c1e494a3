"""Rendering from tension alone: what shows in bins of a line and its neighbours, wherever the record is cut."""

import itertools
import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import nnls

from pipeline.events.plateau import (
    EDGE_BINS,
    LEAST_BINS,
    LEAST_CONFIDENCE,
    LEAST_LOST,
    Plateau,
    Series,
    Signs,
    plateaus,
    stretches,
)
from pipeline.events.plateau_kernel import least_squares

Values = NDArray[np.float64]
BASE_KN, BINS, GIVES_KN = 1000.0, 240, 230.0


def gusts(rng: np.random.Generator, bins: int, loaded: tuple[int, int]) -> Values:
    """What a ship does to her lines: a slow swing of a minute, and a squall over some bins [kN]."""
    at = np.arange(bins)
    squall = np.where((at >= loaded[0]) & (at < loaded[1]), 1.0, 0.0)
    squall = np.convolve(squall, np.ones(6) / 6, mode="same")
    return np.asarray(90 + 130 * squall + (15 + 30 * squall) * np.sin(at / 1.1 + rng.uniform(0, 6)))


def berth(
    seed: int, *, renders: bool, bins: int = BINS, asked: tuple[str, ...] = ("L1",), lets_out: float = 0.3
) -> list[Series]:
    """Four lines that share one motion by their own stiffness; L1's brake lets out line above `GIVES_KN`, or does not.
    lets_out: by how much its tension is less after a crest, in parts of what that crest was above."""
    rng = np.random.default_rng(seed)
    motion = gusts(rng, bins, (90, 150))
    lines = []
    for number, (stiff, own_kn) in enumerate(((1.0, 0.0), (0.8, 12.0), (0.7, -8.0), (0.55, 20.0))):
        mean = stiff * motion + own_kn + rng.normal(0, 1.0, bins)
        swing = (12 + 0.1 * mean) * rng.uniform(0.9, 1.1, bins)
        if number == 0 and renders:
            lost = 0.0
            for i in range(bins):
                mean[i] -= lost
                crest = mean[i] + swing[i]
                over = max(crest - GIVES_KN, 0.0)
                lost += lets_out * over
                swing[i] -= 0.75 * over
        name = f"L{number + 1}"
        lines.append(Series(name, f"W{number + 1}", BASE_KN, name in asked, mean, mean + swing))
    return lines


def found(lines: list[Series], *, least: float = LEAST_CONFIDENCE) -> list[Plateau]:
    return plateaus(lines, min_pct=15.0, start_bin=0, first=0, last=lines[0].mean_kn.size, least_confidence=least)


def test_a_line_whose_crests_are_cut_while_its_neighbours_grow_is_told_with_where_it_let_go() -> None:
    told = [found(berth(seed, renders=True)) for seed in range(10)]
    assert [len(one) for one in told] == [1] * 10
    for (one,) in told:
        assert one.line == "L1"
        assert one.confidence >= LEAST_CONFIDENCE
        assert 0.85 * GIVES_KN < one.level_kn < 1.15 * GIVES_KN
        assert one.lost_kn >= LEAST_LOST * BASE_KN
        assert one.crests >= 3
        assert 80 <= one.from_us // 10_000_000 < one.to_us // 10_000_000 <= 160


def test_a_line_that_bears_its_part_to_the_end_is_not_told() -> None:
    assert [found(berth(seed, renders=False)) for seed in range(20)] == [[]] * 20


def calm(seed: int, lost_kn: float) -> list[Series]:
    """A slow stretch of a quiet day: a load that tide and cargo raise and lower over an hour, with small waves upon it;
    meanwhile L1 comes to bear less, as when a neighbour is trimmed [kN]."""
    rng = np.random.default_rng(seed)
    at = np.arange(BINS)
    hump = 45.0 * np.exp(-0.5 * ((at - 120) / 22.0) ** 2) + 3.0 * np.sin(at / 4.3) + rng.normal(0, 1.0, BINS)
    lines = []
    for number, stiff in enumerate((1.0, 0.8, 0.7, 0.55)):
        mean = 118 + stiff * hump + rng.normal(0, 0.5, BINS)
        if number == 0:
            mean -= lost_kn * np.clip((at - 112) / 16.0, 0.0, 1.0)
        swing = 5.0 * rng.uniform(0.8, 1.2, BINS)
        lines.append(Series(f"L{number + 1}", f"W{number + 1}", BASE_KN, number == 0, mean, mean + swing))
    return lines


def test_a_slow_stretch_of_a_quiet_day_whose_line_comes_to_bear_a_little_less_is_not_told() -> None:
    assert [found(calm(seed, 35.0), least=0.0) for seed in range(20)] == [[]] * 20
    # It is its small loss that it is not told for: with a large one it looks like a rendering.
    assert [len(found(calm(seed, 80.0))) for seed in range(20)] == [1] * 20


def test_a_loss_within_what_quiet_days_show_is_not_told() -> None:
    assert [found(berth(seed, renders=True, lets_out=0.05), least=0.0) for seed in range(10)] == [[]] * 10


def test_two_cut_crests_are_no_plateau() -> None:
    one_crest = berth(3, renders=True, lets_out=4.0)
    (told,) = found(berth(3, renders=True))
    top = np.flatnonzero(one_crest[0].high_kn > told.level_kn)
    assert 0 < top.size < 3
    assert found(one_crest, least=0.0) == []


def test_a_line_that_is_lost_is_not_told_to_render() -> None:
    lines = berth(4, renders=False)
    gone = lines[0].mean_kn.copy()
    gone[118:] = 2.0
    assert (
        found([replace(lines[0], mean_kn=gone, high_kn=np.where(gone == 2.0, 2.0, lines[0].high_kn)), *lines[1:]]) == []
    )


def test_only_lines_that_are_asked_about_are_told() -> None:
    assert found(berth(0, renders=True, asked=())) == []
    assert found(berth(0, renders=True, asked=("L2", "L3", "L4"))) == []


def test_alone_or_with_one_neighbour_nothing_is_told() -> None:
    lines = berth(0, renders=True)
    assert found(lines[:1]) == found(lines[:2]) == []
    on_one_hook = [lines[0], replace(lines[1], channel="W1"), lines[2]]
    assert found(on_one_hook) == []


def test_a_low_load_is_none_to_render_at() -> None:
    lines = [replace(one, base_kn=2 * BASE_KN) for one in berth(0, renders=True)]
    assert plateaus(lines, min_pct=15.0, start_bin=0, first=0, last=BINS) == []


def test_bins_without_a_reading_are_passed_over() -> None:
    lines = berth(0, renders=True)
    holes = lines[0].mean_kn.copy()
    holes[[20, 100, 101]] = math.nan
    broken = [replace(lines[0], mean_kn=holes), *lines[1:]]
    assert len(found(broken)) == 1
    nothing = np.full(BINS, math.nan)
    assert found([replace(one, mean_kn=nothing, high_kn=nothing) for one in lines]) == []


def test_stretches_survive_json() -> None:
    (one,) = found(berth(3, renders=True))
    assert Plateau.from_payload(json.loads(json.dumps(one.to_payload()))) == one


def test_confidence_grows_with_the_loss_and_falls_with_scatter_and_with_crests_above_their_neighbours() -> None:
    signs = Signs(times=5.0, left=0.01, scatter=0.04, crests=0.0)
    assert 0.0 < signs.confidence < 1.0
    assert replace(signs, times=10.0).confidence > signs.confidence
    assert replace(signs, scatter=0.06).confidence < signs.confidence
    assert replace(signs, crests=0.2).confidence < signs.confidence
    assert Signs(1e300, 1.0, 0.0, -1e9).confidence == 1.0
    assert Signs(0.0, 0.0, 1.0, 1e9).confidence == 0.0


def test_a_stretch_of_over_an_hour_is_none() -> None:
    line = berth(0, renders=False, bins=800)[0]
    high = np.full(800, 100.0)
    for length, count in ((361, 1), (362, 0)):
        loaded = high.copy()
        loaded[100 : 100 + length] = 300.0
        kept = stretches(replace(line, high_kn=loaded), min_pct=15.0, first=0, last=800)
        assert kept == [(100, 99 + length)][:count]


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), borders=st.lists(st.integers(0, 2400), max_size=4))
def test_stretches_are_the_same_wherever_the_record_is_cut(seed: int, borders: list[int]) -> None:
    rng = np.random.default_rng(seed)
    bins = 2400
    renders = berth(seed, renders=True, bins=bins)
    more = np.where(np.arange(bins) % 700 < 60, rng.uniform(60, 170), 0.0)
    lines = [replace(s, mean_kn=s.mean_kn + more, high_kn=s.high_kn + more) for s in renders]
    whole = plateaus(lines, min_pct=15.0, start_bin=0, first=0, last=bins, least_confidence=0.0)
    edges = [0, *sorted(borders), bins]
    parts: list[Plateau] = []
    for first, last in itertools.pairwise(edges):
        low, high = max(first - EDGE_BINS, 0), min(last + EDGE_BINS, bins)
        near = [replace(s, mean_kn=s.mean_kn[low:high], high_kn=s.high_kn[low:high]) for s in lines]
        parts += plateaus(near, min_pct=15.0, start_bin=low, first=first - low, last=last - low, least_confidence=0.0)
    assert sorted(parts, key=lambda one: one.from_us) == whole


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), used=st.integers(1, 6), count=st.integers(LEAST_BINS, 60))
def test_weights_are_those_of_an_independent_solver(seed: int, used: int, count: int) -> None:
    # Outside truth: Lawson and Hanson's active set, as SciPy has it; the free constant by taking means away. Of fewer
    # bins than are ever fitted, columns may be so alike that the descent ends some digits short (seed 2074, 5 of 8).
    rng = np.random.default_rng(seed)
    columns = rng.normal(size=(used + 1, count))
    y = rng.normal(size=count)
    weights, rest = least_squares(columns, y, used)
    centred = columns[:used] - columns[:used].mean(axis=1, keepdims=True)
    expected, norm = nnls(centred.T, y - y.mean())
    assert weights == pytest.approx(expected, abs=1e-4)
    assert rest == pytest.approx(norm**2, rel=1e-6, abs=1e-9)
