"""Outside checks 19-23 (and 16's rule): rupture under load and heat, and time fractions."""

import math

import numpy as np
import pytest

from pipeline.wear.cells import BIN_US
from pipeline.wear.creep import GAS_CONSTANT_J_MOLK, creep_units, rupture_s
from pipeline.wear.together import adds, free_length
from schemas.specs import Creep

UNIT = 2.0**100
# CODATA 2018, exact: Boltzmann constant, Avogadro constant, elementary charge.
BOLTZMANN_J_K, AVOGADRO_PER_MOL, CHARGE_C = 1.380649e-23, 6.02214076e23, 1.602176634e-19


def creep(*, u0: float, gamma: float, log10_tau0_s: float = -13.0, floor: float = 1e-9) -> Creep:
    return Creep(
        log10_tau0_s=log10_tau0_s,
        u0_kj_mol=u0,
        gamma_kj_mol=gamma,
        floor=floor,
        fitted_load=(0.0, 1.0),
        fitted_c=(-50.0, 100.0),
        source="invented for the demo",
    )


def test_the_gas_constant_is_codatas() -> None:
    assert abs(BOLTZMANN_J_K * AVOGADRO_PER_MOL - GAS_CONSTANT_J_MOLK) < 5e-10


# J. Chem. Phys. 153:144904 (2020), abstract: oriented polyethylene fibre, activation energy about 1.5 eV, activation
# volume about 45 cubic angstrom. Rounded constants of a paper, not data for design. L of 1 stands for 1 GPa here.
PE = creep(u0=1.5 * CHARGE_C * AVOGADRO_PER_MOL / 1000, gamma=45e-30 * 1e9 * AVOGADRO_PER_MOL / 1000)


def test_19_the_activation_energy_of_a_polyethylene_fibre_is_144_7_kj_a_mole() -> None:
    assert PE.u0_kj_mol == pytest.approx(144.728, abs=5e-4)
    assert PE.gamma_kj_mol * 1000 / (GAS_CONSTANT_J_MOLK * 293.15) == pytest.approx(11.11832, abs=5e-6)


def test_19_a_hundred_megapascals_more_make_it_creep_three_times_as_fast() -> None:
    # Derived from the abstract's constants: rate x 3.03992 for each 100 MPa at 20 °C.
    assert rupture_s(0.5, 20.0, PE) / rupture_s(0.6, 20.0, PE) == pytest.approx(3.03992, rel=2e-6)


@pytest.mark.parametrize(("gpa", "faster"), [(0.0, 7.0902), (0.6, 5.6897)])
def test_19_ten_degrees_more_make_it_creep_six_or_seven_times_as_fast(gpa: float, faster: float) -> None:
    # Derived from the abstract's constants: 20 to 30 °C.
    assert rupture_s(gpa, 20.0, PE) / rupture_s(gpa, 30.0, PE) == pytest.approx(faster, rel=1e-5)


def test_20_a_margin_on_creep_rupture_is_a_division_of_life_and_none_is_applied_here() -> None:
    # DNV-OS-E303 Ch.2 Sec.1 C103 (read at the publisher's site): margins of 3 for mobile and 5 to 8 for long-term
    # mooring. Life used here is without any: a rope held for a third of its time to rupture has used a third.
    third_us = round(rupture_s(0.5, 20.0, PE) / 3 * 1e6)
    one = np.array([0], np.int64)
    used = creep_units(
        one,
        one,
        np.array([third_us]),
        np.empty(0, np.int64),
        np.empty(0),
        break_force_kn=5.0,
        creep=PE,
        ambient_c=20.0,
    )
    assert used.units / UNIT == pytest.approx(1 / 3, rel=1e-9)


def test_21_thirty_of_a_hundred_hours_and_a_hundred_and_forty_of_two_hundred_are_a_life() -> None:
    # Robinson 1938 (from memory): 30 h of 100 h + 140 h of 200 h = 1.
    break_force_kn, bins = 100.0, np.array([0, 0], np.int64)
    classes = np.array([12, 10], np.int64)  # L = 0.625, 0.525
    # Two points fix gamma and tau0: 100 h at the higher load, 200 h at the lower, at 20 °C.
    thermal = GAS_CONSTANT_J_MOLK * 293.15 / 1000
    gamma = thermal * math.log(2) / 0.1
    u0 = 50.0
    log10_tau0_s = math.log10(100 * 3600) - (u0 - gamma * 0.625) / thermal / math.log(10)
    fitted = creep(u0=u0, gamma=gamma, log10_tau0_s=log10_tau0_s)
    used = creep_units(
        bins,
        classes,
        np.array([30, 140]) * 3_600_000_000,
        np.empty(0, np.int64),
        np.empty(0),
        break_force_kn=break_force_kn,
        creep=fitted,
        ambient_c=20.0,
    )
    assert used.units / UNIT == pytest.approx(1.0, rel=1e-12)


