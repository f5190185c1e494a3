"""Which rows of a raw file bring a reading that is new or different, and which only repeat what is stored."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from pipeline.store.days import part_table, part_values
from pipeline.store.depot import Depot
from pipeline.store.samples import Part
from pipeline.store.scaled import value_bits

if TYPE_CHECKING:
    import polars as pl


def count_new_rows(store: Depot, parts: Sequence[Part], earlier: Iterable[Part]) -> int:
    """How many raw lines of `parts` (one raw file) hold a reading that neither `earlier` nor a former line has.

    A reading is channel, instant and value; missing is a value like any other here.
    """
    import polars as pl  # loads long, and most nights repeat nothing

    before = list(earlier)
    fresh: list[pl.Series] = []
    for place, day in sorted({(part.place, part.day) for part in parts}):
        own = [part for part in parts if (part.place, part.day) == (place, day)]
        first, last = min(p.first_us for p in own), max(p.last_us for p in own)
        beside = [p for p in before if (p.place, p.day) == (place, day) and p.first_us <= last and p.last_us >= first]
        readings = pl.concat([_readings(store, part) for part in own]).sort("raw_line", maintain_order=True)
        known = ["channel", "at", "bits"]
        new = readings.unique(known, keep="first", maintain_order=True)
        if beside:
            stored = pl.concat([_readings(store, part, first, last + 1) for part in beside]).select(known).unique()
            new = new.join(stored, on=known, how="anti")
        fresh.append(new["raw_line"])
    return pl.concat(fresh).n_unique() if fresh else 0


def _readings(store: Depot, part: Part, from_us: int | None = None, to_us: int | None = None) -> pl.DataFrame:
    """Readings of a part, or of its [from_us, to_us), one row each; a value as the bits of its double, one NaN for all
    missing.
    """
    import polars as pl

    table = part_table(store, part, from_us, to_us)
    at = table["at"].cast(pa.int64()).to_numpy()
    raw_line = table["raw_line"].to_numpy()
    frames = []
    for name in table.column_names[2:]:
        value, absent = part_values(table, name)
        there = np.ones(at.size, np.bool_) if absent is None else ~absent
        bits = value_bits(value)
        frames.append(
            pl.DataFrame(
                {
                    "channel": np.full(int(there.sum()), name),
                    "at": at[there],
                    "bits": bits[there],
                    "raw_line": raw_line[there],
                },
                schema={"channel": pl.String, "at": pl.Int64, "bits": pl.Int64, "raw_line": pl.Int64},
            )
        )
    return pl.concat(frames)
