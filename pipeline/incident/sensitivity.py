"""Section B-4: how each figure moves with every threshold and constant it rests on, one at a time. Pure.

Thresholds of the record are changed and its figures made again from the same readings. Constants of wear are changed
and the history by class of 5 kN priced anew; the figure moves by as much as that price does, since the exact history
would have to be folded again. What is not here rests on readings and registers alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from pipeline.compare.history import History
from pipeline.compare.price import Lives, price
from pipeline.incident import loads, sharing
from pipeline.incident.clocks import WINDOW_S, clocks_about
from pipeline.incident.lines import LineRecord
from pipeline.incident.loss import losses_of, nearest_to
from pipeline.incident.numbering import Context, rounded
from pipeline.incident.past import Past, ZonePast
from pipeline.incident.record import Figure, Life, Load, Sensitive
from pipeline.incident.times import series_about
from pipeline.night.accounts import air_of
from pipeline.night.wearing import Wear
from pipeline.site import Site
from pipeline.wear.cells import middles_kn
from pipeline.wear.strength import strength_left_kn
from schemas.registers import Policy, Spec

SECTION: Final = "B-4"
HALF_TWICE: Final = (0.5, 2.0)
FIFTH: Final = (0.8, 1.2)
TENTH: Final = (0.9, 1.1)
Again = Callable[[float], float | None]


@dataclass(frozen=True)
class Knob:
    """One constant of one figure: its value, those tried, and what the figure is with each."""

    figure: Figure
    constant: str
    unit: str
    used: float
    source: str
    tried: tuple[float, ...]
    again: Again


def sensitivity_of(context: Context, instant: Figure, load: Load, life: Life, past: Past) -> tuple[Sensitive, ...]:
    """The whole section: of the instant, the loads, the take-up, clocks, life, strength left and energy."""
    site = context.berthed.site
    knobs = [*_of_instant(context, instant), *_of_loads(context, load), *_of_sharing(context, load)]
    knobs += [*_of_life(site, life, past), *_of_strength(site, life, past)]
    return tuple(_told(context, knob) for knob in knobs)


def _told(context: Context, knob: Knob) -> Sensitive:
    instant = knob.figure.unit == "us UTC"
    made = [(value, knob.again(value)) for value in knob.tried]
    changed = tuple((rounded(v), found if found is None or instant else rounded(found)) for v, found in made)
    base = knob.figure.value
    found = [one for _, one in changed if one is not None]
    if len(found) < len(changed) and base is not None:
        says = "with some of these values the figure cannot be given"
    elif base is None or not isinstance(base, int | float) or not found:
        says = "the figure is not known"
    elif all(one == base for one in found):
        says = "it does not move"
    elif knob.figure.unit == "us UTC":
        says = f"it moves by up to {max(abs(one - base) for one in found) / 1e6:.3g} s"
    else:
        low, high = min(*found, base), max(*found, base)
        says = f"it lies between {low:.4g} and {high:.4g} {knob.figure.unit}"
    number = context.numbers.next(SECTION)
    return Sensitive(number, knob.figure.number, knob.constant, knob.unit, knob.used, knob.source, changed, says)


def _of_instant(context: Context, instant: Figure) -> list[Knob]:
    policy, own = context.berthed.site.policy, context.own
    if context.times.chosen is None:
        return []

    def with_policy(name: str) -> Again:
        return lambda value: _instant(context, own, policy.model_copy(update={name: value}))

    def with_floor(kn: float) -> float | None:
        return _instant(context, replace(own, floor_kn=kn), policy)

    def with_filter(seconds: float) -> float | None:
        return _instant(context, replace(own, filter_s=seconds), policy)

    units = {
        "loss_from_pct": "%",
        "loss_from_mean_pct": "%",
        "loss_mean_s": "s",
        "loss_fall_s": "s",
        "loss_stay_s": "s",
    }
    knobs = []
    for name, unit in units.items():
        used = float(getattr(policy, name))
        tried = tuple(used * factor for factor in HALF_TWICE)
        knobs.append(Knob(instant, f"policy {name}", unit, used, "house rule", tried, with_policy(name)))
    tried = tuple(own.floor_kn * factor for factor in HALF_TWICE)
    source = "policy slack_pct, or twice the calibration's uncertainty: house rule"
    knobs.append(Knob(instant, "unloaded below", "kN", own.floor_kn, source, tried, with_floor))
    source = "channels.csv" if own.filter_known else "not registered, taken as none"
    tried = (0.0, own.filter_s + 0.5, own.filter_s + 1.0)
    knobs.append(Knob(instant, "filter of its logger", "s", own.filter_s, source, tried, with_filter))
    return knobs


def _instant(context: Context, record: LineRecord, policy: Policy) -> float | None:
    found = nearest_to(losses_of(record, policy), context.berthed.at_us)
    return None if found is None else float(found.best_us)


def _of_loads(context: Context, load: Load) -> list[Knob]:
    own, site = context.own, context.berthed.site
    line = load.lines[0]
    end_us = loads.end_raw_us(context, own)
    knobs = []

    def highest(seconds: float) -> float | None:
        found = loads.highest(own, end_us - seconds * 1e6, end_us)
        return None if found is None else found.kn

    knobs.append(
        Knob(line.highest, "how long before the loss", "s", loads.BEFORE_S, "house rule", (2.0, 5.0, 60.0), highest)
    )
    base = line.highest.value
    if not isinstance(base, float):
        return knobs
    held = [c for c in site.calibrations_of(own.channel) if c.from_us <= context.berthed.at_us]
    if held and held[-1].uncertainty_pct is not None and own.capacity_kn is not None:
        off_kn = held[-1].uncertainty_pct / 100.0 * own.capacity_kn * own.rigging.share_pct / 100.0
        knobs.append(
            Knob(
                line.highest,
                "calibration, off by",
                "kN",
                0.0,
                "calibrations.csv",
                (-off_kn, off_kn),
                lambda kn: base + kn,
            )
        )
    row = own.rigging
    shares = tuple(share for share in (row.share_low, row.share_high) if share is not None)
    if shares:
        again: Again = lambda pct: base * pct / row.share_pct  # noqa: E731
        knobs.append(Knob(line.highest, "share of its channel", "%", row.share_pct, "rigging.csv", shares, again))
    for figure, name, used in (
        (line.pct_design_mbl, "ship design MBL", site.design_mbl_kn(own.line)),
        (line.pct_break_force, "break force", own.break_force_kn),
        (line.pct_brake, "brake setting", own.brake_set_kn),
    ):
        if used is not None and used > 0:
            tried = tuple(used * factor for factor in TENTH)
            knobs.append(Knob(figure, name, "kN", used, "register", tried, _over(base)))
    return knobs


def _over(kn: float) -> Again:
    return lambda of: 100.0 * kn / of


def _of_sharing(context: Context, load: Load) -> list[Knob]:
    knobs = []
    for share in load.sharing:
        record = context.berthed.lines[share.line]
        if share.role != context.own.role or share.take_up.value is None:
            continue

        def by_mean(seconds: float, record: LineRecord = record) -> float | None:
            return _gain(sharing.both_kn(context, record, mean_s=seconds))

        def by_settle(seconds: float, record: LineRecord = record) -> float | None:
            return _gain(sharing.both_kn(context, record, settle_s=seconds))

        knobs.append(
            Knob(share.take_up, "length of the means", "s", sharing.MEAN_S, "house rule", (60.0, 120.0, 300.0), by_mean)
        )
        knobs.append(
            Knob(share.take_up, "time left to settle", "s", sharing.SETTLE_S, "house rule", (0.0, 60.0), by_settle)
        )
    return knobs


def _gain(both: tuple[float | None, float | None]) -> float | None:
    return None if both[0] is None or both[1] is None else both[1] - both[0]


def clock_knobs(context: Context, offsets: Sequence[tuple[str, Figure]]) -> tuple[Sensitive, ...]:
    """Offsets with windows of another length: all loggers at once, for it takes as long as the first time."""
    policy = context.berthed.site.policy
    series = series_about(context.berthed.lines, context.about_us, policy)
    other_s = 2.0 * WINDOW_S
    found = clocks_about(
        series, context.times.reference, context.about_us, most_s=policy.clock_most_s, window_s=other_s
    ).fitted
    return tuple(
        _told(
            context,
            Knob(
                figure,
                "length of a clock's windows",
                "s",
                WINDOW_S,
                "house rule",
                (other_s,),
                lambda _, name=logger: found[name].offset_s if name in found else None,  # type: ignore[misc]
            ),
        )
        for logger, figure in offsets
        if figure.value is not None
    )


def _of_life(site: Site, life: Life, past: Past) -> list[Knob]:
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


def _of_strength(site: Site, life: Life, past: Past) -> list[Knob]:
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
