"""Sections A-2 and A-3: what happened, line by line, and which of it came first where that can be claimed. Pure.

Losses of load come from readings (`loss`); renderings, slack, snaps, peaks and the rest are the published events; made
fast and let go are the register's. The whole call is told; `in_window` marks what touches the window asked for. What a
line did *not* do is told where it was recorded so that it would show: a brake that did not render.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from pipeline.incident.lines import LineRecord, Told
from pipeline.incident.loss import Loss
from pipeline.incident.numbering import Context
from pipeline.incident.record import Figure, Happening, HappeningKind, Order, Ref
from pipeline.incident.times import Span, loss_span

SECTION: Final = "A-2"
ORDERS: Final = "A-3"
MATCH_US: Final = 15_000_000
"""A published loss of load this near to one found here is the same: house rule."""
KEY_KINDS: Final = ("load-loss", "brake-render", "snap-load", "hook-opened", "peak")
"""Happenings of which the order against losses is asked."""
ORDER_WITHIN_US: Final = 600_000_000
TAKE_UP_S: Final = 60.0
SAME_S: Final = 1e-6
FROM_EVENT: Final = "published event, by its definition in the policy of the site"


def sequence_of(context: Context) -> tuple[Happening, ...]:
    """All happenings, by corrected instant; those whose logger's clock is not known stand at their raw one."""
    drafts = [
        *_losses(context),
        *_events(context),
        *_peaks(context),
        *_take_ups(context),
        *_bounds(context),
        *_no_renderings(context),
        *_hooks(context),
        *_gaps(context),
        *_register(context),
    ]
    drafts.sort(key=lambda one: (one["sort_us"], one["line"] or "", one["kind"], one["raw_from_us"]))
    return tuple(_happening(context, draft) for draft in drafts)


def _draft(
    context: Context,
    kind: HappeningKind,
    record: LineRecord | None,
    raw: tuple[int, int],
    text: str,
    *,
    span: Span | None = None,
    line: str | None = None,
    channel: str | None = None,
    refs: tuple[Ref, ...] = (),
    how: str = FROM_EVENT,
    **more: Any,
) -> dict[str, Any]:
    """A happening before it has a number. `raw`: from and to as stamped; `span`: between what its beginning lies."""
    channel = record.channel if record is not None else channel
    logger = record.logger if record is not None else None if channel is None else context.berthed.logger_of(channel)
    by_register = logger is None
    begun = context.times.corrected(logger, raw[0]) if logger is not None else None
    return {
        "kind": kind,
        "line": record.line if record is not None else line,
        "channel": channel,
        "place": record.place if record is not None else _place(context, channel),
        "logger": logger,
        "text": text,
        "raw_from_us": raw[0],
        "raw_to_us": raw[1],
        "span": span,
        "refs": refs,
        "how": how,
        "sort_us": raw[0] if by_register or begun is None else begun,
        **more,
    }


def _place(context: Context, channel: str | None) -> str | None:
    return None if channel is None else context.berthed.site.channels[channel].place


def _happening(context: Context, draft: dict[str, Any]) -> Happening:
    times, logger = context.times, draft["logger"]
    span: Span | None = draft["span"]
    first = None if logger is None else times.corrected(logger, draft["raw_from_us"])
    last = None if logger is None else times.corrected(logger, draft["raw_to_us"])
    bounds = None if span is None else times.interval(span)
    if bounds is None and span is None and first is not None and logger is not None:
        bounds = times.interval(Span(logger, draft["raw_from_us"], draft["raw_from_us"]))
    best_us = draft.get("best_us", draft["raw_from_us"])
    corrected = None if logger is None else times.corrected(logger, best_us)
    window = context.window
    inside = draft["raw_from_us"] if first is None else first, draft["raw_to_us"] if last is None else last
    figure = context.numbers.figure(
        SECTION,
        f"happening.{draft['kind']}.{draft['line'] or draft['channel']}.{draft['raw_from_us']}",
        f"instant of: {draft['text']}",
        best_us if logger is None else corrected,
        "us UTC",
        draft["how"],
        low=None if bounds is None else bounds[0],
        high=None if bounds is None else bounds[1],
        not_known="its logger's clock is not known against the reference; the raw stamp stands",
        refs=draft["refs"],
    )
    return Happening(
        number=figure.number,
        kind=draft["kind"],
        line=draft["line"],
        channel=draft["channel"],
        place=draft["place"],
        logger=logger,
        text=draft["text"],
        raw_from_us=draft["raw_from_us"],
        raw_to_us=draft["raw_to_us"],
        from_us=first,
        to_us=last,
        low_us=None if bounds is None else bounds[0],
        high_us=None if bounds is None else bounds[1],
        is_interval=span is not None and span.high_us > span.low_us,
        in_window=inside[0] <= window[1] and inside[1] >= window[0],
        kn=draft.get("kn"),
        event=draft.get("event"),
        loss_class=draft.get("loss_class"),
        figure=figure,
        figures=tuple(_more(context, draft)),
    )


