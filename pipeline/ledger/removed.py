"""What may be taken away, what was taken away by decision, and what manifests name, asked without a ledger file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.ledger import index
from pipeline.ledger.apply import apply_to
from pipeline.ledger.database import Ledger, create
from pipeline.manifest import Manifest

NAMING = ("runs", "receipts", "parts", "flags", "sheets", "removed")
"""The tables that name files, or say that one is gone."""


@dataclass(frozen=True, slots=True)
class Removed:
    """A file that was taken away by decision: by which run, and why."""

    run: int
    sha256: str
    reason: str


@dataclass(frozen=True, slots=True)
class Superseded:
    """A file of the store that holds nothing live, and that no live entry cites; `run` is what superseded it."""

    kind: str
    path: str
    sha256: str
    run: int


def removed_files(ledger: Ledger) -> dict[str, Removed]:
    """Every file taken away by decision, by its path below the site."""
    found = ledger.rows("SELECT path, run, sha256, reason FROM removed ORDER BY run, seq")
    return {path: Removed(run, sha256, reason) for path, run, sha256, reason in found}


def superseded_files(ledger: Ledger, before_us: int) -> list[Superseded]:
    """Sheets and flags files superseded by runs that began before an instant, and not taken away yet.

    A sheets file holds several sheets: all of them must have been dropped. What a live entry cites stays, since a
    posting that came out equal was left alone and still rests on it.
    """
    found = ledger.rows(
        """
        WITH dropped AS (SELECT sheet, max(run) AS run FROM sheets WHERE op = 'drop' GROUP BY sheet),
        cited AS (SELECT DISTINCT unnest(sheets) AS sheet FROM live_entries),
        sheets_files AS (
            SELECT 'sheets' AS kind, s.path, any_value(s.digest) AS digest, max(d.run) AS run
            FROM sheets AS s LEFT JOIN dropped AS d ON s.sheet = d.sheet LEFT JOIN cited AS c ON s.sheet = c.sheet
            WHERE s.op = 'add' GROUP BY s.path
            HAVING bool_and(d.run IS NOT NULL) AND bool_and(c.sheet IS NULL)
        ),
        followed AS (
            SELECT path, digest, op, lead(run) OVER (PARTITION BY place, day ORDER BY run, seq) AS next_run FROM flags
        ),
        flags_files AS (
            SELECT 'flags' AS kind, path, any_value(digest) AS digest, max(next_run) AS run
            FROM followed WHERE op = 'set' GROUP BY path HAVING bool_and(next_run IS NOT NULL)
        )
        SELECT f.kind, 'store/' || f.path, f.digest, f.run
        FROM (FROM sheets_files UNION ALL FROM flags_files) AS f JOIN runs AS r ON r.run = f.run
        WHERE r.started_us < ? AND 'store/' || f.path NOT IN (SELECT path FROM removed)
        ORDER BY f.path
        """,
        [before_us],
    )
    return [Superseded(*row) for row in found]


def named_by(site_root: Path, committed: Sequence[Manifest]) -> tuple[dict[str, str], set[str]]:
    """Files outside manifests/ that these runs (a chain from its beginning) name, with SHA-256; those since removed.

    The runs' table files are checked against their digests on the way; StoreError names one that is altered.
    """
    with create(site_root, ":memory:") as ledger:
        for manifest in committed:
            apply_to(ledger.con, site_root, manifest, tables=NAMING)
        return index.named_files(ledger), set(removed_files(ledger))
