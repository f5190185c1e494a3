"""All checks on all channels of one place for one stretch of time: which apply, and with which limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.errors import Bug
from pipeline.quality.codes import brake_open
from pipeline.quality.flags import Checks, Flags, combine
from pipeline.quality.motion import rate, spike
from pipeline.quality.ranges import clipped, gross_range
from pipeline.quality.still import Series, flat_line, stuck_at_zero
from schemas.registers import Channel, Policy, QualityLimits

# House rules, no source.
FINE_FLAT_S: Final = 1200.0
FINE_RUNS: Final = 100
FINE_SEEN: Final = 10_000
FINE_TIMES: Final = 20
# House rules, no source. A neighbour works once it has ranged over this much of its own hook's capacity.
NEIGHBOUR_MOVE_PCT: Final = 2.0
# Readings closer than this are judged as if this far apart: stamps jitter.
RATE_FLOOR_S: Final = 0.1
# A slow channel needs this many sampling intervals to be called flat or stuck.
STILL_INTERVALS: Final = 20
# House rule, no source. No mooring line bears a hundredth of this: a fault also where no capacity is registered.
IMPOSSIBLE_KN: Final = 1e6
# A gap is longer than this many sampling intervals, also where that is more than the policy's `max_gap_s`.
GAP_INTERVALS: Final = 3


@dataclass(frozen=True)
class Flagged:
    """Flags of one channel's samples (n,), and for each the checks that gave it 3 or 4 (bits of CHECKS)."""

    flags: Flags
    checks: Checks


@dataclass(frozen=True)
class Limits:
    """The limits of one channel, in its own unit and in seconds; None where no capacity says how much."""

    capacity: float | None
    impossible: tuple[float, float]
    spike: float | None
    spike_max_gap_s: float
    rate_per_s: float | None
    flat_s: float
    flat_tolerance: float
    zero_s: float
    zero: float | None
    move: float
    max_gap_s: float

    @property
    def edge_s(self) -> float:
        """How far outside a stretch readings may change its flags [s]: a still run, and a gap before it."""
        return max(self.flat_s, self.zero_s, self.spike_max_gap_s) + self.max_gap_s


def limits_of(channel: Channel, quality: QualityLimits, max_gap_s: float) -> Limits:
    """`quality` (percent of capacity) for one channel. Without capacity only the flat-line check is left,
    and what no rope bears."""
    capacity = channel.capacity if channel.capacity is not None and channel.capacity > 0 else None
    one_pct = None if capacity is None else capacity / 100
    still_s = STILL_INTERVALS / channel.rate_hz
    return Limits(
        capacity=capacity,
        impossible=(-IMPOSSIBLE_KN, IMPOSSIBLE_KN)
        if one_pct is None
        else (quality.impossible_low_pct * one_pct, quality.impossible_high_pct * one_pct),
        spike=None if one_pct is None else quality.spike_pct * one_pct,
        spike_max_gap_s=quality.spike_max_gap_s,
        rate_per_s=None if one_pct is None else quality.rate_pct_per_s * one_pct,
        flat_s=max(quality.flat_s, still_s),
        flat_tolerance=0.0 if one_pct is None else quality.flat_tolerance_pct * one_pct,
        zero_s=max(quality.zero_s, still_s),
        zero=None if one_pct is None else quality.zero_pct * one_pct,
        move=np.inf if one_pct is None else NEIGHBOUR_MOVE_PCT * one_pct,
        max_gap_s=max(max_gap_s, GAP_INTERVALS / channel.rate_hz),
    )


def edge_s(channels: Mapping[str, Channel], policy: Policy) -> float:
    """How many seconds of the adjacent days can change the flags of a day at this place."""
    tension = [channel for channel in channels.values() if channel.quantity == "tension"]
    return max((_limits(channel, policy).edge_s for channel in tension), default=0.0)


def flag_place(
    series: Mapping[str, Series],
    channels: Mapping[str, Channel],
    policy: Policy,
    *,
    from_us: int,
    to_us: int,
) -> dict[str, Flagged]:
    """Flags of every channel of one place for its samples in [from_us, to_us), by channel.

    `series` holds each channel's readings as stored (units applied, no calibration), with those of the
    adjacent days as far as `edge_s` reaches; what lies further away is cut off, so more of it changes
    nothing. With less, a flat or zero stretch counts from the first reading given. Brake readings are the
    exception: the latest before the day counts, however old it is.
    Tension channels are checked; of other quantities only missing readings are told (9), the rest is 2.
    Raises Bug where times do not ascend.
    """
    for name, readings in series.items():
        if readings.at_us.size != readings.value.size or not bool(np.all(np.diff(readings.at_us) > 0)):
            raise Bug(f"the times of channel {name} do not ascend", next_step="rebuild the store's part file")
    return {name: _flag_channel(name, series, channels, policy, from_us, to_us) for name in series}


