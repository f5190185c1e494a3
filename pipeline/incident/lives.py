"""Sections B-1 to B-3: life used up to the hour, strength left, stored energy, and what spent it. Pure.

Figures are called what statements call them: a severity index, unless every constant they rest on is the line's own.
Stored energy is that of line and tail under the last load, by their static stiffness; it says that energy was there,
and nothing of where it went, nor of any distance: no place near a loaded line is safe.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, Final, Literal

from pipeline.incident.lines import LineRecord
from pipeline.incident.numbering import Context
from pipeline.incident.past import Past, ZonePast
from pipeline.incident.record import Figure, Life, Spent, ZoneLife
from pipeline.ledger.account import exact_sum, shown
from pipeline.ledger.basis import basis_of, not_reckoned, reasons_of, strength_basis_of
from pipeline.ledger.rows import Event
from pipeline.ledger.strength import retirement_line
from pipeline.ledger.words import CALIBRATED, NOT_MODELLED
from pipeline.site import Site
from pipeline.wear.bending import strength_share
from pipeline.wear.strength import strength_left_kn
from pipeline.wear.together import free_length
from schemas.registers import Rigging
from schemas.times import DAY_US, day_start_us

LIFE, STRENGTH, SPENT = "B-1", "B-2", "B-3"
DAYS_SHOWN: Final = 10
EVENTS_SHOWN: Final = 30
OWN_KINDS: Final = ("peak-load", "snap-load")
"""Events that rest on the line's own place alone, so that its own raw files tell them again."""


def used(site: Site, line: str, zone: ZonePast, *, pending: bool = True) -> Decimal:
    """Life used of a zone's worse band, opening included where it is known; factor on fatigue applied."""
    spec = site.spec_of(line)
    opening = site.lines[line].opening_life or Decimal(0)
    fatigue = exact_sum((zone.fatigue, zone.pending if pending else Decimal(0)))
    free = free_length(
        spec.material, spec.fatigue.includes, shown(fatigue, spec.fatigue.factor), zone.creep or Decimal(0)
    ).life
    return exact_sum((opening, max(free, zone.contact)))


def life_of(context: Context, past: Past) -> Life:
    """Sections B-1 and B-2 of one line."""
    site, line, numbers = context.berthed.site, past.line, context.numbers
    basis, reasons = basis_of(site, line)
    unit = "of life" if basis == CALIBRATED else "severity index"
    opening = site.lines[line].opening_life
    riggings = [row for row in site.riggings if row.line == line]
    outboard = next((row.outboard_end for row in reversed(riggings) if row.from_us <= past.until_us), "a")
    zones = tuple(
        _zone(context, site, past, zone, unit, zone.zone == outboard)
        for zone in sorted(past.zones, key=lambda zone: zone.zone != outboard)
    )
    return Life(
        line=line,
        part=site.lines[line].part,
        basis="calibrated life" if basis == CALIBRATED else "severity index",
        basis_reasons=tuple(reasons),
        not_reckoned=tuple(f"{name}: {why}" for name, why in sorted(not_reckoned(site, line).items())),
        not_modelled=NOT_MODELLED,
        opening=numbers.figure(
            LIFE,
            f"life.{line}.opening",
            f"life used by {line} before its first record",
            None if opening is None else float(opening),
            unit,
            "lines.csv" if opening is None else f"lines.csv: {site.lines[line].opening_source}",
            not_known="the register does not give it; never taken as nothing",
        ),
        zones=zones,
        rigged=numbers.figure(
            LIFE,
            f"life.{line}.rigged",
            f"time {line} was rigged up to the loss",
            past.rigged_us / 3.6e9,
            "h",
            "rigging.csv",
        ),
        observed=numbers.figure(
            LIFE,
            f"life.{line}.observed",
            f"time of that in which {line} was observed",
            past.observed_us / 3.6e9,
            "h",
            "usable readings, each counting until the next, at most max_gap_s",
        ),
        strength=_strength(context, site, past, outboard, riggings),
        energy=_energy(context, site, past, riggings),
    )