def _more(context: Context, draft: dict[str, Any]) -> list[Figure]:
    return [
        context.numbers.figure(
            SECTION,
            f"happening.{draft['kind']}.{draft['line'] or draft['channel']}.{draft['raw_from_us']}.{key}",
            what,
            value,
            unit,
            draft["how"],
            at_least=at_least,
        )
        for key, what, value, unit, at_least in draft.get("more", ())
        if value is not None
    ]


def _losses(context: Context) -> list[dict[str, Any]]:
    out = []
    for name, losses in sorted(context.times.losses.items()):
        record = context.berthed.lines[name]
        for loss in losses:
            told = _told_loss(context, record, loss)
            word = None if told is None else str(told.payload["class"])
            at = record.at_us
            text = (
                f"{name} lost its load: last loaded {record.kn[loss.loaded]:.0f} kN, first unloaded "
                f"{record.kn[loss.unloaded]:.1f} kN {(int(at[loss.unloaded]) - int(at[loss.loaded])) / 1e6:.2f} s later"
                + (", across a gap of the record" if loss.gap else "")
                + (f"; classed {word} by the evidence of its place" if word else "; no published event tells it")
            )
            more = [
                ("mean", "mean of the minute before", loss.mean_kn, "kN", False),
                (
                    "loaded",
                    "last loaded reading",
                    float(record.kn[loss.loaded]),
                    "kN",
                    bool(record.clipped[loss.loaded]),
                ),
                (
                    "filter",
                    "length of the logger's filter",
                    record.filter_s if record.filter_known else None,
                    "s",
                    False,
                ),
            ]
            out.append(
                _draft(
                    context,
                    "load-loss",
                    record,
                    (int(at[loss.loaded]), int(at[loss.unloaded])),
                    text,
                    span=loss_span(record, loss),
                    refs=(record.reading.ref(loss.loaded), record.reading.ref(loss.unloaded)),
                    how="from the last loaded reading, less the logger's filter, to the first unloaded one; widened by "
                    "the 95 % interval of its clock",
                    best_us=loss.best_us,
                    kn=float(record.kn[loss.loaded]),
                    event=None if told is None else told.event,
                    loss_class=word,
                    more=more,
                )
            )
    return out


def _told_loss(context: Context, record: LineRecord, loss: Loss) -> Told | None:
    """The published event of a loss."""
    near = [
        one
        for one in context.berthed.events
        if (one.kind, one.line) == ("load-loss", record.line)
        and abs(one.to_us - int(record.at_us[loss.unloaded])) <= MATCH_US
    ]
    return min(near, key=lambda one: abs(one.to_us - int(record.at_us[loss.unloaded])), default=None)


