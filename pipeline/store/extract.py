"""An extract of the samples of one place for other people's programs: every stored reading, as Parquet and as CSV.

Columns: `at` (UTC, microseconds, as the logger stamped it), `raw` (the first 12 digits of the raw file's SHA-256),
`line` (in that file), then a column for each channel in the canonical unit of its quantity: no value where the row
has no reading of the channel, NaN where it has one that is missing (a sentinel, or a cell that could not be read).
Repeated and conflicting readings all stand; the rows are in order of `at`, raw file and line, so that the files do not
depend on how and in which order the samples came into the store.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pipeline.store.columns import numbers
from pipeline.store.days import part_table, part_values
from pipeline.store.depot import Depot
from pipeline.store.samples import Part

if TYPE_CHECKING:
    import polars as pl

SHA_DIGITS = 12
AT = "%Y-%m-%dT%H:%M:%S%.6fZ"


@dataclass(frozen=True)
class Extract:
    """The rows of one place, of [from_us, to_us)."""

    place: str
    rows: pl.DataFrame

    def between(self, from_us: int, to_us: int) -> Extract:
        """The rows of a shorter time."""
        import polars as pl

        at_us = self.rows["at"].cast(pl.Int64)
        return Extract(self.place, self.rows.filter((at_us >= from_us) & (at_us < to_us)))

    def write(self, stem: Path) -> None:
        """Write `stem` with `.parquet` and with `.csv`; the folder must be there. The same rows, the same bytes."""
        self.rows.write_parquet(stem.with_name(stem.name + ".parquet"), compression="zstd", compression_level=3)
        self.rows.write_csv(stem.with_name(stem.name + ".csv"), datetime_format=AT, null_value="")


def extract(store: Depot, place: str, parts: Sequence[Part], *, from_us: int, to_us: int) -> Extract:
    """Every stored reading of a place in [from_us, to_us). Raises StoreError for a part that is gone or torn."""
    import polars as pl

    channels = sorted({channel for part in parts for channel in part.channels})
    kinds: dict[str, pl.DataType] = {"at": pl.Datetime("us", "UTC"), "raw": pl.String(), "line": pl.Int64()}
    kinds |= dict.fromkeys(channels, pl.Float64())
    pieces = [
        _piece(store, part, channels, from_us, to_us)
        for part in sorted(parts, key=lambda part: (part.first_us, part.sha256, part.rows, part.part))
        if part.first_us < to_us and part.last_us >= from_us
    ]
    rows = pl.concat(pieces) if pieces else pl.DataFrame(schema=kinds)
    return Extract(place, rows.sort("at", "raw", "line").cast({name: kinds[name] for name in rows.columns}))


def _piece(store: Depot, part: Part, channels: Sequence[str], from_us: int, to_us: int) -> pl.DataFrame:
    import polars as pl

    table = part_table(store, part, from_us, to_us)
    columns = {"at": pl.Series(numbers(table["at"])).cast(pl.Datetime("us", "UTC"))}
    columns["raw"] = pl.repeat(part.sha256[:SHA_DIGITS], table.num_rows, dtype=pl.String, eager=True)
    columns["line"] = pl.Series(numbers(table["raw_line"]))
    for name in channels:
        if name not in part.channels:
            columns[name] = pl.repeat(None, table.num_rows, dtype=pl.Float64, eager=True)
            continue
        value, absent = part_values(table, name)
        column = pl.Series(np.asarray(value, np.float64), nan_to_null=False)
        columns[name] = column if absent is None else column.set(pl.Series(absent), None)
    return pl.DataFrame(columns)
