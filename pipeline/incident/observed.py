"""Happenings of the sequence that no event tells, from readings about the loss: peaks, take-up, bounds, hooks, gaps.

Pure. Each is a draft without a number: `sequence` sorts and numbers them.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from pipeline.incident.drafts import More, draft_of
from pipeline.incident.lines import LineRecord
from pipeline.incident.numbering import Context
from pipeline.incident.record import HappeningKind
from pipeline.incident.times import Span

TAKE_UP_S: Final = 60.0


def peaks(context: Context) -> list[dict[str, Any]]:
    """The highest reading of each line in the window, up to the loss, and after it."""
    out = []
    for name, record in context.berthed.lines.items():
        from_us, to_us = context.window
        parts = [("before the loss", from_us, context.about_us), ("after the loss", context.about_us, to_us)]
        if context.times.chosen is None:
            parts = [("in the window", from_us, to_us)]
        for words, begin, end in parts:
            raw_begin, raw_end = context.raw(record.logger, begin), context.raw(record.logger, end)
            if record is context.own and context.times.chosen is not None and words == "before the loss":
                raw_end = int(record.at_us[context.times.chosen.loaded]) + 1
            there = record.within(raw_begin, raw_end)
            if there.size == 0 or float(record.kn[there].max()) < 2 * record.floor_kn:
                continue
            top = int(there[int(np.argmax(record.kn[there]))])
            at = int(record.at_us[top])
            bound = "at least " if record.clipped[top] else ""
            text = f"{name}: highest {words}, {bound}{record.kn[top]:.0f} kN"
            kn, clipped, refs = float(record.kn[top]), bool(record.clipped[top]), (record.reading.ref(top),)
            pct, limit = 100 * kn / record.limit_kn, context.registered.limit(name)
            more = [
                More("kn", "tension", kn, "kN", clipped, refs),
                More("pct", "of ship design MBL", pct, "%", clipped, of=("kn",), registers=limit),
            ]
            span = Span(record.logger, at - round(record.filter_s * 1e6), at, record.filter_known)
            draft = draft_of(
                context,
                "peak",
                record,
                (at, at),
                text,
                span=span,
                refs=refs,
                how="largest usable reading, as stamped; a lower bound on what the line bore between readings",
                kn=float(record.kn[top]),
                more=more,
            )
            out.append(draft)
    return out


def take_ups(context: Context) -> list[dict[str, Any]]:
    """Which lines bore more in the minute after the loss than in the minute before, and by how much."""
    chosen = context.times.chosen
    if chosen is None:
        return []
    out = []
    for name, record in context.berthed.lines.items():
        if record is context.own:
            continue
        raw_us = context.raw(record.logger, context.about_us)
        before, after = (
            record.within(raw_us - TAKE_UP_S * 1e6, raw_us),
            record.within(raw_us, raw_us + TAKE_UP_S * 1e6),
        )
        if before.size < 2 or after.size < 2:
            continue
        gain_kn = float(record.kn[after].mean() - record.kn[before].mean())
        if gain_kn <= 0.02 * chosen.mean_kn:
            continue
        ends = tuple(record.reading.ref(int(k)) for k in (before[0], before[-1], after[0], after[-1]))
        what = "mean of the minute after less that before"
        more = [More("gain", what, gain_kn, "kN", refs=ends, of_lines=int(before.size + after.size))]
        out.append(
            draft_of(
                context,
                "take-up",
                record,
                (raw_us, raw_us + round(TAKE_UP_S * 1e6)),
                f"{name} bore {gain_kn:.0f} kN more on average in the minute after than in the minute before",
                span=Span(record.logger, raw_us, raw_us + round(TAKE_UP_S * 1e6), record.filter_known),
                refs=(record.reading.ref(int(before[0])), record.reading.ref(int(after[-1]))),
                how="means of usable readings of a minute to each side of the loss, brought to its logger's clock",
                kn=float(record.kn[after].mean()),
                more=more,
            )
        )
    return out


def bounds(context: Context) -> list[dict[str, Any]]:
    """When each other line was last above the peak-load level after the loss, up to the end of what was looked at."""
    policy = context.berthed.site.policy
    out = []
    for name, record in context.berthed.lines.items():
        level_kn = policy.peak_load_pct / 100.0 * record.limit_kn
        if record is context.own or context.times.chosen is None:
            continue
        there = record.within(
            context.raw(record.logger, context.about_us), context.raw(record.logger, context.window[1])
        )
        above = there[record.kn[there] > level_kn]
        if above.size == 0:
            continue
        last = int(above[-1])
        after = there[there > last]
        kind: HappeningKind = "in-bounds" if after.size else "not-in-bounds"
        at = int(record.at_us[int(after[0]) if after.size else last])
        words = "back below" if after.size else "still above"
        out.append(
            draft_of(
                context,
                kind,
                record,
                (at, at),
                f"{name} {words} {policy.peak_load_pct:g} % of ship design MBL ({level_kn:.0f} kN)",
                span=Span(record.logger, int(record.at_us[last]), at, record.filter_known),
                refs=(record.reading.ref(last),),
                how="the last usable reading above the level in the window, and the next",
                kn=float(record.kn[last]),
            )
        )
    return out


def no_renderings(context: Context) -> list[dict[str, Any]]:
    """Lines whose brake is registered and that came above its setting in the window without a rendering told."""
    out = []
    for name, record in context.berthed.lines.items():
        if record.brake_set_kn is None:
            continue
        from_us, to_us = (context.raw(record.logger, us) for us in context.window)
        rendered = [
            one
            for one in context.berthed.events
            if one.kind == "brake-render" and one.line == name and one.to_us >= from_us and one.from_us <= to_us
        ]
        there = record.within(from_us, to_us)
        over = there[record.kn[there] > record.brake_set_kn]
        if rendered or over.size == 0:
            continue
        first, last = int(over[0]), int(over[-1])
        top = int(over[int(np.argmax(record.kn[over]))])
        told = any(
            context.berthed.site.channels[channel].quantity == "payout"
            and context.berthed.site.channels[channel].place == record.place
            for channel in context.berthed.beside
        )
        text = f"{name} above its brake's setting of {record.brake_set_kn:.0f} kN without a rendering told" + (
            "; its payout was recorded" if told else "; no payout was recorded, so that one would not show"
        )
        out.append(
            draft_of(
                context,
                "no-rendering",
                record,
                (int(record.at_us[first]), int(record.at_us[last])),
                text,
                span=Span(record.logger, int(record.at_us[first]), int(record.at_us[first]), record.filter_known),
                refs=(record.reading.ref(first), record.reading.ref(top)),
                how="usable readings above the setting in winches.csv",
                kn=float(record.kn[top]),
                more=[
                    More(
                        "kn",
                        "highest",
                        float(record.kn[top]),
                        "kN",
                        bool(record.clipped[top]),
                        (record.reading.ref(top),),
                    )
                ],
            )
        )
    return out


def hooks(context: Context) -> list[dict[str, Any]]:
    """When hooks opened."""
    out = []
    places = {record.place: record for record in context.berthed.lines.values()}
    for channel, reading in sorted(context.berthed.beside.items()):
        told = context.berthed.site.channels[channel]
        if told.quantity != "hook-state" or told.place not in places or reading.at_us.size < 2:
            continue
        closed = reading.value >= 0.5
        for k in (np.flatnonzero(closed[:-1] & (reading.value[1:] < 0.5)) + 1).tolist():
            before_us, at_us = int(reading.at_us[k - 1]), int(reading.at_us[k])
            record = places[told.place]
            out.append(
                draft_of(
                    context,
                    "hook-opened",
                    None,
                    (at_us, at_us),
                    f"the hook of {record.line} told open",
                    line=record.line,
                    channel=channel,
                    span=Span(context.berthed.logger_of(channel), before_us, at_us),
                    refs=(reading.ref(k - 1), reading.ref(k)),
                    how="between the last state told closed and the first told open",
                )
            )
    return out


def gaps(context: Context) -> list[dict[str, Any]]:
    """Gaps of tension in what was looked at."""
    policy = context.berthed.site.policy
    out = []
    for name, record in context.berthed.lines.items():
        for before, after in gaps_of(record, policy.max_gap_s):
            first_us, last_us = int(record.at_us[before]), int(record.at_us[after])
            out.append(
                draft_of(
                    context,
                    "gap",
                    record,
                    (first_us, last_us),
                    f"nothing usable recorded of {name} for {(last_us - first_us) / 1e6:.0f} s",
                    span=Span(record.logger, first_us, first_us),
                    refs=(record.reading.ref(before), record.reading.ref(after)),
                    how="two successive usable readings further apart than max_gap_s",
                )
            )
    return out


def gaps_of(record: LineRecord, max_gap_s: float) -> list[tuple[int, int]]:
    """Indices of the usable readings before and after each gap."""
    there = np.flatnonzero(record.usable)
    wide = np.flatnonzero(np.diff(record.at_us[there]) > max_gap_s * 1e6)
    return [(int(there[k]), int(there[k + 1])) for k in wide.tolist()]
