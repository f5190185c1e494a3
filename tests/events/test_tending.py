"""Tending: what a winch does under power is known by its brake, its mode and by heaving in, wherever days cut it."""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Sequence

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.events.brake_slips import Readings, Rules
from pipeline.events.tending import BRAKE, HEAVING, MODE, States, Tending, at_work, brake_holds, join, stretches
from schemas.registers import Policy
from tests.extent import examples

POLICY = Policy()
RULES = Rules.of(POLICY, 1000.0)
FAR_US = 10**12
Pairs = Sequence[tuple[float, float]]
NOTHING = States(np.empty(0, np.int64), np.empty(0, np.bool_))


def columns(
    pairs: Pairs,
) -> tuple[np.ndarray[tuple[int], np.dtype[np.int64]], np.ndarray[tuple[int], np.dtype[np.float64]]]:
    return np.array([round(at * 1e6) for at, _ in pairs], np.int64), np.array([value for _, value in pairs], np.float64)


def brake(pairs: Pairs) -> States:
    return States.of_brake(*columns(pairs))


def mode(pairs: Pairs) -> States:
    return States.of_mode(*columns(pairs), POLICY)


def winch(payout: Pairs) -> Readings:
    tension = columns([(at / 2, 30.0) for at in range(-20, 400)])
    none = columns([])
    return Readings(*tension, np.zeros(tension[0].size, np.bool_), *columns(payout), *none)


def told(found: Sequence[Tending]) -> list[tuple[float, float, str]]:
    return [(one.from_us / 1e6, one.to_us / 1e6, one.by) for one in found]


def seen(states: States = NOTHING, modes: States = NOTHING, payout: Pairs = ()) -> list[tuple[float, float, str]]:
    readings = winch(payout) if payout else None
    return told(join(stretches(states, modes, readings, RULES, from_us=0, to_us=100_000_000), RULES))


def test_an_open_brake_is_power_until_it_is_told_set() -> None:
    assert seen(brake([(-5, 1), (10, 0), (20, 0), (25, math.nan), (30, 1), (90, 0)])) == [
        (10, 30, BRAKE),
        (90, 100, BRAKE),
    ]


def test_a_state_not_told_yet_says_nothing_and_one_told_before_holds() -> None:
    assert seen(brake([(50, 1)])) == []
    assert seen(brake([(-50, 0)])) == [(0, 100, BRAKE)]


def test_modes_of_the_policy_are_power_and_others_are_none() -> None:
    # By default 1 by hand, 3 auto-tension and 4 clutched in; 0 stowed and 2 on the brake are none.
    assert seen(modes=mode([(0, 2), (10, 1), (15, 3), (20, 2), (30, 4), (40, 0)])) == [(10, 20, MODE), (30, 40, MODE)]


def test_line_that_comes_in_was_hove_in_and_a_jitter_was_not() -> None:
    falling = [(at / 2, 30.0 - max(0.0, min(at / 2 - 10, 5)) * 0.1) for at in range(80)]
    assert seen(payout=falling) == [(10, 15, HEAVING)]
    jitter = [(at / 2, 30.0 + 0.01 * (at % 2)) for at in range(80)]
    assert seen(payout=jitter) == []


def test_while_either_tells_of_power_the_brake_does_not_hold() -> None:
    at_us, holds = brake_holds(brake([(0, 1), (10, 0), (20, 1)]), mode([(5, 2), (15, 3), (25, 2)]))
    assert list(zip((at_us / 1e6).tolist(), holds.tolist(), strict=True)) == [
        (0, 1),
        (5, 1),
        (10, 0),
        (15, 0),
        (20, 0),
        (25, 1),
    ]
    assert brake_holds(NOTHING, NOTHING)[0].size == 0


def test_at_work_says_by_what_it_is_known() -> None:
    found = [Tending(10, 20, BRAKE), Tending(15, 30, MODE)]
    assert at_work(found, 20, 20) == sorted([BRAKE, MODE])
    assert at_work(found, 21, 40) == [MODE]
    assert at_work(found, 31, 40) == []


def test_tending_survives_json() -> None:
    found = [Tending(10, 20, BRAKE), Tending(15, 30, HEAVING, 1 / 3, 0.1)]
    assert [Tending.from_payload(json.loads(json.dumps(one.to_payload()))) for one in found] == found


states_ = st.lists(st.tuples(st.integers(0, 99), st.sampled_from([0.0, 1.0, 2.0, 3.0, math.nan])), max_size=12)


@settings(max_examples=examples(300), deadline=None)
@given(
    brakes=states_,
    modes=states_,
    moves=st.lists(
        st.tuples(st.sampled_from([1, 1, 2, 9, 11]), st.sampled_from([0.0, 0.0, -0.02, -0.3, 0.1])), max_size=40
    ),
    cuts=st.lists(st.integers(0, 200).map(lambda tick: tick * 500_000), max_size=6),
)
def test_stretches_are_the_same_wherever_days_cut_them(
    brakes: list[tuple[int, float]],
    modes: list[tuple[int, float]],
    moves: list[tuple[int, float]],
    cuts: list[int],
) -> None:
    known = (brake(sorted(dict(brakes).items())), mode(sorted(dict(modes).items())))
    at_s, m = np.cumsum([step for step, _ in moves]).tolist(), np.cumsum([move for _, move in moves]).tolist()
    readings = winch([(-1, 0.0), *zip(at_s, m, strict=True)])
    whole = told(join(stretches(*known, readings, RULES, from_us=-FAR_US, to_us=FAR_US), RULES))
    pieces: list[Tending] = []
    for from_us, to_us in itertools.pairwise([-FAR_US, *sorted(set(cuts)), FAR_US]):
        pieces += stretches(*known, readings, RULES, from_us=from_us, to_us=to_us)
    assert told(join(pieces[::-1], RULES)) == whole
