"""Fatigue of a day, cycle by cycle: every closed cycle with its ratios, its life and the sum; and what is open."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import numpy as np

from pipeline.night.wearing import Wear
from pipeline.tracing.explained_day import Day, agreement, units_of
from pipeline.wear.fatigue import UNIT_EXPONENT, cycles_outside, damage, half_cycles, to_decimal

FORMULAS = {
    "R": "(high_kn - low_kn) / strength_kn",
    "Lm": "(high_kn + low_kn) / 2 / strength_kn",
    "strength_kn": "reference_strength * break force",
    "N": "10^(a - b*Lm) * R^-m; with a second slope and R below r2: 10^(a - b*Lm) * (R/r2)^-m2 * r2^-m",
    "life_of_one": "1 / N, rounded half to even to a whole number of 2^-100",
    "life": "count * life_of_one",
}


def fatigue_of(day: Day) -> dict[str, Any]:
    """Every distinct cycle that closed on the day, most life first, and the sum beside the live entry."""
    wear = day.wear
    counts: dict[tuple[float, float], int] = {}
    for piece in day.pieces:
        for found in (piece.sheet, piece.folded):
            for low, high, count in zip(
                found.low_kn.tolist(), found.high_kn.tolist(), found.count.tolist(), strict=True
            ):
                counts[low, high] = counts.get((low, high), 0) + count
    items, total = [], 0
    for (low, high), count in counts.items():
        item, one = _cycle(low, high, wear)
        total += one * count
        life = {"count": count, "life_units": str(one * count), "life": to_decimal(one * count)}
        items.append({**item, "life_of_one_units": str(one), **life})
    items.sort(key=lambda item: (-int(item["life_units"]), item["low_kn"], item["high_kn"]))
    return {
        "formulas": FORMULAS,
        "strength_kn": wear.spec.fatigue.reference_strength * wear.break_force_kn,
        "cycles": items,
        "cycles_closed": sum(counts.values()),
        "outside_the_curve": _outside(counts, wear),
        "sum": agreement(day, "fatigue", total),
    }


def open_cycles(residue_kn: list[float], wear: Wear) -> dict[str, Any]:
    """What is open, as half cycles of the residue's successive turning points: half a whole cycle's life each."""
    items, total = [], 0
    low_kn, high_kn = half_cycles(np.array(residue_kn, np.float64))
    for low, high in zip(low_kn.tolist(), high_kn.tolist(), strict=True):
        item, one = _cycle(low, high, wear)
        total += one
        items.append({**item, "count": 0.5, "life": to_decimal(one, UNIT_EXPONENT + 1)})
    return {"residue_kn": residue_kn, "half_cycles": items, "life": to_decimal(total, UNIT_EXPONENT + 1)}


def _cycle(low: float, high: float, wear: Wear) -> tuple[dict[str, Any], int]:
    """A cycle's figures, and the life of one in units. `N` is None where it is beyond all numbers."""
    curve = wear.spec.fatigue
    strength_kn = curve.reference_strength * wear.break_force_kn
    range_ratio, mean_ratio = (high - low) / strength_kn, ((high + low) / 2) / strength_kn
    one = damage(range_ratio, mean_ratio, curve)
    n = 1 / one if one > 0 else math.inf
    second = curve.r2 is not None and range_ratio < curve.r2
    return {
        "low_kn": low,
        "high_kn": high,
        "R": range_ratio,
        "Lm": mean_ratio,
        "second_slope": second,
        "N": n if math.isfinite(n) else None,
        "life_of_one": one,
    }, units_of(one)


def _outside(counts: dict[tuple[float, float], int], wear: Wear) -> dict[str, Any]:
    """How many cycles lie outside what the curve serves; a limit that the spec does not give counts nothing."""
    pairs = np.array(list(counts), np.float64).reshape(-1, 2)
    found = cycles_outside(
        pairs[:, 0],
        pairs[:, 1],
        np.array(list(counts.values()), np.int64),
        break_force_kn=wear.break_force_kn,
        curve=wear.spec.fatigue,
    )
    curve = wear.spec.fatigue
    looked = {"valid_lm": curve.valid_lm, "compression_below": curve.compression_below}
    return {**asdict(found), "not_looked_at": [name for name, limit in looked.items() if limit is None]}
