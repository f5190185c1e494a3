"""What the accounts of all lines are told from, read once: for `status`, and for whoever states many lines."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.ledger import index
from pipeline.ledger.account import Account, accounts, known_line, last_site
from pipeline.ledger.database import Ledger
from pipeline.ledger.line_facts import Evidence, evidence_of
from pipeline.ledger.service import Call, calls
from pipeline.site import Site


@dataclass(frozen=True)
class Gathered:
    """Registers of the newest run, accounts by line, evidence of all lines, calls begun by the horizon, days that no
    night has looked at; `head`: the newest run.
    """

    site: Site
    accounts: Mapping[str, Account]
    evidence: Evidence
    calls: list[Call]
    unreckoned_days: int
    head: Mapping[str, Any] | None

    @property
    def horizon_us(self) -> int | None:
        return self.evidence.horizon_us


def gather(ledger: Ledger, lines: Iterable[str] | None = None) -> Gathered:
    """Of the given lines (default: of all). RegisterError for an unknown one; StoreError: no run yet."""
    site = last_site(ledger)
    wanted = list(site.lines if lines is None else lines)
    for line in wanted:
        known_line(site, line)
    evidence = evidence_of(ledger)
    made = calls(site.riggings, {name: row.ship for name, row in site.lines.items()}, evidence.horizon_us)
    return Gathered(site, accounts(ledger, site, wanted), evidence, made, index.unreckoned(ledger), _head_run(ledger))


def _head_run(ledger: Ledger) -> dict[str, Any] | None:
    """The head of the chain that this ledger is at, against which an account can be proven."""
    found = ledger.rows(
        "SELECT r.run, r.run_id, a.manifest_sha256 FROM runs AS r JOIN applied AS a ON r.run = a.run "
        "ORDER BY r.run DESC LIMIT 1"
    )
    return dict(zip(("run", "run_id", "manifest_sha256"), found[0], strict=True)) if found else None