def _flag_channel(
    name: str,
    series: Mapping[str, Series],
    channels: Mapping[str, Channel],
    policy: Policy,
    from_us: int,
    to_us: int,
) -> Flagged:
    channel = channels[name]
    if channel.quantity != "tension":
        day = _between(series[name], from_us, to_us)
        return Flagged(*combine([("gross-range", gross_range(day.value, low=None, high=None))]))
    limits = _limits(channel, policy)
    reach_us = round(limits.edge_s * 1e6)
    near = _between(series[name], from_us - reach_us, to_us + reach_us)
    neighbours = [
        readings for other, readings in series.items() if other != name and channels[other].quantity == "tension"
    ]
    checked = check_tension(near, neighbours, limits)
    if channel.kind == "winch-brake":
        checked += [
            ("brake-open", brake_open(near.at_us, near.value, readings.at_us, readings.value))
            for other, readings in series.items()
            if channels[other].quantity == "brake"
        ]
    begin, stop = np.searchsorted(near.at_us, (from_us, to_us))
    return Flagged(*combine([(check, flags[begin:stop]) for check, flags in checked]))


def check_tension(readings: Series, neighbours: list[Series], limits: Limits) -> list[tuple[str, Flags]]:
    """Every check of a tension channel but the brake's, as (check, flags (n,)) pairs."""
    value = readings.value
    low, high = limits.impossible
    return [
        ("gross-range", gross_range(value, low=low, high=high)),
        ("clipped", clipped(value, capacity=limits.capacity)),
        *_check_motion(readings, limits),
        *_check_stillness(readings, neighbours, limits),
    ]


def _check_motion(readings: Series, limits: Limits) -> list[tuple[str, Flags]]:
    spikes = spike(*readings, limit=limits.spike, max_gap_s=limits.spike_max_gap_s)
    rates = rate(*readings, limit_per_s=limits.rate_per_s, max_gap_s=limits.max_gap_s, floor_s=RATE_FLOOR_S)
    return [("spike", spikes), ("rate", rates)]


def _check_stillness(readings: Series, neighbours: list[Series], limits: Limits) -> list[tuple[str, Flags]]:
    near_zero = 0.0 if limits.zero is None else limits.zero
    flat = flat_line(
        *readings,
        tolerance=limits.flat_tolerance,
        flat_s=_flat_s(readings, limits),
        max_gap_s=limits.max_gap_s,
        unjudged=0.0 if _is_fine_near_zero(readings, limits, near_zero) else near_zero,
    )
    stuck = stuck_at_zero(
        *readings,
        neighbours,
        zero=limits.zero,
        zero_s=limits.zero_s,
        move=limits.move,
        max_gap_s=limits.max_gap_s,
        plausible=limits.impossible,
    )
    return [("flat-line", flat), ("stuck-at-zero", stuck)]


def _flat_s(readings: Series, limits: Limits) -> float:
    """How long this gauge may repeat itself [s]: the limit, or less where it is seen to be fine enough for that.

    A coarse gauge repeats a steady load for an hour; one whose readings hardly ever repeat for a minute has stuck long
    before. House rule: 20 times the run of equal readings that one run in a hundred outlasts, between 20 min and the
    limit (of some ten thousand runs, evenly spaced); not with fewer than 100 runs, nor where a tolerance is set.
    """
    if limits.flat_s <= FINE_FLAT_S or limits.flat_tolerance > 0:
        return limits.flat_s
    usual_s = _usual_run_s(readings, np.inf)
    return limits.flat_s if usual_s is None else min(limits.flat_s, max(FINE_FLAT_S, FINE_TIMES * usual_s))


def _is_fine_near_zero(readings: Series, limits: Limits, near_zero: float) -> bool:
    """Whether a gauge that reads next to nothing is seen to move all the same, as noise makes it, so that one which
    does not has stuck. A reading of nothing itself is not judged so: many loggers write that for all that is small."""
    if limits.flat_tolerance > 0 or near_zero <= 0:
        return False
    usual_s = _usual_run_s(readings, near_zero)
    return usual_s is not None and FINE_TIMES * usual_s <= FINE_FLAT_S


def _usual_run_s(readings: Series, most: float) -> float | None:
    """How long equal readings of at most that size last [s], but for one run in a hundred; None of under 100 runs."""
    value = readings.value
    turns = np.flatnonzero(value[1:] != value[:-1])  # a missing reading ends a run too
    small = np.flatnonzero(np.abs(value[turns[1:]]) <= most)  # the run before each turn but the first
    if small.size < FINE_RUNS:
        return None
    runs_us = np.diff(readings.at_us[turns])[small]
    return float(np.quantile(runs_us[:: max(runs_us.size // FINE_SEEN, 1)], 0.99)) / 1e6


def _limits(channel: Channel, policy: Policy) -> Limits:
    return limits_of(channel, policy.quality.for_kind(channel.kind), policy.max_gap_s)


def _between(readings: Series, from_us: int, to_us: int) -> Series:
    begin, stop = np.searchsorted(readings.at_us, (from_us, to_us))
    return Series(readings.at_us[begin:stop], readings.value[begin:stop])
