"""Rope temperature of a day, bin by bin: power, every step with its film coefficient, surface and core."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from pipeline.tracing.explained_day import Day, Piece
from pipeline.wear.cells import BIN_US
from pipeline.wear.convection import convection_of
from pipeline.wear.heat import STEP_US, Air, RopeHeat, Section, film_in_step, relax, warm
from schemas.times import DAY_US, us_to_rfc3339

FORMULAS = {
    "power_w_m": "pi * loss_factor * range2_kn2 / (8 * ea_kn) * 1000 / 600, range2_kn2: sum of (range of a swing)^2 "
    "over the swings that ended in the bin",
    "film_w_m2k": "a cylinder across dry air: the larger of forced flow (Churchill & Bernstein 1977) and free "
    "convection (Churchill & Chu 1975), at the step's beginning, interpolated on a grid to within 0.3 %",
    "step": "settled = air_c + power_w_m / (film_w_m2k * pi * diameter_m); "
    "tau_s = heat_capacity_j_mk / (film_w_m2k * pi * diameter_m); "
    "surface_c = settled + (surface_c - settled) * exp(-step_s / tau_s)",
    "surface_c": "the warmest of the bin's beginning and its steps",
    "core_c": "surface_c + power_w_m / (4 * pi * conductivity_w_mk)",
}
MOST_RELAXING_US = DAY_US
"""Of a rope that lay unrigged for longer only the end is shown, not each minute."""


def heat_of(day: Day) -> dict[str, Any]:
    """Every bin's temperatures. `reckoned` is false where the spec has no [heat]."""
    section = day.wear.section
    if section is None:
        return {"reckoned": False, "why": f"spec {day.wear.spec.id} has no [heat]", "bins": []}
    relaxed = [_relaxed(piece, section) for piece in day.pieces]
    bins = [row for piece in day.pieces for row in _bins(piece, section)]
    return {
        "reckoned": True,
        "formulas": FORMULAS,
        "section": asdict(section),
        "relaxed": [found for found in relaxed if found is not None],
        "bins": bins,
        "core_c_max": max((row["core_c"] for row in bins), default=None),
    }


def _bins(piece: Piece, section: Section) -> list[dict[str, Any]]:
    """A sheet's bins, each with the steps taken in it."""
    warmed, (from_us, to_us) = piece.warmed, (piece.sheet.slice.from_us, piece.sheet.slice.to_us)
    if warmed is None:
        return []
    range2 = dict(zip(piece.bins.tolist(), piece.range2_kn2.tolist(), strict=True))
    at = _beginning(piece, section)
    out: list[dict[str, Any]] = []
    for bin_, power, surface_c, core_c in zip(
        warmed.bins.tolist(),
        warmed.power_w_m.tolist(),
        warmed.surface_c.tolist(),
        warmed.core_c.tolist(),
        strict=True,
    ):
        begin, stop_us = at, min(to_us, (bin_ + 1) * BIN_US)
        air = _air_at(piece.around, len(out))
        steps, at = _steps(at, stop_us, bin_, range2.get(bin_, 0.0), section, air)
        out.append(
            {
                "sheet": piece.ref.sheet,
                "from": us_to_rfc3339(max(from_us, bin_ * BIN_US)),
                "to": us_to_rfc3339(stop_us),
                "air_c": _one(air.temperature_c),
                "wind_m_s": _one(air.wind_m_s),
                "range2_kn2": range2.get(bin_, 0.0),
                "power_w_m": power,
                "begin_c": begin.surface_c,
                **steps,
                "surface_c": surface_c,
                "core_c": core_c,
            }
        )
    return out


def _steps(
    at: RopeHeat, stop_us: int, bin_: int, range2_kn2: float, section: Section, air: Air
) -> tuple[dict[str, list[float]], RopeHeat]:
    """The steps from a state to `stop_us` within one bin, one at a time as `warm` takes them, and the state after."""
    table = convection_of(section.diameter_m)
    told: dict[str, list[float]] = {"step_s": [], "film_w_m2k": [], "step_c": []}
    bins = np.array([bin_] if range2_kn2 else [], np.int64)
    range2 = np.array([range2_kn2] if range2_kn2 else [], np.float64)
    while at.at_us < stop_us:
        next_us = min(stop_us, (at.at_us // STEP_US + 1) * STEP_US)
        told["step_s"].append((next_us - at.at_us) / 1e6)
        told["film_w_m2k"].append(film_in_step(at.surface_c, _one(air.temperature_c), _one(air.wind_m_s), table))
        at = warm(at, at.at_us, next_us, bins, range2, section, air).after
        told["step_c"].append(at.surface_c)
    return told, at


def _beginning(piece: Piece, section: Section) -> RopeHeat:
    """The rope when the sheet begins: as warm as the air at first, or relaxed since it was last known."""
    from_us, before, air = piece.sheet.slice.from_us, piece.heat_before, _air_at(piece.around, 0)
    if before is None:
        return RopeHeat(from_us, _one(air.temperature_c))
    return before if before.at_us == from_us else relax(before, from_us, section, air)


def _relaxed(piece: Piece, section: Section) -> dict[str, Any] | None:
    """How the rope cooled from the state before a sheet to the sheet, in the air of its first bin; None: no time."""
    before, from_us = piece.heat_before, piece.sheet.slice.from_us
    if before is None or before.at_us == from_us:
        return None
    air = _air_at(piece.around, 0)
    told = {
        "sheet": piece.ref.sheet,
        "air_c": _one(air.temperature_c),
        "wind_m_s": _one(air.wind_m_s),
        "from": us_to_rfc3339(before.at_us),
        "to": us_to_rfc3339(from_us),
        "begin_c": before.surface_c,
        "end_c": relax(before, from_us, section, air).surface_c,
        "steps": None,
    }
    if from_us - before.at_us > MOST_RELAXING_US:
        return told
    steps: dict[str, list[float]] = {"step_s": [], "film_w_m2k": [], "step_c": []}
    at = before
    while at.at_us < from_us:
        bin_ = at.at_us // BIN_US
        found, at = _steps(at, min(from_us, (bin_ + 1) * BIN_US), bin_, 0.0, section, air)
        for name, values in found.items():
            steps[name] += values
    return {**told, "steps": steps}


def _air_at(around: Air, bin_: int) -> Air:
    """The air of a piece's bin, counted from its first."""
    figures = (around.temperature_c, around.wind_m_s)
    return Air(*(float(given[bin_]) if isinstance(given, np.ndarray) else given for given in figures))


def _one(figure: Any) -> float:
    """The single figure that the air of one bin has."""
    return float(figure)
