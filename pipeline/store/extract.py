"""An extract of samples for other people's programs: every stored reading of a place, as Parquet and as CSV.

Columns: `at` (UTC, microseconds, as the logger stamped it), `raw` (the first 12 digits of the raw file's SHA-256),
`line` (in that file), then a column for each channel in the canonical unit of its quantity: no value where the row
has no reading of the channel, NaN where it has one that is missing (a sentinel, or a cell that could not be read).
Repeated and conflicting readings all stand; the rows are in order of `at`, raw file and line, so that the files do not
depend on how and in which order the samples came into the store. Places whose readings stand in the very same rows of
raw files, as in a wide log, are told together: their rows once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
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
_KEYS = ("at", "raw", "line")
AT = "%Y-%m-%dT%H:%M:%S%.6fZ"


@dataclass(frozen=True)
class Extract:
    """The rows of a place, or of several together."""

    places: tuple[str, ...]
    rows: pl.DataFrame

    def alike(self, other: Extract) -> bool:
        """Whether the rows of both are the very same ones."""
        return self.rows.select(_KEYS).equals(other.rows.select(_KEYS))

    def joined(self, other: Extract) -> Extract:
        """Both together, of which the rows are the very same ones."""
        return Extract((*self.places, *other.places), self.rows.hstack(other.rows.drop(_KEYS).get_columns()))

    def whole(self) -> Extract:
        """The same with files named, and each column in one piece, so that what is written does not depend on the parts
        read."""
        import polars as pl

        codes = self.rows["raw"].rechunk()
        named = {code: f"{code:0{SHA_DIGITS}x}" for code in codes.unique().to_list()}
        raw = codes.replace_strict(named, return_dtype=pl.String) if named else codes.cast(pl.String)
        return Extract(self.places, self.rows.with_columns(raw).rechunk())

    def between(self, from_us: int, to_us: int) -> Extract:
        """The rows of a shorter time, [from_us, to_us)."""
        import polars as pl

        at_us = self.rows["at"].cast(pl.Int64).to_numpy()
        begin, end = np.searchsorted(at_us, [from_us, to_us]).tolist()
        return Extract(self.places, self.rows.slice(begin, end - begin))

    def write(self, stem: Path) -> None:
        """Write `stem` with `.parquet` and with `.csv`; the folder must be there. The same rows, the same bytes."""
        self.rows.write_parquet(stem.with_name(stem.name + ".parquet"), compression="zstd", compression_level=1)
        self.rows.write_csv(stem.with_name(stem.name + ".csv"), datetime_format=AT, null_value="")


def extract(store: Depot, place: str, parts: Sequence[Part], *, from_us: int, to_us: int) -> Extract:
    """Every stored reading of a place in [from_us, to_us). Raises StoreError for a part that is gone or torn."""
    import polars as pl

    channels = sorted({channel for part in parts for channel in part.channels})
    kinds: dict[str, pl.DataType] = {"at": pl.Datetime("us", "UTC"), "raw": pl.Int64(), "line": pl.Int64()}
    kinds |= dict.fromkeys(channels, pl.Float64())
    pieces = [
        _piece(store, part, channels, from_us, to_us)
        for part in sorted(parts, key=lambda part: (part.first_us, part.sha256, part.rows, part.part))
        if part.first_us < to_us and part.last_us >= from_us
    ]
    rows = pl.concat(pieces) if pieces else pl.DataFrame(schema=kinds)
    if np.any(np.diff(rows["at"].cast(pl.Int64).to_numpy()) <= 0):  # most logs come in order, and need no sort
        rows = rows.sort(_KEYS)
    return Extract((place,), rows.cast({name: kinds[name] for name in rows.columns}))


def together(extracts: Iterable[Extract]) -> list[Extract]:
    """Extracts, those with the very same rows as one, in the order given. At most one stands in memory besides."""
    found: list[Extract] = []
    for one in extracts:
        for i, other in enumerate(found):
            if other.alike(one):
                found[i] = other.joined(one)
                break
        else:
            found.append(one)
    # Only now: keys that others have too, stamps, file and line, are most of what there would be to copy.
    return [one.whole() for one in found]


def _piece(store: Depot, part: Part, channels: Sequence[str], from_us: int, to_us: int) -> pl.DataFrame:
    import polars as pl

    table = part_table(store, part, from_us, to_us)
    columns = {"at": pl.Series(numbers(table["at"])).cast(pl.Datetime("us", "UTC"))}
    # Until all is read a file is a number: of twelve digits they sort as their text does.
    columns["raw"] = pl.Series(np.full(table.num_rows, int(part.sha256[:SHA_DIGITS], 16), np.int64))
    columns["line"] = pl.Series(numbers(table["raw_line"]))
    for name in channels:
        if name not in part.channels:
            columns[name] = pl.repeat(None, table.num_rows, dtype=pl.Float64, eager=True)
            continue
        value, absent = part_values(table, name)
        column = pl.Series(np.asarray(value, np.float64), nan_to_null=False)
        columns[name] = column if absent is None else column.set(pl.Series(absent), None)
    return pl.DataFrame(columns)
