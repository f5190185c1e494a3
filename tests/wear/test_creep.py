"""Creep: exact sums by bin and class, only above the floor and within what was fitted, faster when hot or loaded."""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import Bug, RegisterError
from pipeline.wear.cells import BIN_US
from pipeline.wear.creep import GAS_CONSTANT_J_MOLK, Crept, Ints, Values, creep_units, rupture_s, sustained_bins
from schemas.specs import Creep

NO_BINS, NO_CORES = np.empty(0, np.int64), np.empty(0)
BREAK_KN = 1370.0
HMPE = Creep(
    log10_tau0_s=-12.0,
    u0_kj_mol=120.0,
    gamma_kj_mol=60.0,
    floor=0.1,
    fitted_load=(0.15, 0.8),
    fitted_c=(0.0, 60.0),
    sustained_range=0.02,
    source="invented for the demo",
)


def crept(
    bins: list[int],
    classes: list[int],
    us: list[int],
    cores: dict[int, float],
    *,
    creep: Creep = HMPE,
    ambient_c: float = 15.0,
    counted: Ints | None = None,
    break_force_kn: float = BREAK_KN,
) -> Crept:
    return creep_units(
        np.array(bins, np.int64),
        np.array(classes, np.int64),
        np.array(us, np.int64),
        np.array(sorted(cores), np.int64),
        np.array([cores[key] for key in sorted(cores)], np.float64),
        break_force_kn=break_force_kn,
        creep=creep,
        ambient_c=ambient_c,
        counted=counted,
    )


def in_plain_python(bins: Ints, classes: Ints, us: Ints, cores: dict[int, float], of: Creep, ambient_c: float) -> Crept:
    """The definition, with Python's own pow and exp, and unbounded integers."""
    units = counted = load_us = cold_us = hot_us = 0
    for bin_, class_, stood_us in zip(bins.tolist(), classes.tolist(), us.tolist(), strict=True):
        load, core_c = (class_ * 5.0 + 2.5) / BREAK_KN, cores.get(bin_, ambient_c)
        if load <= of.floor:
            continue
        if load < of.fitted_load[0] or load > of.fitted_load[1]:
            load_us += stood_us
        elif core_c < of.fitted_c[0]:
            cold_us += stood_us
        elif core_c > of.fitted_c[1]:
            hot_us += stood_us
        else:
            time_s = 10.0**of.log10_tau0_s * math.exp(
                (of.u0_kj_mol - of.gamma_kj_mol * load) * 1000 / (8.314462618 * (core_c + 273.15))
            )
            units += round(Fraction(stood_us / 1e6 / time_s) * 2**100)
            counted += stood_us
    return Crept(units, counted, load_us, cold_us, hot_us)


def random_history(rng: np.random.Generator, items: int) -> tuple[Ints, Ints, Ints, dict[int, float]]:
    bins = np.sort(rng.integers(0, max(items // 4, 1), items))
    classes = rng.integers(-2, 260, items)
    us = rng.integers(0, BIN_US, items)
    warm = np.unique(bins)[::2]
    return bins, classes, us, dict(zip(warm.tolist(), rng.uniform(-10, 75, warm.size).tolist(), strict=True))


def test_creep_of_two_hundred_thousand_items_equals_plain_python_unit_for_unit() -> None:
    bins, classes, us, cores = random_history(np.random.default_rng(20260304), 200_000)
    expected = in_plain_python(bins, classes, us, cores, HMPE, 15.0)
    assert min(vars(expected).values()) > 0
    assert crept(bins.tolist(), classes.tolist(), us.tolist(), cores) == expected


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 2**32), u0=st.floats(20, 250), gamma=st.floats(1, 150), log10_tau0_s=st.floats(-20, 3))
def test_creep_equals_plain_python_for_any_constants(seed: int, u0: float, gamma: float, log10_tau0_s: float) -> None:
    of = HMPE.model_copy(update={"u0_kj_mol": u0, "gamma_kj_mol": gamma, "log10_tau0_s": log10_tau0_s})
    bins, classes, us, cores = random_history(np.random.default_rng(seed), 60)
    expected = in_plain_python(bins, classes, us, cores, of, 15.0)
    assert crept(bins.tolist(), classes.tolist(), us.tolist(), cores, creep=of) == expected


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 2**32), cut=st.integers(0, 80))
def test_the_parts_of_a_history_sum_to_the_whole_in_any_order(seed: int, cut: int) -> None:
    rng = np.random.default_rng(seed)
    bins, classes, us, cores = random_history(rng, 80)
    order = rng.permutation(80)

    def of(rows: Ints) -> tuple[int, ...]:
        return tuple(vars(crept(bins[rows].tolist(), classes[rows].tolist(), us[rows].tolist(), cores)).values())

    whole = of(np.arange(80))
    assert of(order) == whole
    assert tuple(map(sum, zip(of(order[:cut]), of(order[cut:]), strict=True))) == whole


