"""Brake-render: the definition to the sample, and the same events wherever the record is cut."""

import itertools
import json
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.events.brake_render import (
    BrakeRender,
    Peak,
    Readings,
    Rules,
    SlipRun,
    against_setting,
    join,
    slips,
    verdict,
)
from schemas.registers import Policy, Winch
from tests.extent import examples

Pairs = Sequence[tuple[float, float]]

RULES = Rules.of(Policy(), limit_kn=1000.0)
FAR_US = 10**15


def readings(
    tension: Pairs,
    payout: Pairs,
    brake: Pairs | None = None,
    clipped_from_kn: float = math.inf,
) -> Readings:
    def columns(
        pairs: Pairs,
    ) -> tuple[np.ndarray[tuple[int], np.dtype[np.int64]], list[float]]:
        return np.array([round(at * 1e6) for at, _ in pairs], np.int64), [value for _, value in pairs]

    tension_at_us, tension_kn = columns(tension)
    payout_at_us, payout_m = columns(payout)
    brake_at_us, state = columns(brake or [])
    kn = np.array(tension_kn, np.float64)
    return Readings(
        tension_at_us,
        kn,
        kn >= clipped_from_kn,
        payout_at_us,
        np.array(payout_m, np.float64),
        brake_at_us,
        np.array(state, np.float64),
    )


def events(known: Readings, rules: Rules = RULES) -> list[BrakeRender]:
    runs = slips(known, rules, from_us=-FAR_US, to_us=FAR_US)
    return join(runs, join_s=rules.join_s, min_payout_m=rules.min_payout_m)


STEADY: Pairs = [(at / 10, 400.0) for at in range(300)]


def test_a_break_out_that_its_gauge_made_up_is_told_as_such() -> None:
    tension = [(0, 300), (9.5, 620), (10, 580), (10.4, 640), (11, 500)]
    known = readings(tension, [(9.0, 20.0), (10.0, 20.0), (10.5, 20.2), (11.0, 20.5)])
    for at_s, made_up in ((10.4, True), (9.5, False)):
        (event,) = events(replace(known, made_up=known.tension_at_us == round(at_s * 1e6)))
        assert (event.breakout.kn, event.breakout.made_up) == (640.0, made_up)


def test_one_slip_gives_break_out_median_peak_and_payout() -> None:
    tension = [(0, 300), (7.9, 900), (8.5, 610), (9.5, 620), (10, 580), (10.4, 640), (11, 500), (12, 700)]
    payout = [(9.0, 20.0), (10.0, 20.0), (10.5, 20.2), (11.0, 20.5), (11.5, 20.5)]
    (event,) = events(readings(tension, payout))
    # The run starts at 10.0 s: 7.9 s is more than 2 s before, 10.4 s comes before the first slip sample.
    assert event == BrakeRender(
        from_us=10_000_000,
        to_us=11_000_000,
        payout_m=0.5,
        breakout=Peak(10_400_000, 640.0, False),
        peak=Peak(10_400_000, 640.0, False),
        render_kn=(640 + 500) / 2,
        slips=2,
    )


def test_tension_exactly_two_seconds_before_the_start_belongs_to_the_break_out() -> None:
    payout = [(10.0, 20.0), (10.5, 20.2)]
    (event,) = events(readings([(8.0, 800), (10.5, 400)], payout))
    assert event.breakout == Peak(8_000_000, 800.0, False)
    (event,) = events(readings([(7.999999, 800), (10.5, 400)], payout))
    assert event.breakout == Peak(10_500_000, 400.0, False)


def test_of_equal_tensions_the_first_is_the_peak() -> None:
    (event,) = events(readings(STEADY, [(10.0, 0.0), (11.0, 0.2)]))
    assert event.breakout.at_us == event.peak.at_us == 8_000_000


@pytest.mark.parametrize(
    ("paid_out_m", "seconds", "count"), [(0.05, 1, 1), (0.0499, 1, 0), (0.08, 8, 1), (0.0799, 8, 0)]
)
def test_payout_of_exactly_the_least_length_and_rate_counts(paid_out_m: float, seconds: float, count: int) -> None:
    # From 0 m, so that the difference is the very number; 0.08 m in 8 s is 0.01 m/s.
    assert len(events(readings(STEADY, [(10.0, 0.0), (10.0 + seconds, paid_out_m)]))) == count


