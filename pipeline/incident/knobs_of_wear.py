"""Constants of wear, changed one at a time, and the history by class priced anew. Pure."""

from __future__ import annotations

from typing import Any, Final

from pipeline.compare.history import History
from pipeline.compare.price import Lives, price
from pipeline.incident.knobs import FIFTH, HALF_TWICE, TENTH, Again, Knob
from pipeline.incident.past import Past, ZonePast
from pipeline.incident.record import Figure, Life
from pipeline.night.accounts import air_of
from pipeline.night.wearing import Wear
from pipeline.site import Site
from pipeline.wear.cells import middles_kn
from pipeline.wear.strength import strength_left_kn
from schemas.registers import Spec


def of_life(site: Site, life: Life, past: Past) -> list[Knob]:
    spec, line = site.spec_of(past.line), past.line
    zone = next(one for one in past.zones if one.zone == life.zones[0].zone)
    history = _history(zone)
    total = life.zones[0].total
    base = _priced(site, line, history, spec)
    opening = float(site.lines[line].opening_life or 0)
    knobs = []
    for table, name, unit, tried in CONSTANTS:
        held: Any = getattr(spec, table, None)
        if held is None or getattr(held, name, None) is None:
            continue
        used = float(getattr(held, name))

        def again(value: float, table: str = table, name: str = name) -> float | None:
            changed = spec.model_copy(update={table: getattr(spec, table).model_copy(update={name: value})})
            return scaled(total, opening, base, _priced(site, line, history, changed), spec)

        values = tuple(used * factor for factor in tried) if unit != "+" else tuple(used + step for step in tried)
        knobs.append(Knob(total, f"spec [{table}] {name}", "", used, held.source, values, again))
    force = site.break_force_kn(line)

    def by_force(value: float) -> float | None:
        return scaled(total, opening, base, _priced(site, line, history, spec, force_kn=value), spec)

    knobs.append(
        Knob(total, "break force", "kN", force, "lines.csv or spec", tuple(force * f for f in TENTH), by_force)
    )
    return knobs


CONSTANTS: Final = (
    ("fatigue", "a", "+", (-0.3, 0.3)),
    ("fatigue", "b", "+", (-0.5, 0.5)),
    ("fatigue", "m", "x", TENTH),
    ("fatigue", "factor", "x", HALF_TWICE),
    ("fatigue", "reference_strength", "x", TENTH),
    ("creep", "log10_tau0_s", "+", (-0.5, 0.5)),
    ("creep", "u0_kj_mol", "x", (0.98, 1.02)),
    ("creep", "gamma_kj_mol", "x", TENTH),
    ("creep", "floor", "x", TENTH),
    ("creep", "sustained_range", "x", HALF_TWICE),
    ("abrasion", "friction", "x", FIFTH),
    ("abrasion", "stiffness", "x", FIFTH),
)
"""Table, name, whether values are added or factors, and which: house rules."""


def _history(zone: ZonePast) -> History:
    return History(
        middles_kn(zone.low_class),
        middles_kn(zone.high_class),
        zone.count,
        zone.residue_kn,
        zone.level_class,
        zone.level_us,
    )


def _priced(site: Site, line: str, history: History, spec: Spec, *, force_kn: float | None = None) -> Lives:
    riggings = [row for row in site.riggings if row.line == line]
    return price(history, Wear(force_kn or site.break_force_kn(line), spec, air_of(site)), riggings)


def scaled(total: Figure, opening: float, base: Lives, changed: Lives, spec: Spec) -> float | None:
    """The total, of which all but the opening moves as much as the price by class does."""
    if not isinstance(total.value, float):
        return None
    before, after = float(base.used_at_most(spec)), float(changed.used_at_most(spec))
    return None if before <= 0.0 else opening + (total.value - opening) * after / before


def of_strength(site: Site, life: Life, past: Past) -> list[Knob]:
    spec, line = site.spec_of(past.line), past.line
    total = life.zones[0].total.value
    knobs = []
    left = spec.strength_left
    figure = next((one for one in life.strength if one.key == f"strength.{line}.left"), None)
    if left is not None and figure is not None and isinstance(total, float):
        for name, used in (("exponent", left.exponent), ("at_end", left.at_end)):

            def again(value: float, name: str = name) -> float | None:
                changed = left.model_copy(update={name: value})
                return strength_left_kn(site.break_force_kn(line), float(total), changed)

            tried = tuple(used * factor for factor in FIFTH)
            tried = tuple(min(value, 0.999) for value in tried) if name == "at_end" else tried
            knobs.append(Knob(figure, f"spec [strength_left] {name}", "", used, left.source, tried, again))
    for energy in life.energy:
        kj = energy.value
        if isinstance(kj, float) and spec.stiffness is not None:
            used = spec.stiffness.static
            tried = tuple(used * factor for factor in FIFTH)
            knobs.append(
                Knob(energy, "spec [stiffness] static", "", used, spec.stiffness.source, tried, _under(kj, used))
            )
    return knobs


def _under(value: float, used: float) -> Again:
    return lambda other: value * used / other
