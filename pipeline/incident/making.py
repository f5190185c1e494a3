"""One incident from the published snapshot and the store: what is filed, and what is verified again."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date, timedelta

from pipeline.incident.berthing import berth_of
from pipeline.incident.clock_part import METHOD, clocks_of
from pipeline.incident.doubting import doubts_of
from pipeline.incident.doubts_of_lines import Parts
from pipeline.incident.drawing import traces_of
from pipeline.incident.explaining import Facts
from pipeline.incident.explanations import NO_VERDICT, explanations_of
from pipeline.incident.gather import gather, raw_lines_of
from pipeline.incident.knobs_of_record import clock_knobs
from pipeline.incident.lines import Berthed
from pipeline.incident.lives import life_of
from pipeline.incident.loads import Ever, Peak, earlier_bin, load_of
from pipeline.incident.numbering import Context, Numbers
from pipeline.incident.ordering import orders_of
from pipeline.incident.past import Past, highest_before, past_of
from pipeline.incident.rates import TEXT, error_rates
from pipeline.incident.raw_lines import BIN_US, RawLines, Want
from pipeline.incident.record import (
    VERSION,
    Asked,
    Call,
    Evidence,
    Figure,
    Happening,
    Incident,
    PartA,
    PartB,
    RawFile,
)
from pipeline.incident.sensitivity import sensitivity_of
from pipeline.incident.sequence import sequence_of
from pipeline.incident.spending import spending_events, spent_of
from pipeline.incident.times import first_to_go, times_of
from pipeline.ledger import index
from pipeline.ledger.account import last_site
from pipeline.ledger.database import Ledger
from pipeline.ledger.words import CAUTION
from pipeline.site import Site
from schemas.registers import Rigging
from schemas.times import day_of, us_to_rfc3339

NEAR_LOSSES_US = 1_800_000_000
"""Losses within half an hour of that of the line asked for are of one incident: house rule."""


def make_incident(
    ledger: Ledger,
    *,
    line: str,
    at_us: int,
    window_min: float,
    meanwhile: Callable[[Berthed], None] | None = None,
) -> Incident:
    """The incident of a line about an instant, with `window_min` minutes to each side. `meanwhile`: begins what can be
    done beside it, once it is known what the incident is about.

    Raises RegisterError for an unknown line; DataError where the line was in no call then, is a tail, or nothing of it
    was recorded.
    """
    site = last_site(ledger)
    berthed = gather(ledger, site, line, at_us, round(window_min * 6e7))
    if meanwhile is not None:
        meanwhile(berthed)
    times = times_of(berthed.lines, line, at_us, site.policy)
    context = Context(berthed, times, Numbers())
    until_us = int(berthed.own.at_us[times.chosen.loaded]) + 1 if times.chosen is not None else at_us
    pasts = [past_of(ledger, site, name, until_us) for name in (line, *berthed.own.tails)]
    raw = raw_lines_of(ledger, berthed)
    part_a = _part_a(ledger, context, raw)
    part_b = _part_b(ledger, context, part_a, pasts, raw)
    call = berthed.call
    return Incident(
        version=VERSION,
        asked=Asked(site.info.id, line, at_us, window_min),
        site_name=site.info.name,
        call=Call(
            ship=call.ship,
            from_us=call.from_us,
            to_us=call.to_us,
            until_us=berthed.until_us,
            all_fast_us=berthed.fast.all_fast_us,
            first_let_go_us=berthed.fast.first_let_go_us,
            window_from_us=context.window[0],
            window_to_us=context.window[1],
            lines=tuple(sorted({row.line for row in berthed.spans})),
            design_mbl_kn=site.design_mbl_kn(line),
        ),
        reference_logger=times.reference,
        part_a=part_a,
        part_b=part_b,
        evidence=_evidence(ledger, site, berthed, (line, *berthed.own.tails), until_us),
    )


def _part_a(ledger: Ledger, context: Context, raw: RawLines) -> PartA:
    clocks = clocks_of(context)
    sequence = sequence_of(context)
    orders = orders_of(context, sequence)
    load = load_of(context, _ever(ledger, context, raw))
    berth = berth_of(context)
    doubts = doubts_of(context, Parts(sequence, load, berth), clocks)
    loss = _loss(context, sequence)
    first, first_text = _first(context)
    return PartA(
        loss=None if loss is None else loss.number,
        loss_text=_loss_text(context, loss),
        first_to_go=first,
        first_text=first_text,
        instant=_instant(context, loss),
        clock_method=METHOD,
        clocks=clocks,
        sequence=sequence,
        orders=orders,
        load=load,
        berth=berth,
        doubts=doubts,
        traces=traces_of(context),
        caution=CAUTION,
    )


def _ever(ledger: Ledger, context: Context, raw: RawLines) -> dict[str, Ever]:
    """Of each line the highest of all days before that of the loss, and of the call before what was read."""
    today = day_of(context.raw(context.own.logger, context.about_us))
    channels = _channels(context.berthed.site)
    wants: dict[tuple[str, str], Want] = {}
    for name, record in context.berthed.lines.items():
        before, earlier = highest_before(ledger, name, today), earlier_bin(context, record)
        if before is not None:
            kn, us = before
            wants[name, "ever"] = Want(channels(name, us), us, us + 1, "like", name, kn)
        if earlier is not None:
            kn, us = earlier
            wants[name, "earlier"] = Want(channels(name, us), us, us + BIN_US, "like", name, kn)
    found = dict(zip(wants, raw.of(list(wants.values())), strict=True))
    peaks = {key: Peak(want.kn, False, found[key]) for key, want in wants.items()}
    return {name: Ever(peaks.get((name, "ever")), peaks.get((name, "earlier"))) for name in context.berthed.lines}


def _channels(site: Site) -> Callable[[str, int], str]:
    """The channel that a line was rigged on at an instant, or last before it."""

    def channel(line: str, us: int) -> str:
        own = [row for row in site.riggings if row.line == line]
        return next((row.channel for row in reversed(own) if row.from_us <= us), own[0].channel)

    return channel


def _loss(context: Context, sequence: tuple[Happening, ...]) -> Happening | None:
    chosen = context.times.chosen
    if chosen is None:
        return None
    raw_us = int(context.own.at_us[chosen.loaded])
    own = [one for one in sequence if (one.kind, one.line, one.raw_from_us) == ("load-loss", context.own.line, raw_us)]
    return own[0] if own else None


def _loss_text(context: Context, loss: Happening | None) -> str:
    if loss is not None:
        return loss.text
    asked = us_to_rfc3339(context.berthed.at_us)
    return f"{context.own.line} lost no load at once in what was read about {asked}; figures are about that instant"


def _instant(context: Context, loss: Happening | None) -> Figure:
    """The instant once more, as the lost line's own logger stamps it: an interval without any clock in it."""
    chosen = context.times.chosen
    record = context.own
    return context.numbers.figure(
        "A-2",
        "instant",
        f"when {record.line} lost its load, on the clock of {record.logger}",
        None if chosen is None else chosen.best_us,
        "us UTC",
        "from its last loaded reading, less its logger's filter, to its first unloaded one; the figure is the middle "
        "between the last loaded reading and the next, less half the filter",
        low=None if chosen is None else chosen.low_us,
        high=None if chosen is None else chosen.high_us,
        not_known="it lost no load near the time asked for",
        refs=() if chosen is None else (record.reading.ref(chosen.loaded), record.reading.ref(chosen.unloaded)),
        of_figures=() if loss is None else (loss.number,),
    )


