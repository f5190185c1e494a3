"""Check 55: unit factors against NIST SP 811 (2008), Appendix B, and against scipy.constants."""

from fractions import Fraction

import pytest
import scipy.constants as constants

from pipeline.errors import RegisterError
from pipeline.units import UNITS, to_canonical

# Exact values in the canonical unit. Source: NIST SP 811 (2008), App. B.8/B.9: kilogram-force 9.80665 N,
# pound-force 4.448 221 615 260 5 N (its footnote: exact, as the pound is 0.453 592 37 kg exactly), long ton
# 2240 lb and short ton 2000 lb, foot 0.3048 m, inch 0.0254 m, knot 1852 m / 3600 s;
# and its section on temperature: t/degC = T/K - 273.15, t/degC = (t/degF - 32)/1.8.
LBF_KN = Fraction("0.0044482216152605")
EXACT = {
    "N": Fraction(1, 1000),
    "kN": Fraction(1),
    "MN": Fraction(1000),
    "tf": Fraction("9.80665"),
    "kgf": Fraction("0.00980665"),
    "lbf": LBF_KN,
    "kip": 1000 * LBF_KN,
    "long_tonf": 2240 * LBF_KN,
    "short_tonf": 2000 * LBF_KN,
    "m": Fraction(1),
    "mm": Fraction(1, 1000),
    "ft": Fraction("0.3048"),
    "in": Fraction("0.0254"),
    "degC": Fraction(1),
    "degF": Fraction(5, 9),
    "K": Fraction(1),
    "m/s": Fraction(1),
    "kn": Fraction(1852, 3600),
    "1": Fraction(1),
}
EXACT_OFFSET = {"degF": Fraction(-160, 9), "K": Fraction("-273.15")}


def test_every_known_unit_is_checked_here() -> None:
    assert set(UNITS) == set(EXACT)


@pytest.mark.parametrize("unit", sorted(EXACT))
def test_a_factor_is_the_double_nearest_to_its_exact_value(unit: str) -> None:
    # Fraction -> float rounds correctly (half to even), so this is equality to the last bit.
    assert UNITS[unit].factor == float(EXACT[unit])
    assert UNITS[unit].offset == float(EXACT_OFFSET.get(unit, Fraction(0)))


# Source: scipy.constants, whose unit table follows NIST SP 811.
SCIPY_SI = {
    "tf": constants.kilogram_force * 1000 / 1e3,
    "kgf": constants.kilogram_force / 1e3,
    "lbf": constants.pound_force / 1e3,
    "kip": constants.pound_force * 1000 / 1e3,
    "long_tonf": constants.long_ton * constants.g / 1e3,
    "short_tonf": constants.short_ton * constants.g / 1e3,
    "ft": constants.foot,
    "in": constants.inch,
    "kn": constants.knot,
}


@pytest.mark.parametrize("unit", sorted(SCIPY_SI))
def test_a_factor_agrees_with_scipy(unit: str) -> None:
    assert UNITS[unit].factor == pytest.approx(SCIPY_SI[unit], rel=4e-16)


@pytest.mark.parametrize(("degrees", "unit"), [(212.0, "degF"), (-40.0, "degF"), (300.0, "K")])
def test_a_temperature_agrees_with_scipy(degrees: float, unit: str) -> None:
    scale = {"degF": "Fahrenheit", "K": "Kelvin"}[unit]
    known = to_canonical(unit)
    expected = constants.convert_temperature(degrees, scale, "Celsius")
    assert degrees * known.factor + known.offset == pytest.approx(expected, abs=1e-12)


def test_check_55_as_printed() -> None:
    # Source: NIST SP 811 App. B, as computed with scipy.constants (check 55).
    assert to_canonical("tf").factor == 9.80665
    assert to_canonical("lbf").factor * 1000 == pytest.approx(4.4482216152605, rel=1e-15)
    assert to_canonical("kip").factor == 4.4482216152605
    assert to_canonical("long_tonf").factor == pytest.approx(9.964016418183519, rel=4e-16)
    assert to_canonical("short_tonf").factor == 8.896443230521


def test_a_knot_is_not_a_kilonewton() -> None:
    assert to_canonical("kn").quantity == "speed"
    assert to_canonical("kN").quantity == "force"


def test_an_unknown_unit_is_refused_with_the_nearest_one() -> None:
    with pytest.raises(RegisterError, match=r"unknown unit 'long_ton'.*did you mean 'long_tonf'\?"):
        to_canonical("long_ton")
