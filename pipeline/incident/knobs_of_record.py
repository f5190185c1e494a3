"""Thresholds of the record, changed one at a time, and its figures made again from the same readings. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pipeline.incident import loads, sharing
from pipeline.incident.clocks import WINDOW_S, clocks_about
from pipeline.incident.knobs import HALF_TWICE, TENTH, Again, Knob, told_of
from pipeline.incident.lines import LineRecord
from pipeline.incident.loss import losses_of, nearest_to
from pipeline.incident.numbering import Context
from pipeline.incident.record import Figure, Load, Sensitive
from pipeline.incident.times import series_about
from schemas.registers import Policy


def of_instant(context: Context, instant: Figure) -> list[Knob]:
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


def of_loads(context: Context, load: Load) -> list[Knob]:
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


def of_sharing(context: Context, load: Load) -> list[Knob]:
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
        told_of(
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
