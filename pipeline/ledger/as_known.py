"""The ledger as it was known at an instant: a prefix of the chain, in memory, copied from the published snapshot.

What a run adds is never changed by a later one, so the rows of the first `k` runs are, to the last digit, all that the
ledger held when run `k` had committed. Nothing is locked and nothing is written.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline.errors import RegisterError
from pipeline.ledger.apply import TABLES
from pipeline.ledger.database import Ledger, create, literal, open_snapshot
from schemas.times import us_to_rfc3339
from schemas.versions import ADDED_TABLES

COMMITTED = "committed_us"
"""Key of a run's `meta`: the instant of its commit. Runs of older manifests lack it; they began at `started_us`."""


def open_as_known(site_root: Path, instant_us: int) -> Ledger:
    """The ledger with the last run that had committed by an instant, and all before it; close it like any other.

    A clock that was set back tears nothing: the run taken is the one of the largest number, not the latest by clock.
    Raises RegisterError before the first run, StoreError when nothing is published or it cannot be read.
    """
    return open_snapshot(site_root, lambda root, file: _copied(root, file, instant_us))


def ask_as_known(site_root: Path, instant_us: int, ask: Callable[[Ledger], dict[str, Any]]) -> dict[str, Any]:
    """An answer from the ledger as it was known at an instant, which says of which run it is, and when that was."""
    with open_as_known(site_root, instant_us) as ledger:
        run, run_id, manifest_sha256 = ledger.rows(
            "SELECT r.run, r.run_id, a.manifest_sha256 FROM runs AS r JOIN applied AS a ON r.run = a.run "
            "ORDER BY r.run DESC LIMIT 1"
        )[0]
        return {
            "as_known_on": us_to_rfc3339(instant_us),
            "committed_at": us_to_rfc3339(_times(ledger)[run]),
            **ask(ledger),
            "run": {"run": run, "run_id": run_id, "manifest_sha256": manifest_sha256},
        }


def _copied(site_root: Path, file: Path, instant_us: int) -> Ledger:
    ledger = create(site_root, ":memory:", writer=False)
    try:
        ledger.con.execute(f"ATTACH {literal(str(file))} AS snapshot (READ_ONLY)")
        times = _times(ledger, "snapshot.runs")
        runs = [run for run, at_us in times.items() if at_us <= instant_us]
        if not runs:
            first_us = min(times.values())
            raise RegisterError(
                f"nothing was known yet at {us_to_rfc3339(instant_us)}",
                file=site_root,
                found=f"a first run committed at {us_to_rfc3339(first_us)}",
                next_step="give --as-known-on a later day or instant",
            )
        there = {
            name
            for (name,) in ledger.con.execute(
                "SELECT table_name FROM duckdb_tables() WHERE database_name = 'snapshot'"
            ).fetchall()
        }
        for table in (*TABLES, "applied"):
            if table not in there and table in ADDED_TABLES:
                continue  # published by an older program, which had no such rows
            # Names come from the literal table; by name, since an older program may have published other columns.
            ledger.con.execute(
                f"INSERT INTO {table} BY NAME SELECT * FROM snapshot.{table} WHERE run <= ?", [max(runs)]
            )
        ledger.con.execute("DETACH snapshot")
    except BaseException:
        ledger.con.close()
        raise
    return ledger


def _times(ledger: Ledger, runs: str = "runs") -> dict[int, int]:
    """When each run committed, as far as its manifest tells [us]."""
    found = ledger.con.execute(f"SELECT run, started_us, meta FROM {runs} ORDER BY run").fetchall()
    return {run: int(json.loads(meta).get(COMMITTED, started_us)) for run, started_us, meta in found}
