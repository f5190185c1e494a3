"""Life used by cycles: exact, whatever the order and the cuts, and never silently nothing."""

import math
from decimal import ROUND_HALF_EVEN, Context, Decimal
from fractions import Fraction
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import Bug, RegisterError
from pipeline.wear import MECHANISMS
from pipeline.wear.fatigue import (
    UNIT_EXPONENT,
    Counts,
    Values,
    cycles_outside,
    damage,
    half_cycles,
    life_units,
    pending_units,
    to_decimal,
)
from schemas.registers import FatigueCurve


def curve(a: float, b: float, m: float) -> FatigueCurve:
    return FatigueCurve(a=a, b=b, m=m, source="invented for the demo")


CURVES = [curve(3.2, 0.0, 5.0), curve(3.2, 2.79, 4.09), curve(-0.58670, 0.0, 13.46), curve(2.0, -1.5, 1.0)]


def units_in_plain_python(
    low_kn: Values, high_kn: Values, count: Counts, break_force_kn: float, of: FatigueCurve
) -> int:
    """The definition, with Python's own pow and unbounded integers."""
    total = 0
    for low, high, times in zip(low_kn.tolist(), high_kn.tolist(), count.tolist(), strict=True):
        ratio = (high - low) / break_force_kn
        mean = ((high + low) / 2) / break_force_kn
        if ratio > 0:
            used = math.pow(ratio, of.m) / math.pow(10.0, of.a - of.b * mean)
            if math.isinf(used * 2.0**UNIT_EXPONENT):
                raise OverflowError("more than 2^924 lives in a cycle")
            total += times * round(Fraction(used) * 2**UNIT_EXPONENT)
    return total


@pytest.mark.parametrize("of", CURVES)
def test_life_of_a_quarter_of_a_million_random_cycles_equals_plain_python_unit_for_unit(
    of: FatigueCurve,
) -> None:
    # Four curves of 250,000 cycles each: a million powers of ten and of a ratio, against math.pow.
    rng = np.random.default_rng(20260302)
    low = rng.uniform(-20, 900, 250_000)
    high = low + rng.exponential(80, low.size)
    high[:1000] = low[:1000]
    count = rng.integers(0, 2000, low.size)
    expected = units_in_plain_python(low, high, count, 1370.0, of)
    assert expected > 0
    assert life_units(low, high, count, break_force_kn=1370.0, curve=of) == expected


FORCE = st.floats(-1e3, 1e4)
CYCLE = st.tuples(FORCE, st.one_of(st.just(0.0), st.floats(1e-9, 1e4)), st.integers(0, 2**20))


@settings(deadline=None)
@given(
    cycles=st.lists(CYCLE, max_size=30),
    break_force_kn=st.floats(0.1, 1e5),
    a=st.floats(-10, 12),
    b=st.floats(-3, 5),
    m=st.floats(0.5, 15),
)
def test_life_equals_plain_python_for_any_curve(
    cycles: list[tuple[float, float, int]], break_force_kn: float, a: float, b: float, m: float
) -> None:
    of = curve(a, b, m)
    low = np.array([kn for kn, _, _ in cycles], np.float64)
    high = low + np.array([kn for _, kn, _ in cycles], np.float64)
    count = np.array([times for _, _, times in cycles], np.int64)
    try:
        expected = units_in_plain_python(low, high, count, break_force_kn, of)
    except (OverflowError, ZeroDivisionError):
        with pytest.raises(RegisterError):
            life_units(low, high, count, break_force_kn=break_force_kn, curve=of)
        return
    assert life_units(low, high, count, break_force_kn=break_force_kn, curve=of) == expected


@given(st.lists(st.tuples(st.integers(0, 500), st.integers(0, 900)), min_size=1, max_size=40), st.randoms())
@settings(deadline=None)
def test_life_does_not_depend_on_order_cuts_or_how_equal_cycles_are_gathered(
    pairs: list[tuple[int, int]], order: Random
) -> None:
    of = CURVES[1]

    def units(some: list[tuple[int, int]], times: int = 1) -> int:
        low = np.array([low for low, _ in some], np.float64)
        high = low + np.array([extent for _, extent in some], np.float64)
        count = np.full(low.size, times, np.int64)
        return life_units(low, high, count, break_force_kn=812.5, curve=of)

    shuffled = pairs.copy()
    order.shuffle(shuffled)
    cut = order.randrange(len(pairs) + 1)
    assert units(pairs) == units(shuffled) == units(pairs[:cut]) + units(pairs[cut:])
    assert units(pairs * 3) == units(pairs, times=3)


def test_the_most_cycles_that_are_allowed_are_summed_without_loss() -> None:
    # R = 1 and a = 0 use a whole life each; the next smaller R fills the mantissa.
    low = np.zeros(2)
    high = np.array([1.0, np.nextafter(1.0, 0)])
    count = np.array([2**34, 2**34 - 1])
    of = curve(0.0, 0.0, 1.0)
    expected = units_in_plain_python(low, high, count, 1.0, of)
    assert life_units(low, high, count, break_force_kn=1.0, curve=of) == expected
    with pytest.raises(Bug, match=r"fewer than 2\^35"):
        life_units(low, high, count + 1, break_force_kn=1.0, curve=of)


