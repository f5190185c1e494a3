"""How much of a rendering tension alone can show, whoever looks: `python -m ops.detect_reach`, on our simulator.

For every true rendering of a winch without payout whatever the line paid out is taken as known, bin by bin of ten
seconds, and fitted beside what its neighbours bore to what the line bore itself, from five minutes before to five
after: least squares, nothing else. Told is the share of renderings in which the metres paid out stand out of what the
fit leaves by more than so many standard errors. No detector that looks at ten-second means of tensions in this way, and
must find the metres too, sees more. In a second row the recorded payout of neighbours stands beside their tensions:
lines that render, or are tended, at the same time are what hides most. Thresholds are set by none of it.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ops.detect_table import HEAD
from sample_logs.scenarios import Scenario, Truth, make
from sample_logs.scenarios.berth import BerthLine
from sample_logs.scenarios.making import truth_of
from sample_logs.scenarios.sensors import clock_of

Floats = NDArray[np.float64]
BIN_US: Final = 10_000_000
SIDE_BINS: Final = 30
SLACK: Final = 0.015
"""Of ship design MBL: a line that hung slack in a bin shows nothing of what its neighbours would have given it."""
LOADED: Final = 0.05
ERRORS: Final = (2.0, 4.0, 8.0)
"""Standard errors by which the metres paid out stand out."""


def main() -> None:
    """Print the shares."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenarios", type=int, default=40)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--family", choices=("tune", "report"), default="tune")
    parser.add_argument("--rate", type=float, action="append", help="Hz; 10, 2 and 1 by default")
    asked = parser.parse_args()
    began = time.monotonic()
    found: dict[tuple[float, str], list[float]] = defaultdict(list)
    for seed in range(asked.first, asked.first + asked.scenarios):
        for rate_hz in asked.rate or (10.0, 2.0, 1.0):
            for name, times in _of_scenario(seed, asked.family, rate_hz).items():
                found[rate_hz, name] += times
    told = ", ".join(f"over {times:g}" for times in ERRORS)
    print(
        f"{HEAD}: {asked.scenarios} scenarios of family {asked.family}; share of renderings by standard errors ({told})"
    )
    for (rate_hz, name), times in sorted(found.items(), key=lambda one: (-one[0][0], one[0][1])):
        shares = "  ".join(f"{np.mean(np.array(times) > least):.2f}" for least in ERRORS)
        print(f"  {rate_hz:g} Hz, {name}: {shares}  (of {len(times)})")
    print(f"{time.monotonic() - began:.0f} s", file=sys.stderr)


def _of_scenario(seed: int, family: str, rate_hz: float) -> dict[str, list[float]]:
    """Standard errors of every true rendering of one scenario, by what is known of the neighbours."""
    scenario = make(seed, family=family, rate_hz=rate_hz)
    wanted = [
        one
        for one in scenario.truth
        if one.kind == "brake-render" and one.detail["class"] == "no payout" and not one.borderline
    ]
    out: dict[str, list[float]] = {"neighbours' tension": [], "and their payout": []}
    if not wanted:
        return out
    lines = list(scenario.berth.lines)
    first, last = (us // BIN_US for us in scenario.phase_us)
    size = last - first
    binned = [_binned(scenario, line, first, size) for line in lines]
    paid = _paid_out(seed, family, first, size)
    for truth in wanted:
        own = next(row for row, line in enumerate(lines) if line.line == truth.line)
        span = _span(truth, first, size)
        for name, told in (("neighbours' tension", False), ("and their payout", True)):
            out[name].append(_times(own, lines, binned, paid, span, told=told))
    return out


def _span(truth: Truth, first: int, size: int) -> NDArray[np.int64]:
    """The bins of a rendering and those beside it."""
    low, high = truth.from_us // BIN_US - first - SIDE_BINS, truth.to_us // BIN_US - first + SIDE_BINS + 1
    return np.arange(max(low, 0), min(high, size))


def _binned(scenario: Scenario, line: BerthLine, first: int, size: int) -> Floats:
    """Mean and lowest tension (2, size) of a line by bin, in parts of ship design MBL; NaN where there is none."""
    recorded = scenario.recorded[line.channel]
    part = (recorded.values - line.zero_kn) * line.gain * line.share / scenario.berth.ship_design_mbl_kn
    bins = recorded.at_us // BIN_US - first
    inside = (bins >= 0) & (bins < size)
    bins, part = bins[inside], part[inside]
    out = np.full((2, size), np.nan)
    begins = np.flatnonzero(np.diff(bins, prepend=-1))
    if begins.size:
        counts = np.diff(np.append(begins, bins.size))
        out[0, bins[begins]] = np.add.reduceat(part, begins) / counts
        out[1, bins[begins]] = np.minimum.reduceat(part, begins)
    return out


def _paid_out(seed: int, family: str, first: int, size: int) -> Floats:
    """Metres outboard (lines, size) by bin of each line's own logger, of the noiseless record."""
    berth, plan, record, faults, _ = truth_of(seed, family)
    out = np.full((len(berth.lines), size), np.nan)
    for row, line in enumerate(berth.lines):
        bins = clock_of(plan, faults, line.logger).stamp(np.arange(plan.steps, dtype=np.int64)) // BIN_US - first
        inside = (bins >= 0) & (bins < size)
        counts = np.bincount(bins[inside], minlength=size)
        total = np.bincount(bins[inside], record.main_m[row][inside], minlength=size)
        out[row, counts > 0] = total[counts > 0] / counts[counts > 0]
    return out


def _times(
    own: int, lines: list[BerthLine], binned: list[Floats], paid: Floats, span: NDArray[np.int64], *, told: bool
) -> float:
    """By how many standard errors the metres paid out lower the line's tension; 0 where there is too little to tell."""
    beside: dict[str, int] = {}
    for row, line in enumerate(lines):
        means = binned[row][0, span]
        known = ~np.isnan(means)
        if line.channel != lines[own].channel and known.mean() > 0.95 and np.nanmax(means) > LOADED:
            beside.setdefault(line.channel, row)
    columns = [binned[row][0, span] for row in beside.values()]
    if told:
        columns += [paid[row, span] for row in beside.values() if "payout" in lines[row].tells]
    columns += [paid[own, span], np.ones(span.size)]
    table, y = np.stack(columns, axis=1), binned[own][0, span]
    seen = ~np.isnan(table).any(axis=1) & ~np.isnan(y) & (binned[own][1, span] > SLACK)
    table, y = table[seen], y[seen]
    if y.size < table.shape[1] + 10:
        return 0.0
    weights = np.linalg.lstsq(table, y, rcond=None)[0]
    left = y - table @ weights
    spread = np.linalg.pinv(table.T @ table) * float(left @ left) / (y.size - table.shape[1])
    return float(-weights[-2] / np.sqrt(max(float(spread[-2, -2]), 1e-30)))


if __name__ == "__main__":
    main()
