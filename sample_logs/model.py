"""The moored ship: three slow motions on nonlinear lines and fenders, wave motions on top, brakes that slip.

Every 0.1 s: fairlead positions give each line's chord, the chord its elongation
`e = chord - (main + tail length)`, the elongation its tension, the tensions the force on the ship.
Main and tail hang in series at one tension T, so that

    e = T * main_m / EA + tail_m * e0 * (sqrt(1 + T / t0) - 1)

which is a quadratic in s = sqrt(1 + T / t0) and solved exactly. The ship follows by semi-implicit Euler.
A brake holds until T passes its holding load, then slips at v = (T - grip load) / c until T is down to the
grip load (Coulomb friction, kinetic under static). Under power (brake open) the winch seeks its target.

Compiled at each run and not cached: a cache would not see that a constant of `world` has changed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numba import njit
from numpy.typing import NDArray

from sample_logs import world
from sample_logs.crew import SLACKEN, TEND, Action, schedule
from sample_logs.sea import Sea, make_sea

_EA, _TAIL, _E0, _T0, _FX, _FY, _HX, _HY, _HZ, _HOLD, _GRIP, _ON, _OFF = range(13)
_FIRST, _LAST, _KIND, _TARGET = range(4)
_X, _Y, _YAW, _U, _V, _R = range(6)
_SLIP_DRAG_KN_S_M = 420.0
_WINCH_M_S = 0.12
_SMOOTH_S = 4.0
_STIFFNESS = (1200.0, 2400.0, 1.5e7)  # kN/m, kN/m, kN m/rad: only to set the damping
_SLACK_M = 1.4


@dataclass(frozen=True)
class Call:
    """The noiseless record of the three days, one column a step.

    By line (12, n): tension_kn; main_m, the outboard length of the main line; under_power, winch running and
    brake open; slipping, brake set but paying out; attached. ship (3, n): slow surge m, sway m, yaw rad.
    """

    tension_kn: NDArray[np.float32]
    main_m: NDArray[np.float32]
    under_power: NDArray[np.bool_]
    slipping: NDArray[np.bool_]
    attached: NDArray[np.bool_]
    ship: NDArray[np.float32]
    actions: tuple[Action, ...]
    wind_m_s: NDArray[np.float64]

    @classmethod
    def empty(cls, count: int, steps: int, sea: Sea | None = None) -> Self:
        """A record with nothing in it yet."""
        shape = (count, steps)
        return cls(
            tension_kn=np.zeros(shape, dtype=np.float32),
            main_m=np.zeros(shape, dtype=np.float32),
            under_power=np.zeros(shape, dtype=np.bool_),
            slipping=np.zeros(shape, dtype=np.bool_),
            attached=np.zeros(shape, dtype=np.bool_),
            ship=np.zeros((3, steps), dtype=np.float32),
            actions=schedule(),
            wind_m_s=np.zeros(steps) if sea is None else sea.wind_m_s,
        )

    def arrays(self) -> tuple[NDArray[Any], ...]:
        """The arrays that `step_through` fills, in its order."""
        return (self.tension_kn, self.main_m, self.under_power, self.slipping, self.attached, self.ship)


@njit
def line_tension_kn(elongation_m, main_m, ea_kn, tail_m, e0, t0_kn):  # type: ignore[no-untyped-def]
    """Tension [kN] of main and tail in series at this elongation [m]; 0 when slack."""
    if elongation_m <= 0.0:
        return 0.0
    a = main_m / ea_kn * t0_kn
    b = tail_m * e0
    s = (-b + np.sqrt(b * b + 4.0 * a * (a + b + elongation_m))) / (2.0 * a)
    return t0_kn * (s * s - 1.0)


@njit
def line_elongation_m(tension_kn, main_m, ea_kn, tail_m, e0, t0_kn):  # type: ignore[no-untyped-def]
    """The other way round: elongation [m] at this tension [kN]."""
    return tension_kn * main_m / ea_kn + tail_m * e0 * (np.sqrt(1.0 + tension_kn / t0_kn) - 1.0)


@njit
def _fenders(ship):  # type: ignore[no-untyped-def]
    """Push [kN] and moment [kN m] of the fenders, which never pull."""
    force, moment = 0.0, 0.0
    for x in world.FENDER_X_M:
        pressed = -(ship[_Y] + ship[_YAW] * x)
        if pressed > 0.0:
            damping = world.FENDER_DAMPING * (ship[_V] + ship[_R] * x)
            push = max(world.FENDER_KN_M * pressed - damping, 0.0)
            force += push
            moment += push * x
    return force, moment


@njit
def _reach(line, ship, wave, deck):  # type: ignore[no-untyped-def]
    """From the fairlead, where it is now, to the hook: the chord and its parts along x and y."""
    px, py = line[_FX], line[_FY]
    dx = line[_HX] - (ship[_X] - ship[_YAW] * py + wave[0] + px)
    dy = line[_HY] - (ship[_Y] + ship[_YAW] * px + wave[1] + py)
    dz = line[_HZ] - (deck + wave[2] - wave[3] * px)
    return np.sqrt(dx * dx + dy * dy + dz * dz), dx, dy


@njit
def _winch_speed(action, smooth_kn):  # type: ignore[no-untyped-def]
    """Speed [m/s] at which a winch under power pays out (negative: heaves in)."""
    if action[_KIND] == SLACKEN:
        return 0.08 if smooth_kn > 3.0 else 0.0
    dead_kn = 22.0 if action[_KIND] == TEND else 5.0
    off_kn = smooth_kn - action[_TARGET]
    if abs(off_kn) < dead_kn:
        return 0.0
    return max(-_WINCH_M_S, min(_WINCH_M_S, off_kn / 400.0))


@njit
def _brake_speed(line, load_kn, slips):  # type: ignore[no-untyped-def]
    """Whether a set brake slips now, and how fast [m/s] it pays out."""
    slips = load_kn > (line[_GRIP] if slips else line[_HOLD])
    return slips, ((load_kn - line[_GRIP]) / _SLIP_DRAG_KN_S_M if slips else 0.0)


@njit
def _move_ship(ship, fx, fy, moment, mass, tug):  # type: ignore[no-untyped-def]
    """One step of the slow motions under these forces, with fenders, tugs and damping."""
    push, push_moment = _fenders(ship)
    fx -= tug * (500.0 * ship[_X] + 6000.0 * ship[_U])
    fy += push - tug * 500.0
    moment += push_moment - tug * (4.0e6 * ship[_YAW] + 4.0e7 * ship[_R])
    inertia = (
        mass * (1.0 + world.ADDED_MASS[0]),
        mass * (1.0 + world.ADDED_MASS[1]),
        mass * (1.0 + world.ADDED_MASS[2]) * world.GYRADIUS_M**2,
    )
    forces = (fx, fy, moment)
    for k in range(3):
        damping = 2.0 * world.DAMPING_RATIO * np.sqrt(_STIFFNESS[k] * inertia[k])
        ship[3 + k] += world.DT_S * (forces[k] - damping * ship[3 + k]) / inertia[k]
    for k in range(3):
        ship[k] += world.DT_S * ship[3 + k]


@njit
def step_through(lines, actions, bounds, wave, slow, call):  # type: ignore[no-untyped-def]
    """Steps the ship through the record and fills the arrays of `call` in place."""
    tension, main, under_power, slipping, attached, ships = call
    count, steps = tension.shape
    ship, smooth, length = np.zeros(6), np.zeros(count), np.zeros(count)
    turn = bounds[:, 0].copy()
    for i in range(steps):
        fx, fy, moment = slow[0, i], slow[1, i], slow[2, i]
        for k in range(count):
            line = lines[k]
            if i < line[_ON] or i >= line[_OFF]:
                continue
            chord, dx, dy = _reach(line, ship, wave[:, i], slow[3, i])
            if i == line[_ON]:
                length[k] = chord + _SLACK_M - line[_TAIL]
            stretch = chord - length[k] - line[_TAIL]
            load = line_tension_kn(stretch, length[k], line[_EA], line[_TAIL], line[_E0], line[_T0])
            load = max(load, world.OWN_WEIGHT_KN)
            tension[k, i], main[k, i], attached[k, i] = load, length[k], True
            smooth[k] += (load - smooth[k]) * (world.DT_S / _SMOOTH_S)
            while turn[k] < bounds[k, 1] and actions[turn[k], _LAST] <= i:
                turn[k] += 1
            if turn[k] < bounds[k, 1] and actions[turn[k], _FIRST] <= i:
                under_power[k, i] = True
                length[k] += world.DT_S * _winch_speed(actions[turn[k]], smooth[k])
            else:
                slipped = i > 0 and slipping[k, i - 1]
                slipping[k, i], speed = _brake_speed(line, load, slipped)
                length[k] += world.DT_S * speed
            fx += load * dx / chord
            fy += load * dy / chord
            moment += load * (line[_FX] * dy - line[_FY] * dx) / chord
        _move_ship(ship, fx, fy, moment, slow[4, i], slow[5, i])
        ships[:, i] = ship[:3]


def line_table() -> NDArray[np.float64]:
    """One row a line, in the order of the column names above."""
    rows = []
    for line in world.LINES:
        hold, grip = (line.brake.holds_kn, line.brake.grips_kn) if line.brake else (world.NEVER_KN,) * 2
        rope = (world.HMPE.ea_kn, line.tail_m, line.tail.e0, line.tail.t0_kn)
        span = (world.made_fast(line.line), world.let_go(line.line))
        rows.append((*rope, *line.fairlead, *line.hook, hold, grip, *span))
    return np.array(rows, dtype=np.float64)


def action_table(actions: tuple[Action, ...]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """The actions as rows (first, last, kind, target), and which of them are whose."""
    table = np.array([(a.first, a.last, a.kind, a.target_kn) for a in actions], dtype=np.float64)
    names = [action.line for action in actions]
    first = [names.index(line.line) for line in world.LINES]
    last = [start + names.count(line.line) for start, line in zip(first, world.LINES, strict=True)]
    return table, np.array([first, last], dtype=np.int64).T


def simulate(seed: int = world.SEED) -> Call:
    """The whole call, noiseless, at 10 Hz."""
    sea = make_sea(seed)
    call = Call.empty(len(world.LINES), len(sea.mass_t), sea)
    wave = np.stack([sea.surge_m, sea.sway_m, sea.heave_m, sea.pitch_rad])
    slow = np.stack([sea.force_x_kn, sea.force_y_kn, sea.moment_knm, sea.deck_m, sea.mass_t, sea.tug])
    table, bounds = action_table(call.actions)
    step_through(line_table(), table, bounds, wave, slow, call.arrays())
    return call
