"""Section B-3: what spent a line's life: its heaviest days, storms and renderings, services and tests. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, Literal

from pipeline.incident.lines import Walked
from pipeline.incident.numbering import Context
from pipeline.incident.past import Past
from pipeline.incident.record import Days, Figure, Ref, Spent
from pipeline.incident.registered import Rows
from pipeline.ledger.account import shown
from pipeline.ledger.rows import Event
from schemas.times import DAY_US, day_start_us

SECTION: Final = "B-3"
DAYS_SHOWN: Final = 10
EVENTS_SHOWN: Final = 30
OWN_KINDS: Final = ("peak-load", "snap-load")
"""Events that rest on the line's own place alone, so that its own raw files tell them again."""
Kind = Literal["day", "peak-load", "brake-render", "brake-held", "snap-load", "load-loss", "service", "test"]


@dataclass(frozen=True)
class Draft:
    """One before it has a number. `more`: key, what, value and unit of its figures; the second rests on the first."""

    from_us: int
    to_us: int
    kind: Kind
    text: str
    life: Decimal | None = None
    more: tuple[tuple[str, str, float | None, str], ...] = ()
    refs: tuple[Ref, ...] = ()
    of_figures: tuple[str, ...] = ()
    registers: Rows = ()


def spent_of(
    context: Context, past: Past, days: Sequence[Days], events: Sequence[tuple[Event, Walked]], unit: str
) -> tuple[Spent, ...]:
    """Section B-3 of the lost line: heaviest days, storms and renderings, services and tests, by time. `days`: those of
    its life; `events`: what `spending_events` chose, with their raw lines."""
    drafts = [*_days(context, past, days), *_events(context, events), *_services(context, past)]
    ordered = sorted(drafts, key=lambda one: (one.from_us, one.kind, one.text))
    return tuple(_spent(context, past.line, unit, draft) for draft in ordered)


def _days(context: Context, past: Past, days: Sequence[Days]) -> list[Draft]:
    out = []
    spec, registered = context.berthed.site.spec_of(past.line), context.registered
    for zone in past.zones:
        told = tuple(one.number for one in days if one.zone == zone.zone)
        ranked = sorted(zone.days.items(), key=lambda item: (-item[1], item[0]))[:DAYS_SHOWN]
        for day, life in ranked:
            if life > 0:
                first = day_start_us(day)
                text = f"{day}: fatigue of zone {zone.zone}"
                priced, curve = shown(life, spec.fatigue.factor), registered.spec(past.line, "fatigue")
                out.append(Draft(first, first + DAY_US, "day", text, priced, of_figures=told, registers=curve))
    return out


def spending_events(context: Context, line: str, events: Iterable[Event], until_us: int) -> list[Event]:
    """Events that loaded the line hard: before the call those of its own place alone, in the call all."""
    own = []
    for one in events:
        if one.line != line or one.from_us >= until_us - 1:
            continue
        in_call = one.to_us >= context.berthed.call.from_us
        payout = one.kind == "brake-render" and one.payload.get("basis") == "payout"
        if one.kind in OWN_KINDS or payout or (in_call and one.kind in CALL_KINDS):
            own.append(one)
    return sorted(own, key=lambda one: (-one.peak_kn, one.from_us))[:EVENTS_SHOWN]


CALL_KINDS: Final[tuple[Kind, ...]] = ("peak-load", "brake-render", "brake-held", "snap-load", "load-loss")


def _events(context: Context, events: Sequence[tuple[Event, Walked]]) -> list[Draft]:
    kinds = {kind: kind for kind in CALL_KINDS}
    return [
        Draft(
            one.from_us,
            one.to_us,
            kinds[one.kind],  # type: ignore[index]
            f"{one.kind} of {one.peak_kn:.0f} kN",
            more=(("kn", "largest tension", one.peak_kn, "kN"), ("pct", "of the limit", one.peak_pct, "%")),
            refs=raw.peak,
            registers=context.registered.limit(one.line),
        )
        for one, raw in events
    ]


def _services(context: Context, past: Past) -> list[Draft]:
    site, out = context.berthed.site, []
    for row in site.services:
        if row.line == past.line and row.at_us <= past.until_us:
            detail = "" if row.detail is None else f": {row.detail}"
            out.append(Draft(row.at_us, row.at_us, "service", f"{row.action}{detail} (services.csv)"))
    for test in site.strength_tests:
        if test.line == past.line and test.at_us <= past.until_us:
            text = f"break test of zone {test.zone}" + (f" by {test.laboratory}" if test.laboratory else "")
            broke = (("kn", "broke at", test.break_kn, "kN"),)
            rows = context.registered.test(test)
            out.append(Draft(test.at_us, test.at_us, "test", text, more=broke, registers=rows))
    return out


def _spent(context: Context, line: str, unit: str, draft: Draft) -> Spent:
    numbers, key = context.numbers, f"spent.{line}.{draft.kind}.{draft.from_us}"
    number = numbers.next(SECTION)
    figure = None
    if draft.life is not None:
        figure = numbers.figure(
            SECTION,
            f"{key}.{draft.text}.life",
            draft.text,
            float(draft.life),
            unit,
            "closed cycles of the day, priced by the spec's curve",
            of_figures=draft.of_figures,
            of_registers=draft.registers,
        )
    made: list[Figure] = []
    for name, what, value, unit_ in draft.more:
        how, first = "published event, or register", not made
        # The first is read, or stands in a register; the second is that over what limits the line.
        made.append(
            numbers.figure(
                SECTION,
                f"{key}.{name}",
                f"{draft.text}: {what}",
                value,
                unit_,
                how,
                refs=draft.refs if first else (),
                of_figures=() if first else (made[0].number,),
                of_registers=() if first and draft.refs else draft.registers,
            )
        )
    return Spent(number, draft.kind, draft.from_us, draft.to_us, draft.text, figure, tuple(made))
