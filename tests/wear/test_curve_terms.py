"""A curve's further terms: a second slope, another reference strength, and what lies outside where it was fitted."""

import math
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import Bug, RegisterError
from pipeline.wear.fatigue import (
    UNIT_EXPONENT,
    Outside,
    cycles_outside,
    damage,
    life_units,
    pending_units,
    to_decimal,
)
from schemas.registers import FatigueCurve
from tests.extent import examples

ONE = np.ones(1, np.int64)


def curve(a: float = 3.2, b: float = 0.0, m: float = 5.0, **more: Any) -> FatigueCurve:
    return FatigueCurve.model_validate({"a": a, "b": b, "m": m, "source": "invented for the tests", **more})


def units_of_one(low_kn: float, high_kn: float, break_force_kn: float, of: FatigueCurve) -> int:
    return life_units(np.array([low_kn]), np.array([high_kn]), ONE, break_force_kn=break_force_kn, curve=of)


def units_by_definition(low_kn: float, high_kn: float, break_force_kn: float, of: FatigueCurve) -> int:
    """The definition, with Python's own pow and unbounded integers."""
    strength_kn = of.reference_strength * break_force_kn
    ratio, mean = (high_kn - low_kn) / strength_kn, ((high_kn + low_kn) / 2) / strength_kn
    if ratio <= 0:
        return 0
    at_one = math.pow(10.0, of.a - of.b * mean)
    if of.r2 is not None and of.m2 is not None and ratio < of.r2:
        used = math.pow(ratio / of.r2, of.m2) * math.pow(of.r2, of.m) / at_one
    else:
        used = math.pow(ratio, of.m) / at_one
    if math.isinf(used * 2.0**UNIT_EXPONENT):
        raise OverflowError("more than 2^924 lives in a cycle")
    units: int = round(Fraction(used) * 2**UNIT_EXPONENT)
    return units


@settings(deadline=None, max_examples=examples(400))
@given(
    low=st.floats(-1e3, 1e4),
    extent=st.one_of(st.just(0.0), st.floats(1e-9, 1e4)),
    break_force_kn=st.floats(0.1, 1e5),
    reference_strength=st.one_of(st.just(1.0), st.floats(0.01, 2.0)),
    a=st.floats(-10, 12),
    b=st.floats(-3, 5),
    m=st.floats(0.5, 15),
    second=st.one_of(st.none(), st.tuples(st.floats(0.5, 30), st.floats(1e-6, 1e3))),
)
def test_life_with_any_terms_equals_the_definition_and_the_scalar_function_bit_for_bit(
    low: float,
    extent: float,
    break_force_kn: float,
    reference_strength: float,
    a: float,
    b: float,
    m: float,
    second: tuple[float, float] | None,
) -> None:
    terms = {} if second is None else {"m2": second[0], "r2": second[1]}
    of = curve(a, b, m, reference_strength=reference_strength, **terms)
    high = low + extent
    try:
        expected = units_by_definition(low, high, break_force_kn, of)
    except (OverflowError, ZeroDivisionError):
        with pytest.raises(RegisterError):
            units_of_one(low, high, break_force_kn, of)
        return
    assert units_of_one(low, high, break_force_kn, of) == expected
    strength_kn = reference_strength * break_force_kn
    scalar = damage((high - low) / strength_kn, ((high + low) / 2) / strength_kn, of)
    assert round(Fraction(scalar) * 2**UNIT_EXPONENT) == expected


def test_a_second_slope_is_exact_over_a_hundred_thousand_random_cycles() -> None:
    rng = np.random.default_rng(20261125)
    low = rng.uniform(-20, 400, 100_000)
    high = low + rng.exponential(120, low.size)
    of = curve(3.2, 2.79, 4.09, m2=6.5, r2=0.1, reference_strength=0.95)
    small = (high - low) / (0.95 * 1370.0) < 0.1
    assert 0.2 < small.mean() < 0.8  # both slopes are at work
    expected = sum(units_by_definition(*pair, 1370.0, of) for pair in zip(low.tolist(), high.tolist(), strict=True))
    ones = np.ones(low.size, np.int64)
    assert life_units(low, high, ones, break_force_kn=1370.0, curve=of) == expected


