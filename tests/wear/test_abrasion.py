"""Wear at the chock: the slip of steady cycling, work by hand, and integers that add up."""

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from pipeline.errors import Bug, RegisterError
from pipeline.wear.abrasion import (
    Contact,
    NotReckoned,
    capstan,
    contact_of,
    slip_of,
    swing_units,
    travel_units,
    travel_work_kj,
)
from schemas.specs import Abrasion, AllowableWork

BREAK_FORCE_KN = 1000.0
ROPE = Abrasion(
    friction=0.2,
    stiffness=20.0,
    allowable_work_kj=AllowableWork(smooth=900.0, worn=300.0, rough=60.0),
    source="invented for the test",
)


@dataclass(frozen=True)
class Lies:
    """A rigging's columns."""

    inboard_m: float | None = 30.0
    wrap_deg: float | None = 90.0
    surface: str | None = "worn"


def contact(lies: Lies | None = None, rope: Abrasion = ROPE) -> Contact:
    found = contact_of(lies or Lies(), rope, BREAK_FORCE_KN)
    assert isinstance(found, Contact)
    return found


WORN = contact()


def units_in_plain_python(swings: list[tuple[float, float, int]], at: Contact) -> int:
    total = 0
    for low, high, times in swings:
        life = slip_of(low, high, at).work_kj / at.allowable_work_kj
        total += times * round(Fraction(life) * 2**100)
    return total


def swing_total(swings: list[tuple[float, float, int]], at: Contact = WORN) -> int:
    low, high = np.array([s[0] for s in swings], np.float64), np.array([s[1] for s in swings], np.float64)
    return swing_units(low, high, np.array([s[2] for s in swings], np.int64), at)


def travel_total(items: list[tuple[float, float]], at: Contact = WORN) -> int:
    return travel_units(np.array([i[0] for i in items], np.float64), np.array([i[1] for i in items], np.float64), at)


def test_slip_and_work_of_a_swing_are_those_reckoned_by_hand() -> None:
    # e^(mu*theta) = 2 (mu = ln 2 / pi, half a turn), EA = 20,000 kN, 30 m inboard, 100 .. 800 kN:
    # T2 runs from 200 to 400 kN, so 200 kN * 30 m / 20,000 kN = 0.3 m slide. Rising: T1 - T2 = T1 / 2, T1 from 400 to
    # 800, mean 300 kN: 90 kJ. Falling: T2 - T1 = T1, T1 from 200 to 100, mean 150 kN: 45 kJ.
    rope = ROPE.model_copy(update={"friction": math.log(2) / math.pi})
    found = slip_of(100.0, 800.0, contact(Lies(wrap_deg=180.0), rope))
    assert found.slip_m == pytest.approx(0.3, rel=1e-12)
    assert found.rising_kj == pytest.approx(90.0, rel=1e-12)
    assert found.falling_kj == pytest.approx(45.0, rel=1e-12)
    assert found.work_kj == pytest.approx(67.5, rel=1e-12)


def stepped(turns: list[float], at: Contact, steps: int = 4000) -> tuple[float, float]:
    """Slip [m] and work [kJ] of the last two swings of T1 through these points, by small steps of the stick rule."""
    inboard = turns[0]
    slip = work = 0.0
    for i, (start, end) in enumerate(pairwise(turns)):
        for step in range(1, steps + 1):
            outboard, between = (start + (end - start) * done / steps for done in (step, step - 0.5))
            new = min(max(inboard, outboard / at.capstan), outboard * at.capstan)
            if i >= len(turns) - 3:
                slip += abs(new - inboard) * at.give_m_per_kn
                work += abs(between - (new + inboard) / 2) * abs(new - inboard) * at.give_m_per_kn
            inboard = new
    return slip, work


@given(low=st.floats(0.0, 400.0), extent=st.floats(1.0, 600.0), wrap=st.floats(5.0, 180.0))
@settings(deadline=None, max_examples=40)
def test_steady_cycling_stepped_through_the_stick_rule_slides_and_works_as_the_closed_form_says(
    low: float, extent: float, wrap: float
) -> None:
    at, high = contact(Lies(wrap_deg=wrap)), low + extent
    slip, work = stepped([high, low, high, low, high, low], at)
    found = slip_of(low, high, at)
    assert slip == pytest.approx(2 * found.slip_m, rel=1e-6, abs=1e-9)
    assert work == pytest.approx(found.rising_kj + found.falling_kj, rel=2e-3, abs=2e-4)


@given(low=st.floats(0.1, 900.0), ratio=st.floats(1.0, 3.0))
def test_only_a_swing_that_leaves_the_stick_band_slides(low: float, ratio: float) -> None:
    limit = WORN.capstan * WORN.capstan
    assume(abs(ratio / limit - 1) > 1e-9)
    assert (slip_of(low, low * ratio, WORN).slip_m > 0) == (ratio > limit)