def _events(context: Context) -> list[dict[str, Any]]:
    """The published events of the call, but for losses that were found here."""
    found = {
        one.event
        for name, losses in context.times.losses.items()
        for loss in losses
        if (one := _told_loss(context, context.berthed.lines[name], loss)) is not None
    }
    out = []
    for one in context.berthed.events:
        if one.event in found:
            continue
        at_least = bool(one.payload.get("peak_at_least"))
        more = [
            ("peak", "largest tension", one.peak_kn, "kN", at_least),
            ("pct", f"of {one.payload.get('peak_pct_of', 'ship design MBL')}", one.peak_pct, "%", at_least),
            ("breakout", "break-out", one.payload.get("breakout_kn"), "kN", bool(one.payload.get("breakout_at_least"))),
            ("payout", "paid out", one.payload.get("payout_m"), "m", False),
            ("pct-of-set", "break-out of the setting", one.payload.get("breakout_pct_of_set"), "%", False),
            ("rate", "rate of the blow", one.payload.get("rate_kn_s"), "kN/s", False),
        ]
        record = context.berthed.lines.get(one.line)
        out.append(
            _draft(
                context,
                _kind(one.kind),
                record if record is not None and record.channel == one.channel else None,
                (one.from_us, one.to_us),
                _event_text(one),
                line=one.line,
                channel=one.channel,
                refs=() if record is None else _refs_at(record, one.from_us, one.peak_us, one.to_us),
                kn=one.peak_kn,
                event=one.event,
                loss_class=str(one.payload["class"]) if one.kind == "load-loss" else None,
                more=more,
            )
        )
    return out


def _kind(kind: str) -> HappeningKind:
    kinds: dict[str, HappeningKind] = {
        "peak-load": "peak-load",
        "brake-render": "brake-render",
        "brake-held": "brake-held",
        "slack": "slack",
        "snap-load": "snap-load",
        "sustained-load": "sustained-load",
        "pretension-loss": "pretension-loss",
        "surge": "surge",
        "load-loss": "load-loss",
    }
    return kinds[kind]


def _event_text(one: Told) -> str:
    bound = "at least " if one.payload.get("peak_at_least") else ""
    words = {
        "peak-load": f"{one.line} above the peak-load level, {bound}{one.peak_kn:.0f} kN",
        "brake-render": f"{one.line} rendered, {bound}{one.peak_kn:.0f} kN at most",
        "brake-held": f"{one.line}: its brake held above its setting, {bound}{one.peak_kn:.0f} kN",
        "slack": f"{one.line} slack",
        "snap-load": f"{one.line} snapped tight from slack, {bound}{one.peak_kn:.0f} kN",
        "sustained-load": f"{one.line} under sustained load",
        "pretension-loss": f"{one.line} below its planned pretension",
        "surge": "all lines moved together as when a ship passes",
        "load-loss": f"{one.line} lost its load ({one.payload.get('class')})",
    }
    verdict = one.payload.get("verdict")
    return words[one.kind] + (f"; against its setting: {verdict}" if verdict else "")


def _refs_at(record: LineRecord, *instants: int) -> tuple[Ref, ...]:
    found = []
    for us in dict.fromkeys(instants):
        index = int(np.searchsorted(record.at_us, us))
        if index < record.at_us.size and int(record.at_us[index]) == us:
            found.append(record.reading.ref(index))
    return tuple(found)


def _peaks(context: Context) -> list[dict[str, Any]]:
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
            more = [
                ("kn", "tension", float(record.kn[top]), "kN", bool(record.clipped[top])),
                (
                    "pct",
                    "of ship design MBL",
                    100 * float(record.kn[top]) / record.limit_kn,
                    "%",
                    bool(record.clipped[top]),
                ),
            ]
            span = Span(record.logger, at - round(record.filter_s * 1e6), at, record.filter_known)
            draft = _draft(
                context,
                "peak",
                record,
                (at, at),
                text,
                span=span,
                refs=(record.reading.ref(top),),
                how="largest usable reading, as stamped; a lower bound on what the line bore between readings",
                kn=float(record.kn[top]),
                more=more,
            )
            out.append(draft)
    return out


