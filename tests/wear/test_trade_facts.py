"""Facts of the trade that every mechanism must show, whatever its constants. All: common practice, no source."""

from datetime import date

import numpy as np
import pytest

from pipeline.night.plan import Geometry
from pipeline.night.wearing import NOTHING_CARRIED, Wear, wear_day
from pipeline.sheets.sheet import Sheet, Slice, make_sheet
from pipeline.wear.fatigue import life_units
from pipeline.wear.heat import Air
from schemas.registers import Spec
from schemas.times import day_start_us

DAY = date(2026, 3, 2)
START_US = day_start_us(DAY)
HOUR_S = 3600
SPEC = Spec.model_validate(
    {
        "id": "rope",
        "material": "polyamide",
        "construction": "8-strand",
        "diameter_mm": 60.0,
        "mass_kg_per_m": 2.2,
        "break_force_kn": 1000.0,
        "fatigue": {"a": 2.5, "b": 0.5, "m": 4.5, "source": "invented for the test"},
        "creep": {
            "log10_tau0_s": -13.0,
            "u0_kj_mol": 118.0,
            "gamma_kj_mol": 50.0,
            "floor": 0.02,
            "fitted_load": (0.02, 0.9),
            "fitted_c": (-10.0, 90.0),
            "source": "invented for the test",
        },
        "heat": {
            "loss_factor": 0.1,
            "stiffness": 8.0,
            "conductivity_w_mk": 0.25,
            "specific_heat_j_kgk": 1700.0,
            "source": "invented for the test",
        },
        "abrasion": {
            "friction": 0.1,
            "stiffness": 10.0,
            "allowable_work_kj": {"smooth": 4000.0, "worn": 2000.0, "rough": 500.0},
            "source": "invented for the test",
        },
    }
)


def sheet(hours: float, amplitude_kn: float, mean_kn: float) -> Sheet:
    """A steady sea of ten seconds' period, a sample a second."""
    t = np.arange(int(hours * HOUR_S))
    at_us = START_US + t * 1_000_000
    kn = mean_kn + amplitude_kn * np.sin(2 * np.pi * t / 10 + 0.1)
    piece = Slice("H1", "H1", DAY, START_US, START_US + int(hours * HOUR_S) * 1_000_000, False, False, 1.0, None)
    there = np.ones(t.size, np.bool_)
    return make_sheet(piece, at_us, kn, there, ~there, after_us=None, max_gap_us=10_000_000)


def lives(
    hours: float, amplitude_kn: float, mean_kn: float, surface: str = "smooth", air_c: float = 15.0
) -> dict[str, int]:
    """Life by mechanism of some hours, in units of 2^-100."""
    made = sheet(hours, amplitude_kn, mean_kn)
    wear = Wear(SPEC.break_force_kn, SPEC, Air(air_c, 0.0))
    worn = wear_day(NOTHING_CARRIED, [made], [Geometry(20.0, 30.0, surface)], [], wear, None)
    fatigue = life_units(made.low_kn, made.high_kn, made.count, break_force_kn=1000.0, curve=SPEC.fatigue)
    assert worn.creep_units is not None
    assert worn.abrasion_units is not None
    return {"fatigue": fatigue, "creep": worn.creep_units, "abrasion": worn.abrasion_units}


@pytest.mark.parametrize("mechanism", ["fatigue", "creep", "abrasion"])
def test_a_storm_costs_more_than_its_share_of_time(mechanism: str) -> None:
    calm, storm = lives(9.0, 40.0, 120.0)[mechanism], lives(1.0, 160.0, 250.0)[mechanism]
    assert storm / (calm + storm) > 0.1


def test_a_rougher_surface_wears_faster_and_nothing_else_moves() -> None:
    smooth, worn, rough = (lives(1.0, 100.0, 200.0, surface) for surface in ("smooth", "worn", "rough"))
    assert smooth["abrasion"] < worn["abrasion"] < rough["abrasion"]
    assert {(found["fatigue"], found["creep"]) for found in (smooth, worn, rough)} == {
        (smooth["fatigue"], smooth["creep"])
    }


def test_a_hotter_rope_and_a_higher_load_creep_faster() -> None:
    assert lives(1.0, 20.0, 200.0)["creep"] < lives(1.0, 20.0, 200.0, air_c=30.0)["creep"]
    assert lives(1.0, 20.0, 200.0)["creep"] < lives(1.0, 20.0, 260.0)["creep"]


def test_a_rope_that_is_cycled_harder_is_warmer_and_so_creeps_faster_at_the_same_mean() -> None:
    assert lives(6.0, 20.0, 300.0)["creep"] < lives(6.0, 200.0, 300.0)["creep"]
