"""Offsets between loggers' clocks on a berth day, from the motion that their channels share; and findings of them.

Which channels one clock stamps: those of one `logger` in channels.csv; without it, those that one layout feeds, since a
layout is how one kind of logger writes. Of each logger the five channels that moved most are read, over the three hours
of the day in which lines moved most while all were fast.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np

from pipeline.crosschecks import channels_fed
from pipeline.ledger.rows import BerthDay
from pipeline.night.finding import GAUGES, Finding
from pipeline.quality.clock_pool import offsets
from pipeline.quality.clocks import Offset, Series, Wrong, apart, levelled
from pipeline.sheets.trace import BIN_US, Trace
from pipeline.site import Site
from pipeline.store.days import ReadParts
from pipeline.store.samples import Part
from schemas.times import us_to_rfc3339

KIND: Final = "clock"
# House rules, no source.
CHANNELS: Final = 5
LONGEST_BINS: Final = 3 * 360
LEAST_BINS: Final = 3 * 60


@dataclass(frozen=True)
class ClockPlan:
    """What a day's clocks are compared with: each main line's channel, its logger and place, and how far to look."""

    loggers: tuple[tuple[str, str, str], ...]
    most_s: float


def loggers_of(site: Site) -> dict[str, str]:
    """The logger of each channel that one is known of."""
    found = {name: channel.logger for name, channel in site.channels.items() if channel.logger is not None}
    for name, layout in sorted(site.layouts.items()):
        for rule in layout.value:
            for channel in channels_fed(rule.channel, site.channels):
                found.setdefault(channel.channel, name)
    return found


Read = Callable[[str, str, range], list[Series]]
"""Readings of a channel, of a place, within a window of bins: one series, or none."""


def clock_marks(plan: ClockPlan, traces: Mapping[str, Trace], fast: range, read: Read) -> list[dict[str, Any]]:
    """Offsets of the day's loggers against each other, from bins (since 1970) in `fast`. traces: by channel."""
    own = [row for row in plan.loggers if row[0] in traces]
    if len({logger for _, logger, _ in own}) < 2:
        return []
    window = _window(traces, fast)
    if window is None:
        return []
    motion = {channel: _motion(traces[channel], window) for channel, *_ in own}
    loggers: dict[str, list[Series]] = {}
    for logger in sorted({logger for _, logger, _ in own}):
        most = sorted((-motion[c], c, place) for c, found, place in own if found == logger and motion[c] > 0)[:CHANNELS]
        loggers[logger] = [series for _, c, place in most for series in read(c, place, window)]
    pairs = offsets({name: series for name, series in loggers.items() if series}, most_s=plan.most_s)
    return [{"first": one, "second": other, **asdict(told)} for (one, other), told in sorted(pairs.items())]


def _window(traces: Mapping[str, Trace], fast: range) -> range | None:
    """Up to three hours, of bins since 1970, of the time in which all lines are fast, where they moved most."""
    if len(fast) < LEAST_BINS:
        return None
    moved = np.zeros(len(fast))
    for trace in traces.values():
        inside = (trace.bins >= fast.start) & (trace.bins < fast.stop)
        moved[trace.bins[inside] - fast.start] += (trace.high_kn - trace.low_kn)[inside]
    if len(fast) <= LONGEST_BINS:
        return fast
    sums = np.concatenate(([0.0], np.cumsum(moved)))
    begin = int(np.argmax(sums[LONGEST_BINS:] - sums[:-LONGEST_BINS]))
    return range(fast.start + begin, fast.start + begin + LONGEST_BINS)


def _motion(trace: Trace, window: range) -> float:
    """How much a channel moved: median range within ten seconds; 0 where it was hardly observed."""
    inside = (trace.bins >= window.start) & (trace.bins < window.stop)
    if np.count_nonzero(inside) < 0.8 * len(window):
        return 0.0
    return float(np.median((trace.high_kn - trace.low_kn)[inside]))


