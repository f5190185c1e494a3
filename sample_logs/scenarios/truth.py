"""All truth of a scenario: definitions on the noiseless record, causes from the plan, and what faults hide."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sample_logs.scenarios import brakes, causes, definitions
from sample_logs.scenarios.berth import Berth, BerthLine
from sample_logs.scenarios.definitions import Found, Series
from sample_logs.scenarios.faults import Fault, Faults, register_steps, registered_capacity_kn
from sample_logs.scenarios.plan import MINUTE, Plan, S
from sample_logs.scenarios.policy import POLICY
from sample_logs.scenarios.run import Record
from sample_logs.scenarios.scenario import Truth
from sample_logs.scenarios.sensors import (
    MOST_READ,
    NOISE_KN,
    STEP_KN,
    Clock,
    brake_test_at,
    clock_of,
    place_kn,
    spike_readings,
    zero_moved_kn,
)

DEFINED: Final[tuple[tuple[str, Callable[[Series], list[Found]]], ...]] = (
    ("peak-load", definitions.peak_loads),
    ("slack", definitions.slacks),
    ("snap-load", definitions.snap_loads),
    ("sustained-load", definitions.sustained_loads),
    ("pretension-loss", definitions.pretension_losses),
)


def phase_steps(plan: Plan) -> tuple[int, int]:
    """When all lines are fast, as right registers say: from the last `from` to the first `to`."""
    return max(max(plan.from_step), 0), min(min(plan.to_step), plan.steps)


def series_of(berth: Berth, plan: Plan, record: Record, faults: Faults, row: int) -> Series:
    """One line's share of its place's true load, with all that its definitions look at."""
    line = berth.lines[row]
    mbl_kn = berth.ship_design_mbl_kn
    # Four standard deviations of noise and half a step; and the zero's error, where it has one.
    tol_kn = 4.0 * NOISE_KN[line.device] + 0.5 * STEP_KN[line.device]
    every = np.arange(0, plan.steps, MINUTE, dtype=np.int64)
    moved = [zero_moved_kn(plan, fault, every) for fault in faults.of(line.channel, "zero-drift", "zero-step")]
    zero_kn = sum(float(np.abs(one).max()) for one in moved)
    tol_kn += zero_kn
    uncertain_kn = POLICY["gauge_uncertainty_pct"] / 100.0 * registered_capacity_kn(faults, line) * line.share
    # While its brake is open a winch's gauge bears nothing of the load, and its readings do not count.
    seen = ~record.powered[row] if "brake" in line.tells else np.ones(plan.steps, dtype=np.bool_)
    for gap in faults.of(line.channel, "gap"):
        seen[gap.first : gap.last] = False
    stamp_us = clock_of(plan, faults, line.logger).stamp(np.arange(plan.steps, dtype=np.int64))

    def told(steps: tuple[int, int]) -> tuple[int, int]:
        """A span of register times (which are true) as the readings that it holds by their own stamps."""
        first, last = np.searchsorted(stamp_us, [plan.start_us + step * 100_000 for step in steps]).tolist()
        return first, last

    kn = place_kn(berth, record, line.place) * line.share
    return Series(
        kn=kn,
        mbl_kn=mbl_kn,
        tol_kn=tol_kn * line.share,
        rigged=told((max(plan.from_step[row], 0), min(plan.to_step[row], plan.steps))),
        gone=plan.off[row],
        phase=told(phase_steps(plan)),
        stamp_us=stamp_us,
        seen=seen,
        planned_kn=line.pretension_kn if line.planned else POLICY["pretension_pct"] / 100.0 * mbl_kn,
        slack_kn=max(POLICY["slack_pct"] / 100.0 * mbl_kn, 2.0 * uncertain_kn),
        zero_kn=zero_kn * line.share,
        spikes_kn=_spikes_kn(berth, faults, row, kn),
    )


def _spikes_kn(berth: Berth, faults: Faults, row: int, kn: NDArray[np.float64]) -> dict[int, float]:
    """The readings of a line that are spikes of its gauge, but for noise [kN]."""
    line = berth.lines[row]
    out: dict[int, float] = {}
    for fault in faults.of(line.channel, "spikes"):
        size = spike_readings(fault, line.capacity_kn)
        for step, off in zip(fault.steps, size.tolist(), strict=True):
            reading = min(kn[step] / line.share / line.gain + line.zero_kn + off, MOST_READ * line.capacity_kn)
            out[step] = float((reading - line.zero_kn) * line.gain * line.share)
    return out


def all_truth(berth: Berth, plan: Plan, record: Record, faults: Faults) -> list[Truth]:
    """Every true event and finding, by time."""
    out = [_beside_power(berth, plan, record, faults, one) for one in causes.load_losses(berth, plan, record, faults)]
    out += causes.tendings(berth, plan, record, faults) + causes.surges(berth, plan, record, faults)
    for row in range(len(berth.lines)):
        series = series_of(berth, plan, record, faults, row)
        out += _of_line(berth, plan, record, faults, row, series)
    out = [_masked(plan, faults, berth, truth) for truth in out]
    out += causes.findings(berth, plan, record, faults)
    return sorted(out, key=lambda truth: (truth.from_us, truth.kind, truth.line, truth.channel))


def _beside_power(berth: Berth, plan: Plan, record: Record, faults: Faults, loss: Truth) -> Truth:
    """A loss of load, hidden where its winch's gauge bore nothing beside it, for its brake was open."""
    row = next(row for row, line in enumerate(berth.lines) if line.line == loss.line)
    line = berth.lines[row]
    step = (loss.to_us - clock_of(plan, faults, line.logger).at(0)) // 100_000
    beside = record.powered[row, max(step - 12 * S, 0) : step + 12 * S]
    if "brake" not in line.tells or not bool(beside.any()):
        return loss
    return replace(loss, borderline=True, detail={**loss.detail, "masked": "open brake"})


