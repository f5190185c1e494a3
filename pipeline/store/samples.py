"""Samples in Parquet: one part for what a raw file holds of a place and a UTC day, sorted by time.

Columns: `at` (UTC, microseconds), `raw_line` (line number in the raw file), then a column for each channel with
the raw number as written; its field metadata says unit and scale. Null: this row holds no reading of the channel.
Missing (a sentinel, or a cell that could not be read): INT32_MISSING, or NaN in a column of doubles.
All readings stay: which one is live is decided when a day is read.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Self

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from pipeline.errors import Bug
from pipeline.readers import PlaceRows
from pipeline.store.depot import Depot
from pipeline.store.edges import Edges
from pipeline.store.files import draft_of, place_day, unique_name
from pipeline.store.scaled import AS_FLOAT, scaled_exactly, smallest_scale
from schemas.times import DAY_US, day_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Part:
    """One samples file; `part` is its path below `store/`.

    `head_digest`, `tail_digest`: of the readings that the day before, and the day after, may look at.
    """

    part: str
    sha256: str
    place: str
    day: date
    rows: int
    first_us: int
    last_us: int
    digest: str
    head_digest: str
    tail_digest: str
    channels: tuple[str, ...]


def store_part(row: Any) -> Part:
    """A part from a row of the ledger's index, which has the same columns and more."""
    return Part(
        part=row.part,
        sha256=row.sha256,
        place=row.place,
        day=row.day,
        rows=row.rows,
        first_us=row.first_us,
        last_us=row.last_us,
        digest=row.digest,
        head_digest=row.head_digest,
        tail_digest=row.tail_digest,
        channels=tuple(row.channels),
    )


class _Draft:
    """A part being written: pieces of ascending time, encoded alike, each a row group."""

    def __init__(self, path: Path, name: str, day: date, schema: pa.Schema, units: Mapping[str, str]) -> None:
        self.path = path
        self.name = name
        self.day = day
        self.schema = schema
        self.scales = {f.name: int(f.metadata[b"scale"]) for f in schema if f.metadata}
        self.writer = pq.ParquetWriter(draft_of(path), schema, **_parquet_options(schema))
        self.rows = 0
        self.first_us = 2**63 - 1
        self.last_us = -(2**63)
        self.edges = Edges(day, units)

    def takes(self, day: date, first_us: int, channels: Collection[str]) -> bool:
        """Whether rows of a day that begin at an instant, with these channels, may follow what it holds."""
        return day == self.day and first_us >= self.last_us and self.scales.keys() == set(channels)