def test_from_slack_every_swing_slides() -> None:
    assert slip_of(0.0, 1.0, WORN).slip_m > 0
    assert slip_of(-50.0, 1.0, WORN) == slip_of(0.0, 1.0, WORN), "compression counts as 0"
    assert slip_of(-50.0, -1.0, WORN).work_kj == 0


@given(low=st.floats(0.0, 500.0), extent=st.floats(0.0, 500.0), metres=st.floats(0.0, 50.0))
@settings(deadline=None)
def test_without_a_wrap_no_work_is_done(low: float, extent: float, metres: float) -> None:
    straight = contact(Lies(wrap_deg=0.0))
    assert slip_of(low, low + extent, straight).work_kj == 0
    assert swing_total([(low, low + extent, 3)], straight) == 0
    assert travel_total([(low, metres)], straight) == 0


def test_without_an_inboard_length_nothing_slides_but_what_is_paid_out() -> None:
    at_the_drum = contact(Lies(inboard_m=0.0))
    assert swing_total([(0.0, 800.0, 5)], at_the_drum) == 0
    assert travel_total([(400.0, 1.0)], at_the_drum) > 0


@given(low=st.floats(0.0, 300.0), extent=st.floats(50.0, 600.0), metres=st.floats(0.001, 50.0))
@settings(deadline=None)
def test_a_rougher_surface_wears_faster(low: float, extent: float, metres: float) -> None:
    # Common practice, no source; the allowable works are the user's data, here falling from smooth to rough.
    swing = [(low, low + extent, 1)]
    assume(slip_of(low, low + extent, WORN).slip_m > 1e-9)
    lives = [swing_total(swing, contact(Lies(surface=state))) for state in ("smooth", "worn", "rough")]
    paid = [travel_total([(low + 1, metres)], contact(Lies(surface=state))) for state in ("smooth", "worn", "rough")]
    assert lives[0] < lives[1] < lives[2]
    assert paid[0] < paid[1] < paid[2]


def test_a_longer_inboard_length_slides_more_and_a_stiffer_rope_less() -> None:
    swing = (50.0, 400.0)
    assert slip_of(*swing, contact(Lies(inboard_m=60.0))).slip_m == 2 * slip_of(*swing, WORN).slip_m
    stiffer = ROPE.model_copy(update={"stiffness": 40.0})
    assert slip_of(*swing, contact(rope=stiffer)).slip_m == slip_of(*swing, WORN).slip_m / 2


def test_metres_let_go_take_the_friction_of_the_tension_each() -> None:
    # mu*theta = 0.2 * pi/2; at 100 kN the inboard rope holds 100 * e^-0.314159 = 73.0403 kN: 26.9597 kJ a metre.
    assert travel_work_kj(100.0, 2.0, WORN) == pytest.approx(2 * 26.9597, rel=1e-5)
    assert travel_work_kj(-5.0, 2.0, WORN) == 0


@pytest.mark.parametrize("surface", ["roller", "Roller fairlead", "two rollers", "steel roller, free", "4 rollers"])
def test_over_a_roller_nothing_slides_and_the_contact_says_so(surface: str) -> None:
    roller = contact(Lies(inboard_m=None, wrap_deg=None, surface=surface))
    assert roller.rolls
    assert "roller turns" in roller.says
    assert swing_total([(0.0, 900.0, 100)], roller) == 0
    assert travel_total([(900.0, 100.0)], roller) == 0
    assert slip_of(0.0, 900.0, roller).work_kj == 0


@pytest.mark.parametrize(
    "surface",
    [
        *("seized roller", "chock without rollers", "no roller", "controller", "shiny", ""),
        *("roller doesn't turn", "worn roller", "rusted roller", "roller (jammed)", "roller, unsure"),
    ],
)
def test_a_roller_that_does_not_turn_and_a_surface_of_unknown_state_are_not_reckoned(surface: str) -> None:
    found = contact_of(Lies(surface=surface), ROPE, BREAK_FORCE_KN)
    assert isinstance(found, NotReckoned)
    assert "none of smooth, worn, rough" in found.why


@pytest.mark.parametrize(
    ("lies", "rope", "why"),
    [
        (Lies(), None, "[abrasion]"),
        (Lies(inboard_m=None), ROPE, "inboard_m"),
        (Lies(wrap_deg=None), ROPE, "wrap_deg"),
        (Lies(surface=None), ROPE, "no surface"),
        (Lies(), ROPE.model_copy(update={"allowable_work_kj": AllowableWork(smooth=1.0)}), "for a worn surface"),
    ],
)
def test_what_is_not_known_is_not_reckoned_and_said(lies: Lies, rope: Abrasion | None, why: str) -> None:
    found = contact_of(lies, rope, BREAK_FORCE_KN)
    assert isinstance(found, NotReckoned)
    assert why in found.why