def _of_line(berth: Berth, plan: Plan, record: Record, faults: Faults, row: int, series: Series) -> list[Truth]:
    line = berth.lines[row]
    clock = clock_of(plan, faults, line.logger)

    # While its brake is open a winch's gauge bears nothing of the load, and its readings do not count.
    idle = record.powered[row] if "brake" in line.tells else np.zeros(plan.steps, dtype=np.bool_)

    def told(kind: str, found: list[Found]) -> list[Truth]:
        out = []
        for f in found:
            unseen = bool(idle[max(f.first - 12 * S, 0) : f.last + 12 * S].any())
            detail = {**f.detail, "masked": "open brake"} if unseen else f.detail
            peak_kn = float(str(f.detail.get("read_kn", series.kn[f.top])))
            out.append(
                Truth(
                    kind, line.line, line.channel, int(clock.at(f.first)), int(clock.at(f.last)),
                    peak_kn, clock.at(f.top), detail, unseen or not f.sure,
                )
            )  # fmt: skip
        return out

    def masked(kind: str, found: list[Found]) -> list[Truth]:
        return [_masked(plan, faults, berth, one) for one in told(kind, found)]

    out: list[Truth] = []
    for kind, definition in DEFINED:
        out += told(kind, definition(series))
    held = record.fast[row] & ~record.powered[row]
    slipped = record.slipped[row]
    if "payout" in line.tells:
        rendered = brakes.renders(series, line, record.main_m[row], held)
    else:
        rendered = brakes.plateaus(series, line, slipped, record.main_m[row])
    out += told("brake-render", rendered)
    if line.brake_set_kn is not None:
        above = brakes.held_above(series, line, held, slipped, record.main_m[row], rendered)
        out += told("brake-held", above)
        if "payout" in line.tells:
            # What a fault or a wrong register hides shows nothing of a brake.
            shown = [
                [replace(f, sure=f.sure and not one.borderline) for f, one in zip(found, told_as, strict=True)]
                for found, told_as in (
                    (rendered, masked("brake-render", rendered)), (above, masked("brake-held", above)),
                )
            ]  # fmt: skip
            word, sure = brakes.state_of(series, line, *shown)
            span = (clock.at(max(plan.from_step[row], 0)), clock.at(min(plan.to_step[row], plan.steps)))
            detail = {"verdict": word, "set_days_ago": line.brake_set_days_ago}
            out.append(Truth("brake", line.line, line.channel, *span, None, None, detail, not sure))
    return out


_HIDES_ALL: Final = ("wrong-unit", "wrong-scale", "swapped")
_HIDES_WHILE: Final = ("stuck", "spikes", "gap")


def _masked(plan: Plan, faults: Faults, berth: Berth, truth: Truth) -> Truth:
    """An event that a fault of its sensor or register hides or changes counts neither way, and says so."""
    why = _what_hides(plan, faults, berth, truth)
    if why is None:
        return truth
    hidden = replace(truth, borderline=True, detail={**truth.detail, "masked": why})
    if truth.kind == "load-loss" and why in ("stuck", "gap"):
        # A load that went while the gauge was stuck is gone at once when it reads again.
        logger = next(line.logger for line in berth.lines if line.channel == truth.channel)
        ends = [clock_of(plan, faults, logger).at(one.last) for one in faults.of(truth.channel, why)]
        return replace(hidden, to_us=min((us for us in ends if us >= truth.to_us), default=truth.to_us))
    return hidden


