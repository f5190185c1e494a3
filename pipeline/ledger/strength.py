"""How much strength and margin a line has left, band by band and day by day, from its posted life. No figure keeps it.

Strength left is a model of the spec ([strength_left]); where the opening is unknown it is what would be left of a line
that was new at the first record, and is said to be so.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from decimal import Decimal
from typing import Any

from pipeline.ledger import index
from pipeline.ledger.account import CONTACT, FREE_LENGTH, ZONES, Account, exact_sum, shown
from pipeline.ledger.bands import bands_before, end_of, worst
from pipeline.ledger.basis import strength_basis_of
from pipeline.ledger.database import Ledger
from pipeline.site import Site
from pipeline.wear.bending import strength_share
from pipeline.wear.strength import retirement_kn, strength_left_kn
from pipeline.wear.together import free_length
from schemas.registers import Rigging
from schemas.times import day_start_us, us_to_rfc3339


def strength_of(ledger: Ledger, site: Site, account: Account) -> dict[str, Any]:
    """Strength left now by zone and band, the retirement line, and the day with the least margin.

    `reckoned` is false, with why, where the spec has no [strength_left].
    """
    line, spec = account.line, account.spec
    retirement, retirement_of = retirement_line(site, line)
    told: dict[str, Any] = {"retirement_kn": retirement, "retirement_of": retirement_of}
    if spec.strength_left is None:
        return {"reckoned": False, "why": f"spec {spec.id} has no [strength_left]", **told}
    opening = site.lines[line].opening_life
    days = _days(ledger, site, account)
    basis, reasons = strength_basis_of(site, line)
    return {
        "reckoned": True,
        "as_if_new": opening is None,
        "source": spec.strength_left.source,
        "basis": basis,
        "basis_reasons": reasons,
        **told,
        "left_kn": left_now(site, account),
        "least_margin": _least_margin(site, account, days),
    }


def retirement_line(site: Site, line: str) -> tuple[float, str]:
    """The strength at which a line is to be retired [kN], and of what it is how much: of break force where ship design
    MBL is unknown, as every limit.
    """
    pct, mbl = site.policy.retire_pct, site.design_mbl_kn(line)
    if mbl is not None:
        return retirement_kn(mbl, pct), f"{pct:g} % of ship design MBL {mbl:g} kN"
    force = site.break_force_kn(line)
    return retirement_kn(force, pct), f"{pct:g} % of break force {force:g} kN, as ship design MBL is unknown"


def left_now(site: Site, account: Account) -> dict[str, dict[str, float]] | None:
    """Strength left [kN] by zone and band, open cycles and days not posted yet counted; None: not reckoned."""
    left, force = account.spec.strength_left, site.break_force_kn(account.line)
    if left is None:
        return None
    opening = site.lines[account.line].opening_life
    opened = Decimal(0) if opening is None else opening
    return {
        zone: {
            band: strength_left_kn(force, float(exact_sum((opened, used))), left)
            for band, used in account.bands(zone, unposted=True, pending=True).items()
        }
        for zone in ZONES
    }


def tests_of(site: Site, ledger: Ledger, account: Account) -> list[dict[str, Any]]:
    """Break tests of the line's pieces beside what the model says of that zone on that day."""
    spec, force = account.spec, site.break_force_kn(account.line)
    tests = [row for row in site.strength_tests if row.line == account.line]
    days = _days(ledger, site, account) if tests else {}
    told = []
    for row in tests:
        used = _used_by(days, row.zone, row.at_us)
        predicted = None
        if spec.strength_left is not None:
            predicted = {band: strength_left_kn(force, float(life), spec.strength_left) for band, life in used.items()}
        told.append(
            {
                "zone": row.zone,
                "at": us_to_rfc3339(row.at_us),
                "position_m": row.position_m,
                "condition": row.condition,
                "laboratory": row.laboratory,
                "break_kn": row.break_kn,
                "predicted_kn": predicted,
            }
        )
    return told


def _days(ledger: Ledger, site: Site, account: Account) -> dict[str, list[tuple[date, dict[str, Decimal], Any]]]:
    """By zone: each day, the life used by band before it (opening included), and the day's highest tension."""
    return ledger.once(("strength days", account.line), lambda: _days_asked(ledger, site, account))