@pytest.mark.parametrize(("kn", "count"), [(150.0, 1), (149.999, 0)])
def test_rendering_needs_fifteen_percent_of_the_limit(kn: float, count: int) -> None:
    assert len(events(readings([(at, kn) for at, _ in STEADY], [(10.0, 0.0), (11.0, 0.3)]))) == count


@pytest.mark.parametrize(("at_s", "count"), [(10.0, 1), (9.999999, 0), (11.000001, 0)])
def test_a_tension_older_than_a_second_or_later_than_the_step_says_nothing(at_s: float, count: int) -> None:
    assert len(events(readings([(at_s, 400)], [(10.0, 0.0), (11.0, 0.3)]))) == count


@pytest.mark.parametrize(
    ("brake", "count"),
    [
        ([], 1),  # not reported
        ([(0, 1)], 1),
        ([(0, 1), (10.5, 0)], 0),
        ([(0, 0), (11.0, 1)], 1),  # set at the very instant
        ([(0, 0), (11.5, 1)], 0),
        ([(0, 0), (5, math.nan)], 0),  # a missing state leaves the latest known
        ([(11.5, 0)], 1),  # not reported yet
        ([(0, 0.5)], 1),
    ],
)
def test_paying_out_with_an_open_brake_is_no_rendering(brake: Pairs, count: int) -> None:
    assert len(events(readings(STEADY, [(10.0, 0.0), (11.0, 0.3)], brake))) == count


def test_runs_exactly_five_seconds_apart_are_two_and_a_microsecond_less_makes_them_one() -> None:
    payout = [(10.0, 0.0), (11.0, 0.2), (16.0, 0.2), (17.0, 0.5)]
    assert [event.payout_m for event in events(readings(STEADY, payout))] == [0.2, 0.3]
    closer = [(10.0, 0.0), (11.0, 0.2), (15.999999, 0.2), (17.0, 0.5)]
    (event,) = events(readings(STEADY, closer))
    assert (event.from_us, event.to_us, event.payout_m, event.slips) == (10_000_000, 17_000_000, 0.5, 2)


def test_short_runs_that_join_to_enough_payout_count_together() -> None:
    payout = [(10.0, 0.0), (11.0, 0.03), (13.0, 0.03), (14.0, 0.06)]
    (event,) = events(readings(STEADY, payout))
    assert event.payout_m == 0.06


def test_line_hauled_in_or_lost_in_a_gap_of_the_payout_is_no_rendering() -> None:
    assert events(readings(STEADY, [(10.0, 5.0), (11.0, 4.0), (12.0, 3.0)])) == []
    assert events(readings(STEADY, [(5.0, 0.0), (15.000001, 5.0)])) == []
    assert len(events(readings(STEADY, [(5.0, 0.0), (15.0, 5.0)]))) == 1


def test_missing_readings_are_passed_over() -> None:
    payout = [(10.0, 0.0), (10.5, math.nan), (11.0, 0.2)]
    tension = [*STEADY[:105], (10.6, math.nan)]
    (event,) = events(readings(tension, payout))
    assert (event.from_us, event.to_us, event.render_kn) == (10_000_000, 11_000_000, 400.0)


def test_a_clipped_gauge_gives_a_break_out_of_at_least_so_much() -> None:
    known = readings([(10.0, 700.0), (11.0, 500)], [(10.0, 0.0), (11.0, 0.3)], clipped_from_kn=700.0)
    (event,) = events(known)
    assert event.breakout == Peak(10_000_000, 700.0, True)


@pytest.mark.parametrize("which", ["tension", "payout", "both"])
def test_no_readings_and_single_ones_give_no_event(which: str) -> None:
    tension = [] if which in ("tension", "both") else STEADY
    payout = [] if which in ("payout", "both") else [(10.0, 0.0), (11.0, 0.3)]
    assert events(readings(tension, payout)) == []
    assert events(readings(STEADY, [(10.0, 5.0)])) == []


def test_slip_runs_survive_json() -> None:
    known = readings(STEADY, [(0.4, 0.0), (1.0, 0.1 + 0.2), (16.0, 0.3), (17.0, 1 / 3)])
    runs = slips(known, RULES, from_us=500_000, to_us=20_000_000)
    assert runs
    assert [SlipRun.from_payload(json.loads(json.dumps(run.to_payload()))) for run in runs] == runs


@dataclass(frozen=True)
class Step:
    """A payout step of the reference."""

    from_us: int
    to_us: int
    kn: float


