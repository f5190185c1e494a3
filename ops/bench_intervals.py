"""Do the intervals of unobserved time and of the forecast hold what they say? `make bench-intervals`.

Records of hourly life are simulated, a gap is hidden, its life is predicted from the rest as the program does it,
and held against what was hidden. A perfect 90 % interval covers 90 % of gaps; at least 86 % is wanted. For the
forecast, the life of the 30 days after a record of 30 days is held against its band.

Three invented kinds of weather, made before the method was and not fitted to it; life goes with the range to
the fifth: `swell` a Gaussian logarithm of range with a memory of a day and a half (standard deviation 0.4),
`storms` calm with a storm every fifteen days that lasts one to three days and up to some ten times the range,
`harbour` tide and little else; the last two with passing ships, a heavy-tailed jolt every other day.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from pipeline.outlook.blocks import DAY_US, Day, TooFew, seed_of
from pipeline.outlook.forecast import forecast
from pipeline.outlook.unobserved import unobserved_price

Floats = NDArray[np.float64]
HOUR_US = DAY_US // 24
WEATHERS = ("swell", "storms", "harbour")
GAPS_H: tuple[tuple[str, tuple[int, ...]], ...] = (
    ("3 h", (3,)),
    ("12 h", (12,)),
    ("1 day", (24,)),
    ("3 days", (72,)),
    ("6 days", (144,)),
    ("20 times 2 h", (2,) * 20),
)
WANTED = 0.86


@dataclass(frozen=True)
class Row:
    """One kind of gap: how many were hidden, and how many were covered, below and above the interval."""

    what: str
    gaps: int
    covered: int
    below: int
    above: int
    decades: float
    """Median width of the interval, in powers of ten."""

    @property
    def coverage(self) -> float:
        return self.covered / self.gaps


def hourly_life(weather: str, hours: int, rng: np.random.Generator) -> list[int]:
    """Invented life of each hour, in units of the ledger's size."""
    memory_h = 36.0 if weather == "swell" else 24.0
    keep = float(np.exp(-1 / memory_h))
    noise = rng.normal(size=hours) * np.sqrt(1 - keep * keep)
    noise[0] = rng.normal()
    slow = lfilter([1.0], [1.0, -keep], noise)
    at = np.arange(hours)
    if weather == "swell":
        log_range = 0.4 * slow
    elif weather == "storms":
        log_range = 0.2 * slow
        for begin in np.flatnonzero(rng.random(hours + 72) < 1 / (15 * 24)) - 72:
            since = np.maximum((at - begin) / rng.uniform(12, 36), 0)
            log_range = log_range + (0.3 + rng.exponential(0.5)) * since * np.exp(1 - since)
    else:
        log_range = 0.15 * slow + 0.1 * np.sin(2 * np.pi * at / 12.42)
    life = np.exp(5 * (log_range + 0.15 * rng.normal(size=hours)))
    if weather != "swell":
        life = life + (rng.random(hours) < 1 / 48) * 10 * rng.pareto(1.5, hours)
    return [int(units) for units in life * 2.0**70]


def days_of(life: Sequence[int], seen: NDArray[np.bool_]) -> list[Day]:
    """The ledger's view of hourly life of which only some hours were seen."""
    days = []
    for begin in range(0, len(life), 24):
        hours = seen[begin : begin + 24]
        used = sum(units for units, is_seen in zip(life[begin : begin + 24], hours.tolist(), strict=True) if is_seen)
        days.append(Day(used, int(hours.sum()) * HOUR_US, DAY_US))
    return days