def test_a_damage_half_way_between_two_units_rounds_to_the_even_one() -> None:
    # With m = 1 and a = 0 a cycle's damage is its range over break force: k + 1/2 units of 2^-100.
    of = curve(0.0, 0.0, 1.0)
    for doubled, rounded in ((1, 0), (3, 2), (5, 2), (7, 4)):
        high = np.array([math.ldexp(doubled, -(UNIT_EXPONENT + 1))])
        one = np.ones(1, np.int64)
        assert life_units(np.zeros(1), high, one, break_force_kn=1.0, curve=of) == rounded


def test_one_cycle_uses_what_the_scalar_function_says() -> None:
    of = CURVES[1]
    units = life_units(np.array([100.0]), np.array([300.0]), np.ones(1, np.int64), break_force_kn=800.0, curve=of)
    assert units == round(Fraction(damage(0.25, 0.25, of)) * 2**UNIT_EXPONENT)


def test_no_range_uses_no_life() -> None:
    assert damage(0.0, 0.5, CURVES[0]) == damage(-0.1, 0.5, CURVES[0]) == 0.0
    flat = np.array([250.0])
    assert life_units(flat, flat, np.ones(1, np.int64), break_force_kn=800.0, curve=CURVES[0]) == 0
    none = np.empty(0)
    assert life_units(none, none, np.empty(0, np.int64), break_force_kn=800.0, curve=CURVES[0]) == 0


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_a_break_force_that_is_none_is_refused_rather_than_reckoned_with(bad: float) -> None:
    one = np.ones(1, np.int64)
    with pytest.raises(RegisterError, match="break force"):
        life_units(np.zeros(1), np.ones(1), one, break_force_kn=bad, curve=CURVES[0])
    with pytest.raises(RegisterError, match="break force"):
        cycles_outside(np.zeros(1), np.ones(1), one, break_force_kn=bad, curve=CURVES[0])


def test_a_cycle_that_cannot_be_is_a_bug_and_never_no_damage() -> None:
    one = np.ones(1, np.int64)
    for low, high in ((math.nan, 5.0), (1.0, math.nan), (5.0, 1.0), (1.0, math.inf)):
        with pytest.raises(Bug, match="low must be a number"):
            life_units(np.array([low]), np.array([high]), one, break_force_kn=9.0, curve=CURVES[0])
    with pytest.raises(Bug, match="do not match"):
        life_units(np.zeros(1), np.ones(1), np.ones(2, np.int64), break_force_kn=9.0, curve=CURVES[0])
    with pytest.raises(Bug, match="0 or more"):
        life_units(np.zeros(1), np.ones(1), -one, break_force_kn=9.0, curve=CURVES[0])


def test_a_curve_without_a_finite_figure_is_refused_with_its_constants() -> None:
    for of in (curve(-400.0, 0.0, 5.0), curve(0.0, 3000.0, 5.0)):
        with pytest.raises(RegisterError, match=f"a = {of.a}"):
            damage(0.5, 0.5, of)
        with pytest.raises(RegisterError, match=f"a = {of.a}"):
            life_units(np.zeros(1), np.ones(1), np.ones(1, np.int64), break_force_kn=1.0, curve=of)


def test_half_cycles_are_the_successive_ranges_of_the_residue() -> None:
    low, high = half_cycles(np.array([0.0, 300.0, 40.0, 250.0]))
    assert low.tolist() == [0, 40, 40]
    assert high.tolist() == [300, 300, 250]


@pytest.mark.parametrize("residue", [[], [120.0]])
def test_a_residue_without_a_range_has_nothing_pending(residue: list[float]) -> None:
    assert pending_units(np.array(residue, np.float64), break_force_kn=800.0, curve=CURVES[0]) == 0


def test_pending_is_half_of_what_whole_cycles_would_use() -> None:
    # With m = 1 and a = 0 a whole cycle uses its range over break force: here 0.75, then 0.5 of a life.
    pending = pending_units(np.array([0.0, 75.0, 25.0]), break_force_kn=100.0, curve=curve(0.0, 0.0, 1.0))
    assert to_decimal(pending, UNIT_EXPONENT + 1) == Decimal("0.625")


@given(st.integers(-(2**130), 2**130), st.integers(0, 110))
def test_decimals_are_exact_to_thirty_places_half_even(units: int, exponent: int) -> None:
    exact = Fraction(units, 2**exponent)
    # 2^-110 needs 110 decimal places at most, so Decimal holds the quotient exactly and rounds once.
    wide = Context(prec=400, rounding=ROUND_HALF_EVEN)
    quotient = wide.divide(Decimal(exact.numerator), Decimal(exact.denominator))
    expected = quotient.quantize(Decimal((0, (1,), -30)), ROUND_HALF_EVEN, wide)
    got = to_decimal(units, exponent)
    assert got == expected
    assert got.as_tuple().exponent == -30


def test_a_decimal_half_way_between_two_places_rounds_to_the_even_one() -> None:
    # 2^-31 ends in ...5 at its 31st place: 4.656612873077392578125e-10.
    assert to_decimal(1, 31) == Decimal("0.000000000465661287307739257812")
    assert to_decimal(3, 31) == Decimal("0.000000001396983861923217773438")
    assert to_decimal(-1, 31) == Decimal("-0.000000000465661287307739257812")


def test_the_mechanisms_are_those_of_the_accounts() -> None:
    assert MECHANISMS == ("fatigue", "creep", "abrasion")
