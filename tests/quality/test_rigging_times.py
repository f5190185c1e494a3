"""What loads say of registered times, and of channels that are exchanged."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.night.rigged_as import on_one_clock
from pipeline.quality.bins import BIN_US, Bins
from pipeline.quality.loads import Load, joined, loads, seen
from pipeline.quality.rigging_times import Contradiction, Recorded, Rigged, clocks_ahead, contradictions, swaps

S = 1_000_000
MINUTE = 60 * S
HOUR = 60 * MINUTE
DAY = (0, 24 * HOUR)


def bins_of(kn: list[float]) -> Bins:
    value = np.array(kn)
    return Bins(np.arange(value.size, dtype=np.int64) * BIN_US, value, value - 1.0, value + 1.0)


def recorded(*stretches: tuple[int, int], observed: tuple[int, int] = DAY) -> Recorded:
    return Recorded(tuple(Load(from_us, to_us, None, None) for from_us, to_us in stretches), (observed,))


EVER = 2**62


def told(rigged: tuple[int, int], of: Recorded, *, let_go: int | None = None) -> list[Contradiction]:
    others = [] if let_go is None else [(rigged[0], let_go)] * 2
    return contradictions(rigged, of, free=(-EVER, EVER), others=others, tolerance_us=10 * MINUTE, open_end=False)


def test_a_load_is_a_stretch_above_its_zero_that_slack_moments_do_not_cut() -> None:
    kn = [5.0] * 30 + [85.0] * 60 + [5.0] * 11 + [85.0] * 60 + [5.0] * 30
    found = loads(bins_of(kn), np.full(len(kn), 5.0), level_kn=10.0)
    assert [(load.from_us, load.to_us) for load in found] == [(30 * BIN_US, 161 * BIN_US)]
    apart = [5.0] * 30 + [85.0] * 60 + [5.0] * 13 + [85.0] * 60
    assert len(loads(bins_of(apart), np.full(len(apart), 5.0), level_kn=10.0)) == 2


def test_what_lasts_under_three_minutes_is_no_line_made_fast() -> None:
    assert loads(bins_of([0.0] * 30 + [200.0] * 17 + [0.0] * 30), np.zeros(77), level_kn=10.0) == []


def test_the_start_of_a_load_is_what_it_bore_from_three_to_thirteen_minutes_on() -> None:
    kn = [0.0] * 30 + [300.0] * 18 + [100.0] * 60 + [700.0] * 60
    [load] = loads(bins_of(kn), np.zeros(len(kn)), level_kn=10.0)
    assert (load.start_kn, load.motion_kn) == (100.0, 1.0)
    [cut] = loads(bins_of(kn[40:]), np.zeros(len(kn) - 40), level_kn=10.0)
    assert cut.start_kn is None


def test_what_hangs_beside_a_load_is_told_for_both_sides_at_the_most_that_it_may_have_been() -> None:
    kn = [2.0] * 90 + [85.0] * 60 + [0.5] * 90
    [load] = loads(bins_of(kn), np.zeros(len(kn)), level_kn=10.0)
    assert (load.before_kn, load.after_kn) == (2.0, 0.5)
    [unsure] = loads(bins_of(kn), np.zeros(len(kn)), level_kn=10.0, unsure_kn=np.linspace(0.0, 0.0, len(kn)) + 1.0)
    assert (unsure.before_kn, unsure.after_kn) == (3.0, 1.5)
    [alone] = loads(bins_of(kn[90:150]), np.zeros(60), level_kn=10.0)
    assert (alone.before_kn, alone.after_kn) == (None, None)


def test_a_line_that_was_made_fast_and_then_hung_slack_for_an_hour_contradicts_no_from() -> None:
    late, bare = (
        Recorded((Load(2 * HOUR, 9 * HOUR, None, None, None, before_kn),), (DAY,)) for before_kn in (2.5, 0.1)
    )
    assert told((HOUR, 9 * HOUR), late, let_go=9 * HOUR) == []
    assert [one.what for one in told((HOUR, 9 * HOUR), bare, let_go=9 * HOUR)] == ["no-load-after-from"]


def test_loads_of_two_days_that_touch_at_midnight_are_one() -> None:
    found = joined([Load(0, 10 * MINUTE, 5.0, 1.0), Load(10 * MINUTE, HOUR, None, None)])
    assert found == [Load(0, HOUR, 5.0, 1.0)]


def test_what_is_observed_ends_with_a_gap_of_over_two_minutes() -> None:
    bins = bins_of([1.0] * 100)
    kept = bins.take((np.arange(100) < 30) | (np.arange(100) >= 45))
    assert seen(kept) == [(0, 30 * BIN_US), (45 * BIN_US, 100 * BIN_US)]


def test_registers_that_loads_follow_are_not_contradicted() -> None:
    assert told((HOUR, 9 * HOUR), recorded((HOUR + MINUTE, 9 * HOUR - MINUTE)), let_go=9 * HOUR) == []


@pytest.mark.parametrize(
    ("load", "what", "error_min"),
    [
        ((HOUR - 30 * MINUTE, 9 * HOUR), "load-before-from", 30),
        ((HOUR + 40 * MINUTE, 9 * HOUR), "no-load-after-from", -40),
        ((HOUR, 9 * HOUR + 25 * MINUTE), "load-after-to", -25),
        ((HOUR, 9 * HOUR - 20 * MINUTE), "no-load-before-to", 20),
    ],
)
def test_each_way_of_contradicting_is_told_with_both_instants(load: tuple[int, int], what: str, error_min: int) -> None:
    [found] = told((HOUR, 9 * HOUR), recorded(load), let_go=9 * HOUR - 20 * MINUTE)
    assert (found.what, found.error_s) == (what, error_min * 60)
    assert found.registered_us in (HOUR, 9 * HOUR)
    assert found.shown_us in load


def test_a_load_that_ends_while_the_other_lines_stay_fast_contradicts_no_time() -> None:
    lost = recorded((HOUR, 5 * HOUR))
    assert told((HOUR, 9 * HOUR), lost, let_go=8 * HOUR) == []
    assert told((HOUR, 9 * HOUR), lost) == []


def test_no_line_lies_fast_when_all_others_are_gone() -> None:
    lost = recorded((HOUR, 5 * HOUR))
    gone = {"free": (-EVER, EVER), "tolerance_us": 10 * MINUTE, "open_end": False, "all_let_go_us": 9 * HOUR}
    others = [(HOUR, 9 * HOUR)] * 2
    [found] = contradictions((HOUR, 10 * HOUR), lost, others=others, **gone)  # type: ignore[arg-type]
    assert (found.what, found.shown_us, found.registered_us) == ("no-load-before-to", 9 * HOUR, 10 * HOUR)
    near = (HOUR, 9 * HOUR + 9 * MINUTE)
    assert contradictions(near, lost, others=others, **gone) == []  # type: ignore[arg-type]


def test_a_line_that_hangs_slack_while_the_others_are_let_go_contradicts_no_time() -> None:
    hangs, bare = (Recorded((Load(HOUR, 8 * HOUR, None, None, kn),), (DAY,)) for kn in (2.5, 0.1))
    assert told((HOUR, 8 * HOUR + 20 * MINUTE), hangs, let_go=8 * HOUR) == []
    [found] = told((HOUR, 8 * HOUR + 20 * MINUTE), bare, let_go=8 * HOUR)
    assert found.what == "no-load-before-to"


def test_what_a_clock_is_ahead_is_no_contradiction() -> None:
    load = recorded((HOUR + 12 * MINUTE, 9 * HOUR + 12 * MINUTE))
    given = {"free": (-EVER, EVER), "others": (), "tolerance_us": 10 * MINUTE, "open_end": False}
    assert len(contradictions((HOUR, 9 * HOUR), load, **given)) == 2  # type: ignore[arg-type]
    assert contradictions((HOUR, 9 * HOUR), load, ahead_us=12 * MINUTE, **given) == []  # type: ignore[arg-type]


def test_a_slack_moment_about_a_registered_time_does_not_hide_that_it_is_wrong() -> None:
    cut = recorded((HOUR, 8 * HOUR), (8 * HOUR + 20 * MINUTE, 9 * HOUR))
    [found] = told((HOUR, 8 * HOUR), cut, let_go=9 * HOUR)
    assert (found.what, found.shown_us) == ("load-after-to", 9 * HOUR)


def test_a_load_long_after_the_call_contradicts_no_time() -> None:
    test_of_the_brake = recorded((HOUR, 9 * HOUR), (11 * HOUR, 11 * HOUR + 5 * MINUTE))
    assert told((HOUR, 9 * HOUR), test_of_the_brake, let_go=9 * HOUR) == []


def test_what_was_not_observed_contradicts_no_time() -> None:
    dark = recorded((3 * HOUR, 9 * HOUR), observed=(3 * HOUR, 9 * HOUR))
    assert told((HOUR, 9 * HOUR), dark) == []


@given(st.integers(-9, 9), st.integers(-9, 9))
def test_within_the_tolerance_nothing_is_told(begin_min: int, end_min: int) -> None:
    load = (HOUR + begin_min * MINUTE, 9 * HOUR + end_min * MINUTE)
    assert told((HOUR, 9 * HOUR), recorded(load), let_go=9 * HOUR) == []


ON_S = {"A": 0, "B": 70, "C": 150, "D": 230, "E": 300, "F": 390}
OFF_S = {"A": 200, "B": 0, "C": 330, "D": 80, "E": 400, "F": 260}


def call(channel_of: dict[str, str], late_s: dict[str, int] | None = None) -> list[tuple[str, float, float]]:
    """Six lines made fast and let go in turn; line A lies on channel `channel_of["A"]` as registered, on a truly."""
    late = {} if late_s is None else late_s
    riggings = [Rigged(line, channel_of[line], HOUR + ON_S[line] * S, 9 * HOUR + OFF_S[line] * S) for line in ON_S]
    shown = {
        line.lower(): recorded(
            (
                HOUR + (ON_S[line] + 40 + 7 * n % 11 + late.get(line, 0)) * S,
                9 * HOUR + (OFF_S[line] - 30 + 5 * n % 13 + late.get(line, 0)) * S,
            )
        )
        for n, line in enumerate(ON_S)
    }
    clocks = {line.lower(): "one" if line in "ABC" else "two" for line in ON_S}
    found = swaps(riggings, shown, clocks)
    return [
        ("".join(sorted(swap.first.line + swap.second.line)), swap.registered_s, swap.exchanged_s) for swap in found
    ]


RIGHT = {line: line.lower() for line in ON_S}


def test_two_channels_that_bear_load_at_each_others_times_are_exchanged() -> None:
    [(lines, registered_s, exchanged_s)] = call(RIGHT | {"B": "e", "E": "b"})
    assert lines == "BE"
    assert registered_s > 200
    assert exchanged_s < 30


def test_a_right_register_has_no_channels_exchanged() -> None:
    assert call(RIGHT) == []


def test_a_logger_whose_clock_is_wrong_exchanges_no_channels_and_hides_none() -> None:
    wrong = {"D": 180, "E": 180, "F": 180}
    assert call(RIGHT, wrong) == []
    assert [lines for lines, *_ in call(RIGHT | {"A": "c", "C": "a"}, wrong)] == ["AC"]


def test_how_far_a_clock_is_ahead_is_told_by_its_lines_also_where_two_of_them_are_exchanged() -> None:
    channel_of = RIGHT | {"D": "e", "E": "d"}
    riggings = [Rigged(line, channel_of[line], HOUR + ON_S[line] * S, 9 * HOUR + OFF_S[line] * S) for line in ON_S]
    late = {line: 240 if line in "DEF" else 0 for line in ON_S}
    shown = {
        line.lower(): recorded(
            (HOUR + (ON_S[line] + 40 + late[line]) * S, 9 * HOUR + (OFF_S[line] - 30 + late[line]) * S)
        )
        for line in ON_S
    }
    clocks = {line.lower(): "one" if line in "ABC" else "two" for line in ON_S}
    ahead_us = clocks_ahead(riggings, shown, clocks)
    assert ahead_us("d") - ahead_us("a") == pytest.approx(240 * S, abs=30 * S)


def test_two_lines_may_be_held_against_each_other_where_others_gauges_count_from_later_on() -> None:
    # Four winches begin to count a minute after the hooks, and both hooks' lines went slack before they were let go.
    channel_of = RIGHT | {"A": "b", "B": "a"}
    riggings = [Rigged(line, channel_of[line], HOUR + ON_S[line] * S, 9 * HOUR + OFF_S[line] * S) for line in ON_S]
    winches = {line: 60 if line in "CDEF" else 0 for line in ON_S}
    shown = {
        line.lower(): recorded(
            (HOUR + (ON_S[line] + 40 + winches[line]) * S, (9 if line in "CDEF" else 8) * HOUR + OFF_S[line] * S)
        )
        for line in ON_S
    }
    [swap] = swaps(riggings, shown, {channel: "one" for channel in shown})
    assert {swap.first.line, swap.second.line} == {"A", "B"}
    right = [Rigged(row.line, row.line.lower(), row.from_us, row.to_us) for row in riggings]
    assert swaps(right, shown, {channel: "one" for channel in shown}) == []


def test_where_a_loggers_only_two_lines_are_exchanged_its_clock_is_to_be_known_from_elsewhere() -> None:
    channel_of = RIGHT | {"E": "f", "F": "e"}
    riggings = [Rigged(line, channel_of[line], HOUR + ON_S[line] * S, 9 * HOUR + OFF_S[line] * S) for line in ON_S]
    # The second logger is two minutes ahead, and of its lines only one's letting go is recorded.
    late = {line: 130 if line in "EF" else 0 for line in ON_S}
    shown = {
        line.lower(): recorded(
            (HOUR + (ON_S[line] + 40 + late[line]) * S, 9 * HOUR + (OFF_S[line] - 30 + late[line]) * S)
        )
        for line in ON_S
    }
    shown["e"] = recorded((HOUR + (ON_S["E"] + 170) * S, 8 * HOUR))
    clocks = {line.lower(): "two" if line in "EF" else "one" for line in ON_S}
    assert swaps(riggings, shown, clocks) == []
    [swap] = swaps(riggings, *on_one_clock(shown, clocks, {"one": 0.0, "two": 130.0}))
    assert {swap.first.line, swap.second.line} == {"E", "F"}


def test_a_clock_of_which_nothing_is_known_stays_one_of_its_own() -> None:
    shown = {"a": recorded((HOUR, 9 * HOUR)), "b": recorded((HOUR, 9 * HOUR)), "c": recorded((HOUR, 9 * HOUR))}
    moved, clocks = on_one_clock(shown, {"a": "one", "b": "two", "c": "three"}, {"one": 0.0, "two": 60.0})
    assert clocks["a"] == clocks["b"] != clocks["c"] == "three"
    assert [moved[name].loads[0].from_us - HOUR for name in "abc"] == [0, -60 * S, 0]
    assert shown["b"].loads[0].from_us == HOUR


def test_one_time_that_is_far_off_exchanges_no_channels() -> None:
    assert call(RIGHT, {"A": 1800}) == []


def test_lines_registered_at_the_same_times_cannot_be_told_apart() -> None:
    same = [Rigged(line, line.lower(), HOUR, 9 * HOUR) for line in "ABC"]
    shown = {line.lower(): recorded((HOUR + 60 * S * n, 9 * HOUR)) for n, line in enumerate("ABC")}
    assert swaps(same, shown, {}) == []
