"""How a line's days become its account: sums, open cycles, bands, factor, strength left and margin."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import Any

from pipeline.ledger import index
from pipeline.ledger.account import CONTACT, FREE_LENGTH, ZONES, Account, accounts, exact_sum
from pipeline.ledger.database import Ledger
from pipeline.ledger.statement import figures, opening_of
from pipeline.ledger.strength import strength_of
from pipeline.night.wearing import Wear
from pipeline.site import Site
from pipeline.tracing.explained_fatigue import open_cycles
from pipeline.wear import MECHANISMS
from pipeline.wear.together import adds
from schemas.times import us_to_rfc3339

FORMULAS = {
    "sum": "of all days posted, by mechanism, exact; not posted: days that wait for a later sample; pending: what is "
    "open after the last day, as half cycles",
    "used": f"{FREE_LENGTH}: (sum + not posted + pending) of fatigue, times the factor, with creep by the rule; "
    f"{CONTACT}: that of the most worn band of rope still there, which took the abrasion of every day on which it may "
    "have lain on the chock (outboard_m, crops); never added to the other",
    "rule": "worse-of-two: the larger of fatigue and creep; sustained-only, all-added: their sum; load-time-only, "
    "none: fatigue",
    "D": "opening life (0 where it is unknown) + used",
    "left_kn": "break force * (1 - (1 - at_end) * D^exponent), at least 0; D of the least margin: opening + posted "
    "on the days before",
    "retirement_kn": "retire_pct / 100 * ship design MBL; of break force where that is unknown",
    "peak_share": "peak_kn / (left_kn * strength over the bend, at the contact band where one is registered)",
    "margin_kn": "left_kn * strength over the bend - peak_kn",
}


def account_of(ledger: Ledger, site: Site, line: str, wear: Wear) -> tuple[Account, dict[str, Any]]:
    """The account, and it in figures with all that they are made of."""
    account = accounts(ledger, site, [line])[line]
    days, found = _days(ledger, line), figures(site, account)
    residues = {zone: _residue(ledger, line, zone, days) for zone in ZONES}
    spec = account.spec
    return account, {
        "formulas": FORMULAS,
        "opening": opening_of(site, line),
        "factor_on_fatigue": spec.fatigue.factor,
        "rule": adds(spec.material, spec.fatigue.includes),
        "together": account.together,
        "days": days,
        "zones": {zone: _zone(account, zone, open_cycles(residues[zone], wear)) for zone in ZONES},
        "worse_zone": account.worse_zone,
        "closing": found["closing"],
        "strength": strength_of(ledger, site, account),
    }


def _zone(account: Account, zone: str, pending: Mapping[str, Any]) -> dict[str, Any]:
    waiting = {
        name: exact_sum(row.life for row in account.unposted if (row.zone, row.mechanism) == (zone, name))
        for name in MECHANISMS
    }
    return {
        "sum": account.posted[zone],
        "not_posted": waiting,
        "pending": pending,
        "pending_agrees": pending["life"] == account.pending[zone],
        "contacts": [
            {"position_m": band.position_m, "since": band.since.isoformat(), "life": band.life}
            for band in account.contacts[zone]
        ],
        "bands_posted": account.bands(zone),
        "bands_used": account.bands(zone, unposted=True, pending=True),
    }


def _days(ledger: Ledger, line: str) -> list[dict[str, Any]]:
    """Each day's posted life by mechanism (None: nothing is posted) and its highest tension, by zone and day."""
    lives: dict[tuple[str, date], dict[str, Decimal]] = {}
    for (_, zone, day, mechanism), entry in index.postings(ledger, line).items():
        lives.setdefault((zone, day), {})[mechanism] = entry.life
    worn = {(zone, day): facts for (_, zone, day), facts in index.day_facts(ledger, line).items()}
    out = []
    for zone, day in sorted(lives.keys() | worn.keys()):
        facts = worn.get((zone, day), {})
        peak_us = facts.get("peak_us")
        out.append(
            {
                "zone": zone,
                "day": day.isoformat(),
                **{name: lives.get((zone, day), {}).get(name) for name in MECHANISMS},
                "peak_kn": facts.get("peak_kn"),
                "peak_at": None if peak_us is None else us_to_rfc3339(peak_us),
            }
        )
    return out


def _residue(ledger: Ledger, line: str, zone: str, days: list[dict[str, Any]]) -> list[float]:
    """The turning points still open after the zone's last day."""
    last = max((date.fromisoformat(row["day"]) for row in days if row["zone"] == zone), default=None)
    if last is None:
        return []
    return index.residues(ledger, [(line, zone, last)]).get((line, zone, last), ([], []))[0]
