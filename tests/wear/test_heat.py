"""Heat: steady cycling reaches what analysis says, when it says; the laws hold; nothing depends on cuts."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import Bug
from pipeline.sheets import kernel as sheets
from pipeline.wear.cells import BIN_US, CLASS_KN
from pipeline.wear.convection import Convection, convection_of, film_coefficient
from pipeline.wear.heat import (
    STEP_US,
    Air,
    Ints,
    RopeHeat,
    Section,
    Values,
    Warmed,
    film_in_step,
    power_w_m,
    range2_in_bins,
    relax,
    section_of,
    warm,
)
from schemas.specs import FatigueCurve, Heat, Spec
from tests.extent import examples

DAY = 144
# Invented for the demo: a rope of 64 mm, and a thin one whose time constant is that of a few bins.
ROPE = Section(diameter_m=0.064, heat_capacity_j_mk=4200.0, ea_kn=20_000.0, loss_factor=0.1, conductivity_w_mk=0.2)
THIN = Section(diameter_m=0.02, heat_capacity_j_mk=380.0, ea_kn=3_000.0, loss_factor=0.1, conductivity_w_mk=0.2)
CALM = Air(12.0, 0.0)


def constant(coefficient: float) -> Convection:
    nodes = np.array([0.0, 1.0])
    return Convection(nodes, nodes, nodes, np.full((2, 2), coefficient), np.full((2, 2), coefficient))


def steady(of: Section, power: float, bins: int) -> tuple[Ints, Values]:
    """Swings that make a power [W/m] in each bin."""
    for_one = power / power_w_m(np.ones(1), of)[0]
    return np.arange(bins), np.full(bins, for_one)


def cycled(of: Section, power: float, bins: int, air: Air = CALM, convection: Convection | None = None) -> Warmed:
    return warm(None, 0, bins * BIN_US, *steady(of, power, bins), of, air, convection=convection)


def test_the_grid_is_that_of_the_sheets() -> None:
    assert (sheets.BIN_US, sheets.CLASS_KN) == (BIN_US, CLASS_KN)
    assert BIN_US % STEP_US == 0


def test_steady_cycling_warms_to_the_analytic_steady_state_with_the_analytic_time_constant() -> None:
    # Textbook: T - air = P / (h pi d) * (1 - exp(-t / tau)), tau = C / (h pi d), for a constant h.
    h, power = 9.0, 25.0
    loss = h * math.pi * ROPE.diameter_m
    tau_s, final_k = ROPE.heat_capacity_j_mk / loss, power / loss
    run = cycled(ROPE, power, 400, convection=constant(h))
    time_s = (run.bins + 1) * 600.0
    np.testing.assert_allclose(run.surface_c - 12.0, final_k * -np.expm1(-time_s / tau_s), rtol=1e-11)
    assert run.surface_c[-1] - 12.0 == pytest.approx(final_k, rel=1e-9)
    at_tau = np.interp(tau_s, time_s, run.surface_c - 12.0)
    assert at_tau / final_k == pytest.approx(1 - math.exp(-1), abs=0.01)


def test_a_rope_left_alone_cools_with_the_analytic_time_constant() -> None:
    h = 9.0
    tau_s = ROPE.heat_capacity_j_mk / (h * math.pi * ROPE.diameter_m)
    hours = 3600_000_000
    for to_us in (1, 17 * hours // 10, 90 * hours):
        left = relax(RopeHeat(0, 52.0), to_us, ROPE, CALM, convection=constant(h))
        assert left.surface_c - 12.0 == pytest.approx(40.0 * math.exp(-to_us / 1e6 / tau_s), rel=1e-11)


@pytest.mark.parametrize("wind", [0.0, 0.3, 8.0])
@pytest.mark.parametrize("of", [ROPE, THIN])
def test_in_real_air_a_steady_state_loses_what_it_makes(of: Section, wind: float) -> None:
    run = cycled(of, 30.0, 600, Air(12.0, wind))
    surface = float(run.surface_c[-1])
    lost = film_coefficient(of.diameter_m, wind, 12.0, surface) * math.pi * of.diameter_m * (surface - 12.0)
    assert lost == pytest.approx(30.0, rel=0.003)


def test_minutes_are_short_enough_for_the_film_coefficient_that_stands_in_each() -> None:
    # The same balance in seconds, straight from the correlations: within 0.2 K over the whole of a warming.
    run = cycled(THIN, 30.0, 6)
    surface, air = 12.0, 12.0
    for second in range(3600):
        h = film_coefficient(THIN.diameter_m, 0.0, air, surface)
        surface += (30.0 - h * math.pi * THIN.diameter_m * (surface - air)) / THIN.heat_capacity_j_mk
        if (second + 1) % 600 == 0:
            assert run.surface_c[second // 600] == pytest.approx(surface, abs=0.2)


@settings(max_examples=examples(400), deadline=None)
@given(
    diameter=st.sampled_from([0.01, 0.02, 0.044, 0.08, 0.2]),
    wind=st.one_of(st.just(0.0), st.floats(0, 1), st.floats(0, 40)),
    air=st.floats(-40, 60),
    rise=st.one_of(st.floats(-2, 2), st.floats(-20, 100)),
)
def test_the_table_of_film_coefficients_is_within_its_word(
    diameter: float, wind: float, air: float, rise: float
) -> None:
    # A millisecond without power gives the coefficient that was looked up.
    of = Section(diameter, 1.0, 1.0, 1.0, 1.0)
    if abs(rise) < 1e-3:
        return
    left = relax(RopeHeat(0, air + rise), 1_000, of, Air(air, wind))
    looked_up = -math.log((left.surface_c - air) / (air + rise - air)) / 1e-3 / (math.pi * diameter)
    assert looked_up == pytest.approx(film_coefficient(diameter, wind, air, air + rise), rel=0.003, abs=1e-5)


def test_the_tables_edges_hold_outside_it() -> None:
    edge = relax(RopeHeat(0, 30.0), BIN_US, ROPE, Air(10.0, 64.0))
    assert relax(RopeHeat(0, 30.0), BIN_US, ROPE, Air(10.0, 200.0)) == edge
    for shared in vars(convection_of(0.064)).values():
        assert not shared.flags.writeable


def in_plain_python(before_c: float, from_us: int, to_us: int, power: dict[int, float], air: Air) -> float:
    """The definition, with Python's own exp."""
    table = convection_of(ROPE.diameter_m)

    def look_up(grid: Values, rows: Values, row: float, columns: Values, column: float) -> float:
        def place(nodes: Values, value: float) -> tuple[int, float]:
            at = min(max((value - float(nodes[0])) / float(nodes[1] - nodes[0]), 0.0), nodes.size - 1.0)
            node = min(int(at), nodes.size - 2)
            return node, at - node

        (i, down), (j, along) = place(rows, row), place(columns, column)
        corner = [[float(grid[i + a, j + b]) for b in (0, 1)] for a in (0, 1)]
        upper, lower = (one + (other - one) * along for one, other in corner)
        return upper + (lower - upper) * down

    assert isinstance(air.temperature_c, float)
    assert isinstance(air.wind_m_s, float)
    surface, at_us = before_c, from_us
    while at_us < to_us:
        next_us = min(to_us, (at_us // STEP_US + 1) * STEP_US)
        film = (air.temperature_c + surface) / 2
        rise = math.sqrt(math.sqrt(max(abs(surface - air.temperature_c), 0.1)))
        h = max(
            look_up(table.forced, table.wind_roots, math.sqrt(air.wind_m_s), table.films_c, film),
            look_up(table.free, table.films_c, film, table.rise_roots, rise),
        )
        loss = h * (math.pi * ROPE.diameter_m)
        settled = air.temperature_c + power.get(at_us // BIN_US, 0.0) / loss
        tau_s = ROPE.heat_capacity_j_mk / loss
        surface = settled + (surface - settled) * math.exp(-((next_us - at_us) / 1e6) / tau_s)
        at_us = next_us
    return surface


def test_the_loop_equals_plain_python_bit_for_bit() -> None:
    rng = np.random.default_rng(20260303)
    bins = np.flatnonzero(rng.random(2 * DAY) < 0.7)[:-1]
    bins = bins[bins > 2]
    range2 = rng.exponential(4e5, bins.size)
    from_us, to_us = 2 * BIN_US + 123_456_789, 2 * DAY * BIN_US - 7
    for wind in (0.0, 0.4, 6.0):
        air = Air(9.5, wind)
        power = dict(zip(bins.tolist(), power_w_m(range2, ROPE).tolist(), strict=True))
        got = warm(RopeHeat(from_us, 31.0), from_us, to_us, bins, range2, ROPE, air)
        assert got.after == RopeHeat(to_us, in_plain_python(31.0, from_us, to_us, power, air))


@given(
    surface=st.floats(-30, 120),
    air=st.floats(-30, 45),
    wind=st.floats(0, 70),
    power=st.floats(0, 40),
    us=st.integers(1, STEP_US),
)
@settings(deadline=None, max_examples=60)
def test_the_film_that_is_shown_of_a_step_is_the_one_it_was_taken_with(
    surface: float, air: float, wind: float, power: float, us: int
) -> None:
    table = convection_of(ROPE.diameter_m)
    bins, range2 = steady(ROPE, power, 1)
    taken = warm(RopeHeat(0, surface), 0, us, bins, range2, ROPE, Air(air, wind))
    loss = film_in_step(surface, air, wind, table) * (math.pi * ROPE.diameter_m)
    settled = air + float(taken.power_w_m[0]) / loss
    tau_s = ROPE.heat_capacity_j_mk / loss
    assert taken.after.surface_c == settled + (surface - settled) * math.exp(-(us / 1e6) / tau_s)


@settings(deadline=None, max_examples=60)
@given(data=st.data())
def test_cut_at_any_edges_of_bins_the_pieces_give_the_same_bits(data: st.DataObject) -> None:
    of = data.draw(st.sampled_from([ROPE, THIN]))
    used = data.draw(st.sets(st.integers(1, 39)))
    bins = np.array(sorted(used), np.int64)
    range2 = np.array([data.draw(st.floats(0, 1e6)) for _ in bins])
    air_c = np.array(data.draw(st.lists(st.floats(-20, 40), min_size=39, max_size=39)))
    wind = np.array(data.draw(st.lists(st.floats(0, 20), min_size=39, max_size=39)))
    from_us, to_us = BIN_US + data.draw(st.integers(0, BIN_US - 1)), 40 * BIN_US - data.draw(st.integers(0, BIN_US - 1))
    whole = warm(None, from_us, to_us, bins, range2, of, Air(air_c, wind))
    cuts = [from_us, *sorted(edge * BIN_US for edge in data.draw(st.sets(st.integers(2, 39)))), to_us]
    state, surface, core = None, [], []
    for begin, end in pairwise(cuts):
        inside = (bins >= begin // BIN_US) & (bins * BIN_US < end)
        rows = slice(begin // BIN_US - 1, -(-end // BIN_US) - 1)
        piece = warm(state, begin, end, bins[inside], range2[inside], of, Air(air_c[rows], wind[rows]))
        state = piece.after
        surface += piece.surface_c.tolist()
        core += piece.core_c.tolist()
    if cuts[-1] > cuts[-2]:
        assert state == whole.after
        assert (surface, core) == (whole.surface_c.tolist(), whole.core_c.tolist())


def test_time_unrigged_or_not_observed_relaxes_as_time_without_swings_does() -> None:
    begun, later = RopeHeat(3 * BIN_US + 17, 47.0), 90 * BIN_US + 5
    none = np.empty(0, np.int64), np.empty(0)
    idle = warm(begun, begun.at_us, later, *none, ROPE, CALM).after
    assert relax(begun, later, ROPE, CALM) == idle
    first = relax(begun, 41 * BIN_US, ROPE, CALM)
    assert relax(first, later, ROPE, CALM) == idle
    # A piece that begins later than its state lets it relax first.
    bins, range2 = np.array([90]), np.array([5e5])
    joined = warm(begun, later, 91 * BIN_US, bins, range2, ROPE, CALM)
    assert joined.after == warm(idle, later, 91 * BIN_US, bins, range2, ROPE, CALM).after


def test_left_long_enough_a_rope_is_as_warm_as_the_air() -> None:
    assert relax(RopeHeat(0, 80.0), 30 * DAY * BIN_US, ROPE, CALM).surface_c == pytest.approx(12.0, abs=0.01)
    assert relax(RopeHeat(0, -5.0), 30 * DAY * BIN_US, ROPE, CALM).surface_c == pytest.approx(12.0, abs=0.01)


@settings(deadline=None, max_examples=60)
@given(
    powers=st.lists(st.floats(0, 80), min_size=1, max_size=30),
    more=st.floats(0, 30),
    wind=st.floats(0, 15),
    starts=st.tuples(st.floats(0, 90), st.floats(0, 20)),
    of=st.sampled_from([ROPE, THIN]),
)
def test_more_cycling_or_a_warmer_start_never_ends_cooler(
    powers: list[float], more: float, wind: float, starts: tuple[float, float], of: Section
) -> None:
    bins = np.arange(len(powers))
    range2 = np.array(powers) / power_w_m(np.ones(1), of)[0]
    extra = more / power_w_m(np.ones(1), of)[0]
    air, to_us = Air(12.0, wind), len(powers) * BIN_US
    cool = RopeHeat(0, 12.0 + starts[0])
    warmer = RopeHeat(0, cool.surface_c + starts[1])
    base = warm(cool, 0, to_us, bins, range2, of, air)
    slack = 1e-9
    assert (warm(warmer, 0, to_us, bins, range2, of, air).surface_c >= base.surface_c - slack).all()
    assert (warm(cool, 0, to_us, bins, range2 + extra, of, air).surface_c >= base.surface_c - slack).all()
    assert (warm(cool, 0, to_us, bins, range2 + extra, of, air).core_c >= base.core_c - slack).all()
    assert (base.surface_c >= 12.0 - slack).all()


@pytest.mark.parametrize("of", [ROPE, THIN])
def test_more_wind_never_leaves_a_rope_warmer(of: Section) -> None:
    ends = [cycled(of, 40.0, 60, Air(12.0, wind)).surface_c[-1] for wind in (0.0, 0.2, 0.5, 1.0, 3.0, 10.0, 30.0, 64.0)]
    assert ends == sorted(ends, reverse=True)
    assert ends[-1] < ends[0] - 5


def test_the_core_is_warmer_than_the_surface_only_while_it_is_cycled() -> None:
    bins, range2 = steady(ROPE, 30.0, 20)
    run = warm(None, 0, 40 * BIN_US, bins, range2, ROPE, CALM)
    assert (run.core_c[:20] > run.surface_c[:20] + 10).all()
    assert run.core_c[20:].tolist() == run.surface_c[20:].tolist()
    # A cooling bin is told by its warmest instant, which is its beginning.
    assert run.surface_c[20] == run.surface_c[19]
    assert (np.diff(run.surface_c[20:]) < 0).all()


def test_a_swing_leaves_half_of_what_a_cycle_does() -> None:
    # Check 28's formula, by hand: range 400 kN over EA 20,000 kN is an amplitude of 1 %; tan delta 0.1:
    # a cycle leaves pi * 0.1 * 20,000 * 0.01^2 = 0.62832 kJ/m, two swings in 600 s 1.0472 W/m.
    assert power_w_m(np.array([2 * 400.0**2]), ROPE)[0] == pytest.approx(1.04720, abs=5e-6)


def test_swings_of_a_join_stand_in_their_bins_or_the_nearest_of_the_piece() -> None:
    bins, range2 = range2_in_bins(
        10 * BIN_US + 5,
        20 * BIN_US,
        np.array([12, 15]),
        np.array([1200.0, 1600.0]),
        bridged_low_kn=np.array([0.0, 10.0, 0.0]),
        bridged_high_kn=np.array([30.0, 20.0, 50.0]),
        bridged_end_us=np.array([9 * BIN_US, 12 * BIN_US + 1, 20 * BIN_US]),
    )
    assert bins.tolist() == [10, 12, 15, 19]
    assert range2.tolist() == [900.0, 1300.0, 1600.0, 2500.0]


def test_a_piece_without_length_has_no_bins_and_passes_its_state_on() -> None:
    none = np.empty(0)
    bins, range2 = range2_in_bins(
        BIN_US,
        BIN_US,
        np.array([1]),
        np.ones(1),
        bridged_low_kn=none,
        bridged_high_kn=none,
        bridged_end_us=np.empty(0, np.int64),
    )
    passed = warm(RopeHeat(BIN_US, 33.0), BIN_US, BIN_US, bins, range2, ROPE, CALM)
    assert (bins.size, range2.size, passed.bins.size, passed.core_c.size) == (0, 0, 0, 0)
    assert passed.after == RopeHeat(BIN_US, 33.0)


def test_what_cannot_be_is_refused() -> None:
    one = np.array([0]), np.array([1.0])
    with pytest.raises(Bug, match="cannot follow"):
        warm(RopeHeat(5, 20.0), 0, BIN_US, *one, ROPE, CALM)
    with pytest.raises(Bug, match="cannot follow"):
        warm(RopeHeat(0, math.nan), 0, BIN_US, *one, ROPE, CALM)
    with pytest.raises(Bug, match="before it begins"):
        warm(None, BIN_US, 0, *one, ROPE, CALM)
    with pytest.raises(Bug, match="within the piece"):
        warm(None, BIN_US, 2 * BIN_US, *one, ROPE, CALM)
    with pytest.raises(Bug, match="must ascend"):
        warm(None, 0, 3 * BIN_US, np.array([1, 1]), np.ones(2), ROPE, CALM)
    with pytest.raises(Bug, match=r"sum of range\^2"):
        warm(None, 0, BIN_US, np.array([0]), np.array([math.nan]), ROPE, CALM)
    for air in (Air(math.nan, 1.0), Air(10.0, -1.0), Air(10.0, math.nan)):
        with pytest.raises(Bug, match="air needs"):
            warm(None, 0, BIN_US, *one, ROPE, air)
    with pytest.raises(Bug, match="one for each of 1 bins"):
        warm(None, 0, BIN_US, *one, ROPE, Air(np.array([1.0, 2.0]), 0.0))
    with pytest.raises(Bug, match="after"):
        relax(RopeHeat(BIN_US, 20.0), 0, ROPE, CALM)


def test_a_section_is_the_specs_and_none_without_heat_constants() -> None:
    invented = "invented for the demo"
    heat = Heat(loss_factor=0.1, stiffness=25.0, conductivity_w_mk=0.2, specific_heat_j_kgk=1850.0, source=invented)
    spec = Spec(
        id="hmpe-44",
        material="hmpe",
        construction="12-strand",
        diameter_mm=44,
        mass_kg_per_m=1.02,
        break_force_kn=1370,
        fatigue=FatigueCurve(a=3.2, b=0.0, m=5.0, source=invented),
        heat=heat,
    )
    section = section_of(spec, 1200.0)
    assert section == Section(0.044, 1.02 * 1850.0, 25.0 * 1200.0, 0.1, 0.2)
    assert section_of(spec.model_copy(update={"heat": None}), 1200.0) is None
