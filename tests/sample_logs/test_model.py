"""The moored-ship model obeys mechanics: statics, energy, Coulomb friction."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from sample_logs import world
from sample_logs.crew import schedule
from sample_logs.model import Call, action_table, line_elongation_m, line_table, line_tension_kn, step_through

ROPES = [(line.tail.e0, line.tail.t0_kn, line.tail_m) for line in (world.LINES[0], world.LINES[3])]
DECK_M, MASS_T = 15.0, 80_000.0


@settings(deadline=None)  # the first call compiles
@given(
    tension_kn=st.floats(0.01, 1300.0),
    main_m=st.floats(5.0, 200.0),
    tail=st.sampled_from(ROPES),
)
def test_tension_is_the_inverse_of_the_elongation_of_main_and_tail_in_series(
    tension_kn: float, main_m: float, tail: tuple[float, float, float]
) -> None:
    e0, t0_kn, tail_m = tail
    rope = (main_m, world.HMPE.ea_kn, tail_m, e0, t0_kn)
    assert line_tension_kn(line_elongation_m(tension_kn, *rope), *rope) == pytest.approx(tension_kn, rel=1e-9)


def test_a_slack_line_bears_nothing() -> None:
    assert line_tension_kn(-0.5, 40.0, world.HMPE.ea_kn, 11.0, 0.06, 170.0) == 0.0


def test_a_line_grows_stiffer_as_it_is_stretched() -> None:
    stretch = np.linspace(0.0, 2.0, 50)
    loads = np.array([line_tension_kn(e, 40.0, world.HMPE.ea_kn, 11.0, 0.06, 170.0) for e in stretch])
    assert (np.diff(loads, 2) > 0).all()


def _drive(force_y_kn: NDArray[np.float64]) -> tuple[NDArray[np.float32], Call]:
    """All lines fast from the first step, no crew, no tugs; the ship's motions and the record."""
    steps = len(force_y_kn)
    lines = line_table()
    lines[:, -2], lines[:, -1] = 0, steps
    table, bounds = action_table(schedule())
    bounds[:, 1] = bounds[:, 0]
    still = np.zeros(steps)
    slow = np.stack([still, force_y_kn, still, still + DECK_M, still + MASS_T, still])
    record = Call.empty(len(world.LINES), steps)
    step_through(lines, table, bounds, np.zeros((4, steps)), slow, record.arrays())
    return record.ship, record


def test_under_a_steady_wind_lines_and_fenders_balance_the_force() -> None:
    push_kn = 1500.0
    steps = 36_000
    ship, record = _drive(np.full(steps, push_kn))
    sway_m, yaw = float(ship[1, -1]), float(ship[2, -1])
    pull = 0.0
    for row, line in enumerate(world.LINES):
        px, py = line.fairlead
        dx = line.hook[0] - (float(ship[0, -1]) - yaw * py + px)
        dy = line.hook[1] - (sway_m + yaw * px + py)
        dz = line.hook[2] - DECK_M
        pull -= float(record.tension_kn[row, -1]) * dy / np.sqrt(dx**2 + dy**2 + dz**2)
    assert sway_m > 1.0, "the ship has left her fenders"
    assert pull == pytest.approx(push_kn, rel=0.01)


def test_a_ship_that_is_let_alone_loses_energy() -> None:
    steps = 30_000
    force = np.zeros(steps)
    force[:6000] = 1500.0
    ship, _ = _drive(force)
    free = np.diff(ship[1:, 7000:].astype(np.float64), axis=1) / world.DT_S
    mass = MASS_T * (1 + world.ADDED_MASS[1])
    inertia = MASS_T * (1 + world.ADDED_MASS[2]) * world.GYRADIUS_M**2
    kinetic = 0.5 * mass * free[0] ** 2 + 0.5 * inertia * free[1] ** 2
    peaks = [part.max() for part in np.array_split(kinetic, 8)]
    assert all(later < 1.05 * earlier for earlier, later in pairwise(peaks))
    assert peaks[-1] < 0.05 * peaks[0]


def test_no_set_brake_ever_bears_more_than_it_holds(call: Call) -> None:
    for row, line in enumerate(world.LINES):
        if line.brake is None:
            continue
        set_ = call.attached[row] & ~call.under_power[row]
        # A step of 0.1 s adds some kN before the drum has begun to turn.
        assert call.tension_kn[row][set_].max() < line.brake.holds_kn + 10.0


def test_a_brake_that_slipped_holds_again_at_its_grip_load_and_below(call: Call) -> None:
    ends = 0
    for row, line in enumerate(world.LINES):
        if line.brake is None:
            continue
        slips = call.slipping[row]
        gripped = np.flatnonzero(slips[:-1] & ~slips[1:]) + 1
        assert (call.tension_kn[row][gripped] <= line.brake.grips_kn).all()
        ends += len(gripped)
    assert 2 <= ends <= 4


def test_a_line_pays_out_only_under_power_or_while_its_brake_slips(call: Call) -> None:
    for row in range(len(world.LINES)):
        fast = call.attached[row]
        inside = fast[1:] & fast[:-1]
        held = inside & ~call.under_power[row][:-1] & ~call.slipping[row][:-1]
        assert (np.diff(call.main_m[row])[held] == 0).all()


def test_lines_bear_nothing_before_they_are_made_fast_and_after_they_are_let_go(call: Call) -> None:
    for row, line in enumerate(world.LINES):
        on, off = world.made_fast(line.line), world.let_go(line.line)
        assert call.attached[row].sum() == off - on
        assert call.tension_kn[row][:on].max() == 0.0
        assert call.tension_kn[row][off:].max() == 0.0
        assert call.tension_kn[row][on : on + 600].max() == world.OWN_WEIGHT_KN, "slack at first"
        assert call.tension_kn[row][off - 100 : off].max() < 20.0, "slack again before it goes"


def test_no_two_winch_actions_of_one_line_overlap() -> None:
    for earlier, later in pairwise(schedule()):
        assert earlier.line != later.line or earlier.last <= later.first
