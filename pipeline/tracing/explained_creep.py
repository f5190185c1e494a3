"""Creep of a day, item by item: load, temperature, time to rupture, time and life; what does not count says why."""

from __future__ import annotations

from typing import Any

from pipeline.ledger.account import seconds
from pipeline.night.wearing import Wear
from pipeline.tracing.explained_day import Day, Piece, agreement, units_of
from pipeline.wear.cells import BIN_US, CLASS_KN
from pipeline.wear.creep import GAS_CONSTANT_J_MOLK, rupture_s, sustained_bins
from pipeline.wear.fatigue import to_decimal
from pipeline.wear.together import adds
from schemas.registers import Spec
from schemas.times import us_to_rfc3339

COUNTED = "counted"
NOT_SUSTAINED = "not counted: no standing load in this bin"
CAUTION = (
    "Time that is not counted is not harmless: hotter, or under more load, than fitted a rope creeps faster than any "
    "figure here says; no life is claimed for it, and that is not zero."
)
FORMULAS = {
    "load_ratio": "middle of the class / break force",
    "rupture_s": "10^log10_tau0_s * exp((u0_kj_mol - gamma_kj_mol * load_ratio) * 1000 / "
    f"({GAS_CONSTANT_J_MOLK} * (core_c + 273.15)))",
    "life": "seconds / rupture_s, rounded half to even to a whole number of 2^-100",
}


def creep_of(day: Day) -> dict[str, Any]:
    """Every item of time at level, most life first, and the sum beside the live entry.

    An item that does not count has no life, and says why: for it none is claimed, which is not zero.
    """
    spec, rule = day.wear.spec, adds(day.wear.spec.material, day.wear.spec.fatigue.includes)
    lifeless = _lifeless(spec, rule)
    items = [item for piece in day.pieces for item in _items(piece, day.wear, rule, lifeless)]
    items.sort(key=lambda item: (-int(item["life_units"]), -item["load_kn"], item["bin_from"]))
    total = None
    if lifeless is None and day.pieces:
        total = sum(int(item["life_units"]) for item in items)
    times_us: dict[str, int] = {}
    for item in items:
        times_us[item["why"]] = times_us.get(item["why"], 0) + item.pop("us")
    limit_kn = None if spec.creep is None else spec.creep.sustained_range * day.wear.break_force_kn
    return {
        "formulas": FORMULAS,
        "rule": rule,
        "sustained_limit_kn": limit_kn if rule == "sustained-only" else None,
        "items": items,
        "seconds_by_why": {why: seconds(us) for why, us in sorted(times_us.items())},
        "caution": CAUTION,
        "sum": agreement(day, "creep", total),
    }


def _lifeless(spec: Spec, rule: str) -> str | None:
    """Why no time of this spec uses life; None where some may."""
    if rule == "none":
        return f"creep is not reckoned for {spec.material}"
    if rule == "load-time-only":
        return f"for {spec.material} creep is shown as time under load, and takes no life"
    return f"spec {spec.id} has no [creep]" if spec.creep is None else None


def _items(piece: Piece, wear: Wear, rule: str, lifeless: str | None) -> list[dict[str, Any]]:
    sheet = piece.sheet
    standing = _sustained(piece, wear) if rule == "sustained-only" and lifeless is None else None
    swung = _swung(piece) if standing is not None else {}
    out = []
    for bin_, class_, us in zip(
        sheet.level_bins.tolist(), sheet.level_classes.tolist(), sheet.level_us.tolist(), strict=True
    ):
        load_kn = class_ * CLASS_KN + CLASS_KN / 2
        load, core_c = load_kn / wear.break_force_kn, piece.core_c.get(bin_, float(wear.air.temperature_c))
        why = lifeless or _why(bin_, load, core_c, wear, standing)
        time_s = life = None
        if why == COUNTED and wear.spec.creep is not None:
            time_s = rupture_s(load, core_c, wear.spec.creep)
            life = (us / 1e6) / time_s
        units = 0 if life is None else units_of(life)
        out.append(
            {
                "sheet": piece.ref.sheet,
                "bin_from": us_to_rfc3339(bin_ * BIN_US),
                "class_kn": [class_ * CLASS_KN, (class_ + 1) * CLASS_KN],
                "load_kn": load_kn,
                "load_ratio": load,
                "core_c": core_c,
                "rupture_s": time_s,
                "seconds": seconds(us),
                "life_units": str(units),
                "life": None if life is None else to_decimal(units),
                "why": why,
                "swing_at_most_kn": None if standing is None else swung.get(bin_, 0.0),
                "us": us,
            }
        )
    return out


def _why(bin_: int, load: float, core_c: float, wear: Wear, standing: set[int] | None) -> str:
    """Why an item counts or not: the first reason that holds, in the order of `pipeline.wear.creep`."""
    creep = wear.spec.creep
    assert creep is not None
    if standing is not None and bin_ not in standing:
        return NOT_SUSTAINED
    if not load > creep.floor:
        return "not counted: at or below the floor"
    if not creep.fitted_load[0] <= load <= creep.fitted_load[1]:
        return "not counted: outside the fitted loads"
    if core_c < creep.fitted_c[0]:
        return "not counted: colder than fitted"
    return "not counted: hotter than fitted" if core_c > creep.fitted_c[1] else COUNTED


def _sustained(piece: Piece, wear: Wear) -> set[int]:
    assert wear.spec.creep is not None
    found = sustained_bins(
        piece.sheet.level_bins,
        piece.sheet.swing_cells,
        piece.swings.low_kn,
        piece.swings.high_kn,
        piece.swings.end_us,
        break_force_kn=wear.break_force_kn,
        creep=wear.spec.creep,
    )
    return set(found.tolist())


def _swung(piece: Piece) -> dict[int, float]:
    """The most that the largest swing of each bin may have ranged over [kN], as `sustained_bins` takes it."""
    out: dict[int, float] = {}
    for bin_, low, high, _ in piece.sheet.swing_cells.tolist():
        out[bin_] = max(out.get(bin_, 0.0), (high - low + 1) * CLASS_KN)
    swings = piece.swings
    for low_kn, high_kn, end_us in zip(
        swings.low_kn.tolist(), swings.high_kn.tolist(), swings.end_us.tolist(), strict=True
    ):
        out[end_us // BIN_US] = max(out.get(end_us // BIN_US, 0.0), high_kn - low_kn)
    return out
