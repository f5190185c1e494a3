"""Zero checks: what a tension channel reads while no line is on it, and what a row of them shows. Pure.

Whenever a channel has no line on it, it weighs nothing, and what it reads is its zero. Nothing is corrected by it: a
zero that moved is told, with the checks, and the calibration register is the place to act on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from pipeline.quality.bins import BIN_US, Bins, Interval
from pipeline.quality.flags import Values

HOUR_US: Final = 3_600_000_000
DAY_US: Final = 24 * HOUR_US
# House rules, no source.
TRIM_SHARE: Final = 0.25
TRIM_MOST_US: Final = 600_000_000
STILL_PCT: Final = 0.5
FAR_PCT: Final = 3.0
FAR_STILL_PCT: Final = 0.1
FAR_STILL_SHARE: Final = 0.5
WHITE_SHARE: Final = 1.25
WHITE_EVERY_US: Final = 1_000_000
PIECES: Final = 60
ALIKE_TIMES: Final = 2.0
SPREAD_TIMES: Final = 8.0
ODD_BINS: Final = 3
READINGS: Final = 20_000
DRIFT_CHECKS: Final = 4
TREND_LOW: Final = 0.45
TREND_HIGH: Final = 2.0


@dataclass(frozen=True, slots=True)
class ZeroCheck:
    """One interval without a line: its middle [from_us, to_us) was looked at.

    reading_kn: median reading, no calibration applied; spread_kn: a standard deviation's worth of their quartiles
    (interquartile range by 1.349, that of a normal distribution); noise_kn: the same of what changes from reading to
    reading (root of half the mean square of successive differences, each at most five times the usual one), which no
    slow change moves and no step of resolution makes coarse; slope_kn_per_h: robust slope within the check.
    still: nothing says that a load was on it all the same.
    """

    from_us: int
    to_us: int
    samples: int
    reading_kn: float
    spread_kn: float
    noise_kn: float
    slope_kn_per_h: float
    still: bool

    @property
    def at_us(self) -> int:
        """The middle of it."""
        return (self.from_us + self.to_us) // 2


@dataclass(frozen=True, slots=True)
class Change:
    """What a row of checks shows: `drift` or `step`, by how much [kN], between which instants.

    per_day_kn: slope of a drift, with `low` and `high` its 95 % bounds where there are checks enough for them.
    """

    kind: Literal["drift", "step"]
    from_us: int
    to_us: int
    change_kn: float
    per_day_kn: float | None
    low_per_day_kn: float | None
    high_per_day_kn: float | None


def middle_of(interval: Interval, seen: Interval, *, least_us: int) -> Interval | None:
    """The middle of an interval without a line, as far as readings reach (`seen`); None where it is too short.

    A quarter is left out at both sides, at most ten minutes: registers are seldom right to the minute.
    """
    from_us, to_us = max(interval[0], seen[0]), min(interval[1], seen[1])
    if to_us - from_us < least_us:
        return None
    trim_us = min(round((to_us - from_us) * TRIM_SHARE), TRIM_MOST_US)
    return from_us + trim_us, to_us - trim_us


def bare_part(bins: Bins, *, least_us: int, level_kn: float) -> Interval | None:
    """The part of an interval in which the gauge likely bore nothing, though a line hung there for the rest of it.

    The stillest stretch of `least_us` by its ranges within ten seconds, and all beside it that is as still (up to
    twice) and reads alike: to `level_kn` [kN], or eight times the spread of its means where that is more. Of either
    side it ends where three bins in a row, half a minute, are unlike it. A stretch that does not move at all shows no
    gauge alive and is passed over. None where there is no such stretch, or where it is all of the interval.
    """
    count = max(least_us // BIN_US, 2)
    if bins.mean.size <= count:
        return None
    stir = bins.high - bins.low
    sums = np.concatenate(([0.0], np.cumsum(stir)))
    moved = sums[count:] - sums[:-count]
    whole = bins.from_us[count - 1 :] - bins.from_us[: bins.from_us.size - count + 1] <= 1.2 * least_us
    moved = np.where(whole & (moved > 1e-9), moved, np.inf)
    begin = int(np.argmin(moved))
    if not np.isfinite(moved[begin]):
        return None
    own = slice(begin, begin + count)
    level = float(np.median(bins.mean[own]))
    spread = 1.4826 * float(np.median(np.abs(bins.mean[own] - level)))
    unlike = (stir > ALIKE_TIMES * float(np.median(stir[own]))) | (
        np.abs(bins.mean - level) > max(level_kn, SPREAD_TIMES * spread)
    )
    runs = np.flatnonzero(np.convolve(unlike, np.ones(ODD_BINS), "valid") >= ODD_BINS)
    middle = begin + count // 2
    before, after = runs[runs <= middle - ODD_BINS], runs[runs >= middle]
    first = int(before[-1]) + ODD_BINS if before.size else 0
    last = int(after[0]) if after.size else bins.mean.size
    if (first, last) == (0, bins.mean.size) or last - first < count:
        return None
    return int(bins.from_us[first]), int(bins.from_us[last - 1]) + BIN_US


def zero_check(
    middle: Interval,
    value: Values,
    bins: Bins,
    *,
    zero_kn: float,
    full_kn: float,
    rigged_stir_kn: float | None,
    frozen: bool,
    noise_only: bool = False,
) -> ZeroCheck | None:
    """The check of one middle: its usable readings (n,), and its bins. None without readings.

    Of more than 20,000 readings so many are looked at, evenly spaced; noise is that of each and the next one.
    zero_kn: the register's zero; full_kn: what percentages are of. A reading that hardly moves is one
    without a load. Where it lies far from the register's zero it must hardly move at all, or less than half of what the
    same channel does with a line on it (`rigged_stir_kn`: median range within ten seconds; None: not known), or from
    reading to reading, at 1 Hz or more, as much as over all the check, as noise does and no ship in waves of five
    seconds and more; and not be `frozen`, as a gauge that stuck while loaded is. A steady slope, as of a drift, is no
    motion. noise_only: nothing but such noise will do, wherever it lies, and some of it there must be.
    """
    if value.size == 0 or bins.mean.size == 0:
        return None
    every = -(-value.size // READINGS)
    low, reading, high = np.quantile(value[::every], (0.25, 0.5, 0.75))
    spread = float(high - low) / 1.349
    noise = _noise(value, every)
    slope = _slope_within(bins)
    still = spread <= STILL_PCT / 100 * full_kn
    if noise_only:
        still = still and not frozen and noise > 0 and _is_fast_noise(middle, value, every, noise, slope)
    elif abs(reading - zero_kn) > FAR_PCT / 100 * full_kn:
        stir = float(np.median(bins.high - bins.low))
        by_motion = rigged_stir_kn is not None and stir <= FAR_STILL_SHARE * rigged_stir_kn
        by_noise = _is_fast_noise(middle, value, every, noise, slope)
        still = still and not frozen and (by_motion or by_noise or spread <= FAR_STILL_PCT / 100 * full_kn)
    return ZeroCheck(*middle, value.size, float(reading), spread, noise, slope, bool(still))


def _is_fast_noise(middle: Interval, value: Values, every: int, noise_kn: float, slope_kn_per_h: float) -> bool:
    """Whether readings, at 1 Hz or more, are spread about a steady slope, by their mean deviation (that of a normal
    distribution by 1.2533), as one from the next. Deviations of over five times the usual one are cut there, as in
    `_noise`."""
    if middle[1] - middle[0] > WHITE_EVERY_US * (value.size + 1):  # an interval may hold one reading less than seconds
        return False
    picked = value[::every]
    hours = np.linspace(0.0, (middle[1] - middle[0]) / HOUR_US, picked.size)
    level = picked - slope_kn_per_h * hours
    off = np.abs(level - np.median(level))
    spread = 1.2533 * float(np.minimum(off, 5 * max(np.median(off), off.mean())).mean())
    return spread <= WHITE_SHARE * noise_kn


def _noise(value: Values, every: int) -> float:
    if value.size < 2:
        return 0.0
    first = value[:-1:every]
    change = np.abs(value[1::every] - first)
    return float(np.sqrt(np.mean(np.minimum(change, 5 * max(np.median(change), change.mean())) ** 2) / 2))


def _slope_within(bins: Bins) -> float:
    """Median slope [kN/h] over up to 60 pieces of the check; 0 where it is too short to have one."""
    if bins.mean.size < 6:
        return 0.0
    pieces = np.array_split(np.arange(bins.mean.size), min(PIECES, bins.mean.size // 3))
    hours = np.array([bins.from_us[piece].mean() for piece in pieces]) / HOUR_US
    kn = np.array([np.median(bins.mean[piece]) for piece in pieces])
    first, second = np.triu_indices(hours.size, 1)
    return float(np.median((kn[second] - kn[first]) / (hours[second] - hours[first])))


def change_of(checks: Sequence[ZeroCheck], *, threshold_kn: float) -> Change | None:
    """What checks of one calibration, in order of time, show beyond the threshold; None: the zero stands.

    A step is a change between two successive checks above the threshold that a steady drift does not explain better.
    A drift needs a slope (Theil-Sen, with Sen's bounds: Sen 1968, as scipy reckons them) that surely has one sign, and
    amounts to more than the threshold from the first check's beginning to the last one's end; with fewer than four
    checks, slopes within the checks that foretell the change between them.
    """
    if len(checks) < 2:
        return None
    kn = np.array([check.reading_kn for check in checks])
    at_us = np.array([check.at_us for check in checks], np.int64)
    step = int(np.argmax(np.abs(np.diff(kn))))
    stepped = abs(kn[step + 1] - kn[step]) > threshold_kn
    if len(checks) < DRIFT_CHECKS:
        return _of_few(checks, step, threshold_kn)
    days = (at_us - at_us[0]) / DAY_US
    slope, intercept, low, high = theil_sen(days, kn)
    by_slope = np.abs(kn - intercept - slope * days).sum()
    by_step = sum(np.abs(part - np.median(part)).sum() for part in (kn[: step + 1], kn[step + 1 :]))
    if stepped and by_step <= by_slope:
        return _step(checks, step)
    change_kn = slope * (checks[-1].to_us - checks[0].from_us) / DAY_US
    if (low > 0 or high < 0) and abs(change_kn) > threshold_kn:
        return Change("drift", checks[0].from_us, checks[-1].to_us, change_kn, slope, low, high)
    return _step(checks, step) if stepped else None


def theil_sen(x: Values, y: Values) -> tuple[float, float, float, float]:
    """Slope, intercept, and the slope's 95 % bounds."""
    from scipy.stats import theilslopes

    found = theilslopes(y, x, 0.95)
    return float(found.slope), float(found.intercept), float(found.low_slope), float(found.high_slope)


def _of_few(checks: Sequence[ZeroCheck], step: int, threshold_kn: float) -> Change | None:
    """Two or three checks: the first and the last, and whether their own slopes foretell what lies between."""
    first, last = checks[0], checks[-1]
    between_kn = last.reading_kn - first.reading_kn
    hours = (last.at_us - first.at_us) / HOUR_US
    foretold = float(np.mean([check.slope_kn_per_h for check in checks])) * hours
    if between_kn != 0 and TREND_LOW <= foretold / between_kn <= TREND_HIGH:
        per_hour = between_kn / hours
        change_kn = per_hour * (last.to_us - first.from_us) / HOUR_US
        if abs(change_kn) > threshold_kn:
            return Change("drift", first.from_us, last.to_us, change_kn, per_hour * 24, None, None)
    change_kn = checks[step + 1].reading_kn - checks[step].reading_kn
    return _step(checks, step) if abs(change_kn) > threshold_kn else None


def _step(checks: Sequence[ZeroCheck], step: int) -> Change:
    before, after = checks[step], checks[step + 1]
    return Change("step", before.to_us, after.from_us, after.reading_kn - before.reading_kn, None, None, None)


def against_temperature(checks: Sequence[ZeroCheck], air_c: Sequence[float | None]) -> dict[str, Any] | None:
    """Robust slope of the zero against the air's temperature [kN/degC]; None with fewer than four checks that have one.

    explained: the share of the checks' absolute deviations from their median that the slope takes away (0 … 1).
    """
    known = [(check.reading_kn, c) for check, c in zip(checks, air_c, strict=True) if c is not None]
    if len(known) < DRIFT_CHECKS or len({c for _, c in known}) < 2:
        return None
    kn, c = (np.array(column) for column in zip(*known, strict=True))
    slope, intercept, low, high = theil_sen(c, kn)
    before = float(np.abs(kn - np.median(kn)).sum())
    left = float(np.abs(kn - intercept - slope * c).sum())
    explained = 0.0 if before == 0 else max(0.0, 1.0 - left / before)
    return {
        "kn_per_c": slope,
        "low_kn_per_c": low,
        "high_kn_per_c": high,
        "explained": explained,
        "checks": len(known),
    }


def gaps_between(taken: Sequence[Interval], within: Interval) -> list[Interval]:
    """The pieces of an interval that no other takes; `taken` in order of time, not overlapping."""
    edges = [within[0], *(us for interval in taken for us in interval), within[1]]
    return [
        (from_us, to_us)
        for from_us, to_us in zip(edges[::2], edges[1::2], strict=True)
        if max(from_us, within[0]) < min(to_us, within[1])
    ]


def merged(intervals: Sequence[Interval], *, gap_us: int = 0) -> list[Interval]:
    """Intervals that overlap, or lie at most `gap_us` apart, as one; in order of time."""
    found: list[Interval] = []
    for from_us, to_us in sorted(intervals):
        if found and from_us - found[-1][1] <= gap_us:
            found[-1] = (found[-1][0], max(found[-1][1], to_us))
        else:
            found.append((from_us, to_us))
    return found
