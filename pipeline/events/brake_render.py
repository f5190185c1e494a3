"""Brake-render: a winch brake that slips and pays out line under load. Events of slip runs, and the verdict.

A brake that renders early drops the ship's mooring; one that renders late, or not at all, holds until the
line parts. After a rendered brake the line and the brake are inspected before they are used again.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from pipeline.events.brake_slips import Peak as Peak
from pipeline.events.brake_slips import Readings as Readings
from pipeline.events.brake_slips import Rules as Rules
from pipeline.events.brake_slips import SlipRun as SlipRun
from pipeline.events.brake_slips import slips as slips
from pipeline.events.drum import first_layer_kn
from schemas.registers import Winch

KIND: Final = "brake-render"

Verdict = Literal["early", "as set", "late"]
EARLY_SHARE: Final = 0.9
LATE_SHARE: Final = 1.1
"""Of its setting: below the first a brake lets go early, above the second late. House rule, no source."""


@dataclass(frozen=True)
class BrakeRender:
    """One event. render_kn is the median tension while paying out, slips the number of payout steps."""

    from_us: int
    to_us: int
    payout_m: float
    breakout: Peak
    peak: Peak
    render_kn: float
    slips: int


def join(runs: Sequence[SlipRun], *, join_s: float, min_payout_m: float) -> list[BrakeRender]:
    """Events in time order, of one line's slip runs of any number of days, in any order.

    Runs less than `join_s` apart (next start - end) are one; then a run counts if it paid out `min_payout_m`.
    """
    join_us = round(join_s * 1e6)
    whole: list[SlipRun] = []
    for run in sorted(runs, key=lambda one: one.start_us):
        apart_us = run.start_us - whole[-1].end_us if whole else None
        if apart_us is not None and (apart_us <= 0 or apart_us < join_us):
            whole[-1] = _continued(whole[-1], run)
        else:
            whole.append(run)
    return [_event(run) for run in whole if run.payout_end_m - run.payout_start_m >= min_payout_m]


def _continued(run: SlipRun, later: SlipRun) -> SlipRun:
    between = [peak for peak in later.approach if peak.at_us > run.end_us]
    peaks = [run.peak, *between[:1], later.peak]
    return replace(
        run,
        end_us=later.end_us,
        payout_end_m=later.payout_end_m,
        peak=max(peaks, key=lambda peak: (peak.kn, -peak.at_us)),
        tensions_kn=run.tensions_kn + later.tensions_kn,
    )


def _event(run: SlipRun) -> BrakeRender:
    return BrakeRender(
        from_us=run.start_us,
        to_us=run.end_us,
        payout_m=run.payout_end_m - run.payout_start_m,
        breakout=run.breakout,
        peak=run.peak,
        render_kn=statistics.median(run.tensions_kn),
        slips=len(run.tensions_kn),
    )


def verdict(breakout_kn: float, brake_set_kn: float) -> Verdict:
    """Where a brake let go against where it was set: early below 90 %, late above 110 %, else as set.

    House rule, no source. A late brake is the dangerous one: it holds while the line is overloaded.
    """
    if not brake_set_kn > 0:
        raise ValueError(f"a brake setting of {brake_set_kn} kN is none")
    ratio = breakout_kn / brake_set_kn
    if ratio < EARLY_SHARE:
        return "early"
    return "late" if ratio > LATE_SHARE else "as set"


@dataclass(frozen=True)
class AgainstSetting:
    """A break-out held against the winch's register row: what it was set to, the verdict, and by how much.

    breakout_first_layer_kn: the break-out as the first layer would have felt it, where the row tells layer,
    barrel and rope; brakes are tested in the first layer. The verdict is on the pull itself, as the setting
    is stated.
    """

    brake_set_kn: float
    breakout_pct: float
    verdict: Verdict
    layer: int | None
    breakout_first_layer_kn: float | None


def against_setting(event: BrakeRender, winch: Winch | None) -> AgainstSetting | None:
    """The event's break-out against the setting in force; None where the register has none."""
    if winch is None or winch.brake_set_kn is None:
        return None
    on_first = None
    if winch.layer is not None and winch.barrel_mm is not None and winch.rope_mm is not None:
        on_first = first_layer_kn(
            event.breakout.kn, layer=winch.layer, barrel_mm=winch.barrel_mm, rope_mm=winch.rope_mm
        )
    return AgainstSetting(
        brake_set_kn=winch.brake_set_kn,
        breakout_pct=100 * event.breakout.kn / winch.brake_set_kn,
        verdict=verdict(event.breakout.kn, winch.brake_set_kn),
        layer=winch.layer,
        breakout_first_layer_kn=on_first,
    )