def _days_asked(ledger: Ledger, site: Site, account: Account) -> dict[str, list[tuple[date, dict[str, Decimal], Any]]]:
    opening = site.lines[account.line].opening_life
    opened = Decimal(0) if opening is None else opening
    riggings = [row for row in site.riggings if row.line == account.line]
    known_us = index.known_us(ledger)
    services = [row for row in site.services if row.line == account.line and row.at_us <= known_us]
    lives: dict[tuple[str, date], dict[str, Decimal]] = {}
    for zone, day, mechanism, life in ledger.rows(
        "SELECT zone, day, mechanism, life FROM live_entries WHERE line = ? ORDER BY ALL", [account.line]
    ):
        lives.setdefault((zone, day), {})[mechanism] = life
    facts = {(zone, day): found for (_, zone, day), found in index.day_facts(ledger, account.line).items()}
    out: dict[str, list[tuple[date, dict[str, Decimal], Any]]] = {}
    for zone in ZONES:
        sums: dict[str, Decimal] = {}
        out[zone] = []
        days = sorted(day for found, day in facts.keys() | lives.keys() if found == zone)
        abraded = {day: found["abrasion"] for (at, day), found in lives.items() if at == zone and "abrasion" in found}
        end = end_of(riggings, services, zone, width_m=site.policy.band_width_m)
        contact = {day: worst(found) for day, found in bands_before(abraded, end, [*days, date.max]).items()}
        for day in days:
            out[zone].append((day, _bands(account, sums, opened, contact[day]), facts.get((zone, day), {})))
            for mechanism, life in lives.get((zone, day), {}).items():
                sums[mechanism] = exact_sum((sums.get(mechanism, Decimal(0)), life))
        out[zone].append((date.max, _bands(account, sums, opened, contact[date.max]), {}))
    return out


def _bands(account: Account, sums: Mapping[str, Decimal], opened: Decimal, contact: Decimal) -> dict[str, Decimal]:
    spec = account.spec
    fatigue = shown(sums.get("fatigue", Decimal(0)), spec.fatigue.factor)
    free = free_length(spec.material, spec.fatigue.includes, fatigue, sums.get("creep", Decimal(0))).life
    return {
        FREE_LENGTH: exact_sum((opened, free)),
        CONTACT: exact_sum((opened, contact)),
    }


def _used_by(
    days: Mapping[str, list[tuple[date, dict[str, Decimal], Any]]], zone: str, at_us: int
) -> dict[str, Decimal]:
    """Life used by band before the first day that begins at or after an instant."""
    return next(used for day, used, _ in days[zone] if day == date.max or day_start_us(day) >= at_us)


def _least_margin(
    site: Site, account: Account, days: Mapping[str, list[tuple[date, dict[str, Decimal], Any]]]
) -> dict[str, Any] | None:
    """The day whose highest tension came nearest to what was left then, at the worst place along the line."""
    spec, force = account.spec, site.break_force_kn(account.line)
    if spec.strength_left is None:
        return None
    own = [row for row in site.riggings if row.line == account.line]
    least: dict[str, Any] | None = None
    nearest = float("-inf")
    for zone, found in days.items():
        for day, used, facts in found:
            if "peak_kn" not in facts:
                continue
            bend = bend_at(own, account, zone, facts["peak_us"])
            for band, life in used.items():
                left_kn = strength_left_kn(force, float(life), spec.strength_left)
                factor = bend["strength"] if band == CONTACT and bend is not None else 1.0
                at_hand = left_kn * factor
                share = facts["peak_kn"] / at_hand if at_hand > 0 else float("inf")
                if share > nearest:
                    nearest = share
                    least = {
                        "zone": zone,
                        "band": band,
                        "day": day.isoformat(),
                        "peak_kn": facts["peak_kn"],
                        "peak_at": us_to_rfc3339(facts["peak_us"]),
                        "left_kn": left_kn,
                        "bend": None if bend is None or band != CONTACT else {**bend, "left_kn": at_hand},
                        "peak_share": share if at_hand > 0 else None,
                        "margin_kn": at_hand - facts["peak_kn"],
                    }
    return least


def bend_at(own: Iterable[Rigging], account: Account, zone: str, at_us: int) -> dict[str, Any] | None:
    """The share of strength over the chock's bend at an instant; None where it is not reckoned.

    A rigging ends before its `to`: what is felt then is the next one's, or the 0 kN of letting go.
    """
    rigged = _rigged(own, zone, at_us)
    if rigged is None or rigged.bend_ratio is None:
        return None
    found = strength_share(rigged.bend_ratio, material=account.spec.material, bending=account.spec.bending)
    if found is None:
        return None
    return {"ratio": rigged.bend_ratio, "strength": found.share, "outside": found.outside, "source": found.source}


def _rigged(own: Iterable[Rigging], zone: str, at_us: int) -> Rigging | None:
    return next(
        (
            row
            for row in own
            if row.outboard_end == zone and row.from_us <= at_us and (row.to_us is None or at_us < row.to_us)
        ),
        None,
    )
