"""What reading a raw log gives: rows by place, quarantined lines, bad cells, and the tally of every line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Reason = Literal[
    "field-count",
    "unreadable-time",
    "nonexistent-time",
    "ambiguous-hour",
    "no-readable-cell",
    "unterminated",
    "checksum",
    "undecodable",
    "too-long",
]


@dataclass(frozen=True)
class PlaceRows:
    """Rows of one place, in file order; a row is a line of the raw file.

    `at_us` (n,) UTC microseconds. `line_no` (n,) 1-based physical line, after decompression. `values`:
    channel -> (n,) raw numbers as written, not yet in the canonical unit; NaN is a missing reading (a
    sentinel, or a bad cell). `absent`: channel -> (n,) True where the row holds no reading of the channel
    at all; only for channels of which some row holds none.
    """

    place: str
    at_us: NDArray[np.int64]
    line_no: NDArray[np.int64]
    values: Mapping[str, NDArray[np.float64]]
    absent: Mapping[str, NDArray[np.bool_]]


@dataclass(frozen=True)
class QuarantinedLine:
    """A line that could not be used. `raw`: its bytes as they stand in the file, without the line end
    (of a `too-long` line the first MiB)."""

    line_no: int
    raw: bytes
    reason: Reason
    detail: str


@dataclass(frozen=True)
class BadCell:
    """A cell that could not be read in a row that holds a readable one; its sample is missing (NaN)."""

    line_no: int
    column: str
    channel: str
    text: str
    reason: str


@dataclass(frozen=True)
class Piece:
    """What one piece of the file gave. Rows whose local time waited for later lines come with a later piece,
    so only the sums over all pieces balance: lines = header + blank + ignored + good + quarantined.

    `rows` may hold a place twice: rows that waited stand before the piece's own. `good`: lines that hold a
    readable reading; whether it is new or a duplicate is decided later.
    """

    rows: tuple[PlaceRows, ...] = ()
    quarantined: tuple[QuarantinedLine, ...] = ()
    bad_cells: tuple[BadCell, ...] = ()
    lines: int = 0
    header: int = 0
    blank: int = 0
    ignored: int = 0
    good: int = 0


MOST_NAMES = 100
"""How many names a file's notes tell apart."""
LONGEST_NAME = 120
"""Of a longer name, so many characters are kept, and its length."""


@dataclass
class NameCounts:
    """How often names came that a log is free to invent: by name for the `MOST_NAMES` that sort first, together
    for the `others`. Whatever the order they come in, and however many there are: the same, in flat memory."""

    by_name: dict[str, int] = field(default_factory=dict)
    others: int = 0

    def add(self, name: str, count: int = 1) -> None:
        """`count` more of a name."""
        if len(name) > LONGEST_NAME:
            name = f"{name[:LONGEST_NAME]}... ({len(name)} characters)"
        self.by_name[name] = self.by_name.get(name, 0) + count
        if len(self.by_name) > MOST_NAMES:
            self.others += self.by_name.pop(max(self.by_name))


@dataclass
class ReadNotes:
    """What else was seen while reading a file; filled in as the pieces are drawn.

    `unknown_keys`: rows of keys (or readings of transducers) none of whose channels is registered.
    `unread_channels`: rows that name a channel that is not registered, beside one that is.
    `settled_rows`: rows of a repeated local hour by how their pass was found ("step back", "entered",
    "runs on", "continuity", "layout").
    `texts`: what a reader of the receipt should know, such as a compressed stream that ends early.
    """

    unknown_keys: NameCounts = field(default_factory=NameCounts)
    unread_channels: Counter[str] = field(default_factory=Counter)
    settled_rows: Counter[str] = field(default_factory=Counter)
    texts: list[str] = field(default_factory=list)
