"""Coverage, time at level, peak-load and brake-render from DESIGN.md's definitions."""

import bisect
import math
import statistics
from collections import Counter
from dataclasses import dataclass

from tests.independent.reference_store import Felt, Rigging, Samples, Site

SECOND_US = 1_000_000
BIN_US = 600 * SECOND_US
CLASS_KN = 5.0


def time_at_level(one: Felt, max_gap_us: int) -> Counter[tuple[int, float]]:
    """Microseconds stood in each (10-minute bin, lower edge of 5 kN class)."""
    stood: Counter[tuple[int, float]] = Counter()
    for (at_us, kn), next_us in zip(one.tension, one.next_us, strict=True):
        if next_us is None:
            continue
        bin_no = at_us // BIN_US
        until = min(next_us, at_us + max_gap_us, (bin_no + 1) * BIN_US)
        if one.rigging.to_us is not None:
            until = min(until, one.rigging.to_us)
        stood[bin_no, math.floor(kn / CLASS_KN) * CLASS_KN] += until - at_us
    return stood


@dataclass(frozen=True)
class PeakLoad:
    """Excursions of a main line above its level, joined when close; `peak_pct` of ship design MBL."""

    line: str
    channel: str
    from_us: int
    to_us: int
    peak_kn: float
    peak_us: int
    peak_pct: float


def limit_base_kn(site: Site, line: str) -> float:
    """What limits are percent of: ship design MBL; the line's break force only where that is unknown."""
    row = site.lines[line]
    mbl = site.ships[row["ship"]]["design_mbl_kn"]
    return float(mbl) if mbl else break_force_kn(site, line)


def break_force_kn(site: Site, line: str) -> float:
    """The line's own certified break force, else its spec's."""
    row = site.lines[line]
    own = row.get("break_force_kn", "")
    return float(own) if own else float(site.specs[row["spec"]]["break_force_kn"])


def excursions(tension: Samples, level_kn: float, max_gap_us: int) -> list[Samples]:
    """Maximal runs strictly above a level, ended by a sample not above it or by a gap over `max_gap_us`."""
    runs: list[Samples] = []
    last_us: int | None = None
    for at_us, kn in tension:
        above = kn > level_kn
        if above and runs and last_us is not None and at_us - last_us <= max_gap_us:
            runs[-1].append((at_us, kn))
        elif above:
            runs.append([(at_us, kn)])
        last_us = at_us if above else None
    return runs


def peak_loads(site: Site, line: str, parts: list[Felt]) -> list[PeakLoad]:
    """Peak-load events of a main line, over all its riggings in time order."""
    if site.lines[line]["part"] != "main":
        return []
    base_kn = limit_base_kn(site, line)
    level_kn = site.policy("peak_load_pct", 50.0) * base_kn / 100.0
    max_gap_us = round(site.policy("max_gap_s", 10.0) * SECOND_US)
    cluster_us = round(site.policy("cluster_gap_s", 60.0) * SECOND_US)
    joined: list[tuple[str, Samples]] = []
    for part in parts:
        for run in excursions(part.tension, level_kn, max_gap_us):
            if joined and run[0][0] - joined[-1][1][-1][0] < cluster_us:
                joined[-1][1].extend(run)
            else:
                joined.append((part.rigging.channel, list(run)))
    events = []
    for channel, run in joined:
        peak_us, peak_kn = max(run, key=lambda sample: sample[1])  # max keeps the first of equals
        pct = 100.0 * peak_kn / base_kn
        events.append(PeakLoad(line, channel, run[0][0], run[-1][0], peak_kn, peak_us, pct))
    return events


@dataclass(frozen=True)
class Render:
    """One rendering of a winch brake."""

    line: str
    channel: str
    from_us: int
    to_us: int
    breakout_kn: float
    render_kn: float
    payout_m: float
    verdict: str | None


def latest_within(tension: Samples, at_us: int, window_us: int) -> float | None:
    """Tension of the latest sample at or before an instant, if no older than `window_us`."""
    index = bisect.bisect_right(tension, (at_us, math.inf)) - 1
    if index < 0 or at_us - tension[index][0] > window_us:
        return None
    return tension[index][1]


def brake_renders(site: Site, line: str, part: Felt) -> list[Render]:
    """Brake-render events of one rigging of a line."""
    payout_channel = site.at_place(part.rigging.channel, "payout")
    if payout_channel is None:
        return []
    payout = [(at, v) for at, v in site.live(payout_channel) if v is not None and part.rigging.holds(at)]
    steps = _slip_steps(site, line, part, payout)
    runs: list[list[int]] = []  # indices of the later sample of each slip step
    for index in steps:
        starts_us = payout[index - 1][0]
        if runs and starts_us - payout[runs[-1][-1]][0] < 5 * SECOND_US:
            runs[-1].append(index)
        else:
            runs.append([index])
    events = []
    for run in runs:
        first, last = run[0] - 1, run[-1]
        paid_m = payout[last][1] - payout[first][1]
        if paid_m >= 0.05:
            events.append(_render(site, line, part, payout, run, paid_m))
    return events


def _slip_steps(site: Site, line: str, part: Felt, payout: Samples) -> list[int]:
    least_kn = site.policy("render_min_pct", 15.0) * limit_base_kn(site, line) / 100.0
    steps = []
    for index in range(1, len(payout)):
        (t0, p0), (t1, p1) = payout[index - 1], payout[index]
        if (p1 - p0) / ((t1 - t0) / SECOND_US) < 0.01:
            continue
        kn = latest_within(part.tension, t1, SECOND_US)
        if kn is not None and kn >= least_kn and not site.brake_open(part.rigging.channel, t1):
            steps.append(index)
    return steps


def _render(site: Site, line: str, part: Felt, payout: Samples, run: list[int], paid_m: float) -> Render:
    from_us, first_slip_us = payout[run[0] - 1][0], payout[run[0]][0]
    window = [kn for at, kn in part.tension if from_us - 2 * SECOND_US <= at <= first_slip_us]
    loads = [latest_within(part.tension, payout[index][0], SECOND_US) for index in run]
    breakout_kn = max(window)
    return Render(
        line,
        part.rigging.channel,
        from_us,
        payout[run[-1]][0],
        breakout_kn,
        statistics.median(kn for kn in loads if kn is not None),
        paid_m,
        _verdict(site, part.rigging, breakout_kn),
    )


def _verdict(site: Site, rigging: Rigging, breakout_kn: float) -> str | None:
    set_kn = site.brake_set_kn.get(site.channels[rigging.channel]["place"])
    if set_kn is None:
        return None
    if breakout_kn < 0.9 * set_kn:
        return "early"
    return "late" if breakout_kn > 1.1 * set_kn else "as set"
