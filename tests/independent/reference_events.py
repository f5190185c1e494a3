"""Coverage, time at level, peak-load and brake-render from DESIGN.md's definitions."""

import bisect
import itertools
import math
import statistics
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tests.independent.reference_marks import marked_us, spikes_us
from tests.independent.reference_store import Felt, Samples, Site, brake_open

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


Tails = tuple[tuple[str, float], ...]  # tail, its part of the peak as percent of its own break force


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
    at_least: bool
    excursions: int
    tails: Tails


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


def by_channel(parts: Sequence[Felt]) -> list[list[Felt]]:
    """A line's riggings, in time order, apart by channel."""
    found: dict[str, list[Felt]] = {}
    for part in parts:
        found.setdefault(part.rigging.channel, []).append(part)
    return list(found.values())


def tails_at(site: Site, parts: Sequence[Felt], at_us: int, peak_kn: float) -> Tails:
    """Tails rigged on the channel at an instant; what each felt of the peak follows from both shares."""
    channel = parts[0].rigging.channel
    (share,) = (part.rigging.share for part in parts if part.rigging.holds(at_us))
    return tuple(
        (tail.line, 100.0 * (peak_kn / share * tail.share) / break_force_kn(site, tail.line))
        for tail in site.riggings
        if tail.channel == channel and site.lines[tail.line]["part"] == "tail" and tail.holds(at_us)
    )


def peak_loads(site: Site, line: str, parts: Sequence[Felt]) -> list[PeakLoad]:
    """Peak-load events of a main line, over all its riggings in time order."""
    if site.lines[line]["part"] != "main":
        return []
    return [event for found in by_channel(parts) for event in _peak_loads(site, line, found)]


def _peak_loads(site: Site, line: str, parts: Sequence[Felt]) -> Iterator[PeakLoad]:
    base_kn = limit_base_kn(site, line)
    level_kn = site.policy("peak_load_pct", 50.0) * base_kn / 100.0
    max_gap_us = round(site.policy("max_gap_s", 10.0) * SECOND_US)
    cluster_us = round(site.policy("cluster_gap_s", 60.0) * SECOND_US)
    joined: list[list[Samples]] = []
    for part in parts:
        for run in excursions(part.tension, level_kn, max_gap_us):
            if joined and run[0][0] - joined[-1][-1][-1][0] < cluster_us:
                joined[-1].append(run)
            else:
                joined.append([run])
    clipped_us = frozenset[int]().union(*(part.clipped_us for part in parts))
    for runs in joined:
        samples = [sample for run in runs for sample in run]
        peak_us, peak_kn = max(samples, key=lambda sample: sample[1])  # max keeps the first of equals
        yield PeakLoad(
            line=line,
            channel=parts[0].rigging.channel,
            from_us=samples[0][0],
            to_us=samples[-1][0],
            peak_kn=peak_kn,
            peak_us=peak_us,
            peak_pct=100.0 * peak_kn / base_kn,
            at_least=any(at_us in clipped_us for at_us, _ in samples),
            excursions=len(runs),
            tails=tails_at(site, parts, peak_us, peak_kn),
        )


@dataclass(frozen=True)
class Render:
    """One rendering of a winch brake."""

    line: str
    channel: str
    from_us: int
    to_us: int
    breakout_kn: float
    breakout_us: int
    peak_kn: float
    peak_us: int
    render_kn: float
    payout_m: float
    slips: int
    verdict: str | None
    tails: Tails


def latest_within(tension: Samples, at_us: int, window_us: int) -> float | None:
    """Tension of the latest sample at or before an instant, if no older than `window_us`."""
    index = bisect.bisect_right(tension, (at_us, math.inf)) - 1
    if index < 0 or at_us - tension[index][0] > window_us:
        return None
    return tension[index][1]


@dataclass(frozen=True)
class Step:
    """A slip: payout samples before and after [us, m], the latest tension at the later one, the rigging it is of."""

    from_us: int
    to_us: int
    from_m: float
    to_m: float
    kn: float
    part: Felt


def brake_renders(site: Site, line: str, parts: Sequence[Felt]) -> list[Render]:
    """Brake-render events of a main line, over all its riggings in time order."""
    if site.lines[line]["part"] != "main":
        return []
    return [event for found in by_channel(parts) for event in _brake_renders(site, line, found)]


def _brake_renders(site: Site, line: str, parts: Sequence[Felt]) -> Iterator[Render]:
    runs: list[list[Step]] = []
    for step in (step for part in parts for step in _slip_steps(site, line, part)):
        if runs and step.from_us - runs[-1][-1].to_us < 5 * SECOND_US:
            runs[-1].append(step)
        else:
            runs.append([step])
    for run in runs:
        if run[-1].to_m - run[0].from_m >= 0.05:
            yield _render(site, line, parts, run)


def _slip_steps(site: Site, line: str, part: Felt) -> Iterator[Step]:
    channel = part.rigging.channel
    payout_channel = site.at_place(channel, "payout")
    if payout_channel is None:
        return
    payout = [(at, m) for at, m in site.live(payout_channel) if m is not None and part.rigging.holds(at)]
    states = site.brake_states(channel)
    least_kn = site.policy("render_min_pct", 15.0) * limit_base_kn(site, line) / 100.0
    max_gap_us = round(site.policy("max_gap_s", 10.0) * SECOND_US)
    for (t0, p0), (t1, p1) in itertools.pairwise(payout):
        if t1 - t0 > max_gap_us or (p1 - p0) / ((t1 - t0) / SECOND_US) < 0.01:
            continue
        kn = latest_within(part.tension, t1, SECOND_US)
        if kn is not None and kn >= least_kn and not brake_open(states, t1):
            yield Step(t0, t1, p0, p1, kn, part)


def _render(site: Site, line: str, parts: Sequence[Felt], run: Sequence[Step]) -> Render:
    first, last = run[0], run[-1]
    window_us = first.from_us - 2 * SECOND_US
    before = [(at, kn) for at, kn in first.part.tension if window_us <= at <= first.to_us]
    of_its_riggings = [
        sample for part in parts if part.rigging.from_us >= first.part.rigging.from_us for sample in part.tension
    ]
    within = [(at, kn) for at, kn in of_its_riggings if window_us <= at <= last.to_us]
    breakout_us, breakout_kn = max(before, key=lambda sample: sample[1])
    peak_us, peak_kn = max(within, key=lambda sample: sample[1])
    return Render(
        line=line,
        channel=first.part.rigging.channel,
        from_us=first.from_us,
        to_us=last.to_us,
        breakout_kn=breakout_kn,
        breakout_us=breakout_us,
        peak_kn=peak_kn,
        peak_us=peak_us,
        render_kn=statistics.median(step.kn for step in run),
        payout_m=last.to_m - first.from_m,
        slips=len(run),
        verdict=None if breakout_us in _spikes_us(site, first.part) else _verdict(site, first.part, breakout_kn),
        tails=tails_at(site, parts, peak_us, peak_kn),
    )


def _spikes_us(site: Site, part: Felt) -> set[int]:
    return spikes_us(part.tension, marked_us(site, part.rigging.channel))


def _verdict(site: Site, part: Felt, breakout_kn: float) -> str | None:
    set_kn = site.brake_set_kn.get(site.channels[part.rigging.channel]["place"])
    if set_kn is None:
        return None
    if breakout_kn < 0.9 * set_kn:
        return "early"
    return "late" if breakout_kn > 1.1 * set_kn else "as set"