def _first(context: Context) -> tuple[str | None, str]:
    first, names = first_to_go(context.times, context.berthed.lines, NEAR_LOSSES_US)
    if not names:
        return None, "no line lost its load near the time asked for"
    if first is not None and len(names) == 1:
        return first, f"{first} alone lost its load within half an hour"
    among = ", ".join(names)
    if first is not None:
        return first, f"{first} lost its load before any other of {among}, by more than clocks and sampling leave open"
    return None, f"order not known: of {among} none is first by more than clocks and sampling leave open"


def _part_b(ledger: Ledger, context: Context, part_a: PartA, pasts: list[Past], raw: RawLines) -> PartB:
    lives = tuple(life_of(context, past, part_a.load.lines[0].highest) for past in pasts)
    unit = lives[0].zones[0].total.unit
    past = pasts[0]
    chosen = spending_events(context, past.line, index.events(ledger).values(), past.until_us)
    walked = list(zip(chosen, raw.of_events(chosen), strict=True))
    spent = spent_of(context, past, lives[0].days, walked, unit)
    offsets = [(clock.logger, clock.offset) for clock in part_a.clocks if not clock.is_reference]
    sensitivity = sensitivity_of(context, part_a.instant, part_a.load, lives[0], pasts[0])
    sensitivity += clock_knobs(context, offsets)
    rates = error_rates(context.numbers)
    facts = Facts(context, part_a.sequence, part_a.load, part_a.berth, part_a.doubts, lives[0])
    return PartB(
        lives=lives,
        spent=spent,
        sensitivity=sensitivity,
        error_rates=rates,
        error_rates_text=TEXT,
        explanations=explanations_of(facts),
        no_verdict=NO_VERDICT,
        caution=CAUTION,
    )