class SampleWriter:
    """Writes the samples of one raw file, piece by piece, as parts.

    A part is closed, and another begun, when the day changes, when time steps back past what it holds, or when
    a number needs a finer scale: so that parts are sorted and memory stays flat. Used in a `with` block, which
    takes away all that was written when it ends by an error.
    """

    def __init__(self, store: Depot, sha256: str, units: Mapping[str, str]) -> None:
        self._store, self._sha256, self._units = store, sha256, units
        self._drafts: dict[str, _Draft] = {}
        self._parts: list[Part] = []
        self.tied = False
        """Whether any two rows of a place shared an instant: only then can the file repeat itself."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is not None:
            self.abandon()

    def add(self, rows: PlaceRows) -> None:
        """Take the rows of one place from one piece of the file, in file order."""
        if rows.at_us.size == 0:
            return
        order = None
        if np.any(rows.at_us[1:] < rows.at_us[:-1]):
            order = np.argsort(rows.at_us, kind="stable")
        at_us = rows.at_us if order is None else rows.at_us[order]
        cuts: list[int] = []
        if at_us[0] // DAY_US != at_us[-1] // DAY_US:
            cuts = (np.flatnonzero(np.diff(at_us // DAY_US)) + 1).tolist()
        for begin, end in zip([0, *cuts], [*cuts, at_us.size], strict=True):
            pick = slice(begin, end) if order is None else order[begin:end]
            self._add_day(
                rows.place,
                day_of(int(at_us[begin])),
                rows.at_us[pick],
                rows.line_no[pick],
                {name: column[pick] for name, column in rows.values.items()},
                {name: mask[pick] for name, mask in rows.absent.items()},
            )

    def close(self) -> list[Part]:
        """Write what is still open; returns every part of the file."""
        for place in list(self._drafts):
            self._finish(place)
        return self._parts

    def abandon(self) -> None:
        """Take away all that was written: the file turned out to be unreadable, or the disk to be full."""
        for draft in self._drafts.values():
            draft_of(draft.path).unlink(missing_ok=True)
        for part in self._parts:
            self._store.remove(part.part)
        self._drafts.clear()
        self._parts.clear()

    def _add_day(
        self,
        place: str,
        day: date,
        at_us: Ints,
        line_no: Ints,
        values: Mapping[str, Floats],
        absent: Mapping[str, NDArray[np.bool_]],
    ) -> None:
        draft, columns = self._drafts.get(place), None
        if draft is not None and draft.takes(day, int(at_us[0]), values):
            columns = _encode(values, draft.scales)
        if draft is None or columns is None:
            if draft is not None:
                self._finish(place)
            scales = {name: smallest_scale(np.ascontiguousarray(column)) for name, column in values.items()}
            name = f"{place_day('samples', place, day)}/{unique_name(self._sha256[:16])}"
            path = self._store / name
            draft = self._drafts[place] = _Draft(path, name, day, _schema(scales, self._units), self._units)
            columns = _encode(values, scales)
            if columns is None:
                raise Bug("a scale does not hold the numbers it was chosen for", file=path)
        draft.writer.write_table(_table(at_us, line_no, columns, absent, draft.schema), row_group_size=1 << 20)
        self.tied = self.tied or bool(np.any(at_us[1:] == at_us[:-1])) or int(at_us[0]) == draft.last_us
        draft.rows += at_us.size
        draft.first_us = min(draft.first_us, int(at_us[0]))
        draft.last_us = int(at_us[-1])
        for name, column in values.items():
            there = ~absent[name] if name in absent else slice(None)
            draft.edges.add(name, at_us[there], column[there])

    def _finish(self, place: str) -> None:
        draft = self._drafts.pop(place)
        draft.writer.close()
        self._parts.append(
            Part(
                part=draft.name,
                sha256=self._sha256,
                place=place,
                day=draft.day,
                rows=draft.rows,
                first_us=draft.first_us,
                last_us=draft.last_us,
                digest=self._store.put(draft_of(draft.path), draft.name),
                head_digest=draft.edges.head_digest(),
                tail_digest=draft.edges.tail_digest(),
                channels=draft.edges.channels,
            )
        )


def _encode(values: Mapping[str, Floats], scales: Mapping[str, int]) -> dict[str, NDArray[np.generic]] | None:
    """Columns as the draft keeps them, in its order; None when a number does not fit its scale."""
    columns: dict[str, NDArray[np.generic]] = {}
    for name, scale in scales.items():
        if scale == AS_FLOAT:
            # Zero has one sign, as in a scaled column: else the figures shown would depend on the other numbers.
            columns[name] = values[name] + 0.0
            continue
        integers = scaled_exactly(np.ascontiguousarray(values[name]), scale)
        if integers is None:
            return None
        columns[name] = integers.astype(np.int32)
    return columns


def _schema(scales: Mapping[str, int], units: Mapping[str, str]) -> pa.Schema:
    fields = [
        pa.field("at", pa.timestamp("us", "UTC"), nullable=False),
        pa.field("raw_line", pa.int64(), nullable=False),
    ]
    for name, scale in scales.items():
        kind = pa.float64() if scale == AS_FLOAT else pa.int32()
        fields.append(pa.field(name, kind, metadata={"unit": units[name], "scale": str(scale)}))
    return pa.schema(fields)


def _table(
    at_us: Ints,
    line_no: Ints,
    columns: Mapping[str, NDArray[np.generic]],
    absent: Mapping[str, NDArray[np.bool_]],
    schema: pa.Schema,
) -> pa.Table:
    arrays = [_array(at_us, schema.field("at").type), _array(line_no, pa.int64())]
    arrays += [_array(column, schema.field(name).type, absent.get(name)) for name, column in columns.items()]
    return pa.Table.from_arrays(arrays, schema=schema)


def _array(column: NDArray[np.generic], kind: pa.DataType, absent: NDArray[np.bool_] | None = None) -> pa.Array:
    """An Arrow array over a column's own memory. (`pa.array` copies it, and loads pandas where that is installed.)"""
    there = None if absent is None else pa.py_buffer(np.packbits(~absent, bitorder="little"))
    return pa.Array.from_buffers(kind, column.size, [there, pa.py_buffer(np.ascontiguousarray(column))])


def _parquet_options(schema: pa.Schema) -> dict[str, Any]:
    doubles = [f.name for f in schema if pa.types.is_floating(f.type)]
    return {
        "compression": "zstd",
        "compression_level": 1,
        "use_dictionary": doubles,
        "column_encoding": {f.name: "DELTA_BINARY_PACKED" for f in schema if f.name not in doubles},
        "write_statistics": ["at"],
    }