def by_definition(known: Readings, rules: Rules) -> list[BrakeRender]:
    """DESIGN's definition over a whole record, in plain loops."""
    tension = [(int(at), float(kn)) for at, kn in zip(known.tension_at_us, known.tension_kn, strict=True) if kn == kn]
    payout = [(int(at), float(m)) for at, m in zip(known.payout_at_us, known.payout_m, strict=True) if m == m]
    brake = [(int(at), float(on)) for at, on in zip(known.brake_at_us, known.brake, strict=True) if on == on]
    length = dict(payout)
    groups: list[list[Step]] = []
    for (before_us, before_m), (at_us, at_m) in itertools.pairwise(payout):
        seen = [kn for at, kn in tension if at_us - 1_000_000 <= at <= at_us]
        states = [on for at, on in brake if at <= at_us]
        slipped = (
            at_us - before_us <= rules.max_gap_s * 1e6
            and (at_m - before_m) / ((at_us - before_us) / 1e6) >= rules.rate_m_s
            and bool(seen)
            and seen[-1] >= rules.min_kn
            and (not states or states[-1] >= 0.5)
        )
        if not slipped:
            continue
        step = Step(before_us, at_us, seen[-1])
        if groups and (before_us == groups[-1][-1].to_us or before_us - groups[-1][-1].to_us < rules.join_s * 1e6):
            groups[-1].append(step)
        else:
            groups.append([step])
    found = []
    for group in groups:
        start_us, end_us = group[0].from_us, group[-1].to_us
        paid_out_m = length[end_us] - length[start_us]
        if paid_out_m < rules.min_payout_m:
            continue
        peaks = []
        for until_us in (group[0].to_us, end_us):
            window = [(kn, -at) for at, kn in tension if start_us - rules.window_s * 1e6 <= at <= until_us]
            kn, minus_at = max(window)
            peaks.append(Peak(-minus_at, kn, False))
        median = statistics.median(step.kn for step in group)
        found.append(BrakeRender(start_us, end_us, paid_out_m, peaks[0], peaks[1], median, len(group)))
    return found


