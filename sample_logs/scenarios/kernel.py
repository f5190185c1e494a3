"""The stepper: slow surge, sway and yaw on nonlinear lines and fenders, wave motion on top, brakes and winches.

The mechanics are those of `sample_logs.model`, with the berth as an argument rather than a fixed world; its closed
form of main and tail in series is repeated here because kept machine code sees no change in another file.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled

Floats = NDArray[np.float64]

DT_S = 0.1
# Columns of the table of lines.
EA, TAIL, E0, T0, FX, FY, HX, HY, HZ, GRIP, ON, OFF, START_KN = range(13)
# Columns of the table of actions.
FIRST, LAST, KIND, TARGET = range(4)
HAUL, TEND, SLACKEN, RUN_OUT, CLUTCH = 1.0, 2.0, 3.0, 4.0, 5.0
# Bits of the state of a line.
FAST, POWERED, SLIPPED = 1, 2, 4
# Ship's figures: inertia and damping of surge, sway, yaw; fenders; how hard tugs press her on them.
FENDER_X, FENDER_KN_M, FENDER_KN_S_M, TUG_KN = 6, 7, 8, 9
HOLDS_KEPT = 64

_SLIP_DRAG_KN_S_M = 420.0
_WINCH_M_S = 0.12
_SMOOTH_S = 4.0
_MADE_FAST_SLACK_M = 1.0


@compiled
def line_tension_kn(elongation_m: float, main_m: float, ea_kn: float, tail_m: float, e0: float, t0_kn: float) -> float:
    """Tension [kN] of main and tail in series at this elongation [m]; 0 when slack."""
    if elongation_m <= 0.0:
        return 0.0
    a = main_m / ea_kn * t0_kn
    b = tail_m * e0
    s = (-b + np.sqrt(b * b + 4.0 * a * (a + b + elongation_m))) / (2.0 * a)
    return float(t0_kn * (s * s - 1.0))


@compiled
def _main_at_kn(chord_m: float, tension_kn: float, ea_kn: float, tail_m: float, e0: float, t0_kn: float) -> float:
    """Unstretched length of the main line [m] with which a chord bears this tension."""
    tail = tail_m * (1.0 + e0 * (np.sqrt(1.0 + tension_kn / t0_kn) - 1.0))
    return float((chord_m - tail) / (1.0 + tension_kn / ea_kn))


@compiled
def _winch_speed(kind: float, target_kn: float, smooth_kn: float) -> float:
    """Speed [m/s] at which a winch under power pays out (negative: heaves in)."""
    if kind == 3.0:
        return 0.08 if smooth_kn > 3.0 else 0.0
    if kind == 4.0:
        return target_kn  # a run of the drum at this speed, whatever the load
    if kind == 5.0:
        return 0.002  # the drum creeps while the clutch goes in
    off_kn = smooth_kn - target_kn
    dead_kn = 0.18 * target_kn if kind == 2.0 else 5.0
    if abs(off_kn) < dead_kn:
        return 0.0
    return max(-_WINCH_M_S, min(_WINCH_M_S, off_kn / 400.0))


@compiled
def step_through(
    lines: Floats,
    holds_kn: Floats,
    actions: Floats,
    bounds: NDArray[np.int64],
    ship_figures: Floats,
    wave: Floats,
    slow: Floats,
    slack_kn: float,
    tension: NDArray[np.float32],
    main: NDArray[np.float64],
    state: NDArray[np.uint8],
    ships: NDArray[np.float64],
) -> None:
    """Steps the ship through the record and fills tension, main, state (steps, lines) and ships (steps, 3).

    wave (steps, 4): surge, sway, heave m, pitch rad. slow (steps, 5): force x, y kN, moment kN m, deck m, tug 0 to 1.
    holds_kn (lines, HOLDS_KEPT): what a brake holds in its successive grips. bounds: which actions are whose.
    """
    steps, count = tension.shape
    ship = np.zeros(6)
    smooth = np.zeros(count)
    length = np.zeros(count)
    slips = np.zeros(count, dtype=np.bool_)
    grips = np.zeros(count, dtype=np.int64)
    turn = bounds[:, 0].copy()
    for i in range(steps):
        fx, fy, moment, deck, tug = slow[i, 0], slow[i, 1], slow[i, 2], slow[i, 3], slow[i, 4]
        for k in range(count):
            line = lines[k]
            if i < line[ON] or i >= line[OFF]:
                main[i, k] = length[k]
                continue
            px, py = line[FX], line[FY]
            dx = line[HX] - (ship[0] - ship[2] * py + wave[i, 0] + px)
            dy = line[HY] - (ship[1] + ship[2] * px + wave[i, 1] + py)
            dz = line[HZ] - (deck + wave[i, 2] - wave[i, 3] * px)
            chord = np.sqrt(dx * dx + dy * dy + dz * dz)
            if i == line[ON]:
                if line[START_KN] > 0.0:
                    length[k] = _main_at_kn(chord, line[START_KN], line[EA], line[TAIL], line[E0], line[T0])
                    smooth[k] = line[START_KN]
                else:
                    length[k] = chord + _MADE_FAST_SLACK_M - line[TAIL]
            stretch = chord - length[k] - line[TAIL]
            load = line_tension_kn(stretch, length[k], line[EA], line[TAIL], line[E0], line[T0])
            load = max(load, slack_kn)
            tension[i, k], main[i, k] = load, length[k]
            bits = 1
            smooth[k] += (load - smooth[k]) * (DT_S / _SMOOTH_S)
            while turn[k] < bounds[k, 1] and actions[turn[k], LAST] <= i:
                turn[k] += 1
            if turn[k] < bounds[k, 1] and actions[turn[k], FIRST] <= i:
                bits |= 2
                slips[k] = False
                length[k] += DT_S * _winch_speed(actions[turn[k], KIND], actions[turn[k], TARGET], smooth[k])
            else:
                slipped = slips[k]
                slips[k] = load > (line[GRIP] if slipped else holds_kn[k, grips[k] % HOLDS_KEPT])
                if slipped and not slips[k]:
                    grips[k] += 1
                if slips[k]:
                    bits |= 4
                    length[k] += DT_S * (load - line[GRIP]) / _SLIP_DRAG_KN_S_M
            state[i, k] = bits
            fx += load * dx / chord
            fy += load * dy / chord
            moment += load * (px * dy - py * dx) / chord
        push, push_moment = 0.0, 0.0
        for side in range(2):
            x = ship_figures[FENDER_X] * (2.0 * side - 1.0)
            pressed = -(ship[1] + ship[2] * x)
            if pressed > 0.0:
                speed = ship[4] + ship[5] * x
                one = max(ship_figures[FENDER_KN_M] * pressed - ship_figures[FENDER_KN_S_M] * speed, 0.0)
                push += one
                push_moment += one * x
        fx -= tug * (500.0 * ship[0] + 6000.0 * ship[3])
        fy += push - tug * (ship_figures[TUG_KN] + 500.0 * ship[1] + 6000.0 * ship[4])
        moment += push_moment - tug * (4.0e6 * ship[2] + 4.0e7 * ship[5])
        ship[3] += DT_S * (fx - ship_figures[3] * ship[3]) / ship_figures[0]
        ship[4] += DT_S * (fy - ship_figures[4] * ship[4]) / ship_figures[1]
        ship[5] += DT_S * (moment - ship_figures[5] * ship[5]) / ship_figures[2]
        for k in range(3):
            ship[k] += DT_S * ship[3 + k]
            ships[i, k] = ship[k]
