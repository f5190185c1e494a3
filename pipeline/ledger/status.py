"""One row a line, worst first, with what to do."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from pipeline.ledger.account import Account, exact_sum, seconds, shown
from pipeline.ledger.basis import basis_of
from pipeline.ledger.database import Ledger
from pipeline.ledger.gathered import Gathered, gather
from pipeline.ledger.line_facts import Evidence, advice_of
from pipeline.ledger.rows import Event
from pipeline.ledger.service import Call, service_of
from pipeline.ledger.statement import opening_of
from pipeline.ledger.words import CAUTION, NOT_MODELLED
from pipeline.site import Site
from schemas.times import us_to_rfc3339

BEFORE_ALL_ELSE = ("retire", "inspect-before-reuse")
"""Rules of advice that put a line before all lines of which neither is said, whatever life they have used."""


def status(ledger: Ledger) -> dict[str, Any]:
    """The object that `status --json` prints. `consumed` and `pending` are those of the worse zone, as shown; `used` is
    all that is counted against it, known opening included.

    Lines that were rigged and never observed have no figure (null) and come first. Then come the lines with figures:
    those to retire, those to inspect before they are used again, the others; of each by all that is counted against
    their worse zone (known opening, consumed, unposted, pending), for a figure that knows one line's opening and not
    another's must not hide what a line went through. Lines that were never rigged come last. Raises StoreError before
    the first run.
    """
    return status_of(gather(ledger))


def status_of(gathered: Gathered) -> dict[str, Any]:
    """The same of what was gathered of all lines."""
    site, horizon_us = gathered.site, gathered.horizon_us
    rows = [_row(site, account, gathered.evidence, gathered.calls) for account in gathered.accounts.values()]
    return {
        "site": site.info.id,
        "until": None if horizon_us is None else us_to_rfc3339(horizon_us),
        "unreckoned_days": gathered.unreckoned_days,
        "open_findings": len(gathered.evidence.findings),
        "lines": sorted(rows, key=_worst_first),
        "not_modelled": list(NOT_MODELLED),
        "caution": CAUTION,
    }


def _row(site: Site, account: Account, evidence: Evidence, made: list[Call]) -> dict[str, Any]:
    line = account.line
    factor = site.spec_of(line).fatigue.factor
    zone = account.worse_zone
    opening = site.lines[line].opening_life
    basis, _ = basis_of(site, line)
    known = account.observed_us > 0
    used = account.used(zone)
    consumed = account.total(zone)
    service = service_of(site, account, made, horizon_us=evidence.horizon_us, known_us=evidence.known_us)
    advice = advice_of(site, account, evidence, service["limits"])
    return {
        "line": line,
        "part": site.lines[line].part,
        "zone": zone if known else None,
        "consumed": consumed if known else None,
        "unposted": account.held(zone) if known else None,
        "pending": shown(account.pending[zone], factor) if known else None,
        "used": exact_sum((used, Decimal(0) if opening is None else opening)) if known else None,
        "factor": factor,
        "opening": opening_of(site, line),
        "coverage": _coverage(account),
        "basis": basis,
        "service": service,
        "last_event": _last(evidence.events.get(line, ()), line),
        "advice": "; ".join(_words(said) for said in advice),
        "advice_list": advice,
    }


def _words(said: dict[str, str]) -> str:
    return f"{said['do']} ({said['because']})" if said["because"] else said["do"]


def _worst_first(row: dict[str, Any]) -> tuple[int, int, Decimal, str]:
    if row["consumed"] is not None:
        rules = {said["rule"] for said in row["advice_list"]}
        urgency = next((i for i, rule in enumerate(BEFORE_ALL_ELSE) if rule in rules), len(BEFORE_ALL_ELSE))
        return (1, urgency, row["used"].copy_negate(), row["line"])
    return (0 if row["coverage"]["rigged_s"] > 0 else 2, 0, Decimal(0), row["line"])


def _coverage(account: Account) -> dict[str, Any]:
    share = account.observed_us / account.rigged_us if account.rigged_us > 0 else None
    return {
        "rigged_s": seconds(account.rigged_us),
        "observed_s": seconds(account.observed_us),
        "share": share,
    }


def _last(events: Sequence[Event], line: str) -> dict[str, Any] | None:
    """The latest event of a line above a note, of a tail with its own percent; its latest note where it has no other.

    A line in a swell has hundreds of notes, which would hide the overload before them.
    """
    if not events:
        return None
    event = max(events, key=lambda event: (event.payload.get("severity") != "note", event.from_us, event.event))
    own = next((tail for tail in event.payload.get("tails", ()) if tail["line"] == line), None)
    return {
        "event": event.event,
        "kind": event.kind,
        "severity": event.payload.get("severity"),
        "from_at": us_to_rfc3339(event.from_us),
        "to_at": us_to_rfc3339(event.to_us),
        "peak_kn": event.peak_kn,
        "peak_pct": event.peak_pct if own is None else own["peak_pct"],
        "peak_pct_of": event.payload.get("peak_pct_of") if own is None else own["peak_pct_of"],
    }