@st.composite
def records(draw: st.DrawFn) -> Readings:
    """A minute or so of a winch that renders now and then, with gaps, missing readings and equal values."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))

    def times(count: int, steps: Sequence[int]) -> list[float]:
        return [tick / 10 for tick in np.cumsum(rng.choice(steps, count)).tolist()]

    payout_at = times(draw(st.integers(0, 30)), [1, 5, 5, 5, 5, 10, 20, 31, 49, 50, 51, 101])
    tension_at = times(draw(st.integers(0, 150)), [1, 3, 5, 5, 8])
    brake_at = times(draw(st.integers(0, 4)), [1, 50, 200])
    payout_m = np.cumsum(rng.choice([0.0, 0.0, 0.01, 0.03, 0.2, -0.1], len(payout_at))).tolist()
    peaks = rng.choice([100.0, 150.0, 300.0, 300.0, 300.0, 300.0, math.nan], len(tension_at))
    rare = rng.uniform(size=len(tension_at)) < 0.08
    peaks[rare] = rng.choice([600.0, 650.0, 700.0, 700.0], int(rare.sum()))
    missing = rng.uniform(size=len(payout_at)) < 0.1
    return readings(
        list(zip(tension_at, peaks.tolist(), strict=True)),
        [(at, math.nan if absent else m) for at, m, absent in zip(payout_at, payout_m, missing.tolist(), strict=True)],
        list(zip(brake_at, rng.choice([0.0, 1.0, 1.0, 1.0, math.nan], len(brake_at)).tolist(), strict=True)),
    )


def between(known: Readings, from_us: float, to_us: float) -> Readings:
    """What is on record in [from_us, to_us), and the latest brake state before it."""
    tension = (known.tension_at_us >= from_us) & (known.tension_at_us < to_us)
    payout = (known.payout_at_us >= from_us) & (known.payout_at_us < to_us)
    brake = known.brake_at_us < to_us
    return Readings(
        known.tension_at_us[tension],
        known.tension_kn[tension],
        known.clipped[tension],
        known.payout_at_us[payout],
        known.payout_m[payout],
        known.brake_at_us[brake],
        known.brake[brake],
    )


@settings(max_examples=examples(300), deadline=None)
@given(records())
def test_events_equal_the_definition(known: Readings) -> None:
    assert events(known) == by_definition(known, RULES)


@settings(max_examples=examples(300), deadline=None)
@given(
    known=records(),
    borders=st.lists(st.integers(0, 600), max_size=8, unique=True),
    join_s=st.sampled_from([0.0, 1.0, 5.0, 12.0]),
    extra_s=st.sampled_from([0.0, 3.0, 100.0]),
)
def test_events_are_the_same_wherever_the_record_is_cut(
    known: Readings, borders: list[int], join_s: float, extra_s: float
) -> None:
    rules = replace(RULES, join_s=join_s)
    edges = [-FAR_US, *sorted(round(border * 1e5) for border in borders), FAR_US]
    runs: list[SlipRun] = []
    for from_us, to_us in itertools.pairwise(edges):
        # Payout is known up to the end of the part; before it, as far as the edge (and any further) reaches.
        near = between(known, from_us - (rules.edge_s + extra_s) * 1e6, to_us)
        runs += slips(near, rules, from_us=from_us, to_us=to_us)
    runs.reverse()
    joined = join(runs, join_s=rules.join_s, min_payout_m=rules.min_payout_m)
    assert joined == by_definition(known, rules)


def cut_at(known: Readings, border_s: float) -> list[BrakeRender]:
    border_us = round(border_s * 1e6)
    runs: list[SlipRun] = []
    for from_us, to_us in ((-FAR_US, border_us), (border_us, FAR_US)):
        near = between(known, from_us - RULES.edge_s * 1e6, to_us)
        runs += slips(near, RULES, from_us=from_us, to_us=to_us)
    return join(runs, join_s=RULES.join_s, min_payout_m=RULES.min_payout_m)


@pytest.mark.parametrize("border_s", [11.5, 12.3, 14.9, 15.0])
def test_a_peak_while_the_brake_held_for_a_moment_is_known_across_midnight_too(border_s: float) -> None:
    # Runs end at 11 s and begin at 15 s; twice 700 kN between, more than 2 s before the second begins.
    tension = [*STEADY[:120], (12.1, 700.0), (12.2, 700.0), (12.4, 690.0), *STEADY[125:]]
    known = readings(tension, [(10.0, 0.0), (11.0, 0.2), (15.0, 0.2), (16.0, 0.5)])
    (event,) = cut_at(known, border_s)
    assert [event] == by_definition(known, RULES)
    assert (event.peak, event.breakout.kn) == (Peak(12_100_000, 700.0, False), 400.0)


def test_a_run_too_short_by_itself_is_kept_for_a_step_that_reaches_back_over_midnight() -> None:
    # 0.03 m by 11 s, then nothing for nine seconds: the step to 20 s starts where the run ended.
    known = readings(STEADY, [(10.0, 0.0), (11.0, 0.03), (20.0, 0.13)])
    (event,) = cut_at(known, 19.5)
    assert [event] == by_definition(known, RULES)
    assert (event.from_us, event.slips) == (10_000_000, 2)


def render_at(kn: float) -> BrakeRender:
    return BrakeRender(0, 1, 0.5, Peak(0, kn, False), Peak(0, kn, False), kn, 1)


@pytest.mark.parametrize(
    ("breakout_kn", "expected"),
    [(449.9, "early"), (450.0, "as set"), (500.0, "as set"), (550.0, "as set"), (550.1, "late")],
)
def test_the_verdict_turns_at_ninety_and_a_hundred_and_ten_percent(breakout_kn: float, expected: str) -> None:
    assert verdict(breakout_kn, 500.0) == expected


def test_a_setting_that_is_none_gives_no_verdict() -> None:
    with pytest.raises(ValueError, match="is none"):
        verdict(400.0, 0.0)
    assert against_setting(render_at(400.0), None) is None
    unset = Winch(place="w1", brake_set_kn=None, set_on=None)
    assert against_setting(render_at(400.0), unset) is None


def test_a_break_out_is_told_as_the_first_layer_would_have_felt_it_where_the_drum_is_known() -> None:
    bare = Winch(place="w1", brake_set_kn=500.0, set_on=None)
    told = against_setting(render_at(400.0), bare)
    assert told is not None
    assert (told.verdict, told.breakout_pct, told.breakout_first_layer_kn) == ("early", 80.0, None)
    wound = Winch(place="w1", brake_set_kn=500.0, set_on=None, layer=3, barrel_mm=640.0, rope_mm=40.0)
    told = against_setting(render_at(400.0), wound)
    assert told is not None
    # (640 + 5 * 40) / (640 + 40) by hand.
    assert told.breakout_first_layer_kn == pytest.approx(400.0 * 840 / 680, rel=1e-15)
