"""What the loggers recorded: true loads, the fault of each sensor, noise, resolution, clocks, gaps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sample_logs.scenarios.berth import Berth, BerthLine
from sample_logs.scenarios.faults import Fault, Faults
from sample_logs.scenarios.plan import MINUTE, Plan, S
from sample_logs.scenarios.run import Record
from sample_logs.scenarios.scenario import Recorded
from sample_logs.scenarios.streams import Streams

Floats = NDArray[np.float64]
Steps = NDArray[np.int64]

NOISE_KN: Final = {"hook": 0.15, "winch": 0.3}
STEP_KN: Final = {"hook": 0.1, "winch": 0.2}
PAYOUT_STEP_M: Final = 0.01
MOST_READ: Final = 1.9
"""No reading is more than this many capacities."""
STATE_EVERY_S: Final = 10
RUN_OUT_M_S: Final = 0.30
MODES: Final = {"stowed": 0.0, "manual": 1.0, "brake": 2.0, "tension": 3.0}


@dataclass(frozen=True)
class Clock:
    """How a logger stamps: its offset from true time and its drift."""

    start_us: int
    offset_us: int = 0
    drift_ppm: float = 0.0

    def stamp(self, steps: Steps) -> Steps:
        """UTC microseconds, whole milliseconds, as this logger would write these steps."""
        true_us = np.asarray(steps, dtype=np.int64) * 100_000
        late_us = self.offset_us + np.rint(true_us * (self.drift_ppm * 1e-6)).astype(np.int64)
        return np.asarray((self.start_us + true_us + late_us) // 1000 * 1000, dtype=np.int64)

    def at(self, step: int) -> int:
        """The same for one step."""
        return int(self.stamp(np.array([step]))[0])


def clock_of(plan: Plan, faults: Faults, logger: str) -> Clock:
    """The clock of one logger."""
    return Clock(plan.start_us, *faults.clocks.get(logger, (0, 0.0)))


def place_kn(berth: Berth, record: Record, place: str) -> Floats:
    """True load of a place: the sum of the lines made fast there."""
    return np.asarray(record.tension_kn[berth.rows(place)].astype(np.float64).sum(axis=0))


def temperature_c(plan: Plan) -> Floats:
    """Air temperature at every step: a day's wave between 8 and 20 degrees."""
    hours = (plan.start_us // 1_000_000 % 86_400 + np.arange(plan.steps) / S) / 3600.0
    return np.asarray(14.0 + 6.0 * np.cos(2 * np.pi * (hours - 15.0) / 24.0))


def record_all(
    berth: Berth, plan: Plan, record: Record, faults: Faults, streams: Streams, rate_hz: float
) -> dict[str, Recorded]:
    """Every channel as recorded."""
    recorded: dict[str, Recorded] = {}
    every = round(S / rate_hz)
    slow = max(every, S // 2)
    for place in berth.places:
        line = berth.lines[berth.rows(place)[0]]
        clock = clock_of(plan, faults, line.logger)
        steps = np.arange(0, plan.steps, every, dtype=np.int64)
        values = _tension(berth, plan, record, faults, streams(f"noise-{place}"), line, steps)
        for gap in faults.of(line.channel, "gap"):
            outside = (steps < gap.first) | (steps >= gap.last)
            steps, values = steps[outside], values[outside]
        recorded[line.channel] = Recorded(clock.stamp(steps), values)
        coarse = np.arange(0, plan.steps, slow, dtype=np.int64)
        for name, series in _beside(berth, plan, record, place, coarse).items():
            kept = np.arange(len(coarse)) if name == "payout" else _changes(series, round(STATE_EVERY_S * S / slow))
            recorded[f"{place}-{name}"] = Recorded(clock.stamp(coarse[kept]), series[kept])
    minutes = np.arange(0, plan.steps, MINUTE, dtype=np.int64)
    clock = Clock(plan.start_us)
    recorded["AIR-temperature"] = Recorded(clock.stamp(minutes), np.round(temperature_c(plan)[minutes], 1))
    recorded["AIR-wind"] = Recorded(clock.stamp(minutes), np.round(record.sea.wind_m_s[minutes], 1))
    return recorded


def _tension(
    berth: Berth, plan: Plan, record: Record, faults: Faults, rng: np.random.Generator, line: BerthLine, steps: Steps
) -> Floats:
    """One gauge's readings at these steps, with all that is wrong with it."""
    # Noise is drawn at 10 Hz, so that slower records are the same one sampled slower.
    noise = NOISE_KN[line.device] * rng.standard_normal(plan.steps)[steps]
    load = place_kn(berth, record, line.place)[steps] + _brake_test(plan, line, steps)[0]
    values = load / line.gain + line.zero_kn + noise
    own = faults.of(line.channel)
    for fault in own:
        if fault.kind in ("zero-drift", "zero-step"):
            values = values + zero_moved_kn(plan, fault, steps)
    for span in plan.dropouts:
        if span.word == line.channel:
            values[(steps >= span.first) & (steps < span.last)] = 0.0
    values = np.rint(values / STEP_KN[line.device]) * STEP_KN[line.device]
    for fault in own:
        _spoil(values, steps, fault, line)
    return np.round(values, 3)


def zero_moved_kn(plan: Plan, fault: Fault, steps: Steps) -> Floats:
    """By how much a zero is off at these steps (n,) [kN]: by the step, or by a drift that comes to its size at the end.

    Of a drift a part follows the air's temperature, and a steady part makes up the rest of it.
    """
    if fault.kind == "zero-step":
        return np.asarray(fault.size * (steps >= fault.first), dtype=np.float64)
    air_c = temperature_c(plan)
    heat_kn = fault.heat_kn_per_c * (air_c - air_c[0])
    steady_kn = (fault.size - float(heat_kn[-1])) * np.asarray(steps, dtype=np.float64) / plan.steps
    return np.asarray(steady_kn + heat_kn[steps], dtype=np.float64)


def _spoil(values: Floats, steps: Steps, fault: Fault, line: BerthLine) -> None:
    """One fault of the kinds that work on the finished reading, in place."""
    if fault.kind == "spikes":
        hit = np.isin(steps, np.array(fault.steps, dtype=np.int64))
        values[hit] += spike_readings(fault, line.capacity_kn)
        np.minimum(values, MOST_READ * line.capacity_kn, out=values)
    elif fault.kind == "clipping":
        np.minimum(values, fault.size, out=values)
    elif fault.kind == "stuck":
        inside = np.flatnonzero((steps >= fault.first) & (steps < fault.last))
        values[inside] = values[inside[0]]
    elif fault.kind in ("wrong-unit", "wrong-scale"):
        values *= fault.size


def spike_readings(fault: Fault, capacity_kn: float) -> Floats:
    """What each spike of a fault adds to the reading [kN]: every third is downward, and half as large."""
    return fault.size * capacity_kn * np.where(np.arange(len(fault.steps)) % 3 == 2, -0.5, 1.0)


def _changes(series: Floats, every: int) -> NDArray[np.int64]:
    """Where a state changed, and every so many rows."""
    index = np.arange(len(series))
    return np.flatnonzero((index % every == 0) | np.concatenate(([True], np.diff(series) != 0)))


def brake_test_at(plan: Plan, line: BerthLine) -> int | None:
    """The step at which this winch's brake was tested, before the call; a third of the recorded winches' are."""
    if line.device != "winch" or "payout" not in line.tells or line.holds_kn > 1e8 or plan.theme == "quiet":
        return None
    return 2 * MINUTE if int(line.place[1:]) % 3 == 1 and min(plan.on) > 10 * MINUTE else None


def _brake_test(plan: Plan, line: BerthLine, steps: Steps) -> tuple[Floats, Floats]:
    """Load [kN] and payout [m] of a brake test with a jack: up in a minute, a slip of 6 cm, let off."""
    first = brake_test_at(plan, line)
    if first is None:
        return np.zeros(len(steps)), np.zeros(len(steps))
    knots = np.array([0.0, 60.0, 62.0, 75.0]) * S + first
    load = np.interp(steps, knots, [0.0, line.holds_kn, line.grips_kn, 0.0])
    paid = np.interp(steps, knots[1:3], [0.0, 0.06])
    return np.asarray(load), np.asarray(paid)


def _beside(berth: Berth, plan: Plan, record: Record, place: str, steps: Steps) -> dict[str, Floats]:
    """Payout, brake, winch mode and hook state of a place, as far as it tells them."""
    row = berth.rows(place)[0]
    line = berth.lines[row]
    out: dict[str, Floats] = {}
    if "hook-state" in line.tells:
        out["hook-state"] = _hook_closed(plan, row, steps)
    if line.device == "hook":
        return out
    payout, loose = _payout_m(plan, record, row, steps)
    powered = record.powered[row][steps] | loose
    if "payout" in line.tells:
        paid = payout + _brake_test(plan, line, steps)[1]
        out["payout"] = np.round(np.rint(paid / PAYOUT_STEP_M) * PAYOUT_STEP_M, 3)
    if "brake" in line.tells:
        out["brake"] = np.where(powered, 0.0, 1.0)
    if "winch-mode" in line.tells:
        held = np.where((steps >= plan.on[row]) & (steps < plan.planned_off(row)), MODES["brake"], MODES["stowed"])
        mode = np.where(powered, MODES["manual"], held)
        for action in plan.actions:
            if action.row == row and action.word == "auto-tension":
                mode[(steps >= action.first) & (steps < action.last)] = MODES["tension"]
        out["winch-mode"] = mode
    return out


def _hook_closed(plan: Plan, row: int, steps: Steps) -> Floats:
    """1 from the eye going over the hook until it opens; under a parted line it stays closed until the end."""
    released = any(loss.row == row and loss.cause == "released" for loss in plan.losses)
    last = plan.off[row] if released else plan.planned_off(row)
    return np.where((steps >= plan.on[row]) & (steps < last), 1.0, 0.0)


def _payout_m(plan: Plan, record: Record, row: int, steps: Steps) -> tuple[Floats, NDArray[np.bool_]]:
    """Payout at these steps, and where the drum runs before making fast and after letting go."""
    main, on, off = record.main_m[row], plan.on[row], plan.planned_off(row)
    if on == 0:
        return main[steps], np.zeros(len(steps), dtype=np.bool_)
    out_m, last_m = float(main[on]), float(main[min(off, plan.steps - 1)])
    before = np.clip(out_m - (on - 60 * S - steps) / S * RUN_OUT_M_S, 0.0, out_m)
    after = np.clip(last_m - (steps - off - 30 * S) / S * RUN_OUT_M_S, 0.0, last_m)
    payout = np.where(steps < on, before, np.where(steps < off, main[steps], after))
    running = (steps < on - 60 * S) & (before > 0) | (steps > off + 30 * S) & (after > 0)
    return payout, running