def _zone(context: Context, site: Site, past: Past, zone: ZonePast, unit: str, outboard: bool) -> ZoneLife:
    spec, line = site.spec_of(past.line), past.line
    factor = spec.fatigue.factor

    def told(key: str, what: str, value: Decimal | None, how: str, why: str = "") -> Figure:
        return context.numbers.figure(
            LIFE,
            f"life.{line}.{zone.zone}.{key}",
            f"{what} of {line}, zone {zone.zone}, up to the loss",
            None if value is None else float(value),
            unit,
            how,
            not_known=why or None,
        )

    whys = not_reckoned(site, line)
    times = "" if factor == 1.0 else f", times the spec's factor of {factor:g}"
    return ZoneLife(
        zone="a" if zone.zone == "a" else "b",
        outboard=outboard,
        fatigue=told(
            "fatigue",
            "fatigue",
            shown(zone.fatigue, factor),
            f"closed rainflow cycles (ISO 12110-2) priced by the spec's curve ({spec.fatigue.source}){times}",
        ),
        creep=told(
            "creep",
            "creep",
            zone.creep,
            "time at level priced by the spec's [creep]",
            whys.get("creep", "not reckoned"),
        ),
        abrasion=told(
            "abrasion",
            "abrasion",
            zone.abrasion,
            "friction work of sliding over the chock, by the spec's [abrasion]",
            whys.get("abrasion", "not reckoned"),
        ),
        open_cycles=told(
            "open", "open cycles", shown(zone.pending, factor), "open turning points as half cycles, if they closed now"
        ),
        total=told(
            "total",
            "the worst band's total",
            used(site, line, zone),
            "opening where it is known, fatigue with open cycles and creep put together by material; or the worst "
            "contact band, if that is more",
        ),
    )


def _strength(
    context: Context, site: Site, past: Past, outboard: str, riggings: Sequence[Rigging]
) -> tuple[Figure, ...]:
    spec, line, numbers = site.spec_of(past.line), past.line, context.numbers
    retire_kn, retire_of = retirement_line(site, line)
    found = [
        numbers.figure(
            STRENGTH, f"strength.{line}.retire", f"strength at which {line} is retired", retire_kn, "kN", retire_of
        )
    ]
    zone = next(one for one in past.zones if one.zone == outboard)
    left = None
    if spec.strength_left is not None:
        left = strength_left_kn(site.break_force_kn(line), float(used(site, line, zone)), spec.strength_left)
    word = strength_basis_of(site, line)[0]
    as_new = "" if site.lines[line].opening_life is not None else "; as if new at its first record"
    found.append(
        numbers.figure(
            STRENGTH,
            f"strength.{line}.left",
            f"strength left of {line}, zone {outboard}, at the loss ({word})",
            left,
            "kN",
            f"spec [strength_left] applied to the zone's total{as_new}. A break test outranks it",
            not_known=f"spec {spec.id} has no [strength_left]",
        )
    )
    rigged = next((row for row in reversed(riggings) if row.from_us <= past.until_us), None)
    bend = None
    if rigged is not None and rigged.bend_ratio is not None:
        bend = strength_share(rigged.bend_ratio, material=spec.material, bending=spec.bending)
    found.append(
        numbers.figure(
            STRENGTH,
            f"strength.{line}.bend",
            f"strength of {line} over the bend at its chock, of that of the straight rope",
            None if bend is None else 100.0 * bend.share,
            "%",
            "no source" if bend is None else bend.source,
            not_known="rigging.csv gives no bend_ratio, or nothing says what a bend of this rope takes",
        )
    )
    kn = _last_kn(context, line)
    at_hand = None if left is None else left * (1.0 if bend is None else bend.share)
    found.append(
        numbers.figure(
            STRENGTH,
            f"strength.{line}.load-share",
            f"highest recorded on {line} before the loss, of the strength left at the weakest of these",
            None if kn is None or at_hand is None or at_hand <= 0 else 100.0 * kn / at_hand,
            "%",
            "A-4 highest over strength left, times the bend where it is known. Below 100 % proves nothing: cuts, eyes, "
            "splices and all else that is not modelled are not in it",
            at_least=True,
            not_known="strength left is not reckoned, or the load was not recorded",
        )
    )
    return tuple(found)


def _last_kn(context: Context, line: str) -> float | None:
    """The highest of the ten seconds before the loss: that of the main line for its tails too."""
    from pipeline.incident.loads import BEFORE_S, end_raw_us, highest

    record: LineRecord = context.own
    end_us = end_raw_us(context, record)
    found = highest(record, end_us - BEFORE_S * 1e6, end_us)
    return None if found is None or line not in (record.line, *record.tails) else found.kn


