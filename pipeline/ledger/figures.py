"""Counts of a ledger for metrics: what all nights together have read, posted and found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.ledger import index
from pipeline.ledger.account import coverage_us, last_site
from pipeline.ledger.database import Ledger

FATES = ("header", "blank", "ignored", "stored", "duplicate", "quarantined")


@dataclass(frozen=True, slots=True)
class Figures:
    """`rows`: lines of raw files by fate, over every receipt ever written; `live_rows` over the newest receipt of each
    file. `entries`: ever made, by kind. `findings`: open ones by (kind, severity). `coverage`: (rigged, observed) [us]
    by line. `unreckoned`: place-days with samples that no night has made sheets of.
    """

    raw_files: int
    rows: Mapping[str, int]
    live_rows: Mapping[str, int]
    entries: Mapping[str, int]
    live_entries: int
    live_events: Mapping[str, int]
    findings: Mapping[tuple[str, str], int]
    coverage: Mapping[str, tuple[int, int]]
    unreckoned: int


def figures(ledger: Ledger) -> Figures:
    """Count a ledger or its snapshot; StoreError before the first run."""
    site = last_site(ledger)
    [(raw_files, live_entries)] = ledger.rows(
        "SELECT (SELECT count(*) FROM live_receipts), (SELECT count(*) FROM live_entries)"
    )
    found = ledger.rows("SELECT kind, severity, count(*) FROM live_findings GROUP BY ALL ORDER BY ALL")
    return Figures(
        raw_files=raw_files,
        rows=_fates(ledger, "receipts"),
        live_rows=_fates(ledger, "live_receipts"),
        entries={"posting": 0, "reversal": 0, **_counts(ledger, "entries")},
        live_entries=live_entries,
        live_events=_counts(ledger, "live_events"),
        findings={(kind, severity): count for kind, severity, count in found},
        coverage=coverage_us(ledger, site),
        unreckoned=index.unreckoned(ledger),
    )


def _counts(ledger: Ledger, table: str) -> dict[str, int]:
    return dict(ledger.rows(f"SELECT kind, count(*) FROM {table} GROUP BY ALL ORDER BY ALL"))


def _fates(ledger: Ledger, table: str) -> dict[str, int]:
    sums = ", ".join(f"coalesce(sum({fate}), 0)::BIGINT" for fate in FATES)
    [counts] = ledger.rows(f"SELECT {sums} FROM {table}")
    return dict(zip(FATES, counts, strict=True))