def read_stored(
    read: ReadParts, parts: Mapping[str, Sequence[Part]], channel: str, place: str, window: range
) -> list[Series]:
    """As `Read`, from the day's parts by place."""
    readings = read(
        [part for part in parts.get(place, ()) if channel in part.channels],
        from_us=window.start * BIN_US,
        to_us=window.stop * BIN_US,
    ).get(channel)
    if readings is None:
        return []
    there = np.isfinite(readings.value)
    return [Series(readings.at_us[there], readings.value[there])]


Pairs = dict[tuple[str, str], list[Offset]]
CallClocks = Mapping[tuple[str, int], Mapping[str, float]]
"""Of each call, by ship and when it began: by how much its loggers' clocks are ahead of one of them [s]."""


def _by_call(days: Iterable[BerthDay]) -> dict[tuple[str, int], Pairs]:
    """Offsets of pairs of loggers on each day of each call."""
    found: dict[tuple[str, int], Pairs] = {}
    for day in days:
        for mark in day.marks.get(KIND, ()):
            pairs = found.setdefault((mark["ship"], mark["call_us"]), {})
            for pair in mark["pairs"]:
                told = Offset(pair["offset_s"], pair["uncertainty_s"], pair["shared"], pair["windows"])
                pairs.setdefault((pair["first"], pair["second"]), []).append(told)
    return found


def clocks_by_motion(days: Iterable[BerthDay]) -> CallClocks:
    """What shared motion tells of the clocks of each call; a logger of which it tells nothing is not there."""
    return {
        call: levelled({pair: _together(some) for pair, some in pairs.items()})
        for call, pairs in _by_call(days).items()
    }


def clock_findings(site: Site, days: Iterable[BerthDay]) -> list[Finding]:
    """Loggers whose clocks stand apart, by call: over its days, the offsets are put together by their uncertainties."""
    loggers = loggers_of(site)
    channels: dict[str, list[str]] = {}
    for channel, logger in sorted(loggers.items()):
        if site.channels[channel].quantity == "tension":
            channels.setdefault(logger, []).append(channel)
    weight = {logger: len(names) for logger, names in channels.items()}
    return [
        _finding(ship, call_us, wrong, pairs, channels.get(wrong.logger, []))
        for (ship, call_us), pairs in sorted(_by_call(days).items())
        for wrong in apart(
            {pair: _together(some) for pair, some in pairs.items()}, weight, least_s=site.policy.clock_offset_s
        )
    ]


def _together(found: Sequence[Offset]) -> Offset:
    """The offsets of a call's days as one: weighted by their uncertainties, and no surer than they agree."""
    weight = np.array([1 / one.uncertainty_s**2 for one in found])
    at_s = np.array([one.offset_s for one in found])
    mean = float(np.sum(weight * at_s) / weight.sum())
    apart_s = float(np.sqrt(np.sum(weight * (at_s - mean) ** 2) / weight.sum()))
    own_s = float(1 / np.sqrt(weight.sum()))
    return Offset(mean, max(own_s, apart_s), max(one.shared for one in found), sum(one.windows for one in found))


def _finding(
    ship: str,
    call_us: int,
    wrong: Wrong,
    pairs: Mapping[tuple[str, str], Sequence[Offset]],
    channels: list[str],
) -> Finding:
    way = "ahead of" if wrong.offset_s > 0 else "behind"
    against = ", ".join(wrong.against)
    text = (
        f"its clock is {abs(wrong.offset_s):.1f} s {way} that of {against} (standard uncertainty "
        f"{wrong.uncertainty_s:.2f} s), by the motion that their channels share, in the call of {ship} from "
        f"{us_to_rfc3339(call_us)}"
    )
    text += "; which of them is right cannot be told" if wrong.alone else ""
    evidence = {
        "channels": channels,
        "offset_s": wrong.offset_s,
        "uncertainty_s": wrong.uncertainty_s,
        "sign": "positive: this logger stamps the same instant later",
        "against": list(wrong.against),
        "undecided": wrong.alone,
        "pairs": [
            {"first": one, "second": other, **asdict(told)}
            for (one, other), some in sorted(pairs.items())
            for told in some
            if wrong.logger in (one, other)
        ],
    }
    return Finding("clock-offset", wrong.logger, "warning", text, scope=GAUGES, evidence=evidence)
