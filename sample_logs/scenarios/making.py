"""One scenario from one seed."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import Final

from sample_logs.scenarios.berth import Berth, draw_berth
from sample_logs.scenarios.causes import context, tendings
from sample_logs.scenarios.faults import Faults, draw_faults
from sample_logs.scenarios.plan import Plan, draw_plan
from sample_logs.scenarios.registers import all_registers
from sample_logs.scenarios.run import Record, simulate
from sample_logs.scenarios.scenario import Scenario, Truth
from sample_logs.scenarios.sensors import Clock, record_all
from sample_logs.scenarios.streams import Streams
from sample_logs.scenarios.truth import all_truth, phase_steps
from sample_logs.scenarios.winches import with_more_brakes, with_registers

RATES_HZ: Final = (10.0, 2.0, 1.0)
_TRIES: Final = 15


class NeverQuiet(RuntimeError):
    """A seed of the family "quiet" whose berth is not quiet even in a calm."""


def make(seed: int, *, family: str, rate_hz: float = 10.0) -> Scenario:
    """The scenario of this seed: a call of three to four and a half hours, or of the family "quiet" a day alongside.

    Its truth is the same at every rate: slower records are the same one sampled slower. ValueError for a family that
    is none, a negative seed, or a rate other than 10, 2 and 1 Hz; NeverQuiet for a quiet seed that holds something
    even in a calm.
    """
    if rate_hz not in RATES_HZ:
        raise ValueError(f"found rate_hz {rate_hz:g}; expected one of 10, 2, 1")
    streams = Streams(family, seed)
    berth, plan, record, faults, truth = truth_of(seed, family, streams)
    beside = context(berth, plan, faults)
    if family == "quiet":
        beside += tendings(berth, plan, record, faults)
    first, last = phase_steps(plan)
    clock = Clock(plan.start_us)
    return Scenario(
        seed=seed,
        family=family,
        rate_hz=rate_hz,
        theme=plan.theme,
        berth=berth,
        recorded=record_all(berth, plan, record, faults, streams, rate_hz),
        registers=all_registers(berth, plan, faults, rate_hz),
        truth=tuple(truth),
        context=tuple(sorted(beside, key=lambda one: (one.from_us, one.kind, one.line))),
        phase_us=(clock.at(first), clock.at(last)),
        site={"id": berth.name, "name": f"{family} {seed} (invented)", "timezone": "UTC"},
    )


def _telling(berth: Berth, rendered: Collection[str]) -> Berth:
    """The berth with winches of these lines that record the state of their brake."""
    return replace(
        berth,
        lines=tuple(
            replace(line, tells=(*line.tells, "brake")) if line.line in rendered and "brake" not in line.tells else line
            for line in berth.lines
        ),
    )


def truth_of(seed: int, family: str, streams: Streams | None = None) -> tuple[Berth, Plan, Record, Faults, list[Truth]]:
    """The noiseless record and its truth, without what the sensors made of it.

    A quiet day that holds anything, or anything near it, is made again with a fifth less sea, tide and wind; where a
    winch paid out, the state of its brake is recorded too, for without it veering is a rendering by definition.
    """
    streams = Streams(family, seed) if streams is None else streams
    quiet = family == "quiet"
    kept = (0.10, 0.13) if quiet else (0.075, 0.115)
    berth = draw_berth(streams("berth"), rough=not quiet and seed % 3 != 2, pretension=kept)
    if not quiet:
        berth = with_more_brakes(streams("brakes"), berth)
    plan = draw_plan(berth, family, seed, streams)
    if not quiet:
        lost = {loss.row for loss in plan.losses}
        berth = with_registers(streams("registers"), berth, lost)
    for _ in range(_TRIES):
        record = simulate(berth, plan, streams)
        faults = draw_faults(berth, plan, record, streams)
        truth = all_truth(berth, plan, record, faults)
        if family != "quiet":
            return berth, plan, record, faults, truth
        happened = [one for one in truth if one.kind not in ("tending", "brake")]
        if not happened:
            return berth, plan, record, faults, []
        berth = _telling(berth, {one.line for one in happened if one.kind == "brake-render"})
        plan.calm *= 0.8
        plan.breeze *= 0.8
        plan.spans = [replace(span, size=0.8 * span.size) for span in plan.spans]
    raise NeverQuiet(
        f"quiet seed {seed} is not quiet even in a calm; happened: {sorted({one.kind for one in happened})}"
    )
