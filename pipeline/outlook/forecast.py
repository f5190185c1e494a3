"""What the coming rigged days may use, if they are like the last ones; and when a limit may be reached.

Rate and band come from the last N rigged days (policy `forecast_days`). A path of the future is drawn in two
steps: the record is drawn anew from its own blocks (`blocks`), which is the doubt about the mean; the next N days
are drawn from that, which is the play of the weather; later days repeat the drawn record.

Limits: the coming time is taken to be like the last N rigged days: a season, another ship or berth, or a storm much
dearer than those days saw is not in it. Where rare storms take most of the life, thirty days cannot tell the next
thirty: `make bench-intervals` prints how seldom the band then holds. A date is given only where the caller may
give one (calibrated basis, known opening, good coverage); otherwise a rate alone, which for a severity index is no
rate of life.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np

from pipeline.errors import Bug
from pipeline.outlook.blocks import DAY_US, Day, Record, TooFew, Values, drawn_records, record_of, stretches

PATHS: Final = 1000
INTERVAL: Final = (0.05, 0.95)
FARTHEST_DAYS: Final = 3653
"""Ten years: beyond it no date is told. House rule."""

CAUTION: Final = (
    "as if the coming days were like these: one storm dearer than they saw passes the band; no forecast is a reason "
    "to keep a line longer than its maker, the company or the calendar allows"
)


@dataclass(frozen=True)
class Reached:
    """When the limit may be reached: earliest (5 %), median and latest (95 %). None: not within ten years."""

    earliest: date | None
    median: date | None
    latest: date | None


@dataclass(frozen=True)
class Forecast:
    """Life units a rigged day: of the last `days` rigged days as they were, and 90 % band for as many to come.

    `reached` is None where no date may be given.
    """

    per_day: int
    low: int
    high: int
    days: int
    reached: Reached | None
    caution: str = CAUTION


@dataclass(frozen=True)
class Limit:
    """What is left until the limit [units], the day from which it is reckoned, and rigged time per calendar time."""

    left_units: int
    as_of: date
    rigged_share: float


def forecast(
    days: Sequence[Day], limit: Limit | None, *, seed: int, may_date: bool = False, last_days: int = 30
) -> Forecast | TooFew:
    """Forecast from the last `last_days` rigged days of one line and zone, given in day order.

    A date needs both a limit and `may_date`, which is the caller's word that the basis is calibrated, the opening
    known and the coverage good. `seed`: `blocks.seed_of`. Raises Bug for a share of rigged time not in (0, 1].
    """
    if limit is not None and not 0 < limit.rigged_share <= 1:
        raise Bug(f"rigged time cannot be {limit.rigged_share} of calendar time", expected="a share in (0, 1]")
    rigged = [day for day in days if day.rigged_us > 0][-last_days:]
    record = record_of(rigged)
    if isinstance(record, TooFew):
        return record
    rng = np.random.Generator(np.random.PCG64(seed))
    mean, path = _paths(record, rng)
    path_us = record.block_us * path.shape[1]
    low, high = np.quantile(path.sum(axis=1) * (DAY_US / path_us), INTERVAL).tolist()
    reached = None
    if limit is not None and may_date:
        passed = [
            _days_until(limit.left_units, first, later, record.block_us / DAY_US)
            for first, later in zip(path.tolist(), mean.tolist(), strict=True)
        ]
        reached = _dates(passed, limit)
    per_day = round(record.life_until[-1] * (DAY_US / record.total_us))
    return Forecast(per_day, round(low), round(high), len(rigged), reached)


def _paths(record: Record, rng: np.random.Generator) -> tuple[Values, Values]:
    """Drawn records and, from each, the next blocks: (PATHS, blocks) both, life of each block."""
    begins_us = drawn_records(record, PATHS, rng)
    blocks = begins_us.shape[1]
    drawn = stretches(record, record.block_us, begins_us.ravel(), rng, parts=False).reshape(PATHS, blocks)
    chosen = (rng.random((PATHS, blocks)) * blocks).astype(np.int64)
    return drawn, np.take_along_axis(drawn, chosen, axis=1)


def _days_until(left_units: int, first: list[float], later: list[float], block_days: float) -> float:
    """Rigged days until `left_units` are used: blocks of `first` once, then those of `later` over and over."""
    left = float(left_units)
    if left <= 0:
        return 0.0
    done_days = 0.0
    turn = math.fsum(later)
    used = math.fsum(first)
    if left > used:
        if turn <= 0:
            return math.inf
        turns = math.floor((left - used) / turn)
        done_days = block_days * (len(first) + turns * len(later))
        left -= used + turns * turn
        first = later
    for life in first:
        if left <= life:
            return done_days + block_days * (left / life if life > 0 else 0.0)
        left -= life
        done_days += block_days
    return done_days


def _dates(rigged_days: list[float], limit: Limit) -> Reached:
    ordered = sorted(rigged_days)

    def date_at(part: float) -> date | None:
        # An order statistic, not an interpolation: infinity stands among the values.
        days = ordered[min(int(part * len(ordered)), len(ordered) - 1)] / limit.rigged_share
        return limit.as_of + timedelta(days=math.floor(days)) if days <= FARTHEST_DAYS else None

    return Reached(date_at(INTERVAL[0]), date_at(0.5), date_at(INTERVAL[1]))