@given(st.floats(0.01, 0.9), st.floats(0.5, 15), st.floats(0.5, 15))
def test_the_slopes_meet_where_one_ends(r2: float, m: float, m2: float) -> None:
    # At r2 the first slope holds, so a curve without the second says the same there; just below they still agree.
    of, plain = curve(m=m, m2=m2, r2=r2), curve(m=m)
    assert damage(r2, 0.0, of) == damage(r2, 0.0, plain)
    assert damage(math.nextafter(r2, 0), 0.0, of) == pytest.approx(damage(r2, 0.0, plain), rel=1e-13)


@given(st.floats(0.02, 0.9), st.floats(0.5, 12), st.floats(0.5, 12))
def test_below_the_knee_half_the_range_lives_longer_by_two_to_the_second_slope(r2: float, m: float, m2: float) -> None:
    of = curve(m=m, m2=m2, r2=r2)
    assert damage(r2 / 2, 0.2, of) / damage(r2 / 4, 0.2, of) == pytest.approx(2**m2, rel=1e-12)
    assert damage(r2 * 2, 0.2, of) / damage(r2, 0.2, of) == pytest.approx(2**m, rel=1e-12)


def test_small_cycles_by_hand_on_both_sides_of_the_knee() -> None:
    # N = 10^4 * R^-3 down to R = 0.1, where N = 10^7; below with slope 5: N = 10^7 * (R/0.1)^-5, 3.2e8 at 0.05.
    of = curve(a=4.0, m=3.0, m2=5.0, r2=0.1)
    assert 1 / damage(0.2, 0.0, of) == pytest.approx(1.25e6, rel=1e-12)
    assert 1 / damage(0.1, 0.0, of) == pytest.approx(1e7, rel=1e-12)
    assert 1 / damage(0.05, 0.0, of) == pytest.approx(3.2e8, rel=1e-12)


def test_a_second_slope_leaves_cycles_above_it_as_they_were_to_the_last_unit() -> None:
    low, high = np.array([0.0, 100.0, 50.0]), np.array([200.0, 700.0, 150.0])
    count = np.array([3, 1, 7])
    # A range of exactly r2 belongs to the first slope.
    with_second, without = curve(m2=9.0, r2=0.1), curve()
    assert life_units(low, high, count, break_force_kn=1000.0, curve=with_second) == life_units(
        low, high, count, break_force_kn=1000.0, curve=without
    )


def test_pending_knows_the_second_slope_and_the_reference_strength() -> None:
    # Range 50 over 0.5 * 1000 is 0.1: half of r2, with slopes 1 and 2 and a = 0 that is (1/2)^2 * 0.2 = 0.05 of a
    # life, and half of it as a half cycle.
    of = curve(a=0.0, m=1.0, m2=2.0, r2=0.2, reference_strength=0.5)
    pending = pending_units(np.array([0.0, 50.0]), break_force_kn=1000.0, curve=of)
    assert float(to_decimal(pending, UNIT_EXPONENT + 1)) == pytest.approx(0.025, rel=1e-12)


def test_range_and_mean_are_over_the_reference_strength() -> None:
    of = curve(a=0.0, b=2.0, m=1.0, reference_strength=0.8)
    # R = 160 / 800 = 0.2 and Lm = 80 / 800 = 0.1: 0.2 * 10^(2 * 0.1).
    used = Fraction(units_of_one(0.0, 160.0, 1000.0, of), 2**UNIT_EXPONENT)
    assert float(used) == pytest.approx(0.2 * 10**0.2, rel=1e-12)


def test_a_second_slope_without_a_finite_figure_is_refused_with_its_constants() -> None:
    of = curve(m=14.0, m2=2.0, r2=1e30)
    with pytest.raises(RegisterError, match=r"r2 = 1e\+30, m2 = 2.0"):
        damage(0.5, 0.2, of)
    with pytest.raises(RegisterError, match=r"r2 = 1e\+30, m2 = 2.0"):
        units_of_one(0.0, 500.0, 1000.0, of)
    with pytest.raises(RegisterError, match="r2"):  # pow(R / r2, m2) is 0 here, and 0 * inf is no number
        units_of_one(0.0, 500.0, 1000.0, curve(m=14.0, m2=30.0, r2=1e30))


