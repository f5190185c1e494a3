"""What a place's day shows of its tension gauges themselves: zero checks, and when each bore a load.

Facts, by channel and day; what they mean is told over all days (`night/gauges.py`, `night/rigged_as.py`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.ledger.rows import ChannelDay
from pipeline.night.look import DayJob, Looked
from pipeline.night.plan import GaugePlan
from pipeline.quality import Flagged, check_bit, usable
from pipeline.quality.bins import Bins, Interval, make_bins
from pipeline.quality.flags import Values
from pipeline.quality.loads import loads, seen
from pipeline.quality.zeros import ZeroCheck, gaps_between, middle_of, zero_check
from pipeline.store.days import Readings
from schemas.times import DAY_US, day_start_us

Bools = NDArray[np.bool_]
UNSURE_SHARE = 0.3
"""House rule: how far a zero that drifts may be off the straight line between its checks, as a share of its change."""
NOISE_TIMES = 6.0
"""House rule: a load stands out of the noise by so many times its spread."""


def channel_rows(job: DayJob, looked: Looked) -> list[dict[str, Any]]:
    """Facts of the place's tension channels on its day, as rows for the manifest."""
    plan = job.plan
    start_us = day_start_us(plan.day)
    rows = []
    for gauge in plan.gauges:
        if gauge.channel in looked.day and looked.day[gauge.channel].at_us.size:
            readings, flags = looked.day[gauge.channel], looked.flags[gauge.channel]
            facts = gauge_facts(readings, flags, gauge, start_us, job.policy.zero_check_s, job.policy.loaded_pct)
            row = {"channel": gauge.channel, "place": plan.place, "day": plan.day, "facts": facts, "op": "set"}
            rows.append(row)
    return rows


def gauge_facts(
    readings: Readings, flagged: Flagged, gauge: GaugePlan, start_us: int, zero_check_s: float, loaded_pct: float
) -> dict[str, Any]:
    """Zero checks, loads and stretches observed of one channel on the UTC day that begins at `start_us`."""
    counts = usable(flagged.flags) & ~np.isnan(readings.value)
    bins = make_bins(readings.at_us, readings.value, counts)
    observed = seen(bins)
    facts: dict[str, Any] = {"seen": [list(stretch) for stretch in observed], "checks": [], "loads": []}
    if gauge.full_kn is None or not observed:
        return facts
    flat = (flagged.checks & check_bit("flat-line")) != 0
    day = (start_us, start_us + DAY_US)
    checks = _checks(readings, counts, flat, bins, gauge, day, observed, round(zero_check_s * 1e6))
    zero_kn = _zero_at(bins, checks, gauge.zeros)
    noise_kn = max((check.spread_kn for check in checks if check.still), default=0.0)
    level_kn = max(loaded_pct / 100 * gauge.full_kn, NOISE_TIMES * noise_kn)
    facts["checks"] = [asdict(check) for check in checks]
    unsure_kn = UNSURE_SHARE * float(np.ptp(zero_kn))
    facts["loads"] = [asdict(load) for load in loads(bins, zero_kn, level_kn=level_kn, unsure_kn=unsure_kn)]
    return facts


def _checks(
    readings: Readings,
    counts: Bools,
    flat: Bools,
    bins: Bins,
    gauge: GaugePlan,
    day: Interval,
    observed: Sequence[Interval],
    least_us: int,
) -> list[ZeroCheck]:
    """Of each interval without a line, its longest observed stretch is looked at."""
    assert gauge.full_kn is not None
    rigged = [bins.within(interval) for interval in gauge.taken]
    ranges = np.concatenate([np.empty(0), *(part.high - part.low for part in rigged)])
    stir_kn = float(np.median(ranges)) if ranges.size >= 60 else None
    found = []
    for gap in gaps_between(gauge.taken, day):
        stretches = [(max(a, gap[0]), min(b, gap[1])) for a, b in observed if max(a, gap[0]) < min(b, gap[1])]
        middles = [middle for stretch in stretches if (middle := middle_of(gap, stretch, least_us=least_us))]
        if not middles:
            continue
        middle = max(middles, key=lambda one: one[1] - one[0])
        begin, end = np.searchsorted(readings.at_us, middle)
        check = zero_check(
            middle,
            readings.value[begin:end][counts[begin:end]],
            bins.within(middle),
            zero_kn=_in_force(gauge.zeros, middle[0]),
            full_kn=gauge.full_kn,
            rigged_stir_kn=stir_kn,
            frozen=bool(flat[begin:end].any()),
        )
        found += [] if check is None else [check]
    return found


def _zero_at(bins: Bins, checks: Sequence[ZeroCheck], zeros: Sequence[tuple[int, float]]) -> Values:
    """The zero at each bin (n,): between checks of the day that were still by a straight line, as a drift goes, beyond
    them the nearest one's; without any the register's."""
    still = [check for check in checks if check.still]
    if not still:
        held = np.searchsorted([from_us for from_us, _ in zeros], bins.from_us, side="right")
        registered: Values = np.array([0.0, *(zero_kn for _, zero_kn in zeros)])[held]
        return registered
    began_us = still[0].at_us  # differences of instants are exact in doubles, instants themselves need not be
    middles = np.array([check.at_us - began_us for check in still], np.float64)
    kn = np.array([check.reading_kn for check in still])
    found: Values = np.interp((bins.from_us - began_us).astype(np.float64), middles, kn)
    return found


def _in_force(zeros: Sequence[tuple[int, float]], at_us: int) -> float:
    """The register's zero at an instant: that of the latest calibration, 0 before the first."""
    return next((zero_kn for from_us, zero_kn in reversed(zeros) if from_us <= at_us), 0.0)


def channel_day(row: Mapping[str, Any]) -> ChannelDay:
    """A row for the manifest as the ledger gives it back."""
    return ChannelDay(row["channel"], row["place"], row["day"], row["facts"])
