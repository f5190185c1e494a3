"""Truth about brakes, on records short enough to reckon by hand. Ship design MBL 1000 kN; brakes set to 300 kN."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from sample_logs.scenarios import make
from sample_logs.scenarios.berth import BerthLine
from sample_logs.scenarios.brakes import held_above, plateaus, state_of, stiffness_kn_m
from sample_logs.scenarios.definitions import Found, Series, peak_loads, slacks

STEPS = 4000


@pytest.fixture(scope="module")
def line() -> BerthLine:
    found = make(0, family="tune", rate_hz=1.0).berth.lines[0]
    return replace(found, device="winch", share=1.0, brake_set_kn=300.0, capacity_kn=1200.0, tells=("payout",))


def _series(kn: NDArray[np.float64], spikes_kn: dict[int, float] | None = None) -> Series:
    steps = len(kn)
    return Series(
        kn, 1000.0, 1.0, (0, steps), steps, (0, steps), np.arange(steps, dtype=np.int64) * 100_000,
        np.ones(steps, np.bool_), 100.0, 10.0, 0.0, spikes_kn or {},
    )  # fmt: skip


def _held(line: BerthLine, paid_m: float, rendered: list[Found] | None = None) -> list[Found]:
    """Above the setting for a second, half of which the brake slipped, if it paid out anything."""
    kn, slipped, main_m = np.full(STEPS, 200.0), np.zeros(STEPS, np.bool_), np.zeros(STEPS)
    kn[1000:1010] = 350.0
    slipped[1002:1007] = paid_m > 0
    main_m[1007:] = paid_m
    return held_above(_series(kn), line, np.ones(STEPS, np.bool_), slipped, main_m, rendered or [])


def test_a_load_above_the_setting_is_held_unless_a_rendering_touches_it_and_five_centimetres_count_either_way(
    line: BerthLine,
) -> None:
    assert [(f.first, f.last, f.sure) for f in _held(line, 0.0)] == [(1000, 1009, True)]
    assert [f.sure for f in _held(line, 0.03)] == [True]
    assert [f.sure for f in _held(line, 0.05)] == [False]
    assert [f.sure for f in _held(line, 0.2, [Found(1002, 1007, 1003, True)])] == []
    assert len(_held(line, 0.0, [Found(970, 981, 975, True)])) == 0  # from two seconds before on
    assert len(_held(line, 0.0, [Found(970, 979, 975, True)])) == 1


def test_where_paying_out_may_have_been_the_winchs_a_load_above_the_setting_counts_either_way(line: BerthLine) -> None:
    assert [f.sure for f in _held(line, 0.0, [Found(1002, 1007, 1003, False)])] == [False]
    assert [f.sure for f in _held(line, 0.0, [Found(970, 979, 975, False)])] == [True]


def test_where_payout_is_not_recorded_nobody_can_know_that_a_slipping_brake_held(line: BerthLine) -> None:
    untold = replace(line, tells=())
    assert [(f.sure, f.detail.get("masked")) for f in _held(untold, 0.2)] == [(False, "no payout")]
    assert [(f.sure, f.detail.get("masked")) for f in _held(untold, 0.0)] == [(True, None)]


def _out(breakout_kn: float, most_kn: float | None = None, *, sure: bool = True) -> Found:
    detail: dict[str, object] = {"breakout_kn": breakout_kn, "breakout_most_kn": most_kn or breakout_kn}
    return Found(0, 10, 5, sure, detail)


def _kept(kn: float) -> Found:
    return Found(0, 10, 5, True, {"ratio": kn / 300.0})


@pytest.mark.parametrize(
    ("outs", "held", "said"),
    [
        ([_out(300)], [], ("as set", True)),
        ([_out(300), _out(400)], [], ("renders late", True)),  # worst first
        ([_out(200), _out(300)], [], ("renders early", True)),
        ([_out(200), _out(400)], [], ("renders late", True)),
        ([_out(300), _out(332)], [], ("renders late", False)),  # near 110 %
        ([_out(300), _out(329)], [], ("as set", False)),
        ([_out(310, 380)], [], ("as set", False)),  # payout twice a second may tell it late
        ([_out(300, sure=False)], [], ("as set", False)),
        (
            [_out(400)],
            [_kept(420)],
            ("renders late", True),
        ),  # it held what lies below its break-out, and a little above
        ([_out(400)], [_kept(460)], ("holds above set", True)),
        ([_out(300)], [_kept(350)], ("holds above set", True)),
        ([], [_kept(301)], ("holds above set", True)),
        ([], [], ("not exercised", True)),
    ],
)
def test_what_a_call_shows_of_a_brake_is_told_worst_first(
    line: BerthLine, outs: list[Found], held: list[Found], said: tuple[str, bool]
) -> None:
    assert state_of(_series(np.full(STEPS, 200.0)), line, outs, held) == said


def test_a_plateau_takes_three_crests_and_more_tension_lost_than_a_zero_may_be_off(line: BerthLine) -> None:
    kn, main_m = np.full(STEPS, 280.0), np.zeros(STEPS)
    slipped = np.zeros(STEPS, np.bool_)
    for crest in (500, 600, 700):
        slipped[crest : crest + 5] = True
    metres = 30.0 / stiffness_kn_m(line, 0.0, line.grips_kn)  # 30 kN; two percent of the capacity are 24 kN
    main_m[500:] = np.minimum(np.arange(STEPS - 500) / 205 * metres, metres)
    (one,) = plateaus(_series(kn), line, slipped, main_m)
    assert (one.sure, one.detail["crests"], one.detail["lost_pct"]) == (True, 3, pytest.approx(3.0, abs=0.02))
    (little,) = plateaus(_series(kn), line, slipped, main_m * 0.7)
    assert (little.sure, little.detail["masked"]) == (False, "too little lost")
    slipped[700:705] = False
    (few,) = plateaus(_series(kn), line, slipped, main_m)
    assert (few.sure, few.detail["masked"]) == (False, "too few crests")
    (hook,) = plateaus(_series(kn), replace(line, device="hook"), slipped, main_m)
    assert (hook.sure, hook.detail["masked"]) == (False, "hook")


def test_a_spike_above_the_limit_is_a_peak_load_and_one_beside_a_load_is_of_that_load() -> None:
    kn = np.full(STEPS, 100.0)
    kn[3000:3010] = 560.0
    found = peak_loads(_series(kn, {500: 700.0, 3100: 800.0}))
    assert [(f.first, f.last, f.detail["class"], f.detail["read_kn"], f.sure) for f in found] == [
        (500, 500, "spike", 700.0, True),
        (3000, 3100, "load", 800.0, True),
    ]


def test_what_comes_near_the_level_beside_a_slack_may_be_told_too_and_the_slack_begin_with_it() -> None:
    kn = np.full(STEPS, 100.0)
    kn[1000:1050] = 5.0
    kn[970:975] = 10.5  # half a kN above the level; noise may take it below
    found = slacks(_series(kn))
    assert [(f.first, f.last, f.sure) for f in found] == [(970, 974, False), (1000, 1049, True)]
    assert found[1].detail["onset_tolerance_us"] == 3_000_000
    assert found[1].detail["lasts_s"] == 5.0
