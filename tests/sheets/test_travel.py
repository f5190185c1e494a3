"""Travel: metres between turning points of payout, each once, by the tension under which they went."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from pipeline.sheets.travel import Travel, travel

S = 1_000_000
BAND_M = 0.02
ALL = (-(10**15), 10**15)


def travel_of(
    payout: list[tuple[int, float]],
    tension: list[tuple[int, float]] | None = None,
    *,
    span: tuple[int, int] = ALL,
    deadband_m: float = BAND_M,
) -> Travel:
    """Travel of (instant [us], metres) under (instant [us], kN); 102 kN at every payout sample where not given."""
    felt = [(at, 102.0) for at, _ in payout] if tension is None else tension
    return travel(
        np.array([at for at, _ in payout], np.int64),
        np.array([m for _, m in payout], np.float64),
        np.array([at for at, _ in felt], np.int64),
        np.array([kn for _, kn in felt], np.float64),
        from_us=span[0],
        to_us=span[1],
        deadband_m=deadband_m,
        max_gap_us=10 * S,
    )


def each_second(*metres: float) -> list[tuple[int, float]]:
    return [(i * S, m) for i, m in enumerate(metres)]


def total(found: Travel) -> float:
    return float(found.metres.sum())


def by_class(found: Travel) -> dict[int, float]:
    return dict(zip(found.classes.tolist(), found.metres.tolist(), strict=True))


def test_what_is_let_go_and_what_is_hove_in_both_count() -> None:
    assert by_class(travel_of(each_second(5.0, 5.5, 6.25, 6.25, 5.0))) == {20: 2.5}


def test_a_move_counts_in_the_class_of_the_tension_meanwhile() -> None:
    # Class c is [5c, 5c + 5) kN: 99.9 kN is in 19, 100 in 20.
    tension = [(0, 40.0), (S, 99.9), (2 * S, 100.0), (3 * S, -1.0)]
    assert by_class(travel_of(each_second(5.0, 5.5, 6.5, 6.75), tension)) == {-1: 0.25, 19: 0.5, 20: 1.0}


def test_a_jittering_encoder_saws_no_rope_through() -> None:
    rng = np.random.default_rng(3)
    still = 7 + rng.uniform(-0.0099, 0.0099, 50_000)
    assert total(travel_of(each_second(*still.tolist()))) == 0
    assert total(travel_of(each_second(*still.tolist()), deadband_m=0.0)) > 100


def test_jitter_on_a_slow_move_hardly_adds_to_it() -> None:
    rng = np.random.default_rng(4)
    slow = np.linspace(5.0, 8.0, 20_000) + rng.uniform(-0.0099, 0.0099, 20_000)
    assert total(travel_of(each_second(*slow.tolist()))) == pytest.approx(3.0, abs=BAND_M)


def test_a_creep_of_many_steps_below_the_deadband_counts_in_whole() -> None:
    crept = [5.0 + i * 0.001 for i in range(1001)]
    assert total(travel_of(each_second(*crept))) == pytest.approx(1.0)


def test_a_turn_counts_from_its_extreme_once_it_is_as_long_as_the_deadband() -> None:
    assert total(travel_of(each_second(5.0, 6.0, 5.985))) == 1.0
    assert total(travel_of(each_second(5.0, 6.0, 5.985, 5.97))) == pytest.approx(1.03)


def test_a_gap_is_not_counted_over_and_all_begins_afresh_after_it() -> None:
    far = [(0, 5.0), (10 * S, 5.5), (20 * S + 1, 9.0), (21 * S, 9.25)]
    assert total(travel_of(far)) == 0.75


def test_a_move_without_a_tension_of_the_last_second_is_not_counted() -> None:
    tension = [(0, 102.0), (2 * S - 1, 102.0)]
    assert by_class(travel_of(each_second(5.0, 5.5, 6.25, 7.75), tension)) == {20: 0.5 + 0.75}
    assert total(travel_of(each_second(5.0, 6.0), [])) == 0
    assert total(travel_of(each_second(5.0, 6.0), [(S + 1, 102.0)])) == 0, "a later tension does not tell"


def test_nothing_recorded_is_no_travel() -> None:
    none = travel_of([])
    assert (str(none.classes.dtype), str(none.metres.dtype)) == ("int64", "float64")
    assert none.classes.size == none.metres.size == 0


def moves_by_definition(payout: list[float], deadband_m: float) -> float:
    """Metres between the turning points that are at least a deadband apart, in slow plain Python.

    Of all neighbouring turning points the closest pair is taken out while it is closer than the deadband.
    """
    turns = [payout[0], *payout]
    while True:
        kept = turns[:1]
        for value in turns[1:]:
            if len(kept) > 1 and (kept[-1] - kept[-2]) * (value - kept[-1]) >= 0:
                kept.pop()
            if value != kept[-1]:
                kept.append(value)
        steps = [abs(b - a) for a, b in pairwise(kept)]
        if not steps or min(steps) >= deadband_m:
            return sum(steps)
        at = steps.index(min(steps))
        if at == 0:
            turns = kept[1:]
        elif at == len(steps) - 1:
            turns = kept[:-1]
        else:
            turns = kept[:at] + kept[at + 2 :]


STEP = st.one_of(st.integers(-3, 3), st.integers(-40, 40))
WALK = st.lists(STEP, min_size=1, max_size=60).map(lambda steps: [500 + int(s) for s in np.cumsum(steps)])


@given(WALK)
@settings(deadline=None)
def test_metres_are_those_between_turning_points_a_deadband_apart(walk: list[int]) -> None:
    # Whole centimetres and a deadband of 2.5 of them: nothing hangs on rounding.
    found = total(travel_of(each_second(*(cm / 4 for cm in walk)), deadband_m=2.5 / 4))
    assert found == pytest.approx(moves_by_definition([cm / 4 for cm in walk], 2.5 / 4), abs=1e-9)


@given(WALK, WALK)
@settings(deadline=None)
def test_days_that_see_a_turn_of_the_day_before_add_up_to_the_whole_record(before: list[int], after: list[int]) -> None:
    assume(max(before) - min(before) >= 3)
    record = each_second(*(cm / 4 for cm in before + after))
    cut = len(before) * S
    first = travel_of(record[: len(before)], span=(0, cut), deadband_m=2.5 / 4)
    second = travel_of(record, span=(cut, 10**12), deadband_m=2.5 / 4)
    assert total(first) + total(second) == pytest.approx(total(travel_of(record, deadband_m=2.5 / 4)), abs=1e-9)


@given(WALK, WALK)
@settings(deadline=None)
def test_a_day_that_sees_only_the_last_sample_before_it_is_off_by_less_than_two_deadbands(
    before: list[int], after: list[int]
) -> None:
    record = each_second(*(cm / 4 for cm in before + after))
    band = 2.5 / 4
    parts = travel_of(record[: len(before)], deadband_m=band), travel_of(record[len(before) - 1 :], deadband_m=band)
    assert abs(sum(map(total, parts)) - total(travel_of(record, deadband_m=band))) < 2 * band


@given(WALK, st.lists(st.floats(-20, 400), min_size=60, max_size=60))
@settings(deadline=None)
def test_tension_shares_the_metres_out_and_changes_none(walk: list[int], kn: list[float]) -> None:
    payout = each_second(*(cm / 4 for cm in walk))
    found = travel_of(payout, [(at, kn[i]) for i, (at, _) in enumerate(payout)])
    assert total(found) == pytest.approx(total(travel_of(payout)), abs=1e-9)
    assert (np.diff(found.classes) > 0).all()
    assert (found.metres > 0).all()
