"""One line's account: opening, live entries, closing, pending, coverage, and what all of it rests on."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any, Final

from pipeline.ledger import index
from pipeline.ledger.account import ZONES, Account, exact_sum, seconds, shown
from pipeline.ledger.along import along_of, outside_of
from pipeline.ledger.basis import basis_of, not_reckoned
from pipeline.ledger.database import Ledger
from pipeline.ledger.gathered import Gathered, gather
from pipeline.ledger.line_facts import advice_of
from pipeline.ledger.outlook import outlook_of
from pipeline.ledger.rows import Entry
from pipeline.ledger.service import service_of
from pipeline.ledger.strength import strength_of, tests_of
from pipeline.ledger.words import CAUTION, NOT_MODELLED
from pipeline.site import Site
from pipeline.wear.curves import scatter_band
from schemas.times import us_to_rfc3339

SCATTER_SHARE: Final = 0.90
"""Of ropes tested alike that the band of fatigue holds."""


def statement(ledger: Ledger, line: str, *, history: bool = False) -> dict[str, Any]:
    """The account of one line, as the object that `--json` prints; lives are Decimals, exact.

    `consumed`, `pending`, `closing` and `unposted` are times the spec's `factor`; `entries` are as posted.
    With `history`, `entries` holds every entry with its reason, reversed ones and reversals included.
    Raises RegisterError for a line that the last run's registers do not know.
    """
    return statement_of(ledger, gather(ledger, [line]), line, history=history)


def statement_of(ledger: Ledger, gathered: Gathered, line: str, *, history: bool = False) -> dict[str, Any]:
    """The same of one of the lines that were gathered."""
    site, evidence, account = gathered.site, gathered.evidence, gathered.accounts[line]
    horizon_us = gathered.horizon_us
    basis, reasons = basis_of(site, line)
    service = service_of(site, account, gathered.calls, horizon_us=horizon_us, known_us=evidence.known_us)
    return {
        "line": line,
        **_about(site, line),
        "run": gathered.head,
        "until": None if horizon_us is None else us_to_rfc3339(horizon_us),
        "unreckoned_days": gathered.unreckoned_days,
        "opening": opening_of(site, line),
        **figures(site, account),
        "service": service,
        "advice_list": advice_of(site, account, evidence, service["limits"]),
        "outside": outside_of(index.day_facts(ledger, line).values()),
        "strength": strength_of(ledger, site, account),
        "strength_tests": tests_of(site, ledger, account),
        "coverage": coverage_of(account),
        **outlook_of(ledger, site, account, basis, opening_known=opening_of(site, line) != "unknown"),
        "basis": basis,
        "basis_reasons": reasons,
        "not_reckoned": not_reckoned(site, line),
        "not_modelled": list(NOT_MODELLED),
        "caution": CAUTION,
        "entries": [_entry(row, history=history) for row in entries_of(ledger, line, history=history)],
    }


def opening_of(site: Site, line: str) -> str | dict[str, Any]:
    """The line's opening balance: "unknown" unless lines.csv gives it, with its source."""
    row = site.lines[line]
    if row.opening_life is None or row.opening_source is None:
        return "unknown"
    return {"life": row.opening_life, "source": row.opening_source}


def figures(site: Site, account: Account) -> dict[str, Any]:
    """Consumed, pending, closing and unposted life of an account, as shown, and with which factor on fatigue.

    A mechanism that is not reckoned is None. `total`: of the zone's worst band; `bands`: what each piece along
    the line has used.
    """
    factor = site.spec_of(account.line).fatigue.factor
    factors = {"fatigue": factor}
    zones = {
        zone: {
            **{
                name: None if life is None else shown(life, factors.get(name, 1.0))
                for name, life in account.posted[zone].items()
            },
            "total": account.total(zone),
        }
        for zone in ZONES
    }
    pending = {zone: shown(account.pending[zone], factor) for zone in ZONES}
    return {
        "consumed": {"zones": zones, "worst": account.worse_zone},
        "fatigue_scatter": _scatter(site, account),
        "bands": along_of(account),
        "together": account.together,
        "pending": {"zones": pending},
        "closing": _closing(site, account.line, {zone: account.total(zone) for zone in ZONES}),
        "unposted": [
            {
                "zone": row.zone,
                "day": row.day.isoformat(),
                "mechanism": row.mechanism,
                "life": shown(row.life, factors.get(row.mechanism, 1.0)),
            }
            for row in account.unposted
        ],
        "factor": factor,
    }


def _scatter(site: Site, account: Account) -> dict[str, Any] | None:
    """Between what the shown fatigue of ropes tested alike lies; None where the spec gives no scatter."""
    curve = site.spec_of(account.line).fatigue
    if curve.scatter is None:
        return None
    zones = {}
    for zone in ZONES:
        posted = account.posted[zone]["fatigue"]
        if posted is not None:
            low, high = scatter_band(float(shown(posted, curve.factor)), curve.scatter, SCATTER_SHARE)
            zones[zone] = {"low": low, "high": high}
    return {"share": SCATTER_SHARE, "scatter": curve.scatter, "source": curve.source, "zones": zones}


def coverage_of(account: Account) -> dict[str, Any]:
    """Time rigged and time observed [s]."""
    return {"rigged_s": seconds(account.rigged_us), "observed_s": seconds(account.observed_us)}


def entries_of(ledger: Ledger, line: str, *, history: bool) -> list[Entry]:
    """A line's live entries by day, zone, mechanism; with `history` all, in the order they were made."""
    table, order = ("entries", "run, seq") if history else ("live_entries", "day, zone, mechanism")
    return index.load(ledger, Entry, table, order=order, where="line = ?", given=[line])


def _about(site: Site, line: str) -> dict[str, Any]:
    row = site.lines[line]
    return {
        "part": row.part,
        "ship": row.ship,
        "spec": row.spec,
        "break_force_kn": site.break_force_kn(line),
        "break_force_from": "spec" if row.break_force_kn is None else "lines.csv",
    }


def _closing(site: Site, line: str, totals: Mapping[str, Decimal]) -> str | dict[str, Any]:
    """Opening and consumed together, by zone; unknown where the opening is."""
    opening = site.lines[line].opening_life
    if opening is None:
        return "unknown"
    return {"zones": {zone: exact_sum((opening, total)) for zone, total in totals.items()}}


def _entry(row: Entry, *, history: bool) -> dict[str, Any]:
    shown_row: dict[str, Any] = {
        "entry": row.entry,
        "line": row.line,
        "zone": row.zone,
        "day": row.day.isoformat(),
        "mechanism": row.mechanism,
        "life": row.life,
        "run": row.run,
        "spec": row.spec,
        "spec_digest": row.spec_digest,
        "policy_digest": row.policy_digest,
        "sheets": list(row.sheets),
    }
    if history:
        shown_row |= {"kind": row.kind, "reverses": row.reverses, "reason": row.reason}
    return shown_row
