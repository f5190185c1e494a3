"""What a place's day shows of its tension gauges themselves: zero checks, and when each bore a load.

Facts, by channel and day; what they mean is told over all days (`night/gauges.py`, `night/rigged_as.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.ledger.rows import ChannelDay
from pipeline.night.look import DayJob, Looked
from pipeline.night.plan import GaugePlan
from pipeline.quality import Flagged, check_bit, usable
from pipeline.quality.bins import Bins, Interval, make_bins
from pipeline.quality.flags import Times, Values
from pipeline.quality.loads import loads, seen
from pipeline.quality.zeros import HOUR_US, ZeroCheck, bare_part, gaps_between, middle_of, zero_check
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
    bare = _bare_of(readings, flagged, counts)
    day = (start_us, start_us + DAY_US)
    checks = _checks(bare, gauge, day, round(zero_check_s * 1e6), loaded_pct)
    zero_kn = _zero_at(bins, checks, gauge.zeros)
    noise_kn = max((check.spread_kn for check in checks if check.still), default=0.0)
    level_kn = max(loaded_pct / 100 * gauge.full_kn, NOISE_TIMES * noise_kn)
    facts["checks"] = [asdict(check) for check in checks]
    unsure_kn = _unsure_kn(bins, checks, zero_kn)
    facts["loads"] = [asdict(load) for load in loads(bins, zero_kn, level_kn=level_kn, unsure_kn=unsure_kn)]
    return facts


@dataclass(frozen=True)
class Bare:
    """What zero checks look at: readings that count (n,), of them those beyond what any load can be, and those that
    repeat too long; their bins, and the stretches observed."""

    at_us: Times
    value: Values
    beyond: Bools
    flat: Bools
    bins: Bins
    seen: Sequence[Interval]


def _bare_of(readings: Readings, flagged: Flagged, counts: Bools) -> Bare:
    """`counts`, and readings beyond what any load can be: without a line they are none, but a zero that is off."""
    beyond = (flagged.checks & check_bit("gross-range")) != 0
    beyond &= ((flagged.checks & check_bit("brake-open")) == 0) & np.isfinite(readings.value)
    wanted = counts | beyond
    flat = (flagged.checks & check_bit("flat-line")) != 0
    bins = make_bins(readings.at_us, readings.value, wanted)
    return Bare(readings.at_us[wanted], readings.value[wanted], beyond[wanted], flat[wanted], bins, seen(bins))


def _checks(bare: Bare, gauge: GaugePlan, day: Interval, least_us: int, loaded_pct: float) -> list[ZeroCheck]:
    """One of each interval without a line: of its longest observed stretch that shows the gauge's own noise alone; else
    of the part of one that does, for registered times may be wrong, and a line lie there still; else of the longest."""
    assert gauge.full_kn is not None
    level_kn = loaded_pct / 100 * gauge.full_kn
    check = _checker(bare, gauge)
    found = []
    for gap in gaps_between(gauge.taken, day):
        pieces = ((max(a, gap[0]), min(b, gap[1])) for a, b in bare.seen)
        stretches = sorted((one for one in pieces if one[0] < one[1]), key=lambda one: one[0] - one[1])
        middles = [middle for one in stretches if (middle := middle_of(gap, one, least_us=least_us))]
        if not middles:
            continue
        still = (one for middle in middles if (one := check(middle, noise_only=True)) is not None and one.still)
        parts = (_bare_part(bare.bins.within(one), check, least_us, level_kn) for one in stretches)
        one = next(still, None) or next((part for part in parts if part is not None), None) or check(middles[0])
        found += [] if one is None else [one]
    return found


def _checker(bare: Bare, gauge: GaugePlan) -> Callable[..., ZeroCheck | None]:
    """The check of one stretch; `noise_only` where nothing but the gauge's own noise will do."""
    full_kn = gauge.full_kn
    assert full_kn is not None
    rigged = [bare.bins.within(interval) for interval in gauge.taken]
    ranges = np.concatenate([np.empty(0), *(part.high - part.low for part in rigged)])
    stir_kn = float(np.median(ranges)) if ranges.size >= 60 else None

    def check(middle: Interval, *, noise_only: bool = False) -> ZeroCheck | None:
        begin, end = np.searchsorted(bare.at_us, middle)
        beyond = 2 * np.count_nonzero(bare.beyond[begin:end]) > end - begin
        return zero_check(
            middle,
            bare.value[begin:end],
            bare.bins.within(middle),
            zero_kn=_in_force(gauge.zeros, middle[0]),
            full_kn=full_kn,
            rigged_stir_kn=stir_kn,
            frozen=bool(bare.flat[begin:end].any()),
            noise_only=noise_only or bool(beyond),
        )

    return check


def _bare_part(bins: Bins, check: Callable[..., ZeroCheck | None], least_us: int, level_kn: float) -> ZeroCheck | None:
    """The check of the part of some bins in which the gauge bore nothing; None unless the rest lies above it as a load
    does."""
    part = bare_part(bins, least_us=least_us, level_kn=level_kn)
    middle = None if part is None else middle_of(part, part, least_us=least_us)
    found = None if middle is None else check(middle, noise_only=True)
    if part is None or found is None or not found.still:
        return None
    rest = bins.take((bins.from_us < part[0]) | (bins.from_us >= part[1]))
    return found if float(np.median(rest.mean)) > found.reading_kn + level_kn else None


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


def _unsure_kn(bins: Bins, checks: Sequence[ZeroCheck], zero_kn: Values) -> Values:
    """How far off the zero (n,) may be: between checks a share of what it changes; beyond the first and the last as
    much as that check's own slope makes of the time since, an hour at most."""
    still = [check for check in checks if check.still]
    unsure: Values = np.full(zero_kn.size, UNSURE_SHARE * float(np.ptp(zero_kn)))
    for one, beyond in ((still[0], -1), (still[-1], 1)) if still else ():
        since_us = beyond * (bins.from_us - one.at_us)
        hours = np.clip(since_us / HOUR_US, 0.0, 1.0)
        unsure = np.maximum(unsure, np.abs(one.slope_kn_per_h) * hours)
    return unsure


def _in_force(zeros: Sequence[tuple[int, float]], at_us: int) -> float:
    """The register's zero at an instant: that of the latest calibration, 0 before the first."""
    return next((zero_kn for from_us, zero_kn in reversed(zeros) if from_us <= at_us), 0.0)


def channel_day(row: Mapping[str, Any]) -> ChannelDay:
    """A row for the manifest as the ledger gives it back."""
    return ChannelDay(row["channel"], row["place"], row["day"], row["facts"])
