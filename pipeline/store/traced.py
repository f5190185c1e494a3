"""Live readings with the raw file and line that each came from."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.store.columns import numbers
from pipeline.store.days import part_table, part_values
from pipeline.store.depot import Depot
from pipeline.store.samples import Floats, Ints, Part


@dataclass(frozen=True)
class TracedReadings:
    """Live readings of one channel, strictly ascending: at_us, value (canonical unit, NaN: missing), raw_line (n,), and
    for each the place of its raw file in `files` (SHA-256). Of readings that differ at one instant the live one."""

    at_us: Ints
    value: Floats
    raw_line: Ints
    file: Ints
    files: tuple[str, ...]


def read_traced(store: Depot, parts: Sequence[Part], from_us: int, to_us: int) -> dict[str, TracedReadings]:
    """Every channel of some parts of one place, over [from_us, to_us). Raises StoreError for a part gone or torn.

    Of equal readings at one instant the one whose file and line sort first is named.
    """
    files = tuple(sorted({part.sha256 for part in parts}))
    gathered: dict[str, list[tuple[Ints, Floats, Ints, Ints]]] = {}
    for part in parts:
        if part.first_us >= to_us or part.last_us < from_us:
            continue
        table = part_table(store, part, from_us, to_us, columns=["at", "raw_line", *part.channels])
        at_us, raw_line = numbers(table["at"]).astype(np.int64), numbers(table["raw_line"]).astype(np.int64)
        file = np.full(at_us.size, files.index(part.sha256), np.int64)
        for name in part.channels:
            value, absent = part_values(table, name)
            here = np.ones(value.size, np.bool_) if absent is None else ~absent
            gathered.setdefault(name, []).append((at_us[here], value[here], raw_line[here], file[here]))
    return {name: _live(pieces, files) for name, pieces in sorted(gathered.items())}


def _live(pieces: Sequence[tuple[Ints, Floats, Ints, Ints]], files: tuple[str, ...]) -> TracedReadings:
    at_us, value, raw_line, file = (np.concatenate(column) for column in zip(*pieces, strict=True))
    if np.all(at_us[1:] > at_us[:-1]):  # as in most logs
        return TracedReadings(at_us, value, raw_line, file, files)
    # The larger signed value is live, and a value beats a missing one.
    rank = np.where(np.isnan(value), -np.inf, value)
    order = np.lexsort((raw_line, file, -rank, at_us))
    at_us, value, raw_line, file = at_us[order], value[order], raw_line[order], file[order]
    first = np.flatnonzero(np.diff(at_us, prepend=at_us[0] - 1)) if at_us.size else np.empty(0, np.int64)
    return TracedReadings(at_us[first], value[first], raw_line[first], file[first], files)


def none_of(files: Mapping[str, str]) -> TracedReadings:
    """No reading at all."""
    none = np.empty(0, np.int64)
    return TracedReadings(none, np.empty(0), none, none, tuple(sorted(files)))