def test_all_time_above_the_floor_stands_somewhere() -> None:
    bins, classes, us, cores = random_history(np.random.default_rng(5), 4000)
    told = crept(bins.tolist(), classes.tolist(), us.tolist(), cores)
    above = (classes * 5.0 + 2.5) / BREAK_KN > HMPE.floor
    assert told.counted_us + told.outside_load_us + told.outside_cold_us + told.outside_hot_us == us[above].sum()


def test_an_unloaded_line_on_a_drum_does_not_age() -> None:
    # Ten years slack, on a hot day's drum, with a few kN of its own weight.
    ten_years = [BIN_US] * 520_000
    bins = list(range(520_000))
    for class_ in (0, 1, 5):
        assert crept(bins, [class_] * 520_000, ten_years, {}, ambient_c=55.0) == Crept(0, 0, 0, 0, 0)


def test_the_floor_is_strict_and_the_fitted_range_closed() -> None:
    # Class 39 of 2000 kN: its middle is 197.5 kN, L = 0.09875.
    at = 197.5 / 2000.0

    def told(floor: float, load: tuple[float, float], temperature: tuple[float, float]) -> Crept:
        of = HMPE.model_copy(update={"floor": floor, "fitted_load": load, "fitted_c": temperature})
        return crept([3], [39], [600], {3: 20.0}, creep=of, break_force_kn=2000.0)

    below = math.nextafter(at, 0)
    assert told(at, (0.0, 1.0), (0.0, 40.0)) == Crept(0, 0, 0, 0, 0)
    assert told(below, (at, 1.0), (20.0, 40.0)).counted_us == 600
    assert told(below, (0.0, at), (0.0, 20.0)).counted_us == 600
    assert told(below, (0.0, below), (0.0, 40.0)) == Crept(0, 0, 600, 0, 0)
    assert told(below, (math.nextafter(at, 1), 1.0), (0.0, 40.0)) == Crept(0, 0, 600, 0, 0)
    assert told(below, (0.0, 1.0), (math.nextafter(20.0, 99), 40.0)) == Crept(0, 0, 0, 600, 0)
    assert told(below, (0.0, 1.0), (0.0, math.nextafter(20.0, 0))) == Crept(0, 0, 0, 0, 600)
    # Outside both: told once, as load.
    assert told(below, (0.0, below), (0.0, 10.0)) == Crept(0, 0, 600, 0, 0)


@given(st.floats(0.2, 0.75), st.floats(0.01, 0.05), st.floats(0, 50), st.floats(0.5, 10))
def test_hotter_or_higher_loaded_creeps_faster(load: float, more: float, core_c: float, hotter: float) -> None:
    # Common practice, no source.
    assert rupture_s(load + more, core_c, HMPE) < rupture_s(load, core_c, HMPE)
    assert rupture_s(load, core_c + hotter, HMPE) < rupture_s(load, core_c, HMPE)
    class_ = int(load * BREAK_KN / 5)
    base = crept([0], [class_], [BIN_US], {0: core_c}).units
    assert crept([0], [class_ + 3], [BIN_US], {0: core_c}).units > base
    assert crept([0], [class_], [BIN_US], {0: core_c + hotter}).units > base > 0


def test_bins_without_a_temperature_are_as_warm_as_the_air() -> None:
    assert crept([4, 6, 9], [90] * 3, [BIN_US] * 3, {6: 40.0}, ambient_c=25.0) == crept(
        [4, 6, 9], [90] * 3, [BIN_US] * 3, {4: 25.0, 6: 40.0, 9: 25.0}, ambient_c=-5.0
    )


