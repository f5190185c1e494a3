"""Outside check 17: the closed form for a narrow-band record with Rayleigh amplitudes, against our damage.

Damage per cycle = (2 * sqrt(2) * sigma)^m * Gamma(1 + m/2) / K, for ranges of twice the amplitude and a curve
N = K * R^-m. Source: textbook result; figures of check 17 computed there and confirmed by quadrature.

Check 18 (Dirlik, Wirsching-Light, on a wide-band spectrum) would need spectral moments and a spectral damage
function. tautlog counts cycles in time and has none, so there is nothing of ours to hold against it.
"""

import math

import numpy as np
import pytest
from scipy import integrate, special

from pipeline.wear.fatigue import UNIT_EXPONENT, damage, life_units
from schemas.registers import FatigueCurve

TEXTBOOK = FatigueCurve(a=3.0, b=0.0, m=3.0, source="textbook: N = K * R^-m")
POLYESTER = FatigueCurve.model_validate({"published": "api-2sm-polyester"})
CASES = [(TEXTBOOK, 1000.0, 0.02, 2.406363e-7), (POLYESTER, 25_000.0, 0.05, 5.687656e-9)]


def closed_form(m: float, k: float, sigma: float) -> float:
    return float((2 * math.sqrt(2) * sigma) ** m * special.gamma(1 + m / 2) / k)


@pytest.mark.parametrize(
    ("m", "expected"), [(3.0, 1.3293404), (4.09, 2.0856280), (5.05, 3.4166327), (13.46, 2939.0748)]
)
def test_17_gamma_has_the_published_values(m: float, expected: float) -> None:
    assert float(special.gamma(1 + m / 2)) == pytest.approx(expected, rel=3e-8)


@pytest.mark.parametrize(("of", "k", "sigma", "expected"), CASES)
def test_17_our_damage_integrated_over_rayleigh_amplitudes_is_the_closed_form(
    of: FatigueCurve, k: float, sigma: float, expected: float
) -> None:
    def weighted(amplitude: float) -> float:
        density = amplitude / sigma**2 * math.exp(-((amplitude / sigma) ** 2) / 2)
        return damage(2 * amplitude, 0.0, of) * density

    # Beyond 12 sigma the density is below 1e-30.
    integral, error = integrate.quad(weighted, 0.0, 12 * sigma, epsabs=0.0, epsrel=1e-10, limit=200)
    assert error < 1e-8 * expected
    assert integral == pytest.approx(expected, rel=2e-7)
    assert integral == pytest.approx(closed_form(of.m, k, sigma), rel=1e-9)


@pytest.mark.parametrize(("of", "k", "sigma", "expected"), CASES)
def test_17_counted_cycles_with_rayleigh_amplitudes_average_the_closed_form(
    of: FatigueCurve, k: float, sigma: float, expected: float
) -> None:
    amplitude = np.random.default_rng(17).rayleigh(sigma, 400_000)
    break_force_kn = 1234.5
    units = life_units(
        -amplitude * break_force_kn,
        amplitude * break_force_kn,
        np.ones(amplitude.size, np.int64),
        break_force_kn=break_force_kn,
        curve=of,
    )
    average = units / 2**UNIT_EXPONENT / amplitude.size
    # The spread of (2A)^m follows from the same formula at 2m; four standard errors of the mean.
    second = (2 * math.sqrt(2) * sigma) ** (2 * of.m) * float(special.gamma(1 + of.m)) / k**2
    standard_error = math.sqrt((second - expected**2) / amplitude.size)
    assert standard_error < 0.01 * expected
    assert abs(average - expected) < 4 * standard_error