def hidden(gaps_h: Sequence[int], hours: int, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Which hours are seen when gaps of these lengths lie at random, each in its own equal part of the record."""
    seen = np.ones(hours, np.bool_)
    part = hours // len(gaps_h)
    for nth, gap_h in enumerate(gaps_h):
        begin = nth * part + int(rng.integers(0, part - gap_h + 1))
        seen[begin : begin + gap_h] = False
    return seen


def cover_gaps(what: str, gaps_h: Sequence[int], weather: str, times: int, days: tuple[int, int]) -> Row:
    """Hide gaps in `times` records of between `days` days, and count how often their life is covered."""
    rng = np.random.default_rng(seed_of(what, weather, "bench"))
    found = []
    for nth in range(times):
        hours = 24 * int(rng.integers(days[0], days[1] + 1))
        life = hourly_life(weather, hours, rng)
        seen = hidden(gaps_h, hours, rng)
        truth = sum(units for units, is_seen in zip(life, seen.tolist(), strict=True) if not is_seen)
        price = unobserved_price(
            days_of(life, seen), [gap_h * HOUR_US for gap_h in gaps_h], seed_of(what, weather, str(nth))
        )
        if isinstance(price, TooFew):
            raise RuntimeError(price.why)
        found.append((truth, price.low, price.high))
    return _row(f"gap of {what}, {weather}", found)


def cover_forecasts(weather: str, times: int) -> Row:
    """How often the life per day of the next 30 days lies in the band from the last 30."""
    rng = np.random.default_rng(seed_of("forecast", weather, "bench"))
    found = []
    for nth in range(times):
        life = hourly_life(weather, 60 * 24, rng)
        past = days_of(life[: 30 * 24], np.ones(30 * 24, np.bool_))
        made = forecast(past, None, seed=seed_of("forecast", weather, str(nth)))
        if isinstance(made, TooFew):
            raise RuntimeError(made.why)
        found.append((sum(life[30 * 24 :]) // 30, made.low, made.high))
    return _row(f"next 30 days, {weather}", found)


def _row(what: str, found: list[tuple[int, int, int]]) -> Row:
    below = sum(truth < low for truth, low, _ in found)
    above = sum(truth > high for truth, _, high in found)
    widths = [np.log10(high / max(low, 1)) for _, low, high in found]
    return Row(what, len(found), len(found) - below - above, below, above, float(np.median(widths)))


def together(what: str, rows: Sequence[Row]) -> Row:
    """Several rows as one."""
    return Row(
        what,
        sum(row.gaps for row in rows),
        sum(row.covered for row in rows),
        sum(row.below for row in rows),
        sum(row.above for row in rows),
        float(np.median([row.decades for row in rows])),
    )


def measure(times: int) -> tuple[list[Row], Row, list[Row]]:
    """Rows of gaps in records of 60 to 200 days, all of them as one, and rows that are told but not judged."""
    gaps = [cover_gaps(what, gaps_h, weather, times, (60, 200)) for what, gaps_h in GAPS_H for weather in WEATHERS]
    short = [cover_gaps("1 day in 30", (24,), weather, times, (30, 30)) for weather in WEATHERS]
    return gaps, together("all gaps", gaps), short + [cover_forecasts(weather, times) for weather in WEATHERS]


def main(argv: Sequence[str] | None = None) -> None:
    """Print the table; exit 1 where all gaps together are covered less often than wanted."""
    parser = argparse.ArgumentParser(prog="ops.bench_intervals", description=__doc__)
    parser.add_argument("--times", type=int, default=100, help="gaps of each kind and weather")
    options = parser.parse_args(argv)
    gaps, all_gaps, others = measure(options.times)
    print(f"{'90 % intervals':34} {'gaps':>5} {'covered':>8} {'below':>6} {'above':>6} {'decades':>8}")
    for row in [*gaps, all_gaps, *others]:
        print(
            f"{row.what:34} {row.gaps:5d} {100 * row.coverage:6.1f} % {row.below:6d} {row.above:6d} {row.decades:8.1f}"
            + (f"   wanted at least {100 * WANTED:.0f} %" if row is all_gaps else "")
        )
    if all_gaps.coverage < WANTED:
        sys.exit(1)


if __name__ == "__main__":
    main()
