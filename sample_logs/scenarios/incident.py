"""Incidents from seeds: a berth in a squall, a line parts, the others take up, and the loggers' clocks disagree.

The mechanics are those of the scenarios; what differs is the plan: a short call, one squall, one to three lines that
part near their highest load in it, each when it passes what it was drawn to bear. After each loss the ship is stepped
anew from the beginning, so that what follows it is what the mechanics give. Every logger has its own rate (1, 2, 5 or
10 Hz), clock (up to 90 s off, with a drift) and filter; some channels have gaps, and one pin may be clipped.

Truth is in steps of 0.1 s of true time. What the scenarios leave out is left out here too (`sample_logs/README.md`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from sample_logs.scenarios.berth import Berth, BerthLine, draw_berth
from sample_logs.scenarios.faults import Fault, Faults
from sample_logs.scenarios.kernel import HAUL
from sample_logs.scenarios.plan import MINUTE, Action, Loss, Plan, S, Span
from sample_logs.scenarios.registers import all_registers
from sample_logs.scenarios.run import Record, simulate
from sample_logs.scenarios.scenario import Recorded, Scenario
from sample_logs.scenarios.sensors import Clock, clock_of, place_kn, record_all
from sample_logs.scenarios.streams import Streams
from sample_logs.scenarios.truth import phase_steps

_EPOCH_US: Final = 1_704_067_200_000_000  # 2024-01-01T00:00:00Z
_DAY_US: Final = 86_400_000_000
MOST_OFF_S: Final = 90.0
DRIFT_PPM: Final = 60.0
"""A watch crystal is some 20 ppm off at room temperature and 60 in the cold: from memory."""
RATES_HZ: Final = (10, 5, 2, 1)
FILTERS_S: Final = (0.0, 0.0, 0.0, 0.5, 1.0)
_SEAS: Final = {"tune": (0.5, 1.4, 6.5, 9.5), "report": (0.6, 1.5, 6.0, 9.0)}
"""Least and largest sea state, and periods of waves [s]: the families differ a little."""


@dataclass(frozen=True)
class LostLine:
    """One true loss: the line, its channel and logger, the step at which it is first unloaded (it bore load at the step
    before), and the same as its own logger would stamp them."""

    line: str
    channel: str
    logger: str
    step: int
    loaded_us: int
    unloaded_us: int


@dataclass(frozen=True)
class IncidentCase:
    """A scenario with its losses in order of true time; clocks by logger; each logger's rate [Hz] and filter [s];
    `slipped_us`: when the brake of each other line first slipped after the first loss, as its own logger stamps it."""

    scenario: Scenario
    losses: tuple[LostLine, ...]
    clocks: Mapping[str, Clock]
    rates_hz: Mapping[str, int]
    filters_s: Mapping[str, float]
    slipped_us: Mapping[str, int]
    clipped: str | None
    hidden: bool
    berth: Berth

    def offset_s(self, logger: str, reference: str) -> float:
        """How far a logger's clock is ahead of another's at the first loss."""
        step = self.losses[0].step
        return (self.clocks[logger].at(step) - self.clocks[reference].at(step)) / 1e6

    def true_us(self, logger: str, raw_us: int) -> float:
        """True time, as microseconds since the record began, of what a logger stamped."""
        clock = self.clocks[logger]
        return (raw_us - clock.start_us - clock.offset_us) / (1.0 + clock.drift_ppm * 1e-6)


def make_incident_case(seed: int, *, family: str, losses: int | None = None) -> IncidentCase:
    """The incident of this seed; families "tune" and "report". `losses`: how many lines part (or drawn).

    RuntimeError where no line can be made to part.
    """
    streams = Streams(family, seed)
    rng = streams("incident")
    berth = _berth(streams, rng)
    plan = _plan(berth, rng, family)
    record = simulate(berth, plan, streams)
    drawn = 1 + int(rng.choice(3, p=(0.4, 0.4, 0.2)))
    for turn in range(drawn if losses is None else losses):
        if not _part(plan, berth, record, rng, turn):
            break
        record = simulate(berth, plan, streams)
    lost = sorted(plan.losses, key=lambda loss: (loss.step, loss.row))
    faults, hidden = _faults(berth, plan, record, rng)
    loggers = sorted({line.logger for line in berth.lines})
    rates = {logger: int(rng.choice(RATES_HZ)) for logger in loggers}
    filters = {logger: float(rng.choice(FILTERS_S)) for logger in loggers}
    whole = Faults([fault for fault in faults.listed if fault.kind != "gap"], faults.clocks)
    recorded = record_all(berth, plan, record, whole, streams, 10.0)
    thinned = _thinned(berth, recorded, faults, rates, filters, rng)
    clocks = {logger: clock_of(plan, faults, logger) for logger in loggers}
    first, last = phase_steps(plan)
    start = Clock(plan.start_us)
    scenario = Scenario(
        seed=seed,
        family=family,
        rate_hz=10.0,
        theme="incident",
        berth=berth,
        recorded=thinned,
        registers=_registers(berth, plan, faults, rates, filters, lead=rng.random() < 0.6),
        truth=(),
        context=(),
        phase_us=(start.at(first), start.at(last)),
        site={"id": berth.name, "name": f"incident {family} {seed} (invented)", "timezone": "UTC"},
    )
    clipped = next((fault.channel for fault in faults.listed if fault.kind == "clipping"), None)
    return IncidentCase(
        scenario=scenario,
        losses=tuple(_lost(berth, clocks, loss) for loss in lost),
        clocks=clocks,
        rates_hz=rates,
        filters_s=filters,
        slipped_us=_slipped(berth, record, clocks, lost[0].step),
        clipped=clipped,
        hidden=hidden,
        berth=berth,
    )


def _berth(streams: Streams, rng: np.random.Generator) -> Berth:
    """A berth on which no two lines share a hook, with one brake set too tight and some that render."""
    berth = draw_berth(streams("incident-berth"), rough=False)
    lines = []
    for number, line in enumerate(berth.lines):
        place = f"{'H' if line.device == 'hook' else 'W'}{number + 1:02d}"
        renders = line.device == "winch" and line.holds_kn > 0.6 * berth.ship_design_mbl_kn and rng.random() < 0.5
        holds_kn = float(rng.uniform(0.3, 0.5)) * berth.ship_design_mbl_kn if renders else line.holds_kn
        grips_kn = 0.85 * holds_kn if renders else line.grips_kn
        capacity_kn = round(berth.ship_design_mbl_kn * 1.2, -1)
        lines.append(
            replace(line, place=place, share=1.0, holds_kn=holds_kn, grips_kn=grips_kn, capacity_kn=capacity_kn)
        )
    return replace(berth, lines=tuple(lines))


def _plan(berth: Berth, rng: np.random.Generator, family: str) -> Plan:
    """A call of an hour and a half to two and a quarter: made fast, a squall, let go."""
    count = len(berth.lines)
    begin, every = 6 * MINUTE, int(rng.integers(20, 30)) * S
    on = [0] * count
    for turn, row in enumerate(rng.permutation(count)):
        on[row] = begin + turn * every
    all_fast = max(on) + 150 * S
    squall = all_fast + int(rng.integers(32, 50)) * MINUTE
    let_go = squall + int(rng.integers(38, 60)) * MINUTE
    off = [let_go + 90 * S + turn * 25 * S for turn in rng.permutation(count).tolist()]
    steps = max(off) + 8 * MINUTE
    start_us = _EPOCH_US + int(rng.integers(365)) * _DAY_US + int(rng.integers(6 * 3600, 20 * 3600)) * 1_000_000
    plan = Plan(
        "incident", start_us, steps, all_fast, let_go, on, off, [at - 10 * S for at in on], [at + 10 * S for at in off]
    )
    plan.dropped = True
    least, most, short_s, long_s = _SEAS[family]
    plan.sea_state, plan.wave_s = float(rng.uniform(least, most)), float(rng.uniform(short_s, long_s))
    plan.swell_s, plan.swell_share = float(rng.uniform(11.0, 15.0)), float(rng.uniform(0.2, 0.6))
    plan.tide_m, plan.tide_phase = float(rng.uniform(0.2, 0.8)), float(rng.uniform(0.0, 2 * np.pi))
    plan.breeze = float(rng.uniform(0.003, 0.025))
    plan.spans.append(
        Span("squall", squall, squall + int(rng.integers(14, 20)) * MINUTE, float(rng.uniform(0.16, 0.26)))
    )
    for row, line in enumerate(berth.lines):
        plan.actions.append(Action(row, on[row] + 20 * S, on[row] + 75 * S, HAUL, line.pretension_kn, "haul"))
        plan.actions.append(Action(row, on[row] + 90 * S, on[row] + 130 * S, HAUL, line.pretension_kn, "haul"))
    plan.actions.sort(key=lambda action: (action.row, action.first))
    return plan


def _part(plan: Plan, berth: Berth, record: Record, rng: np.random.Generator, turn: int) -> bool:
    """Let a line part where it comes near its highest load: the first in the squall, others soon after the last."""
    squall = plan.spans[0]
    lost = {loss.row for loss in plan.losses}
    if turn == 0:
        first, last = squall.first + 4 * MINUTE, squall.last - 3 * MINUTE
    else:
        first = max(loss.step for loss in plan.losses) + int(np.exp(rng.uniform(np.log(3.0), np.log(900.0))))
        last = first + 90 * S
    peaks = [
        (float(record.tension_kn[row, first:last].max()), row) for row in range(len(berth.lines)) if row not in lost
    ]
    ranked = [row for kn, row in sorted(peaks, reverse=True) if kn > 0.12 * berth.ship_design_mbl_kn][:4]
    if not ranked:
        return False
    row = int(rng.choice(ranked))
    own = record.tension_kn[row]
    bears_kn = float(rng.uniform(0.8, 1.0)) * float(own[first:last].max())
    step = first + int(np.argmax(own[first:last] >= bears_kn)) + 1
    plan.losses.append(Loss(row, step, "parted"))
    plan.off[row] = step
    return True


def _faults(berth: Berth, plan: Plan, record: Record, rng: np.random.Generator) -> tuple[Faults, bool]:
    """Clocks of every logger, some gaps, maybe a clipped pin; and whether a short gap hides the first loss."""
    faults = Faults()
    for logger in sorted({line.logger for line in berth.lines}):
        offset_s, drift_ppm = rng.uniform(-MOST_OFF_S, MOST_OFF_S), rng.uniform(-DRIFT_PPM, DRIFT_PPM)
        faults.clocks[logger] = (round(offset_s * 1e6), float(drift_ppm))
    lost = {loss.row: loss.step for loss in plan.losses}
    first_row, first_step = min(lost.items(), key=lambda item: (item[1], item[0]))
    hidden = bool(rng.random() < 0.1)
    if hidden:
        begin = first_step - int(rng.integers(1, 4 * S))
        faults.listed.append(
            Fault("gap", berth.lines[first_row].channel, begin, first_step + int(rng.integers(1, 4 * S)))
        )
    for row in rng.choice(len(berth.lines), size=int(rng.integers(1, 4)), replace=False).tolist():
        begin = int(rng.integers(plan.all_fast, plan.let_go - 8 * MINUTE))
        end = begin + int(rng.integers(30, 360)) * S
        near = lost.get(row)
        if near is None or near < begin - MINUTE or near > end + MINUTE:
            faults.listed.append(Fault("gap", berth.lines[row].channel, begin, end))
    if rng.random() < 0.5:
        row = first_row if rng.random() < 0.5 else int(rng.integers(len(berth.lines)))
        line = berth.lines[row]
        peak_kn = float(place_kn(berth, record, line.place).max())
        size = round((peak_kn * float(rng.uniform(0.72, 0.92))) / line.gain + line.zero_kn, 0)
        faults.listed.append(Fault("clipping", line.channel, 0, plan.steps, size))
    return faults, hidden


def _thinned(
    berth: Berth,
    recorded: Mapping[str, Recorded],
    faults: Faults,
    rates: Mapping[str, int],
    filters: Mapping[str, float],
    rng: np.random.Generator,
) -> dict[str, Recorded]:
    """Each tension at its logger's rate, behind its filter (a mean of what came before), with its gaps."""
    out = dict(recorded)
    begin = {logger: int(rng.integers(S // rate)) for logger, rate in sorted(rates.items())}
    for line in berth.lines:
        own = recorded[line.channel]
        values = _mean_before(own.values, round(filters[line.logger] * S))
        steps = np.arange(own.at_us.size)
        here = steps % (S // rates[line.logger]) == begin[line.logger]
        for gap in faults.of(line.channel, "gap"):
            here &= (steps < gap.first) | (steps >= gap.last)
        out[line.channel] = Recorded(own.at_us[here], np.round(values[here], 3))
    return out


def _mean_before(values: np.ndarray, steps: int) -> np.ndarray:
    """The mean over the last `steps` steps before each value, straight lines between values."""
    if steps == 0:
        return values
    between = np.concatenate(([0.0], np.cumsum(0.5 * (values[1:] + values[:-1]))))
    last = np.arange(values.size)
    begin = np.maximum(last - steps, 0)
    return np.asarray(np.where(last > 0, (between - between[begin]) / np.maximum(last - begin, 1), values))


def _registers(
    berth: Berth,
    plan: Plan,
    faults: Faults,
    rates: Mapping[str, int],
    filters: Mapping[str, float],
    *,
    lead: bool,
) -> dict[str, list[dict[str, str]]]:
    """The registers, with each channel's own rate and filter, and where lines lead to if the site knows (`lead`)."""
    registers = all_registers(berth, plan, faults, 10.0)
    by_channel = {line.channel: line for line in berth.lines}
    for row in registers["channels.csv"]:
        line = by_channel.get(row["channel"])
        row["filter_s"] = "" if line is None else f"{filters[line.logger]:g}"
        if line is not None:
            row["rate_hz"] = str(rates[line.logger])
    if lead:
        for rigged, line in zip(registers["rigging.csv"], berth.lines, strict=True):
            rigged |= _lead(line, berth.deck_m)
    return registers


def _lead(line: BerthLine, deck_m: float) -> dict[str, str]:
    """Chock and way to the hook. The quay lies at negative y, and athwart counts away from it."""
    dx, dy = line.hook[0] - line.fairlead[0], line.hook[1] - line.fairlead[1]
    return {
        "chock_ahead_m": f"{line.fairlead[0]:.1f}",
        "chock_athwart_m": f"{line.fairlead[1]:.1f}",
        "lead_deg": f"{np.degrees(np.arctan2(dy, dx)):.1f}",
        "lead_down_deg": f"{np.degrees(np.arctan2(deck_m - line.hook[2], line.level_m)):.1f}",
    }


def _lost(berth: Berth, clocks: Mapping[str, Clock], loss: Loss) -> LostLine:
    line = berth.lines[loss.row]
    clock = clocks[line.logger]
    return LostLine(line.line, line.channel, line.logger, loss.step, clock.at(loss.step - 1), clock.at(loss.step))


def _slipped(berth: Berth, record: Record, clocks: Mapping[str, Clock], step: int) -> dict[str, int]:
    """When each brake first slipped after a step, as its own logger stamps it."""
    out = {}
    for row, line in enumerate(berth.lines):
        slips = np.flatnonzero(record.slipped[row, step:])
        if slips.size:
            out[line.line] = clocks[line.logger].at(step + int(slips[0]))
    return out
