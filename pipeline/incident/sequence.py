"""Section A-2: what happened, line by line. Pure.

Losses of load come from readings (`loss`); renderings, slack, snaps, peaks and the rest are the published events;
made fast and let go are the register's. The whole call is told; what touches the window (`in_window`) with all its
figures. What a line did *not* do is told where it was recorded so that it would show: a brake that did not render.
"""

from __future__ import annotations

from typing import Any, Final

from pipeline.incident import observed
from pipeline.incident.drafts import More, draft_of
from pipeline.incident.lines import LineRecord, Told
from pipeline.incident.loss import Loss
from pipeline.incident.numbering import Context
from pipeline.incident.record import Figure, Happening, HappeningKind
from pipeline.incident.times import Span, loss_span

SECTION: Final = "A-2"
MATCH_US: Final = 15_000_000
"""A published loss of load this near to one found here is the same: house rule."""


def sequence_of(context: Context) -> tuple[Happening, ...]:
    """All happenings, by corrected instant; those whose logger's clock is not known stand at their raw one."""
    drafts = [
        *_losses(context),
        *_events(context),
        *observed.peaks(context),
        *observed.take_ups(context),
        *observed.bounds(context),
        *observed.no_renderings(context),
        *observed.hooks(context),
        *observed.gaps(context),
        *_register(context),
    ]
    drafts.sort(key=lambda one: (one["sort_us"], one["line"] or "", one["kind"], one["raw_from_us"]))
    return tuple(_happening(context, draft) for draft in drafts)


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
    in_window = inside[0] <= window[1] and inside[1] >= window[0]
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
        of_registers=draft["registers"],
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
        in_window=in_window,
        kn=draft.get("kn"),
        event=draft.get("event"),
        loss_class=draft.get("loss_class"),
        figure=figure,
        figures=tuple(_more(context, draft)) if in_window else (),
    )


def _more(context: Context, draft: dict[str, Any]) -> list[Figure]:
    """The figures beside its instant; those that rest on others of them name their numbers."""
    made: dict[str, Figure] = {}
    more: tuple[More, ...] = tuple(draft.get("more", ()))
    for one in more:
        if one.value is not None:
            made[one.key] = context.numbers.figure(
                SECTION,
                f"happening.{draft['kind']}.{draft['line'] or draft['channel']}.{draft['raw_from_us']}.{one.key}",
                one.what,
                one.value,
                one.unit,
                draft["how"],
                at_least=one.at_least,
                refs=one.refs,
                of_lines=one.of_lines,
                of_figures=[made[key].number for key in one.of if key in made],
                of_registers=one.registers,
            )
    return list(made.values())


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
            out.append(
                draft_of(
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
                    more=_of_loss(context, record, loss),
                )
            )
    return out


def _of_loss(context: Context, record: LineRecord, loss: Loss) -> list[More]:
    first, last, count = loss.mean_of
    ends = (record.reading.ref(first), record.reading.ref(last))
    kn, clipped = float(record.kn[loss.loaded]), bool(record.clipped[loss.loaded])
    filter_s = record.filter_s if record.filter_known else None
    channel = context.registered.channel(record.channel)
    return [
        More("mean", "mean of the minute before", loss.mean_kn, "kN", refs=ends, of_lines=count),
        More("loaded", "last loaded reading", kn, "kN", clipped, (record.reading.ref(loss.loaded),)),
        More("filter", "length of the logger's filter", filter_s, "s", registers=channel),
    ]


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
        record = context.berthed.lines.get(one.line)
        out.append(
            draft_of(
                context,
                _kind(one.kind),
                record if record is not None and record.channel == one.channel else None,
                (one.from_us, one.to_us),
                _event_text(one),
                line=one.line,
                channel=one.channel,
                refs=one.raw.all_of,
                kn=one.peak_kn,
                event=one.event,
                loss_class=str(one.payload["class"]) if one.kind == "load-loss" else None,
                more=_of_event(context, one),
            )
        )
    return out


def _of_event(context: Context, one: Told) -> list[More]:
    told, raw = one.payload, one.raw
    at_least, limit = bool(told.get("peak_at_least")), context.registered.limit(one.line)
    of, out_least = f"of {told.get('peak_pct_of', 'ship design MBL')}", bool(told.get("breakout_at_least"))
    setting = context.registered.winch(context.berthed.site.brake_setting(one.place, one.from_us))
    pct_of_set = told.get("breakout_pct_of_set")
    return [
        More("peak", "largest tension", one.peak_kn, "kN", at_least, raw.peak),
        More("pct", of, one.peak_pct, "%", at_least, of=("peak",), registers=limit),
        More("breakout", "break-out", told.get("breakout_kn"), "kN", out_least, raw.breakout),
        More("payout", "paid out", told.get("payout_m"), "m", refs=raw.payout),
        More("pct-of-set", "break-out of the setting", pct_of_set, "%", of=("breakout",), registers=setting),
        More("rate", "rate of the blow", told.get("rate_kn_s"), "kN/s", refs=raw.all_of),
    ]


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


def _register(context: Context) -> list[dict[str, Any]]:
    """Made fast and let go, as rigging.csv has it: on no logger's clock."""
    out = []
    for row in context.berthed.spans:
        for kind, us, words in (("made-fast", row.from_us, "made fast"), ("let-go", row.to_us, "let go")):
            if us is not None and us <= context.berthed.until_us:
                text = f"{row.line} {words}, as rigging.csv has it"
                named: HappeningKind = "made-fast" if kind == "made-fast" else "let-go"
                at = context.registered.rigging(row)
                out.append(
                    draft_of(context, named, None, (us, us), text, line=row.line, how="rigging.csv", registers=at)
                )
    return out
