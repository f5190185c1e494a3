"""Abrasion of a day, item by item: every swing with its slip and work, and the metres that a winch let go."""

from __future__ import annotations

from typing import Any

from pipeline.tracing.explained_day import Day, Piece, agreement, units_of
from pipeline.wear.abrasion import Contact, NotReckoned, contact_of, slip_of, travel_work_kj
from pipeline.wear.cells import BIN_US, CLASS_KN
from pipeline.wear.fatigue import to_decimal
from schemas.times import us_to_rfc3339

FORMULAS = {
    "E": "e^(friction * wrap in radians); held = 1 - 1/E; gained = E - 1",
    "give_m_per_kn": "inboard_m / (stiffness * break force)",
    "slip_m": "(high/E - low*E) * give_m_per_kn; 0 where high/E is not above low*E",
    "rising_kj": "held * (low*E^2 + high) / 2 * slip_m",
    "falling_kj": "gained * (high/E^2 + low) / 2 * slip_m",
    "work_kj": "(rising_kj + falling_kj) / 2; of travel: held * tension_kn * metres",
    "life": "count * (work_kj / allowable_work_kj, rounded half to even to a whole number of 2^-100)",
    "low, high": "of a cell: the middles of its classes; of a swing finished by the join to the day before: its ends; "
    "below 0 counts as 0",
}


def abrasion_of(day: Day) -> dict[str, Any]:
    """Contacts, swings and travel, most life first, and the sum beside the live entry."""
    contacts, swings, travel = [], [], []
    total: int | None = None
    for piece in day.pieces:
        contact = contact_of(piece.geometry, day.wear.spec.abrasion, day.wear.break_force_kn)
        contacts.append(_contact(piece, contact))
        if isinstance(contact, NotReckoned):
            continue
        swings += _swings(piece, contact)
        travel += _travel(piece, contact)
        total = total or 0
    if total is not None:
        total = sum(int(item["life_units"]) for item in (*swings, *travel))
    for items in (swings, travel):
        items.sort(key=lambda item: -int(item["life_units"]))
    return {
        "formulas": FORMULAS,
        "contacts": contacts,
        "swings": swings,
        "travel": travel,
        "sum": agreement(day, "abrasion", total),
    }


def _contact(piece: Piece, contact: Contact | NotReckoned) -> dict[str, Any]:
    place = piece.geometry
    told = {
        "sheet": piece.ref.sheet,
        "inboard_m": place.inboard_m,
        "wrap_deg": place.wrap_deg,
        "surface": place.surface,
    }
    if isinstance(contact, NotReckoned):
        return {**told, "reckoned": False, "says": contact.why}
    if contact.rolls:
        return {**told, "reckoned": True, "rolls": True, "says": contact.says}
    return {
        **told,
        "reckoned": True,
        "rolls": False,
        "says": contact.says,
        "E": contact.capstan,
        "held": contact.held,
        "gained": contact.gained,
        "give_m_per_kn": contact.give_m_per_kn,
        "allowable_work_kj": contact.allowable_work_kj,
    }


def _swings(piece: Piece, contact: Contact) -> list[dict[str, Any]]:
    half = CLASS_KN / 2
    found = [
        (bin_, low * CLASS_KN + half, high * CLASS_KN + half, count, "cell")
        for bin_, low, high, count in piece.sheet.swing_cells.tolist()
    ]
    swings = piece.swings
    found += [
        (end_us // BIN_US, low, high, 1, "joined to the day before")
        for low, high, end_us in zip(
            swings.low_kn.tolist(), swings.high_kn.tolist(), swings.end_us.tolist(), strict=True
        )
    ]
    return [_swing(piece, contact, *one) for one in found]


def _swing(
    piece: Piece, contact: Contact, bin_: int, low: float, high: float, count: int, from_: str
) -> dict[str, Any]:
    slip = slip_of(low, high, contact)
    life = 0.0 if contact.rolls else slip.work_kj / contact.allowable_work_kj
    units = units_of(life)
    return {
        "sheet": piece.ref.sheet,
        "bin_from": us_to_rfc3339(bin_ * BIN_US),
        "is": from_,
        "low_kn": low,
        "high_kn": high,
        "count": count,
        "slip_m": slip.slip_m,
        "rising_kj": slip.rising_kj,
        "falling_kj": slip.falling_kj,
        "work_kj": slip.work_kj,
        "life_of_one": life,
        "life_units": str(units * count),
        "life": to_decimal(units * count),
    }


def _travel(piece: Piece, contact: Contact) -> list[dict[str, Any]]:
    out = []
    for class_, metres in zip(piece.sheet.travel_classes.tolist(), piece.sheet.travel_m.tolist(), strict=True):
        tension_kn = class_ * CLASS_KN + CLASS_KN / 2
        work_kj = 0.0 if contact.rolls else travel_work_kj(tension_kn, metres, contact)
        units = 0 if contact.rolls else units_of(work_kj / contact.allowable_work_kj)
        out.append(
            {
                "sheet": piece.ref.sheet,
                "tension_kn": tension_kn,
                "metres": metres,
                "work_kj": work_kj,
                "life_units": str(units),
                "life": to_decimal(units),
            }
        )
    return out
