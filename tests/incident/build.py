"""Lines and readings made by hand, for tests of incidents: whole microseconds, kN, one channel a line."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.incident.lines import Floats, LineRecord, Reading
from schemas.registers import Policy, Rigging

START_US = 1_700_000_000_000_000
POLICY = Policy()


def rigging(line: str, **more: Any) -> Rigging:
    """A rigging of a line on its own channel, from long ago and still there."""
    row = {
        "line": line,
        "channel": f"{line}-tension",
        "from": "2023-01-01T00:00:00Z",
        "to": None,
        "outboard_end": "a",
        "share_pct": 100.0,
        "role": "breast",
        **more,
    }
    return Rigging.model_validate(row)


def line(
    name: str,
    kn: Floats,
    *,
    rate_hz: float = 10.0,
    start_us: int = START_US,
    logger: str = "one",
    filter_s: float = 0.0,
    filter_known: bool = True,
    keep: Any = None,
    **more: Any,
) -> LineRecord:
    """A line that was read at a steady rate; `keep`: which readings there are (all)."""
    at_us = start_us + np.arange(kn.size, dtype=np.int64) * round(1e6 / rate_hz)
    kept = np.ones(kn.size, np.bool_) if keep is None else np.asarray(keep)
    at_us, kn = at_us[kept], np.asarray(kn, np.float64)[kept]
    numbers = np.arange(at_us.size, dtype=np.int64)
    row = rigging(name, **more)
    reading = Reading(row.channel, at_us, kn, numbers + 2, np.zeros_like(numbers), ("0" * 64,), {"0" * 64: "made.csv"})
    none = np.zeros(at_us.size, np.bool_)
    return LineRecord(
        line=name,
        rigging=row,
        tails=(),
        place=name,
        logger=logger,
        kind="load-pin",
        rate_hz=rate_hz,
        capacity_kn=1500.0,
        filter_s=filter_s,
        filter_known=filter_known,
        limit_kn=1000.0,
        break_force_kn=1050.0,
        brake_set_kn=None,
        floor_kn=10.0,
        reading=reading,
        kn=kn,
        usable=np.ones(at_us.size, np.bool_),
        clipped=none,
        suspect=none,
        on_channel=(name,),
    )
