"""What the loggers recorded: noise, resolution, calibration, and which instants they kept.

Hook pins: 10 Hz in every clock hour in which the group saw more than its trigger or the berth was at work;
other hours were thinned to 1 Hz by the logger. Winches: 2 Hz while anything happens, else a row every 5 s.
Load cells at the fairleads: 1 Hz. Rates below 10 Hz keep every n-th reading; nothing is averaged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_logs import world
from sample_logs.model import Call
from sample_logs.sea import generator

Ints = NDArray[np.int64]

HOOK_GROUPS = {"north": ("H1", "H2", "H3"), "south": ("H4", "H5")}
# place: (zero_kn, gain) as in site/calibrations.csv: tension = (reading - zero) * gain
CALIBRATION = {
    "H1": (0.0, 1.0),
    "H2": (6.0, 0.985),
    "H3": (-2.0, 1.012),
    "H4": (0.0, 1.0),
    "H5": (3.5, 1.004),
}
HOOK_NOISE_TF, HOOK_STEP_TF = 0.03, 0.05
HOOK_TRIGGER_TF = 45.0
WINCH_NOISE_KN, WINCH_STEP_KN = 0.9, 0.5
WINCH_TRIGGER_KN, WINCH_HOLD_S, WINCH_IDLE_S = 190.0, 8, 5
CELL_NOISE_N, CELL_STEP_N = 250.0, 200.0
RUN_OUT_M_S = 0.30  # speed of the drum when a line is run out before the call and heaved in after it

_S = world.RATE_HZ
_HOUR = 3600 * _S


def place_tension_kn(call: Call, place: str) -> NDArray[np.float64]:
    """True load of a place: the sum of the lines made fast there."""
    rows = [row for row, line in enumerate(world.LINES) if line.place == place]
    return np.asarray(np.sum(call.tension_kn[rows].astype(np.float64), axis=0))


def hook_centi_tf(call: Call, place: str) -> Ints:
    """A hook pin's readings at 10 Hz, in hundredths of a tonne-force."""
    zero_kn, gain = CALIBRATION[place]
    reading_tf = (place_tension_kn(call, place) / gain + zero_kn) / world.TF_KN
    reading_tf += HOOK_NOISE_TF * generator(f"pin-{place}").standard_normal(world.STEPS)
    step = round(HOOK_STEP_TF * 100)
    return np.rint(reading_tf * (100.0 / step)).astype(np.int64) * step


def _at_work(first: int, last: int) -> bool:
    fast, slack = (world.MAKE_FAST, world.ALL_FAST), (world.LET_GO, world.let_go(world.LET_GO_ORDER[-1]))
    return any(first < to and from_ < last for from_, to in (fast, slack))


def hook_steps(pins: dict[str, Ints]) -> Ints:
    """The instants a group's logger kept: whole clock hours at 10 Hz or at 1 Hz."""
    loudest = np.max(np.stack(list(pins.values())), axis=0)
    kept = []
    for first in range(world.LOGGERS_ON, world.LOGGERS_OFF, _HOUR):
        loud = int(loudest[first : first + _HOUR].max()) > HOOK_TRIGGER_TF * 100
        busy = loud or _at_work(first, first + _HOUR)
        kept.append(np.arange(first, first + _HOUR, 1 if busy else _S, dtype=np.int64))
    return np.concatenate(kept)


@dataclass(frozen=True)
class WinchRecord:
    """One winch at 2 Hz: steps, load in tenths of a kN, payout in cm, brake set, mode, layer, rows kept."""

    place: str
    steps: Ints
    load_deci_kn: Ints
    payout_cm: Ints
    brake_set: Ints
    mode: Ints  # index into MODES
    layer: Ints
    kept: NDArray[np.bool_]


MODES = ("STOW", "MANUAL", "BRAKE", "TENSION")


def _payout_m(call: Call, row: int, steps: Ints) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Payout at these steps, and where the drum turns before making fast and after letting go."""
    line = world.LINES[row].line
    on, off = world.made_fast(line), world.let_go(line)
    main = call.main_m[row].astype(np.float64)
    out_m, last_m = float(main[on]), float(main[off - 1])
    before = np.clip(out_m - (on - 60 * _S - steps) * world.DT_S * RUN_OUT_M_S, 0.0, out_m)
    after = np.clip(last_m - (steps - off - 30 * _S) * world.DT_S * RUN_OUT_M_S, 0.0, last_m)
    payout = np.where(steps < on, before, np.where(steps < off, main[steps], after))
    loose = (steps < on) & (before > 0) | (steps >= off) & (after > 0)
    return payout, loose


def winch_record(call: Call, row: int) -> WinchRecord:
    """What one winch's monitor recorded of the line in this row of `world.LINES`."""
    place = world.LINES[row].place
    steps = np.arange(world.LOGGERS_ON, world.LOGGERS_OFF, _S // 2, dtype=np.int64)
    noise = WINCH_NOISE_KN * generator(f"brake-{place}").standard_normal(len(steps))
    load = call.tension_kn[row][steps].astype(np.float64) + noise
    load_deci = np.rint(load / WINCH_STEP_KN).astype(np.int64) * round(WINCH_STEP_KN * 10)
    payout, loose = _payout_m(call, row, steps)
    payout_cm = np.rint(payout * 100.0).astype(np.int64)
    running = call.under_power[row][steps] | loose
    mode = np.where(running, 1, np.where(call.attached[row][steps], 2, 0))
    for action in call.actions:
        if action.line == world.LINES[row].line and action.kind == 2:
            mode[(steps >= action.first) & (steps < action.last)] = 3
    layer = np.where(payout_cm < 1500, 3, np.where(payout_cm < 3500, 2, 1))
    turning = np.concatenate(([False], np.diff(payout_cm) != 0)) | running
    lively = turning | (load > WINCH_TRIGGER_KN)
    kept = _held_on(lively, WINCH_HOLD_S * 2) | (np.arange(len(steps)) % (WINCH_IDLE_S * 2) == 0)
    return WinchRecord(place, steps, load_deci, payout_cm, (~running).astype(np.int64), mode, layer, kept)


def _held_on(lively: NDArray[np.bool_], count: int) -> NDArray[np.bool_]:
    """True from `count` readings before to `count` readings after each True: it has a short memory."""
    total = np.concatenate(([0], np.cumsum(lively)))
    index = np.arange(len(lively))
    low, high = np.maximum(index - count, 0), np.minimum(index + count + 1, len(lively))
    return np.asarray(total[high] > total[low])


def cell_newton(call: Call, place: str, steps: Ints) -> Ints:
    """A fairlead load cell's readings in N at these steps."""
    noise = CELL_NOISE_N * generator(f"cell-{place}").standard_normal(len(steps))
    load = place_tension_kn(call, place)[steps] * 1000.0 + noise
    return np.rint(load / CELL_STEP_N).astype(np.int64) * round(CELL_STEP_N)


def cell_steps() -> Ints:
    """The instants the fairlead logger wrote: 1 Hz from switching on to its loss of power, less a restart."""
    steps = np.arange(world.LOGGERS_ON, world.SENTENCES_OFF, _S, dtype=np.int64)
    first, last = world.SENTENCES_GAP
    return steps[(steps < first) | (steps >= last)]
