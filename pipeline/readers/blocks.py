"""Rows of one piece on their way: cut and read, not yet dated in UTC, not yet sorted by place."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from pipeline.readers.feeds import Feed
from pipeline.readers.lines import TextPiece
from pipeline.readers.numbers import Offsets, shown
from pipeline.readers.pieces import BadCell, Piece, PlaceRows, QuarantinedLine, Reason

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Unread:
    """A cell that could not be read: which [[value]] it belongs to, its text, and why."""

    value: int
    text: str
    reason: str


@dataclass
class Block:
    """Rows in file order. `index`, `start`, `end`: line within the piece and its extent in the buffer.
    `at_us`: as the log says it, UTC or local. `code`: which key (0 in a log without). `values`: (values of
    the layout, n) raw numbers. `present`: (values, n) where a row holds a reading at all; None: wherever
    its key feeds one. `unread`: row -> cells that could not be read. `dead`: rows without a readable
    cell."""

    source: TextPiece
    index: Offsets
    start: Offsets
    end: Offsets
    at_us: Ints
    code: NDArray[np.int32]
    values: Floats
    present: Flags | None = None
    unread: dict[int, list[Unread]] = field(default_factory=dict)
    dead: set[int] = field(default_factory=set)

    @property
    def line_no(self) -> Ints:
        """1-based line numbers of the rows."""
        return self.index.astype(np.int64) + self.source.first_line_no

    def take(self, rows: Ints) -> Block:
        """The block of some of the rows, given in ascending order."""
        new = {old: at for at, old in enumerate(rows.tolist())} if self.unread or self.dead else {}
        return replace(
            self,
            index=self.index[rows],
            start=self.start[rows],
            end=self.end[rows],
            at_us=self.at_us[rows],
            code=self.code[rows],
            values=self.values[:, rows],
            present=None if self.present is None else self.present[:, rows],
            unread={new[row]: cells for row, cells in self.unread.items() if row in new},
            dead={new[row] for row in self.dead if row in new},
        )

    def quarantine(self, row: int, reason: Reason, detail: str) -> QuarantinedLine:
        """A row with its bytes and the reason why it is not used."""
        index, start, end = int(self.index[row]), int(self.start[row]), int(self.end[row])
        raw = self.source.raw(index, start, end)
        return QuarantinedLine(self.source.first_line_no + index, raw, reason, detail)


@dataclass(frozen=True)
class Dated:
    """A block with its instants [UTC microseconds]; `undated`: row -> why it has none, `waiting`: rows whose
    instant later lines will tell."""

    block: Block
    at_us: Ints
    undated: Mapping[int, tuple[Reason, str]] = field(default_factory=dict)
    waiting: Ints = field(default_factory=lambda: np.empty(0, np.int64))


@dataclass(frozen=True)
class Settled:
    """What became of the rows of a dated block."""

    rows: tuple[PlaceRows, ...]
    quarantined: tuple[QuarantinedLine, ...]
    bad_cells: tuple[BadCell, ...]
    good: int


def settle(dated: Dated, feeds: Sequence[tuple[Feed, ...]], columns: Sequence[str]) -> Settled:
    """Good rows by place, the others in quarantine. `feeds` by key code; `columns`: name by [[value]]."""
    block, at_us = dated.block, dated.at_us
    quarantined = [block.quarantine(row, *why) for row, why in dated.undated.items()]
    gone = set(dated.undated) | set(dated.waiting.tolist())
    for row in sorted(block.dead - gone):
        detail = "; ".join(f"{columns[cell.value]}: {shown(cell.text)} {cell.reason}" for cell in block.unread[row])
        quarantined.append(block.quarantine(row, "no-readable-cell", detail))
    gone |= block.dead
    bad_cells = tuple(
        BadCell(
            int(block.index[row]) + block.source.first_line_no,
            columns[cell.value],
            feed.channel,
            cell.text,
            cell.reason,
        )
        for row, cells in block.unread.items()
        if row not in gone
        for cell in cells
        for feed in feeds[int(block.code[row])]
        if feed.value == cell.value
    )
    if gone:
        keep = np.ones(at_us.size, np.bool_)
        keep[list(gone)] = False
        block, at_us = block.take(np.flatnonzero(keep)), at_us[keep]
    rows = tuple(_by_place(block, at_us, feeds)) if at_us.size else ()
    return Settled(rows, tuple(quarantined), bad_cells, at_us.size)


def piece_of(
    settled: Iterable[Settled],
    *,
    quarantined: Sequence[QuarantinedLine] = (),
    lines: int = 0,
    header: int = 0,
    blank: int = 0,
    ignored: int = 0,
) -> Piece:
    """One piece of what several blocks, and the lines that never came to be rows, gave."""
    parts = list(settled)
    everything = [*quarantined, *(line for part in parts for line in part.quarantined)]
    return Piece(
        tuple(rows for part in parts for rows in part.rows),
        tuple(sorted(everything, key=lambda line: line.line_no)),
        tuple(sorted((cell for part in parts for cell in part.bad_cells), key=lambda cell: cell.line_no)),
        lines,
        header,
        blank,
        ignored,
        sum(part.good for part in parts),
    )


def _by_place(block: Block, at_us: Ints, feeds: Sequence[tuple[Feed, ...]]) -> Iterable[PlaceRows]:
    line_no = block.line_no
    if len(feeds) == 1 and block.present is None:
        for place, group in _places(feeds[0]):
            yield PlaceRows(place, at_us, line_no, {feed.channel: block.values[feed.value] for feed in group}, {})
        return
    rows_of = _rows_by_code(block.code, len(feeds))
    sources: dict[str, list[tuple[int, Feed]]] = {}
    for code, fed in enumerate(feeds):
        if rows_of[code].size:
            for feed in fed:
                sources.setdefault(feed.place, []).append((code, feed))
    for place, fed_by in sources.items():
        rows = _rows_of_place(block, rows_of, fed_by)
        if rows.size == 0:
            continue
        values: dict[str, Floats] = {}
        absent: dict[str, Flags] = {}
        for code, feed in fed_by:
            here = block.code[rows] == code
            if block.present is not None:
                here &= block.present[feed.value, rows]
            if feed.channel in values:
                values[feed.channel][here] = block.values[feed.value, rows[here]]
                absent[feed.channel] &= ~here
            else:
                values[feed.channel] = np.where(here, block.values[feed.value, rows], np.nan)
                absent[feed.channel] = ~here
        yield PlaceRows(
            place,
            at_us[rows],
            line_no[rows],
            values,
            {name: gaps for name, gaps in absent.items() if gaps.any()},
        )


def _places(fed: Iterable[Feed]) -> Iterable[tuple[str, list[Feed]]]:
    by_place = sorted(fed, key=lambda feed: feed.place)
    return ((place, list(group)) for place, group in groupby(by_place, key=lambda feed: feed.place))


def _rows_by_code(code: NDArray[np.int32], codes: int) -> list[Ints]:
    """The rows of each code, ascending."""
    # For 16 bits, numpy's stable sort is a radix sort.
    order = np.argsort(code.astype(np.uint16) if codes <= 1 << 16 else code, kind="stable")
    return np.split(order, np.cumsum(np.bincount(code, minlength=codes))[:-1])


def _rows_of_place(block: Block, rows_of: Sequence[Ints], fed_by: Sequence[tuple[int, Feed]]) -> Ints:
    codes = sorted({code for code, _ in fed_by})
    rows = rows_of[codes[0]] if len(codes) == 1 else np.sort(np.concatenate([rows_of[code] for code in codes]))
    if block.present is not None:
        rows = rows[block.present[[feed.value for _, feed in fed_by]][:, rows].any(axis=0)]
    return rows