def test_the_state_of_a_surface_is_read_without_regard_to_case() -> None:
    assert contact(Lies(surface=" Worn ")) == WORN


@pytest.mark.parametrize("break_force_kn", [0.0, -1.0, math.nan, math.inf])
def test_a_break_force_that_is_none_is_refused(break_force_kn: float) -> None:
    with pytest.raises(RegisterError, match="break force"):
        contact_of(Lies(), ROPE, break_force_kn)


@pytest.mark.parametrize("wrap_deg", [2e5, 1e12])
def test_a_wrap_beyond_all_reckoning_is_refused(wrap_deg: float) -> None:
    with pytest.raises(RegisterError, match="wrapped"):
        capstan(0.2, wrap_deg)


def test_constants_that_leave_no_finite_life_are_refused_not_counted_as_none() -> None:
    with pytest.raises(RegisterError, match="no finite life"):
        swing_total([(0.0, 900.0, 1)], replace(WORN, allowable_work_kj=5e-324))
    with pytest.raises(RegisterError, match="no finite life"):
        travel_total([(900.0, 1.0)], replace(WORN, allowable_work_kj=5e-324))


@pytest.mark.parametrize("swing", [(math.nan, 1.0, 1), (0.0, math.inf, 1), (2.0, 1.0, 1), (0.0, 1.0, -1)])
def test_swings_that_cannot_be_are_a_bug(swing: tuple[float, float, int]) -> None:
    with pytest.raises(Bug):
        swing_total([swing])


@pytest.mark.parametrize("item", [(math.nan, 1.0), (1.0, math.nan), (1.0, -1.0), (1.0, math.inf)])
def test_travel_that_cannot_be_is_a_bug(item: tuple[float, float]) -> None:
    with pytest.raises(Bug):
        travel_total([item])


def test_lists_that_do_not_match_are_a_bug() -> None:
    one, two = np.ones(1), np.ones(2)
    with pytest.raises(Bug):
        swing_units(one, two, np.ones(1, np.int64), WORN)
    with pytest.raises(Bug):
        travel_units(one, two, WORN)


def test_life_of_many_random_swings_equals_plain_python_unit_for_unit() -> None:
    rng = np.random.default_rng(20261125)
    low = rng.uniform(-20, 600, 50_000)
    high = low + rng.exponential(300, low.size)
    count = rng.integers(0, 2000, low.size)
    expected = units_in_plain_python(list(zip(low.tolist(), high.tolist(), count.tolist(), strict=True)), WORN)
    assert expected > 0
    assert swing_units(low, high, count, WORN) == expected


SWING = st.tuples(st.floats(-100, 1e4), st.floats(0, 1e4), st.integers(0, 2**20)).map(
    lambda s: (s[0], s[0] + s[1], s[2])
)
CONTACTS = st.builds(
    lambda friction, wrap, inboard, stiffness, allowed: contact(
        Lies(inboard, wrap, "rough"),
        Abrasion(
            friction=friction,
            stiffness=stiffness,
            allowable_work_kj=AllowableWork(rough=allowed),
            source="invented for the test",
        ),
    ),
    st.floats(0.01, 0.99),
    st.floats(0.0, 720.0),
    st.floats(0.0, 200.0),
    st.floats(1.0, 100.0),
    st.floats(1e-3, 1e6),
)


@given(swings=st.lists(SWING, max_size=30), at=CONTACTS, cut=st.integers(0, 30))
@settings(deadline=None)
def test_the_parts_of_a_history_add_up_to_the_whole_for_any_contact(
    swings: list[tuple[float, float, int]], at: Contact, cut: int
) -> None:
    whole = swing_total(swings, at)
    assert whole == units_in_plain_python(swings, at)
    assert whole == swing_total(swings[cut:], at) + swing_total(swings[:cut], at)
    assert whole == swing_total(swings[::-1], at)
    assert whole == sum(swing_total([(low, high, 1)], at) * n for low, high, n in swings)


@given(
    items=st.lists(st.tuples(st.floats(-100, 1e4), st.floats(0, 1e4)), max_size=30),
    at=CONTACTS,
    cut=st.integers(0, 30),
)
@settings(deadline=None)
def test_the_parts_of_a_travel_add_up_to_the_whole_for_any_contact(
    items: list[tuple[float, float]], at: Contact, cut: int
) -> None:
    lives = [travel_work_kj(kn, metres, at) / at.allowable_work_kj for kn, metres in items]
    whole = travel_total(items, at)
    assert whole == sum(round(Fraction(life) * 2**100) for life in lives)
    assert whole == travel_total(items[cut:], at) + travel_total(items[:cut], at)