def test_a_reference_strength_that_leaves_no_force_is_refused() -> None:
    for reference_strength, break_force_kn in ((1e-200, 1e-200), (1e200, 1e200)):
        with pytest.raises(RegisterError, match="reference strength"):
            units_of_one(0.0, 1e-250, break_force_kn, curve(reference_strength=reference_strength))


LOW_KN = np.array([0.0, 0.0, 100.0, 300.0, 5.0, 200.0])
HIGH_KN = np.array([500.0, 500.5, 700.0, 310.0, 55.0, 200.0])
COUNT = np.array([7, 2, 3, 100, 40, 11])


def outside(**limits: Any) -> Outside:
    return cycles_outside(LOW_KN, HIGH_KN, COUNT, break_force_kn=1000.0, curve=curve(**limits))


def test_without_limits_only_cycles_beyond_half_the_strength_are_counted_and_all_are_told() -> None:
    # API TR 2FC-2:2020 (read): not above 50 % of strength. R: 0.5005 twice and 0.6 three times.
    assert outside() == Outside(5, 0, 0, 0, 163)


def test_cycles_outside_the_fitted_ranges_are_counted_the_limits_being_inside() -> None:
    # R: 0.5, 0.5005, 0.6, 0.01, 0.05, and one without range, which uses nothing and is not called too small.
    assert outside(valid_r=[0.05, 0.5]) == Outside(5, 100, 0, 0, 163)


def test_cycles_outside_the_fitted_means_are_counted_the_limits_being_inside() -> None:
    # Lm: 0.25, 0.25025, 0.4, 0.305, 0.03, 0.2.
    assert outside(valid_lm=[0.2, 0.305]) == Outside(5, 0, 43, 0, 163)


def test_cycles_that_go_slack_are_counted_by_break_force_whatever_the_reference_strength() -> None:
    # Troughs 0, 0 and 5 kN lie under 1 % of 1000 kN; with 0.5 % the one of 5 kN is at the limit, not below it.
    assert outside(compression_below=0.01) == Outside(5, 0, 0, 49, 163)
    assert outside(compression_below=0.005) == Outside(5, 0, 0, 9, 163)
    assert outside(compression_below=0.01, reference_strength=0.5).compressed == 49


def test_a_trough_in_compression_is_below_a_limit_of_zero() -> None:
    # A limit of 0 is a limit: only pushing counts.
    low, high = np.array([-0.5, 0.0]), np.array([50.0, 50.0])
    found = cycles_outside(low, high, np.array([4, 5]), break_force_kn=100.0, curve=curve(compression_below=0.0))
    assert found.compressed == 4


def test_ratios_of_the_limits_are_over_the_reference_strength() -> None:
    # Over 0.5 * 1000 kN every ratio doubles: R 1.0, 1.001, 1.2, 0.02, 0.1; Lm 0.5, 0.5005, 0.8, 0.61, 0.06, 0.4.
    assert outside(valid_r=[0.1, 1.0], valid_lm=[0.4, 0.61], reference_strength=0.5) == Outside(5, 100, 43, 0, 163)


def test_counting_what_is_outside_refuses_what_life_refuses() -> None:
    with pytest.raises(RegisterError, match="break force"):
        cycles_outside(LOW_KN, HIGH_KN, COUNT, break_force_kn=0.0, curve=curve())
    with pytest.raises(Bug, match="low must be a number"):
        cycles_outside(HIGH_KN, LOW_KN, COUNT, break_force_kn=9.0, curve=curve())
    assert cycles_outside(LOW_KN[:0], HIGH_KN[:0], COUNT[:0], break_force_kn=9.0, curve=curve()) == Outside(
        0, 0, 0, 0, 0
    )