def _take_ups(context: Context) -> list[dict[str, Any]]:
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
        more = [("gain", "mean of the minute after less that before", gain_kn, "kN", False)]
        out.append(
            _draft(
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


def _bounds(context: Context) -> list[dict[str, Any]]:
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
            _draft(
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


def _no_renderings(context: Context) -> list[dict[str, Any]]:
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
            _draft(
                context,
                "no-rendering",
                record,
                (int(record.at_us[first]), int(record.at_us[last])),
                text,
                span=Span(record.logger, int(record.at_us[first]), int(record.at_us[first]), record.filter_known),
                refs=(record.reading.ref(first), record.reading.ref(top)),
                how="usable readings above the setting in winches.csv",
                kn=float(record.kn[top]),
                more=[("kn", "highest", float(record.kn[top]), "kN", bool(record.clipped[top]))],
            )
        )
    return out


def _hooks(context: Context) -> list[dict[str, Any]]:
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
                _draft(
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


def _gaps(context: Context) -> list[dict[str, Any]]:
    """Gaps of tension in what was looked at."""
    policy = context.berthed.site.policy
    out = []
    for name, record in context.berthed.lines.items():
        for before, after in gaps_of(record, policy.max_gap_s):
            first_us, last_us = int(record.at_us[before]), int(record.at_us[after])
            out.append(
                _draft(
                    context,
                    "gap",
                    record,
                    (first_us, last_us),
                    f"nothing recorded of {name} for {(last_us - first_us) / 1e6:.0f} s",
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


def _register(context: Context) -> list[dict[str, Any]]:
    """Made fast and let go, as rigging.csv has it: on no logger's clock."""
    out = []
    for row in context.berthed.spans:
        for kind, us, words in (("made-fast", row.from_us, "made fast"), ("let-go", row.to_us, "let go")):
            if us is not None and us <= context.berthed.until_us:
                text = f"{row.line} {words}, as rigging.csv has it"
                named: HappeningKind = "made-fast" if kind == "made-fast" else "let-go"
                out.append(_draft(context, named, None, (us, us), text, line=row.line, how="rigging.csv"))
    return out


def orders_of(context: Context, sequence: tuple[Happening, ...]) -> tuple[Order, ...]:
    """Each loss against every other key happening within ten minutes of it: which was first, where it can be claimed."""
    losses = [one for one in sequence if one.kind == "load-loss" and one.logger is not None]
    keys = [one for one in sequence if one.kind in KEY_KINDS and one.logger is not None]
    out, seen = [], set()
    for loss in losses:
        for other in keys:
            pair = frozenset((loss.number, other.number))
            if other is loss or pair in seen or abs(_at(other) - _at(loss)) > ORDER_WITHIN_US:
                continue
            seen.add(pair)
            first, second = sorted((loss, other), key=lambda one: (_at(one), one.number))
            out.append(_order(context, first, second))
    return tuple(out)


def _at(one: Happening) -> int:
    value = one.figure.value
    return int(value) if isinstance(value, int) else one.raw_from_us


def span_of(context: Context, one: Happening) -> Span:
    """Between which stamps a happening's beginning lies."""
    assert one.logger is not None
    record = context.berthed.lines.get(one.line or "")
    known = record is None or record.channel != one.channel or record.filter_known
    lag_us = 0 if record is None or record.channel != one.channel else round(record.filter_s * 1e6)
    if one.kind == "load-loss" and record is not None:
        for loss in context.times.losses.get(record.line, ()):
            if int(record.at_us[loss.loaded]) == one.raw_from_us:
                return loss_span(record, loss)
        return Span(one.logger, one.raw_from_us - lag_us, one.raw_to_us, known)
    step_us = 1_000_000 if record is None else round(record.step_s * 1e6)
    # What an event begins with lies between the reading before and its own, and a filter tells it late.
    return Span(one.logger, one.raw_from_us - step_us - lag_us, one.raw_from_us, known)


def _order(context: Context, first: Happening, second: Happening) -> Order:
    one, other = span_of(context, first), span_of(context, second)
    apart = context.times.apart_s(one, other)
    which = context.times.order(one, other)
    if which == "second":
        first, second, one, other = second, first, other, one
        apart = context.times.apart_s(one, other)
    known = which != "not known"
    named = [f"{x.kind} of {x.line}" for x in (first, second)]
    text = f"{named[0]} came before {named[1]}" if known else f"{named[0]} and {named[1]}: order not known"
    figure = context.numbers.figure(
        ORDERS,
        f"order.{first.figure.key}.{second.figure.key}",
        "how much later the second was",
        None if apart is None else apart[0],
        "s",
        "difference of corrected instants, from least to most: sampling, filters, and clocks at four standard "
        "uncertainties; an order is claimed only where the whole of it has one sign",
        low=None if apart is None else apart[1],
        high=None if apart is None else apart[2],
        not_known="the clock of one of the loggers is not known",
        of_figures=(first.number, second.number),
    )
    return Order(figure.number, first.number, second.number, known, text, figure)
