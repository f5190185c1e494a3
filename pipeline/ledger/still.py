"""The published snapshot held still: for whoever asks it for all lines, one after another, as pages and exports do.

What is live is laid down once in tables of this connection's own, under the names of the views they are made from, so
that a view's work over every row ever made is not done again for each line; and what is asked of all lines together is
asked once (`Ledger.once`). Every function that answers from a ledger answers the same from this one, to the last digit.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.ledger.database import Ledger, open_published

LAID_DOWN = {
    "live_states": "line, zone, day",
    "live_entries": "line, zone, day, mechanism",
    "live_wear_days": "line, zone, day",
    "live_sheets": "channel, day",
    "live_sheet_marks": "channel, day",
    "live_parts": "place, day",
    "live_flags": "place, day",
    "live_events": "line, from_us",
    "live_findings": "run, seq",
}
"""The views that a statement asks, and the order in which their rows are looked for."""


def open_still(site_root: Path) -> Ledger:
    """The published snapshot, for many questions; close it, or use it in a `with`. StoreError: nothing is published."""
    return held_still(open_published(site_root))


def held_still(ledger: Ledger) -> Ledger:
    """The same of a snapshot that is open."""
    for view, order in LAID_DOWN.items():
        ledger.rows(f"CREATE TEMP TABLE {view} AS SELECT * FROM main.{view} ORDER BY {order}")
    ledger.kept = {}
    return ledger
