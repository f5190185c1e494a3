"""The real program, run in this process on a real site folder, and what it answers."""

from __future__ import annotations

from collections import Counter
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

from pipeline.audit import audit_site, rebuild_site
from pipeline.ledger import index, queries
from pipeline.ledger.account import ZONES, Account, accounts, last_site
from pipeline.ledger.database import Ledger, open_published
from pipeline.ledger.statement import statement
from pipeline.nightly import Night, run_ingest, run_night
from pipeline.tracing.cycles import cycles_json
from schemas.times import rfc3339_us
from tests.independent.compare import FIGURES
from tests.machine.books import Books, Cycles, Event, rounded
from tests.machine.model import WIDE, event_order
from tests.machine.registers import LINES

EntryRow = tuple[Any, ...]
EXTRA = {**FIGURES, "brake-held": ("brake_set_kn", "runs")}
"""What is compared of each kind besides line, instants and peak. Surges ask for more lines than the machine's three."""


def night(root: Path, through: date | None = None) -> Night:
    """One night, in this process."""
    return run_night(root, through=through)


def ingest_only(root: Path) -> Night:
    return run_ingest(root, [])


def audit(root: Path) -> list[str]:
    return audit_site(root)


def rebuild(root: Path) -> list[str]:
    return rebuild_site(root)


def open_kinds(root: Path) -> set[str]:
    """Kinds of the findings that stand."""
    with open_published(root) as ledger:
        return {finding.kind for finding in index.findings(ledger).values()}


def books(root: Path) -> Books:
    """The published books."""
    with open_published(root) as ledger:
        found = Books(events=_events(ledger), receipts=_receipts(ledger), conflicts=_conflicts(ledger))
        for (line, zone, day, mechanism), entry in index.postings(ledger).items():
            assert mechanism == "fatigue"
            found.postings[line, zone, day] = entry.life
        for account in accounts(ledger, last_site(ledger), LINES).values():
            _take(account, found)
    return found


def statement_books(root: Path) -> Books:
    """The accounts alone, as `tautlog statement` tells them of each line."""
    found = Books()
    with open_published(root) as ledger:
        for line in LINES:
            _tell(statement(ledger, line), found)
    return found


def entries(root: Path) -> list[EntryRow]:
    """Every entry ever made, as published: (run, seq, entry, line, zone, day, mechanism, life, ...)."""
    with open_published(root) as ledger:
        return [
            tuple(tuple(cell) if isinstance(cell, list) else cell for cell in row)
            for row in ledger.rows(
                "SELECT run, seq, entry, line, zone, day, mechanism, life, kind, reverses, reason, spec, spec_digest, "
                "policy_digest, basis, sheets FROM entries ORDER BY run, seq"
            )
        ]


def net(rows: list[EntryRow]) -> dict[tuple[str, str, date], Decimal]:
    """All entries added up by line, zone and day; nothing where they cancel to zero."""
    found: dict[tuple[str, str, date], Decimal] = {}
    for _, _, _, line, zone, day, _, life, *_ in rows:
        found[line, zone, day] = WIDE.add(found.get((line, zone, day), Decimal(0)), life)
    return {key: life for key, life in found.items() if life}


def cycles(root: Path, line: str) -> Cycles:
    """All closed cycles of a line and what is open, as `tautlog cycles` streams them from the samples."""
    with open_published(root) as ledger:
        answer = cycles_json(ledger, line, from_us=0, to_us=None)
    closed = Counter(
        (one["zone"], one["range_kn"], one["mean_kn"], rfc3339_us(one["closed_at"])) for one in answer["cycles"]
    )
    residue: dict[str, list[float]] = {}
    for point in answer["residue"]:
        residue.setdefault(point["zone"], []).append(point["kn"])
    return Cycles(closed, {zone: points for zone, points in residue.items() if len(points) > 1})


def _take(account: Account, found: Books) -> None:
    line = account.line
    found.coverage[line] = (account.rigged_us, account.observed_us)
    found.unposted |= {(line, row.zone, row.day): row.life for row in account.unposted}
    found.consumed |= {(line, zone): account.total(zone) for zone in ZONES if account.total(zone)}
    found.pending |= {(line, zone): life for zone, life in account.pending.items() if life}


def _tell(told: dict[str, Any], found: Books) -> None:
    line = told["line"]
    found.postings |= {(line, e["zone"], date.fromisoformat(e["day"])): e["life"] for e in told["entries"]}
    found.unposted |= {(line, u["zone"], date.fromisoformat(u["day"])): u["life"] for u in told["unposted"]}
    totals = {zone: lives["total"] for zone, lives in told["consumed"]["zones"].items()}
    found.consumed |= {(line, zone): life for zone, life in totals.items() if life}
    found.pending |= {(line, zone): life for zone, life in told["pending"]["zones"].items() if life}
    found.coverage[line] = (_us(told["coverage"]["rigged_s"]), _us(told["coverage"]["observed_s"]))


def _us(seconds: int | Decimal) -> int:
    exact = Decimal(seconds).scaleb(6)
    assert exact == int(exact)
    return int(exact)


def _events(ledger: Ledger) -> list[Event]:
    return sorted(map(_event, queries.events_json(ledger)["events"]), key=event_order)


def _event(told: dict[str, Any]) -> Event:
    event: Event = {
        "kind": told["kind"],
        "line": told["line"],
        "channel": told["channel"],
        "from_us": rfc3339_us(told["from_at"]),
        "to_us": rfc3339_us(told["to_at"]),
        "peak_kn": told["peak_kn"],
        "peak_us": rfc3339_us(told["peak_at"]),
        "tails": [(tail["line"], rounded(tail["peak_pct"])) for tail in told["tails"]],
    }
    if told["kind"] == "peak-load":
        pct = rounded(told["peak_pct"])
        return event | {"peak_pct": pct, "at_least": told["peak_at_least"], "excursions": told["excursions"]}
    if told["kind"] in EXTRA:
        return event | {"extra": [rounded(float(told[name])) for name in EXTRA[told["kind"]]]}
    event["breakout_us"] = rfc3339_us(told["breakout_at"])
    return event | {name: told[name] for name in ("breakout_kn", "render_kn", "payout_m", "slips", "verdict")}


def _receipts(ledger: Ledger) -> dict[str, Counter[str]]:
    found = {}
    for receipt in index.receipts(ledger).values():
        names = ("lines", "header", "blank", "ignored", "quarantined", "cells_quarantined")
        tally = Counter({name: int(getattr(receipt, name)) for name in names})
        tally["rows"] = receipt.stored + receipt.duplicate
        told = sum(tally[name] for name in ("header", "blank", "ignored", "quarantined", "rows"))
        assert tally["lines"] == told, f"lines of {receipt.file} that nothing became of: {tally}"
        if receipt.op != "withdrawn":
            found[receipt.sha256] = +tally
    return found


def _conflicts(ledger: Ledger) -> Counter[tuple[str, date]]:
    """Instants whose readings differ, as the findings tell them: "on DAY N instants have ..."."""
    found: Counter[tuple[str, date]] = Counter()
    for finding in index.findings(ledger).values():
        if finding.kind == "conflict":
            _, day, count, *_ = finding.text.split()
            found[finding.subject, date.fromisoformat(day)] += int(count)
    return found