def test_22_a_sinusoid_lives_as_long_as_the_bessel_function_says() -> None:
    # Analytic: t_r = A e^(-bS), S = Sm + Sa sin: life = A / (e^(b Sm) I0(b Sa)); A = 1e6 s, b = 10, Sm = .5, Sa = .3
    # give 1380.5026 s. Classes of 5 kN of a break force of 40,000 kN are an eight-thousandth of it each.
    break_force_kn, seconds = 40_000.0, 1000.0
    thermal = GAS_CONSTANT_J_MOLK * 293.15 / 1000
    u0 = 50.0
    rupture = creep(u0=u0, gamma=10 * thermal, log10_tau0_s=6 - u0 / thermal / math.log(10))
    assert rupture_s(0.5, 20.0, rupture) == pytest.approx(1e6 * math.exp(-5), rel=1e-9)
    classes = np.arange(1600, 6400)
    edges = np.clip((np.append(classes, 6400) * 5 / break_force_kn - 0.5) / 0.3, -1, 1)
    share = np.diff(np.arcsin(edges)) / math.pi  # of its time that a sinusoid spends in each class
    assert share.sum() == pytest.approx(1.0, rel=1e-12)
    used = creep_units(
        np.zeros(classes.size, np.int64),
        classes,
        np.rint(share * seconds * 1e6).astype(np.int64),
        np.empty(0, np.int64),
        np.empty(0),
        break_force_kn=break_force_kn,
        creep=rupture,
        ambient_c=20.0,
    )
    assert seconds / (used.units / UNIT) == pytest.approx(1380.5026, rel=2e-5)


def test_23_zhurkovs_form_in_molecules_is_ours_in_moles() -> None:
    # Zhurkov (from memory): tau = tau0 * exp((U0 - gamma * sigma) / kT), tau0 about 1e-13 s. U0 and gamma of no rope
    # were found: 1.2 eV and 30 cubic angstrom at 1 GPa are made up for the algebra.
    ours = creep(u0=1.2 * CHARGE_C * AVOGADRO_PER_MOL / 1000, gamma=30e-30 * 1e9 * AVOGADRO_PER_MOL / 1000)
    for gpa, kelvin in ((0.1, 273.15), (0.4, 293.15), (0.9, 333.15)):
        by_molecule = 1e-13 * math.exp((1.2 * CHARGE_C - 30e-30 * gpa * 1e9) / (BOLTZMANN_J_K * kelvin))
        assert rupture_s(gpa, kelvin - 273.15, ours) == pytest.approx(by_molecule, rel=2e-8)


def test_creep_of_a_whole_bin_is_its_ten_minutes_over_the_time_to_rupture() -> None:
    # By hand: log10 tau0 = -10, (80 - 40 * 0.505) kJ/mol at 10 °C: 59,800 / (8.314462618 * 283.15) = 25.4009777;
    # e^25.4009777 = 1.0752376e11; t = 10.752376 s; two times 5 minutes are 55.80162 lives.
    plain = creep(u0=80.0, gamma=40.0, log10_tau0_s=-10.0)
    used = creep_units(
        np.array([7, 8]),
        np.array([50, 50]),
        np.array([BIN_US // 2, BIN_US // 2]),
        np.array([7, 8]),
        np.array([10.0, 10.0]),
        break_force_kn=500.0,
        creep=plain,
        ambient_c=-40.0,
    )
    assert used.units / UNIT == pytest.approx(55.80162, rel=2e-7)


def test_16_polyamide_takes_the_worse_of_fatigue_and_creep() -> None:
    # Kenney, Mandell & McGarry 1985, J. Mater. Sci. 20:2045 (abstract): cyclic life of nylon 6.6 is predicted from
    # creep rupture and insensitive to frequency: two readings of one damage, so never their sum.
    assert adds("polyamide", ("creep", "heat")) == adds("polyamide", ()) == "worse-of-two"
    assert free_length("polyamide", ("creep",), 3, 5).life == 5
    assert free_length("polyamide", ("creep",), 5, 3).life == 5