def test_only_the_bins_that_count_are_counted_or_told() -> None:
    classes = [90, 250, 90, 90]
    told = crept([1, 1, 2, 3], classes, [100] * 4, {}, counted=np.array([1, 3]))
    assert (told.counted_us, told.outside_load_us) == (200, 100)
    assert told.units == 2 * crept([1], [90], [100], {}).units
    assert crept([1, 2], [90, 90], [100, 100], {}, counted=NO_BINS) == Crept(0, 0, 0, 0, 0)


def test_a_standing_load_is_a_bin_in_which_no_swing_reached_the_limit() -> None:
    # 2 % of 1000 kN: 20 kN. A cell's swings are below (upper - lower + 1) * 5 kN; a join's are exact.
    cells = np.array(
        [
            [1, 60, 63, 9],  # below 20 kN: stands
            [2, 60, 64, 1],  # may reach 25 kN
            [3, 60, 60, 5],
            [3, 58, 70, 1],  # one large swing is enough
        ]
    )
    low = np.array([300.0, 300.0])
    high = np.array([math.nextafter(320.0, 0), 320.0])
    ends = np.array([4 * BIN_US, 6 * BIN_US - 1])
    level_bins = np.array([0, 0, 1, 1, 2, 3, 4, 5, 6])
    stood = sustained_bins(level_bins, cells, low, high, ends, break_force_kn=1000.0, creep=HMPE)
    assert stood.tolist() == [0, 1, 4, 6]


def test_without_swings_every_bin_stands() -> None:
    none = np.empty(0)
    stood = sustained_bins(
        np.array([5, 7]), np.empty((0, 4), np.int64), none, none, NO_BINS, break_force_kn=1000.0, creep=HMPE
    )
    assert stood.tolist() == [5, 7]


@pytest.mark.parametrize("change", [{"u0_kj_mol": 5000.0}, {"log10_tau0_s": 400.0}, {"log10_tau0_s": -400.0}])
def test_constants_without_a_finite_figure_are_refused_with_their_names(change: dict[str, float]) -> None:
    of = HMPE.model_copy(update=change)
    with pytest.raises(RegisterError, match="log10_tau0_s = "):
        rupture_s(0.5, 20.0, of)
    with pytest.raises(RegisterError, match="log10_tau0_s = "):
        crept([0], [90], [BIN_US], {}, creep=of)
    # They claim nothing where nothing accrues.
    assert crept([0], [1], [BIN_US], {}, creep=of) == Crept(0, 0, 0, 0, 0)


def test_a_life_too_large_for_a_sum_is_refused_too() -> None:
    of = HMPE.model_copy(update={"log10_tau0_s": -300.0, "u0_kj_mol": 1.0, "gamma_kj_mol": 1.0})
    assert rupture_s(0.5, 20.0, of) > 0
    with pytest.raises(RegisterError, match="no finite time"):
        crept([0], [150], [BIN_US], {}, creep=of)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_a_break_force_that_is_none_is_refused(bad: float) -> None:
    with pytest.raises(RegisterError, match="break force"):
        crept([0], [90], [BIN_US], {}, break_force_kn=bad)
    with pytest.raises(RegisterError, match="break force"):
        sustained_bins(NO_BINS, np.empty((0, 4), np.int64), NO_CORES, NO_CORES, NO_BINS, break_force_kn=bad, creep=HMPE)


def test_items_that_cannot_be_are_bugs() -> None:
    one, core = np.array([0]), np.array([20.0])

    def units(level_us: Ints, bins: Ints, cores: Values, ambient_c: float = 15.0) -> Crept:
        return creep_units(one, one, level_us, bins, cores, break_force_kn=9.0, creep=HMPE, ambient_c=ambient_c)

    with pytest.raises(Bug, match="needs a bin"):
        units(np.array([1, 2]), one, core)
    with pytest.raises(Bug, match="a bin each"):
        units(one, NO_BINS, core)
    with pytest.raises(Bug, match="below 0"):
        units(np.array([-1]), one, core)
    with pytest.raises(Bug, match="must ascend"):
        units(one, np.array([1, 1]), np.array([1.0, 1.0]))
    for cores, ambient_c in ((np.array([math.nan]), 15.0), (core, math.nan), (core, -273.15), (core, math.inf)):
        with pytest.raises(Bug, match="temperature"):
            units(one, one, cores, ambient_c)


def test_nothing_creeps_nothing() -> None:
    assert crept([], [], [], {}) == Crept(0, 0, 0, 0, 0)
    assert GAS_CONSTANT_J_MOLK == 8.314462618
