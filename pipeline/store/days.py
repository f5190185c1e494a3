"""Reading a place's day back: the live reading at each instant, from all parts that hold any."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from pipeline.errors import StoreError
from pipeline.store.columns import nulls, numbers
from pipeline.store.depot import Depot
from pipeline.store.samples import Floats, Ints, Part
from pipeline.store.scaled import AS_FLOAT, unscaled
from pipeline.units import to_canonical

Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Readings:
    """Live stored readings of one channel, strictly ascending in time.

    `value`: in the canonical unit of the channel's quantity; NaN: missing. `conflicts`: how many instants had
    readings that differ (live is the larger signed value; a value beats a missing one).
    """

    at_us: Ints
    value: Floats
    conflicts: int = 0

    def between(self, from_us: int, to_us: int) -> "Readings":
        """The readings of [from_us, to_us)."""
        begin, end = np.searchsorted(self.at_us, [from_us, to_us])
        return Readings(self.at_us[begin:end], self.value[begin:end])


class ReadParts(Protocol):
    """Live readings of every channel in some parts, as `read_readings` of a store gives them."""

    def __call__(
        self, parts: Sequence[Part], *, from_us: int | None = None, to_us: int | None = None
    ) -> Mapping[str, Readings]: ...


NO_READINGS = Readings(np.empty(0, np.int64), np.empty(0, np.float64))


def read_readings(
    store: Depot, parts: Sequence[Part], *, from_us: int | None = None, to_us: int | None = None
) -> dict[str, Readings]:
    """Live readings of every channel in some parts (of one place), optionally only of [from_us, to_us).

    Parts come in any order; the answer does not depend on it. Raises StoreError for a part that is gone or torn.
    """
    gathered: dict[str, list[tuple[Ints, Floats]]] = {}
    for part in sorted(parts, key=lambda p: (p.first_us, p.last_us, p.part)):
        if (to_us is not None and part.first_us >= to_us) or (from_us is not None and part.last_us < from_us):
            continue
        table = part_table(store, part, from_us, to_us, columns=["at", *part.channels])
        at_us = numbers(table["at"])
        for name in table.column_names[1:]:
            value, absent = part_values(table, name)
            if absent is None:
                gathered.setdefault(name, []).append((at_us, value))
            else:
                gathered.setdefault(name, []).append((at_us[~absent], value[~absent]))
    return {name: live(pieces) for name, pieces in gathered.items()}


def live(pieces: Sequence[tuple[Ints, Floats]]) -> Readings:
    """Of all readings at one instant the larger signed value; a value beats a missing one."""
    at_us = pieces[0][0] if len(pieces) == 1 else np.concatenate([at for at, _ in pieces])
    value = pieces[0][1] if len(pieces) == 1 else np.concatenate([v for _, v in pieces])
    step = np.diff(at_us)
    if np.all(step > 0):
        return Readings(at_us, value)
    if np.any(step < 0):
        order = np.argsort(at_us, kind="stable")
        at_us, value = at_us[order], value[order]
        if np.all(at_us[1:] > at_us[:-1]):
            return Readings(at_us, value)
    starts = np.flatnonzero(np.diff(at_us, prepend=at_us[0] - 1))
    largest = np.fmax.reduceat(value, starts)
    least = np.fmin.reduceat(value, starts)
    missing = np.logical_or.reduceat(np.isnan(value), starts)
    differ = (largest != least) | (missing & ~np.isnan(largest))
    return Readings(at_us[starts], largest, int(np.count_nonzero(differ & ~np.isnan(largest))))


def files_that_differ(store: Depot, parts: Sequence[Part], channel: str) -> dict[str, int]:
    """Raw files with a reading of a channel at an instant of which the readings differ: SHA-256, how many instants."""
    pieces: list[tuple[str, Ints, Floats]] = []
    for part in parts:
        if channel in part.channels:
            table = part_table(store, part, columns=["at", channel])
            value, absent = part_values(table, channel)
            here = np.ones(value.size, np.bool_) if absent is None else ~absent
            pieces.append((part.sha256, numbers(table["at"])[here], value[here]))
    at_us = np.unique(np.concatenate([at for _, at, _ in pieces]))
    least, largest = np.full(at_us.size, np.nan), np.full(at_us.size, np.nan)
    missing = np.zeros(at_us.size, np.bool_)
    for _, at, value in pieces:
        where = np.searchsorted(at_us, at)
        np.fmin.at(least, where, value)
        np.fmax.at(largest, where, value)
        missing[where] |= np.isnan(value)
    differ = at_us[(largest > least) | (missing & ~np.isnan(largest))]
    found: dict[str, list[Ints]] = {}
    for sha256, at, _ in pieces:
        found.setdefault(sha256, []).append(at[np.isin(at, differ)])
    instants = {sha256: np.unique(np.concatenate(held)).size for sha256, held in sorted(found.items())}
    return {sha256: count for sha256, count in instants.items() if count}


def raw_lines(store: Depot, parts: Sequence[Part], channel: str, at_us: int) -> list[tuple[str, int, float]]:
    """Every stored reading of a channel at an instant: (SHA-256 of the raw file, line number, value)."""
    found = []
    for part in parts:
        if channel not in part.channels or not part.first_us <= at_us <= part.last_us:
            continue
        table = part_table(store, part, at_us, at_us + 1)
        value, absent = part_values(table, channel)
        for i, line_no in enumerate(table["raw_line"].to_pylist()):
            if absent is None or not absent[i]:
                found.append((part.sha256, line_no, float(value[i])))
    return sorted(found)


def part_table(
    store: Depot,
    part: Part,
    from_us: int | None = None,
    to_us: int | None = None,
    *,
    columns: Sequence[str] | None = None,
) -> pa.Table:
    """A part's table; with bounds, only the row groups and rows inside them. StoreError: gone or torn."""
    path = store.local(part.part)
    try:
        file = pq.ParquetFile(path)
        if from_us is None and to_us is None:
            return file.read(columns, use_threads=False)
        groups = [i for i in range(file.num_row_groups) if _overlaps(file, i, from_us, to_us)]
        table = file.read_row_groups(groups, columns, use_threads=False)
    except (OSError, pa.ArrowInvalid) as error:
        raise StoreError(
            f"cannot read samples: {error}", file=path, next_step="restore it from a backup, or run `tautlog audit`"
        ) from error
    at_us = numbers(table["at"])
    begin = 0 if from_us is None else int(np.searchsorted(at_us, from_us))
    end = at_us.size if to_us is None else int(np.searchsorted(at_us, to_us))
    return table.slice(begin, max(end - begin, 0))


def _overlaps(file: pq.ParquetFile, group: int, from_us: int | None, to_us: int | None) -> bool:
    """Whether a row group may hold rows of [from_us, to_us), by its statistics of `at`."""
    statistics = file.metadata.row_group(group).column(0).statistics
    if statistics is None or not statistics.has_min_max:
        return True
    first_us, last_us = statistics.min_raw, statistics.max_raw  # as they stand; `min` would load pandas
    return (to_us is None or first_us < to_us) and (from_us is None or last_us >= from_us)


def part_values(table: pa.Table, name: str) -> tuple[Floats, Bools | None]:
    """A column as canonical values, and where it holds no reading at all."""
    metadata: Mapping[bytes, bytes] = table.schema.field(name).metadata
    scale, unit = int(metadata[b"scale"]), to_canonical(metadata[b"unit"].decode())
    raw, absent = numbers(table[name]), nulls(table[name])
    value = raw if scale == AS_FLOAT else unscaled(raw, scale)
    with np.errstate(over="ignore"):  # infinity is flagged as impossible
        if unit.factor != 1.0:
            value = value * unit.factor
        if unit.offset != 0.0:
            value = value + unit.offset
    return value, absent