def _air(site: Site) -> set[str]:
    return {row.place for row in site.channels.values() if row.quantity in ("wind", "temperature")}


def places_of(berthed: Berthed) -> set[str]:
    """The places of the call's main lines, and those of the air."""
    return {berthed.site.channels[row.channel].place for row in berthed.spans} | _air(berthed.site)


def _evidence(ledger: Ledger, site: Site, berthed: Berthed, lines: tuple[str, ...], until_us: int) -> Evidence:
    """What must be copied: all files of the call's days and a day to each side, of the line's own history, and of the
    days on which any other line of the call was rigged before, of which the highest load is told."""
    first, last = day_of(berthed.call.from_us), day_of(max(berthed.until_us, berthed.to_us))
    called = (first - timedelta(days=1), last + timedelta(days=1))
    air = _air(site)
    places = places_of(berthed)
    own = {site.channels[row.channel].place for row in site.riggings if row.line in lines} | air
    why: dict[str, set[str]] = {}
    end = day_of(until_us) + timedelta(days=1)
    lines_of_call = {row.line for row in berthed.spans}
    earlier = [row for row in site.riggings if row.line in lines_of_call and row not in berthed.spans]
    before = _days_of(site, earlier, end)
    for part in index.parts(ledger):
        if part.place in places and called[0] <= part.day <= called[1]:
            why.setdefault(part.sha256, set()).add("call")
        if part.day <= end and (part.place in own or (part.place, part.day) in before):
            why.setdefault(part.sha256, set()).add("history")
    receipts = index.receipts(ledger)
    archive = index.head_archive(ledger)
    return Evidence(
        raw_files=tuple(
            RawFile(
                sha256=sha256,
                file=receipts[sha256].file,
                bytes=receipts[sha256].bytes,
                layout=receipts[sha256].layout,
                lines=receipts[sha256].lines,
                quarantined=receipts[sha256].quarantined,
                first_us=receipts[sha256].first_us,
                last_us=receipts[sha256].last_us,
                why=(*(("call",) if "call" in found else ()), *(("history",) if "history" in found else ())),
            )
            for sha256, found in sorted(why.items(), key=lambda item: (receipts[item[0]].file, item[0]))
        ),
        places=tuple(sorted(places)),
        first_day=_iso(called[0]),
        last_day=_iso(called[1]),
        channels=tuple(sorted(row.channel for row in site.channels.values() if row.place in places)),
        archive=tuple(sorted(archive.items())),
    )


def _days_of(site: Site, riggings: Iterable[Rigging], end: date) -> set[tuple[str, date]]:
    """Places and days of some riggings up to a day, and a day to each side."""
    found = set()
    for row in riggings:
        first = day_of(row.from_us) - timedelta(days=1)
        last = end if row.to_us is None else min(end, day_of(row.to_us) + timedelta(days=1))
        days = range(first.toordinal(), last.toordinal() + 1)
        found |= {(site.channels[row.channel].place, date.fromordinal(day)) for day in days}
    return found


def _iso(day: date) -> str:
    return day.isoformat()