def _energy(context: Context, site: Site, past: Past, riggings: Sequence[Rigging]) -> tuple[Figure, ...]:
    line, spec = past.line, site.spec_of(past.line)
    rigged = next((row for row in reversed(riggings) if row.from_us <= past.until_us), None)
    kn = _last_kn(context, line)
    length_m = None if rigged is None else rigged.outboard_m
    if site.lines[line].part == "main" and rigged is not None and rigged.inboard_m is not None and length_m is not None:
        length_m += rigged.inboard_m
    stiff = None if spec.stiffness is None else spec.stiffness.static * site.break_force_kn(line)
    value = None if kn is None or length_m is None or stiff is None else kn * kn * length_m / (2.0 * stiff)
    figure = context.numbers.figure(
        STRENGTH,
        f"energy.{line}",
        f"elastic energy stored in {line} at the highest load recorded before the loss",
        value,
        "kJ",
        "load squared times length over twice EA, EA from the spec's static stiffness; length outboard and inboard "
        "from rigging.csv. A straight-line model: a soft tail stores otherwise. Nothing follows from it for any "
        "distance or place",
        at_least=True,
        not_known="rigging.csv gives no outboard_m, or the spec no [stiffness], or the load was not recorded",
    )
    return (figure,)


def spent_of(context: Context, past: Past, events: Mapping[str, Event], unit: str) -> tuple[Spent, ...]:
    """Section B-3 of the lost line: heaviest days, storms and renderings, services and tests, by time."""
    site, line = context.berthed.site, past.line
    drafts: list[tuple[int, int, Any, str, Decimal | None, list[tuple[str, str, float | None, str]]]] = []
    for zone in past.zones:
        ranked = sorted(zone.days.items(), key=lambda item: (-item[1], item[0]))[:DAYS_SHOWN]
        for day, life in ranked:
            if life > 0:
                first = day_start_us(day)
                text = f"{day}: fatigue of zone {zone.zone}"
                drafts.append((first, first + DAY_US, "day", text, shown(life, site.spec_of(line).fatigue.factor), []))
    drafts += _events_of(context, line, events, past.until_us)
    for row in site.services:
        if row.line == line and row.at_us <= past.until_us:
            detail = "" if row.detail is None else f": {row.detail}"
            drafts.append((row.at_us, row.at_us, "service", f"{row.action}{detail} (services.csv)", None, []))
    for test in site.strength_tests:
        if test.line == line and test.at_us <= past.until_us:
            text = f"break test of zone {test.zone}" + (f" by {test.laboratory}" if test.laboratory else "")
            drafts.append((test.at_us, test.at_us, "test", text, None, [("kn", "broke at", test.break_kn, "kN")]))
    return tuple(
        _spent(context, line, unit, *draft) for draft in sorted(drafts, key=lambda one: (one[0], one[2], one[3]))
    )


def _events_of(context: Context, line: str, events: Mapping[str, Event], until_us: int) -> list[Any]:
    """Events that loaded the line hard: before the call those of its own place alone, in the call all."""
    own = []
    for one in events.values():
        if one.line != line or one.from_us >= until_us - 1:
            continue
        in_call = one.to_us >= context.berthed.call.from_us
        payout = one.kind == "brake-render" and one.payload.get("basis") == "payout"
        kinds = ("peak-load", "brake-render", "brake-held", "snap-load", "load-loss")
        if one.kind in OWN_KINDS or payout or (in_call and one.kind in kinds):
            own.append(one)
    own.sort(key=lambda one: (-one.peak_kn, one.from_us))
    return [
        (
            one.from_us,
            one.to_us,
            one.kind,
            f"{one.kind} of {one.peak_kn:.0f} kN",
            None,
            [("kn", "largest tension", one.peak_kn, "kN"), ("pct", "of the limit", one.peak_pct, "%")],
        )
        for one in own[:EVENTS_SHOWN]
    ]


def _spent(
    context: Context,
    line: str,
    unit: str,
    from_us: int,
    to_us: int,
    kind: Literal["day", "peak-load", "brake-render", "brake-held", "snap-load", "load-loss", "service", "test"],
    text: str,
    life: Decimal | None,
    more: list[tuple[str, str, float | None, str]],
) -> Spent:
    numbers, key = context.numbers, f"spent.{line}.{kind}.{from_us}"
    number = numbers.next(SPENT)
    figure = None
    if life is not None:
        how = "closed cycles of the day, priced by the spec's curve"
        figure = numbers.figure(SPENT, f"{key}.{text}.life", text, float(life), unit, how)
    figures = [
        numbers.figure(SPENT, f"{key}.{name}", f"{text}: {what}", value, unit_, "published event, or register")
        for name, what, value, unit_ in more
    ]
    return Spent(number, kind, from_us, to_us, text, figure, tuple(figures))


def reasons(site: Site, line: str) -> list[str]:
    """Why constants beside the curve are no more than an index's."""
    return reasons_of(site.spec_of(line), ("strength_left", "bending", "stiffness"))
