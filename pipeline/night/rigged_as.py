"""Findings about the rigging register: two channels exchanged, and times that loads contradict."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from pipeline.events.calls import Call, calls
from pipeline.ledger.rows import ChannelDay
from pipeline.night.clock_day import CallClocks, loggers_of
from pipeline.night.finding import GAUGES, Finding
from pipeline.quality.loads import JOIN_US, Load, joined
from pipeline.quality.rigging_times import (
    Contradiction,
    Recorded,
    Rigged,
    clocks_ahead,
    contradictions,
    swaps,
)
from pipeline.quality.zeros import HOUR_US, merged
from pipeline.site import Site
from schemas.registers import Rigging
from schemas.times import us_to_rfc3339

ChannelDays = Mapping[tuple[str, date], ChannelDay]


def recorded_of(site: Site, days: ChannelDays) -> dict[str, Recorded]:
    """Loads and stretches observed of each channel, over all days."""
    loads: dict[str, list[Load]] = {}
    seen: dict[str, list[tuple[int, int]]] = {}
    for (channel, _), day in sorted(days.items()):
        if channel in site.channels:
            loads.setdefault(channel, []).extend(Load(**facts) for facts in day.facts["loads"])
            seen.setdefault(channel, []).extend((first, last) for first, last in day.facts["seen"])
    return {
        channel: Recorded(tuple(joined(loads[channel])), tuple(merged(spans, gap_us=JOIN_US)))
        for channel, spans in seen.items()
    }


def _ship_of(site: Site) -> dict[str, str]:
    return {name: line.ship for name, line in site.lines.items()}


def calls_of(site: Site) -> list[tuple[Call, list[Rigging]]]:
    """Calls, each with the riggings of its main lines."""
    ship_of = _ship_of(site)
    mains = [row for row in site.riggings if site.lines[row.line].part == "main"]
    return [
        (
            call,
            [
                row
                for row in mains
                if ship_of[row.line] == call.ship
                and row.from_us >= call.from_us
                and (call.to_us is None or row.from_us <= call.to_us)
            ],
        )
        for call in calls(mains, ship_of)
    ]


ONE_CLOCK = "\0"
"""Stands for all loggers of which motion tells how far apart they are; no logger is called so."""


def on_one_clock(
    recorded: Mapping[str, Recorded], clock_of: Mapping[str, str], ahead_s: Mapping[str, float]
) -> tuple[dict[str, Recorded], dict[str, str]]:
    """What channels showed, and the clock of each, with clocks of a known offset (`ahead_s`, by logger) as one."""
    out = dict(recorded)
    clocks = {channel: ONE_CLOCK if logger in ahead_s else logger for channel, logger in clock_of.items()}
    for channel, shown in recorded.items():
        off_us = round(1e6 * ahead_s.get(clock_of.get(channel, ""), 0.0))
        if off_us:
            loads = (replace(load, from_us=load.from_us - off_us, to_us=load.to_us - off_us) for load in shown.loads)
            out[channel] = Recorded(tuple(loads), tuple((first - off_us, last - off_us) for first, last in shown.seen))
    return out, clocks


def _clocks_in(call: Call, clocks: CallClocks) -> Mapping[str, float]:
    """What is known of the clocks of a call, which its tails may have begun up to an hour before its main lines."""
    begun = [us for ship, us in clocks if ship == call.ship and 0 <= call.from_us - us <= HOUR_US]
    return clocks[call.ship, max(begun)] if begun else {}


def exchanged_channels(
    site: Site, recorded: Mapping[str, Recorded], clocks: CallClocks
) -> tuple[set[tuple[str, int]], list[Finding]]:
    """Riggings, by channel and `from`, that are exchanged with another; and that as findings."""
    clock_of = loggers_of(site)
    names: set[tuple[str, int]] = set()
    found = []
    for call, rows in calls_of(site):
        often = {row.channel: sum(1 for other in rows if other.channel == row.channel) for row in rows}
        alone = [Rigged(r.line, r.channel, r.from_us, r.to_us) for r in rows if often[r.channel] == 1]
        for swap in swaps(alone, *on_one_clock(recorded, clock_of, _clocks_in(call, clocks))):
            first, second = sorted((swap.first, swap.second), key=lambda one: one.channel)
            names |= {(first.channel, first.from_us), (second.channel, second.from_us)}
            text = (
                f"{first.line} and {second.line} seem exchanged in rigging.csv, in the call of {call.ship} from "
                f"{us_to_rfc3339(call.from_us)}: {first.channel} bears load when {second.line} is registered as fast, "
                f"and {second.channel} when {first.line} is. Loads come and go {swap.registered_s:.0f} s off the usual "
                f"delay as registered, {swap.exchanged_s:.0f} s exchanged (medians). Each line is counted as registered"
            )
            evidence = {
                "channels": [first.channel, second.channel],
                "lines": [first.line, second.line],
                "gain": swap.gain,
                **{one.channel: _times_of(one, recorded[one.channel]) for one in (first, second)},
            }
            subject = f"{first.channel} and {second.channel}"
            found.append(Finding("swapped", subject, "warning", text, scope=GAUGES, evidence=evidence))
    return names, found


def _times_of(row: Rigged, recorded: Recorded) -> dict[str, Any]:
    near = [load for load in recorded.loads if row.to_us is None or load.from_us < row.to_us + 3_600_000_000]
    near = [load for load in near if load.to_us > row.from_us - 3_600_000_000]
    return {
        "line": row.line,
        "from": us_to_rfc3339(row.from_us),
        "to": None if row.to_us is None else us_to_rfc3339(row.to_us),
        "load_from": us_to_rfc3339(near[0].from_us) if near else None,
        "load_to": us_to_rfc3339(near[-1].to_us) if near else None,
    }


def wrong_times(
    site: Site, recorded: Mapping[str, Recorded], exchanged: set[tuple[str, int]], misread: Collection[str]
) -> list[Finding]:
    """Registered times that the loads contradict, but for those of exchanged channels, and of channels `misread` in
    another unit or scale, whose loads are not what they seem."""
    tolerance_us = round(site.policy.rigging_time_s * 1e6)
    taken: dict[str, list[tuple[int, int]]] = {}
    forever_us = 2**62
    clock_of = loggers_of(site)
    for row in site.riggings:
        taken.setdefault(row.channel, []).append((row.from_us, forever_us if row.to_us is None else row.to_us))
    spans = {channel: merged(some, gap_us=60_000_000) for channel, some in taken.items()}
    found = []
    for _, rows in calls_of(site):
        some = [Rigged(row.line, row.channel, row.from_us, row.to_us) for row in rows]
        ahead_us = clocks_ahead(some, recorded, clock_of)
        for channel in dict.fromkeys(row.channel for row in rows if row.channel in recorded):
            own = [row for row in rows if row.channel == channel]
            if channel in misread:
                continue
            if any((channel, row.from_us) in exchanged for row in own):
                continue
            begun_us = min(row.from_us for row in own)
            at = next(n for n, span in enumerate(spans[channel]) if span[0] <= begun_us < span[1])
            span = spans[channel][at]
            beside = [row for row in rows if row.channel != channel]
            others = [(row.from_us, row.to_us) for row in beside if row.to_us is not None]
            for told in contradictions(
                span,
                recorded[channel],
                free=(
                    spans[channel][at - 1][1] if at > 0 else -forever_us,
                    spans[channel][at + 1][0] if at + 1 < len(spans[channel]) else forever_us,
                ),
                others=others,
                tolerance_us=tolerance_us,
                open_end=span[1] == forever_us,
                all_let_go_us=_all_let_go_us(others) if len(others) == len(beside) else None,
                ahead_us=ahead_us(channel),
            ):
                found.append(_contradiction(channel, own, told))
    return found


def _all_let_go_us(others: Sequence[tuple[int, int]]) -> int | None:
    """When the other lines of a call are let go, but for the one that is registered longest: it may be misread too."""
    ends = sorted(to_us for _, to_us in others)
    return ends[-2] if len(ends) > 1 else None


WORDS = {
    "load-before-from": "bears load since {shown}; rigging.csv has {lines} fast from {registered}: {min} min late",
    "no-load-after-from": "bears load only from {shown}; rigging.csv has {lines} fast at {registered}: {min} min early",
    "load-after-to": "bears load until {shown}; rigging.csv has {lines} let go at {registered}: {min} min early",
    "no-load-before-to": "bears no load since {shown}; rigging.csv has {lines} fast to {registered}: {min} min late",
}


def _contradiction(channel: str, rows: Sequence[Rigging], told: Contradiction) -> Finding:
    lines = " and ".join(dict.fromkeys(row.line for row in rows))
    text = WORDS[told.what].format(
        shown=us_to_rfc3339(told.shown_us),
        lines=lines,
        registered=us_to_rfc3339(told.registered_us),
        min=f"{abs(told.error_s) / 60:.0f}",
    )
    evidence = {
        "what": told.what,
        "lines": [row.line for row in rows],
        "registered_at": us_to_rfc3339(told.registered_us),
        "shown_at": us_to_rfc3339(told.shown_us),
        "error_s": told.error_s,
    }
    text += ", by its load. Wear is counted as registered"
    return Finding("rigging-times", channel, "warning", text, scope=GAUGES, evidence=evidence)
