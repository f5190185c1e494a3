"""Frames of what is published, for exports: the snapshot's tables as they stand, each in a fixed order."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import duckdb

from pipeline.errors import StoreError
from pipeline.ledger.database import Ledger

if TYPE_CHECKING:
    import polars as pl

TABLES: Final = {
    "entries": "SELECT * FROM entries ORDER BY run, seq",
    "live_entries": "SELECT * FROM live_entries ORDER BY line, zone, day, mechanism",
    "events": "SELECT * FROM live_events ORDER BY from_us, line, kind, event",
    "findings": "SELECT * FROM live_findings ORDER BY run, seq",
    "receipts": "SELECT * FROM live_receipts ORDER BY run, seq",
    "sheets": "SELECT * FROM live_sheets ORDER BY channel, day, from_us, sheet",
    "parts": "SELECT * FROM live_parts ORDER BY place, day, first_us, part",
    "channel_days": "SELECT * FROM live_channel_days ORDER BY channel, day",
    "runs": "SELECT * FROM runs ORDER BY run",
    "removed": "SELECT * FROM removed ORDER BY run, seq",
    "air": """
        SELECT channel, place, quantity, unnest(bins) * 600000000 AS from_at, unnest(means) AS mean
        FROM live_air_days ORDER BY channel, from_at
        """,
    "line_days": """
        SELECT s.run, s.line, s.zone, s.day, s.postable, s.life_units, w.creep_units, w.abrasion_units, w.facts,
            s.sheets, coalesce(o.observed_us, 0)::BIGINT AS observed_us
        FROM live_states AS s
        LEFT JOIN live_wear_days AS w USING (line, zone, day)
        LEFT JOIN (
            SELECT used.line, used.zone, used.day, sum(sheets.observed_us)::BIGINT AS observed_us
            FROM (SELECT DISTINCT line, zone, day, unnest(sheets) AS sheet FROM live_states) AS used
            JOIN live_sheets AS sheets ON used.sheet = sheets.sheet
            GROUP BY ALL
        ) AS o USING (line, zone, day)
        ORDER BY s.line, s.zone, s.day
        """,
    "cycle_classes": """
        SELECT line, zone, date_trunc('month', day)::DATE AS month,
            low * 5 AS low_from_kn, high * 5 AS high_from_kn, sum(n)::BIGINT AS cycles
        FROM (
            SELECT line, zone, day, unnest(cycle_low) AS low, unnest(cycle_high) AS high, unnest(cycle_count) AS n
            FROM live_wear_days
        ) GROUP BY ALL ORDER BY ALL
        """,
    "level_classes": """
        SELECT line, zone, date_trunc('month', day)::DATE AS month, class * 5 AS from_kn, sum(us)::BIGINT AS time_us
        FROM (SELECT line, zone, day, unnest(level_class) AS class, unnest(level_us) AS us FROM live_wear_days)
        GROUP BY ALL ORDER BY ALL
        """,
}
"""What is asked for each exported table that the ledger holds. Classes are of 5 kN, bins of ten minutes."""


def frame(ledger: Ledger, table: str) -> pl.DataFrame:
    """The rows of one exported table as the ledger has them, in its order. StoreError: the snapshot is unreadable."""
    import polars as pl

    try:
        found: Any = ledger.con.sql(TABLES[table]).to_arrow_table()
    except duckdb.ProgrammingError:
        raise  # our own query is wrong
    except duckdb.Error as error:
        raise StoreError(
            f"what is published cannot be read: {error}", file=ledger.file, next_step="run `tautlog rebuild`"
        ) from error
    made = pl.from_arrow(found)
    assert isinstance(made, pl.DataFrame)
    return made
