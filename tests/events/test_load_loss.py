"""Load-loss candidates: the definition to the sample, and the same wherever the record is cut."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.events.load_loss import LoadLoss, beside, candidates, join, told_by
from pipeline.events.slack import Loaded, runs_of
from pipeline.events.tension import Peak, Tension
from schemas.registers import Policy
from tests.events.tension_records import EDGE_US, LEVEL, LIMIT_KN, POLICY, RULES, Record, borders, level_at, records
from tests.independent.reference_tension import losses

STEADY: list[tuple[float, float]] = [(at / 10, 400.0 + at % 3) for at in range(600)]
AFTER: list[tuple[float, float]] = [(60.2 + at / 10, 2.0) for at in range(700)]


def events(parts: Sequence[Tension], policy: Policy = POLICY, share: float = 1.0) -> list[LoadLoss]:
    pieces: list[LoadLoss] = []
    loaded: list[Loaded] = []
    for part in parts:
        pieces += candidates(part, LEVEL, policy, LIMIT_KN, share)
        between = runs_of(part, LEVEL, policy, 0.0)[1]
        loaded += [] if between is None else [between]
    return join(pieces, loaded, stay_s=policy.loss_stay_s)


def test_a_line_that_parts_loses_its_load_between_two_readings_for_good() -> None:
    record = Record.of([*STEADY, (60.0, 431.0), (60.1, 120.0), *AFTER])
    (event,) = events([record.whole()], Policy())
    # 120 kN is less than half the mean before; the last loaded one is at 60.0 s.
    assert event.loaded == Peak(60_000_000, 431.0)
    assert event.unloaded == Peak(60_200_000, 2.0)
    assert (event.fall_us, event.back_us, event.of_share) == (200_000, None, False)
    assert event.highest == Peak(60_000_000, 431.0)


def test_the_highest_recorded_is_that_of_ten_seconds_before_and_not_the_last() -> None:
    record = Record.of([*STEADY[:550], (55.0, 900.0), *STEADY[551:], *AFTER])
    (event,) = events([record.whole()], Policy())
    assert (event.highest.kn, event.loaded.kn) == (900.0, 402.0)


def test_a_line_that_is_loaded_again_within_ten_seconds_lost_nothing() -> None:
    record = Record.of([*STEADY, *AFTER[:90], (70.2, 300.0)])
    assert events([record.whole()], Policy()) == []
    record = Record.of([*STEADY, *AFTER[:90], (70.200001, 300.0)])
    (event,) = events([record.whole()], Policy())
    assert event.back_us == 70_200_001


def test_a_spike_of_its_gauge_brings_no_load_back() -> None:
    tension = Record.of([*STEADY, *AFTER[:90], (69.25, 700.0), *AFTER[91:], (140.0, 300.0)]).whole()
    (event,) = events([tension], Policy())
    assert event.loaded.kn == 700.0
    (event,) = events([replace(tension, spiky=tension.kn == 700.0)], Policy())
    assert (event.unloaded.at_us, event.back_us) == (60_200_000, 140_000_000)
    assert (event.gone_kn, event.gone_samples) == ((2.0, 2.0), 699)


@pytest.mark.parametrize(("seconds", "count"), [(0.9, 1), (1.3, 0)])
def test_a_line_that_takes_over_half_a_second_for_the_second_half_of_its_load_lost_nothing_at_once(
    seconds: float, count: int
) -> None:
    ticks = round(seconds * 10)
    fall = [(60 + tick / 10, 400.0 * (1 - tick / ticks) + 9.0) for tick in range(ticks + 1)]
    after = [(62.5 + at / 10, 2.0) for at in range(700)]
    assert len(events([Record.of([*STEADY, *fall, *after]).whole()], Policy())) == count


def test_what_the_record_does_not_contradict_is_a_candidate_also_at_the_riggings_end() -> None:
    (event,) = events([Record.of([*STEADY, (60.1, 3.0)]).whole()], Policy())
    assert (event.unloaded.at_us, event.watched_us) == (60_100_000, 60_100_000)


def test_a_fall_over_a_gap_says_nothing() -> None:
    later = [(70.0 + at, 2.0) for at in range(80)]
    assert events([Record.of([*STEADY, *later]).whole()], Policy()) == []


def test_slow_loggers_may_fall_from_one_reading_to_the_next() -> None:
    record = Record.of(
        [*((float(at), 400.0) for at in range(0, 100, 5)), *((float(at), 1.0) for at in range(100, 200, 5))]
    )
    (event,) = events([record.whole()], Policy())
    assert event.fall_us == 5_000_000


@pytest.mark.parametrize("load_kn", [49.0, 51.0])
def test_a_line_without_a_load_worth_the_name_cannot_lose_it(load_kn: float) -> None:
    record = Record.of([*((at, load_kn) for at, _ in STEADY), *AFTER])
    assert len(events([record.whole()], Policy())) == (1 if load_kn >= 50 else 0)


def test_a_slack_line_that_a_wave_lifts_now_and_then_loses_nothing_when_the_waves_stop() -> None:
    """Its crest is no more than a tenth of what it carried in the mean: half of the mean is asked for."""
    lifted = [(at / 10, 400.0 if at < 540 else 60.0) for at in range(600)]
    assert events([Record.of([*lifted, *AFTER]).whole()], Policy()) == []


def test_a_line_that_the_waves_slacken_loses_nothing_unless_it_falls_from_its_highest() -> None:
    waves = [(at / 10, max(5.0, 200.0 * float(np.sin(at / 10 * 2 * np.pi / 24)))) for at in range(601)]
    falls = [(60.1, 120.0), (60.3, 60.0), (60.5, 9.0)]
    after = [(61.0 + at / 10, 3.0) for at in range(200)]
    low = [*waves, *falls[1:], *after]
    assert events([Record.of([*low, (82.0, 60.0)]).whole()], Policy()) == []
    # One that stays away for a minute is lost all the same, where its waves fall more slowly.
    (event,) = events([Record.of([*low, (121.0, 60.0)]).whole()], Policy())
    assert event.loaded.kn == 60.0
    steep = [(at, max(5.0, 200.0 * float(np.sin(at * 2 * np.pi / 8)))) for at, _ in waves]
    assert events([Record.of([*steep, *falls[1:], *after, (121.0, 60.0)]).whole()], Policy()) == []
    (event,) = events([Record.of([*waves, *falls, *after]).whole()], Policy())
    assert event.loaded.kn == 120.0


def test_one_blow_of_a_line_that_hung_slack_is_no_loss_nor_is_one_wild_reading() -> None:
    slack = [(at / 10, 3.0) for at in range(601)]
    for blow in ([(60.1, 500.0)], [(60.1, 120.0), (60.2, 300.0), (60.3, 300.0)]):
        record = [*slack, *blow, *((60.4 + at / 10, 3.0) for at in range(900))]
        assert events([Record.of(record).whole()], Policy()) == []


def test_what_repeats_before_and_how_many_readings_told_the_same_is_kept_with_a_loss() -> None:
    moving = [(at / 10, 400.0 + at % 2) for at in range(601)]
    gone = [(60.1 + at / 10, 0.5) for at in range(300)]
    (event,) = events([Record.of([*moving, *gone, (90.1, 390.0)]).whole()], Policy())
    assert (event.repeats, event.gone_kn, event.gone_samples) == (0.0, (0.5, 0.5), 300)


def test_slack_and_blows_between_a_loss_and_its_end_are_told_by_it() -> None:
    (one,) = events([Record.of([*STEADY, *AFTER[:200], (80.2, 300.0)]).whole()], Policy())
    at = one.unloaded.at_us
    told = [
        told_by([one], *span) for span in ((at, at), (at - 9, at - 1), (80_199_999, 90_000_000), (80_200_000, 10**9))
    ]
    assert told == [True, False, True, False]


def test_one_of_two_lines_on_a_hook_takes_its_share_away() -> None:
    """Two lines at 200 kN each: half is left on the hook, so 100 of the 200 kN that each counts as its own."""
    rng = np.random.default_rng(4)
    noise = rng.normal(0, 2.0, 1300)
    kn = [(at / 10, (200.0 if at < 600 else 100.0) + noise[at]) for at in range(1300)]
    (event,) = events([Record.of(kn).whole()], Policy(), share=0.5)
    assert event.of_share
    assert (event.unloaded.at_us, event.fall_us <= 500_000) == (60_000_000, True)
    assert events([Record.of(kn).whole()], Policy(), share=1.0) == []


def test_waves_on_a_shared_hook_take_no_share_away() -> None:
    kn = [(at / 10, 200.0 + 120.0 * float(np.sin(at / 10 * 2 * np.pi / 6.0))) for at in range(3000)]
    assert events([Record.of(kn).whole()], Policy(), share=0.5) == []


def _sea_at_1_hz(seed: int, seconds: int) -> list[float]:
    """Crests of a swell of 8 s in groups of a minute, as a hook feels them, read once a second."""
    rng = np.random.default_rng(seed)
    at = np.arange(seconds)
    group = 1.0 + 0.7 * np.sin(at * 2 * np.pi / 57.0)
    kn = 150.0 + 60.0 * group * np.sin(at * 2 * np.pi / 8.3) + rng.normal(0, 1.0, seconds)
    return [float(one) for one in kn]


def test_a_wave_on_a_hook_read_once_a_second_takes_no_share_away_though_groups_of_waves_come_and_go() -> None:
    kn = [max(one - (70.0 if 300 <= at < 420 else 0.0), 5.0) for at, one in enumerate(_sea_at_1_hz(1, 600))]
    assert events([Record.of(list(enumerate(kn))).whole()], Policy(), share=0.5) == []


def test_a_share_lost_in_a_calm_is_told_once_a_second_as_ten_times() -> None:
    calm = [200.0 + (one - 150.0) / 20.0 for one in _sea_at_1_hz(2, 240)]
    kn = [one if at < 120 else one - 100.0 for at, one in enumerate(calm)]
    (event,) = events([Record.of(list(enumerate(kn))).whole()], Policy(), share=0.5)
    assert (event.of_share, event.unloaded.at_us) == (True, 120_000_000)


@pytest.mark.parametrize(("fall_s", "count"), [(0.8, 0), (0.1, 1)])
def test_the_last_crest_before_a_line_hangs_slack_for_good_is_no_loss_where_crests_before_fell_as_fast(
    fall_s: float, count: int
) -> None:
    """Crests of 200 kN fall to slack within 2 s; the last one, of 90 kN, about as fast as they do, or at once."""
    wave = [(at / 10, max(5.0, 200.0 - 195.0 * max(0.0, (at % 80 - 40) / 20.0))) for at in range(1200)]
    last = [(120.0 + at / 10, 90.0) for at in range(10)]
    steps = round(fall_s * 10)
    fall = [(121.0 + at / 10, 90.0 - 85.0 * (at + 1) / steps) for at in range(steps)]
    record = [*wave, *last, *fall, *((122.0 + at / 10, 5.0) for at in range(900))]
    assert len(events([Record.of(record).whole()], Policy())) == count


def test_what_stands_beside_is_the_latest_before_the_fall_and_a_minute_after() -> None:
    (event,) = events([Record.of([*STEADY, *AFTER]).whole()], Policy())
    hook = (np.array([0, 60_150_000, 130_000_000]), np.array([1.0, 0.0, 1.0]))
    payout = (np.array([59_000_000, 59_500_000, 61_000_000]), np.array([20.0, np.nan, 23.0]))
    told = beside(event, {"hook-state": hook, "payout": payout, "brake": (hook[0] + 10**9, hook[1])}, Policy())
    assert told.beside == {"hook-state": [1.0, 0.0], "payout": [20.0, 23.0], "brake": [None, None]}
    assert told.between == {"hook-state": [0.0, 1.0], "payout": [20.0, 23.0], "brake": None}
    assert told.later == {"hook-state": 1.0, "payout": 23.0, "brake": None}


def test_a_channel_that_fell_silent_before_the_loss_says_nothing_of_it() -> None:
    (event,) = events([Record.of([*STEADY, *AFTER]).whole()], Policy())
    hook = (np.array([0, 60_000_000 - 500_000]), np.array([1.0, 1.0]))
    told = beside(event, {"hook-state": hook}, Policy())
    assert (told.beside, told.between, told.later) == (
        {"hook-state": [1.0, 1.0]}, {"hook-state": None}, {"hook-state": None},
    )  # fmt: skip


def test_a_gauge_that_drops_out_is_told_by_what_it_read_before_meanwhile_and_when_it_was_back() -> None:
    gone = [(60.1 + at / 10, 0.5) for at in range(300)]
    (event,) = events([Record.of([*STEADY, *gone, (90.1, 390.0), (90.2, 401.0)]).whole()], Policy())
    assert (event.back_us, event.back_kn) == (90_100_000, 390.0)
    assert (event.gone_kn, event.lowest_kn) == ((0.5, 0.5), 400.0)


def test_how_a_load_was_back_is_not_said_over_a_gap_nor_after_half_an_hour() -> None:
    gone = [(60.1 + at / 10, 0.5) for at in range(300)]
    (event,) = events([Record.of([*STEADY, *gone, (101.0, 390.0)]).whole()], Policy())
    assert (event.back_us, event.back_kn) == (101_000_000, None)
    long = [(60.0 + at, 0.5) for at in range(1, 1_803)]
    (event,) = events([Record.of([*STEADY, *long, (1_863.0, 390.0)]).whole()], Policy())
    assert (event.back_us, event.back_kn) == (1_863_000_000, None)


def test_candidates_survive_json() -> None:
    found = events([Record.of([*STEADY, (60.1, 1 / 3), *AFTER]).whole()], Policy())
    assert len(found) == 1
    assert [LoadLoss.from_payload(json.loads(json.dumps(one.to_payload()))) for one in found] == found


@settings(max_examples=500, deadline=None)
@given(
    record=records(), cuts=borders, share=st.sampled_from([1.0, 1.0, 0.5, 0.25]), max_gap_s=st.sampled_from([0.5, 10.0])
)
def test_candidates_equal_the_definition_wherever_the_record_is_cut(
    record: Record, cuts: list[int], share: float, max_gap_s: float
) -> None:
    policy = POLICY.model_copy(update={"max_gap_s": max_gap_s})
    rules = RULES.__class__(**{**vars(RULES), "max_gap_us": round(max_gap_s * 1e6)})
    expected = [
        (one.loaded, one.unloaded, one.highest, one.back_us)
        for one in losses(record.samples(), record.at_us, level_at, share, rules)
    ]
    # Of a share the return is looked for an hour long, which these records do not last.
    edge_us = EDGE_US if share == 1.0 else 3_600_000_000
    for parts in ([record.whole()], list(record.parts(cuts, edge_us))):
        found = events(parts, policy, share)
        assert [
            (*((peak.at_us, peak.kn) for peak in (one.loaded, one.unloaded, one.highest)), one.back_us) for one in found
        ] == expected