def _what_hides(plan: Plan, faults: Faults, berth: Berth, truth: Truth) -> str | None:
    if truth.kind == "surge":
        return None
    line = next(line for line in berth.lines if line.line == truth.line)
    clock = clock_of(plan, faults, line.logger)
    pad = 12 * S
    for fault in faults.of(line.channel):
        if fault.kind in _HIDES_ALL:
            return fault.kind
        overlap = truth.from_us <= clock.at(fault.last + pad) and truth.to_us >= clock.at(fault.first - pad)
        hides = fault.kind != "spikes" or truth.kind != "peak-load"  # a spike is read, and defined as one
        if fault.kind in _HIDES_WHILE and overlap and hides and truth.kind != "brake":
            return fault.kind
        limit_kn = (fault.size - line.zero_kn) * line.gain
        if fault.kind == "clipping" and truth.peak_kn is not None and truth.peak_kn >= limit_kn * line.share:
            return fault.kind
        if fault.kind == "clipping" and truth.kind == "brake":
            return fault.kind
        if fault.kind in ("zero-drift", "zero-step") and truth.borderline and truth.kind != "tending":
            return fault.kind
        moved = fault.kind in ("zero-drift", "zero-step")
        if moved and truth.kind == "load-loss" and _reads_loaded(plan, berth, faults, line, fault):
            return fault.kind
    for span in plan.dropouts:
        spoilt = truth.kind != "brake" and truth.detail.get("class") != "instrument"
        overlap = truth.from_us <= clock.at(span.last + pad) and truth.to_us >= clock.at(span.first - pad)
        if span.word == line.channel and spoilt and overlap:
            return "dropout"
    return _phase_hides(plan, faults, berth, truth, clock)


def _reads_loaded(plan: Plan, berth: Berth, faults: Faults, line: BerthLine, fault: Fault) -> bool:
    """Whether a zero is off by so much that a line that is gone would read as one that is not slack: by the capacity
    that the register gives the gauge, whose uncertainty is a part of it."""
    moved_kn = zero_moved_kn(plan, fault, np.arange(0, plan.steps, MINUTE, dtype=np.int64))
    return float(moved_kn.max()) > 0.8 * _slack_kn(berth, faults, line)


def _slack_kn(berth: Berth, faults: Faults, line: BerthLine) -> float:
    """Below it a channel's line is slack."""
    uncertain_kn = POLICY["gauge_uncertainty_pct"] / 100.0 * registered_capacity_kn(faults, line)
    return max(POLICY["slack_pct"] / 100.0 * berth.ship_design_mbl_kn, 2.0 * uncertain_kn)


def _phase_hides(plan: Plan, faults: Faults, berth: Berth, truth: Truth, clock: Clock) -> str | None:
    """Wrong rigging times move the phase in which lines count as fast, and cut the wrong line's own record short."""
    if not any(fault.kind == "rigging-time" for fault in faults.listed):
        return None
    row = next(row for row, line in enumerate(berth.lines) if line.line == truth.line)
    own = register_steps(plan, faults, berth, row)
    if truth.from_us < clock.at(own[0] + MINUTE) and own[0] > plan.from_step[row]:
        return "rigging-time"
    if truth.to_us > clock.at(own[1] - MINUTE) and own[1] < plan.to_step[row]:
        return "rigging-time"
    if own != (plan.from_step[row], plan.to_step[row]) and truth.kind in ("slack", "pretension-loss"):
        return "rigging-time"
    test = brake_test_at(plan, berth.lines[row])
    if truth.kind == "brake" and test is not None and own[0] < test + 2 * MINUTE:
        # The register has the line on a winch whose brake is tested without one.
        return "rigging-time"
    if truth.kind not in ("slack", "snap-load", "sustained-load", "pretension-loss", "brake-render", "brake-held"):
        return None
    told = [register_steps(plan, faults, berth, each) for each in range(len(berth.lines))]
    begin, end = max(first for first, _ in told), min(last for _, last in told)
    true = phase_steps(plan)
    early = begin != true[0] and truth.from_us < clock.at(max(begin, true[0]) + 10 * MINUTE)
    late = end != true[1] and truth.to_us > clock.at(min(end, true[1]) - 10 * MINUTE)
    return "rigging-time" if early or late else None
