"""Which rows of a raw file bring a reading that is new or different, and which only repeat what is stored."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.store.columns import numbers
from pipeline.store.days import part_table, part_values
from pipeline.store.depot import Depot
from pipeline.store.samples import Part
from pipeline.store.scaled import value_bits

if TYPE_CHECKING:
    import polars as pl

Ints = NDArray[np.int64]


def count_new_rows(store: Depot, parts: Sequence[Part], earlier: Iterable[Part]) -> int:
    """How many raw lines of `parts` (one raw file) hold a reading that neither `earlier` nor a former line has.

    A reading is channel, instant and value; missing is a value like any other here.
    """
    before = list(earlier)
    fresh: list[Ints] = []
    for place, day in sorted({(part.place, part.day) for part in parts}):
        own = [part for part in parts if (part.place, part.day) == (place, day)]
        first, last = min(p.first_us for p in own), max(p.last_us for p in own)
        beside = [p for p in before if (p.place, p.day) == (place, day) and p.first_us <= last and p.last_us >= first]
        fresh.append(_new_lines(store, own, beside, first, last))
    return np.unique(np.concatenate(fresh)).size if fresh else 0


def _new_lines(store: Depot, own: Sequence[Part], beside: Sequence[Part], first_us: int, last_us: int) -> Ints:
    """Raw lines of a place's day with a reading that no other holds; `beside`: parts between the same instants."""
    at_us, lines = (np.concatenate(columns) for columns in zip(*(_instants(store, part) for part in own), strict=True))
    stored = [part_table(store, part, first_us, last_us + 1, columns=["at"])["at"] for part in beside]
    if np.unique(at_us).size == at_us.size and not any(np.isin(at_us, numbers(other)).any() for other in stored):
        return lines  # no reading can repeat another: none shares its instant
    import polars as pl  # loads long, and most nights repeat nothing

    known = ["channel", "at", "bits"]
    readings = pl.concat([_readings(store, part) for part in own]).sort("raw_line", maintain_order=True)
    new = readings.unique(known, keep="first", maintain_order=True)
    if beside:
        held = pl.concat([_readings(store, part, first_us, last_us + 1) for part in beside]).select(known).unique()
        new = new.join(held, on=known, how="anti")
    return new["raw_line"].to_numpy()


def _instants(store: Depot, part: Part) -> tuple[Ints, Ints]:
    """Instants [us] and raw lines of a part's rows."""
    table = part_table(store, part, columns=["at", "raw_line"])
    return numbers(table["at"]), numbers(table["raw_line"])


def _readings(store: Depot, part: Part, from_us: int | None = None, to_us: int | None = None) -> pl.DataFrame:
    """Readings of a part, or of its [from_us, to_us), one row each; a value as the bits of its double, one NaN for all
    missing.
    """
    import polars as pl

    table = part_table(store, part, from_us, to_us)
    at = numbers(table["at"])
    raw_line = numbers(table["raw_line"])
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
