"""One row a line, worst first, with what to do."""

from __future__ import annotations

from collections import defaultdict
from decimal import Decimal
from typing import Any

from pipeline.ledger import index
from pipeline.ledger.account import ZONES, Account, accounts, exact_sum, last_site, seconds, shown
from pipeline.ledger.advice import LineFacts, advise
from pipeline.ledger.basis import basis_of
from pipeline.ledger.database import Ledger
from pipeline.ledger.queries import lines_of
from pipeline.ledger.rows import Event
from pipeline.ledger.statement import opening_of
from pipeline.ledger.words import CAUTION, NOT_MODELLED
from pipeline.site import Site
from schemas.times import us_to_rfc3339


def status(ledger: Ledger) -> dict[str, Any]:
    """The object that `status --json` prints. `consumed` and `pending` are those of the worse zone, as shown.

    Lines that were rigged and never observed have no figure (null) and come first; then the lines with
    figures, by consumed and pending together; lines that were never rigged come last. Raises StoreError
    before the first run.
    """
    site = last_site(ledger)
    by_line: dict[str, list[Event]] = defaultdict(list)
    for event in index.events(ledger).values():
        for line in lines_of(event):
            by_line[line].append(event)
    rows = [
        _row(site, account, by_line.get(account.line, [])) for account in accounts(ledger, site, site.lines).values()
    ]
    horizon_us = index.horizon_us(ledger)
    return {
        "site": site.info.id,
        "until": None if horizon_us is None else us_to_rfc3339(horizon_us),
        "lines": sorted(rows, key=_worst_first),
        "not_modelled": list(NOT_MODELLED),
        "caution": CAUTION,
    }


def _row(site: Site, account: Account, events: list[Event]) -> dict[str, Any]:
    line = account.line
    factor = site.spec_of(line).fatigue.factor
    used = {zone: exact_sum((account.total(zone), account.pending[zone])) for zone in ZONES}
    zone = max(ZONES, key=lambda zone: (used[zone], zone == "a"))
    opening = site.lines[line].opening_life
    basis, _ = basis_of(site, line)
    known = account.observed_us > 0
    unposted = [shown(row.life, factor) for row in account.unposted if row.zone == zone]
    advice = advise(
        LineFacts(
            events=events,
            services=[row for row in site.services if row.line == line],
            rigged_us=account.rigged_us,
            observed_us=account.observed_us,
            used=exact_sum((shown(used[zone], factor), *unposted, Decimal(0) if opening is None else opening)),
            basis=basis,
            opening_known=opening_of(site, line) != "unknown",
        )
    )
    return {
        "line": line,
        "part": site.lines[line].part,
        "zone": zone if known else None,
        "consumed": shown(account.total(zone), factor) if known else None,
        "pending": shown(account.pending[zone], factor) if known else None,
        "factor": factor,
        "opening": opening_of(site, line),
        "coverage": _coverage(account),
        "basis": basis,
        "last_event": _last(events),
        "advice": "; ".join(f"{said.do} ({said.because})" for said in advice),
        "advice_list": [{"do": said.do, "because": said.because} for said in advice],
    }


def _worst_first(row: dict[str, Any]) -> tuple[int, Decimal, str]:
    if row["consumed"] is not None:
        return (1, exact_sum((row["consumed"], row["pending"])).copy_negate(), row["line"])
    return (0 if row["coverage"]["rigged_s"] > 0 else 2, Decimal(0), row["line"])


def _coverage(account: Account) -> dict[str, Any]:
    share = account.observed_us / account.rigged_us if account.rigged_us > 0 else None
    return {
        "rigged_s": seconds(account.rigged_us),
        "observed_s": seconds(account.observed_us),
        "share": share,
    }


def _last(events: list[Event]) -> dict[str, Any] | None:
    if not events:
        return None
    event = max(events, key=lambda event: (event.from_us, event.event))
    return {
        "event": event.event,
        "kind": event.kind,
        "from_at": us_to_rfc3339(event.from_us),
        "to_at": us_to_rfc3339(event.to_us),
        "peak_kn": event.peak_kn,
        "peak_pct": event.peak_pct,
    }
