"""Section B-1: life used up to the hour, and B-7: the days that it rests on. Pure.

Figures are called what statements call them: a severity index, unless every constant they rest on is the line's own.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from pipeline.incident.left import energy_of, strength_of, used
from pipeline.incident.numbering import Context
from pipeline.incident.past import Past, ZonePast
from pipeline.incident.record import Days, Figure, Life, ZoneLife
from pipeline.ledger.account import shown
from pipeline.ledger.basis import basis_of, not_reckoned
from pipeline.ledger.words import CALIBRATED, NOT_MODELLED

LIFE, DAYS = "B-1", "B-7"


def life_of(context: Context, past: Past, highest: Figure) -> Life:
    """Sections B-1, B-2 and B-7 of one line. `highest`: figure of the highest load before the loss."""
    site, line, numbers, registered = context.berthed.site, past.line, context.numbers, context.registered
    basis, reasons = basis_of(site, line)
    unit = "of life" if basis == CALIBRATED else "severity index"
    opening = site.lines[line].opening_life
    riggings = [row for row in site.riggings if row.line == line]
    outboard = next((row.outboard_end for row in reversed(riggings) if row.from_us <= past.until_us), "a")
    days = tuple(
        Days(numbers.next(DAYS), line, "a" if zone.zone == "a" else "b", zone.felt) for zone in past.zones if zone.felt
    )
    rows = registered.riggings(line, past.until_us)
    zones = tuple(
        _zone(context, past, zone, unit, zone.zone == outboard, [one.number for one in days if one.zone == zone.zone])
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
            of_registers=registered.line(line),
        ),
        zones=zones,
        rigged=numbers.figure(
            LIFE,
            f"life.{line}.rigged",
            f"time {line} was rigged up to the loss",
            past.rigged_us / 3.6e9,
            "h",
            "rigging.csv",
            of_registers=rows,
        ),
        observed=numbers.figure(
            LIFE,
            f"life.{line}.observed",
            f"time of that in which {line} was observed",
            past.observed_us / 3.6e9,
            "h",
            "usable readings, each counting until the next, at most max_gap_s",
            of_figures=[one.number for one in days],
            of_registers=rows + registered.policy("max_gap_s"),
        ),
        strength=strength_of(context, past, zones[0], riggings, highest),
        energy=energy_of(context, past, riggings, highest),
        days=days,
    )


def _zone(context: Context, past: Past, zone: ZonePast, unit: str, outboard: bool, days: Sequence[str]) -> ZoneLife:
    """One zone; `days`: numbers of the days that it rests on. One that was never outboard rests on riggings alone."""
    site, line, registered = context.berthed.site, past.line, context.registered
    spec = site.spec_of(line)
    factor = spec.fatigue.factor
    riggings = registered.riggings(line, past.until_us)

    def told(key: str, what: str, value: Decimal | None, how: str, table: str, why: str = "") -> Figure:
        return context.numbers.figure(
            LIFE,
            f"life.{line}.{zone.zone}.{key}",
            f"{what} of {line}, zone {zone.zone}, up to the loss",
            None if value is None else float(value),
            unit,
            how,
            not_known=why or None,
            of_figures=days,
            of_registers=riggings + registered.spec(line, table),
        )

    whys = not_reckoned(site, line)
    times = "" if factor == 1.0 else f", times the spec's factor of {factor:g}"
    how = f"closed rainflow cycles (ISO 12110-2) priced by the spec's curve ({spec.fatigue.source}){times}"
    fatigue = told("fatigue", "fatigue", shown(zone.fatigue, factor), how, "fatigue")
    how = "time at level priced by the spec's [creep]"
    creep = told("creep", "creep", zone.creep, how, "creep", whys.get("creep", "not reckoned"))
    how = "friction work of sliding over the chock, by the spec's [abrasion]"
    abrasion = told("abrasion", "abrasion", zone.abrasion, how, "abrasion", whys.get("abrasion", "not reckoned"))
    how = "open turning points as half cycles, if they closed now"
    open_cycles = told("open", "open cycles", shown(zone.pending, factor), how, "fatigue")
    return ZoneLife(
        zone="a" if zone.zone == "a" else "b",
        outboard=outboard,
        fatigue=fatigue,
        creep=creep,
        abrasion=abrasion,
        open_cycles=open_cycles,
        total=context.numbers.figure(
            LIFE,
            f"life.{line}.{zone.zone}.total",
            f"the worst band's total of {line}, zone {zone.zone}, up to the loss",
            float(used(site, line, zone)),
            unit,
            "opening where it is known, fatigue with open cycles and creep put together by material; or the worst "
            "contact band, if that is more",
            of_figures=[one.number for one in (fatigue, creep, abrasion, open_cycles) if one.value is not None],
            of_registers=registered.line(line),
        ),
    )
