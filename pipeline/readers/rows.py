"""A piece of delimited text while it is read: its rows, and what became of the lines that are none."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.readers.blocks import Block, Unread
from pipeline.readers.columns import Columns
from pipeline.readers.lines import MAX_LINE_BYTES, TOO_LONG, TextPiece
from pipeline.readers.numbers import Bytes, CellRules, bare
from pipeline.readers.pieces import QuarantinedLine, Reason
from pipeline.readers.row_kernel import FINE, CutLines, CutRules, cut_lines


@dataclass
class Work:
    """`alive`: rows still to be used. `as_text`: rows that the loop did not cut -> their asked cells.
    `quarantined`, `unread`: by row."""

    piece: TextPiece
    buffer: Bytes
    cut: CutLines
    at_us: NDArray[np.int64]
    code: NDArray[np.int32]
    values: NDArray[np.float64]
    alive: NDArray[np.bool_]
    header: int
    blank: int
    ignored: int = 0
    as_text: dict[int, list[str]] = field(default_factory=dict)
    quarantined: dict[int, QuarantinedLine] = field(default_factory=dict)
    unread: dict[int, list[Unread]] = field(default_factory=dict)

    def raw(self, row: int) -> bytes:
        """The row's bytes as they stand in the file."""
        return self.piece.raw(*self._extent(row))

    def text(self, row: int) -> str | None:
        """The row's text; None when it cannot be decoded."""
        return self.piece.text(*self._extent(row))

    def cell(self, row: int, slot: int) -> str:
        """The bare text of a cell that the loop has cut."""
        start, end = self.cut.cell_starts[slot, row], self.cut.cell_ends[slot, row]
        return self.buffer[start:end].tobytes().decode()

    def all_cut_rows(self) -> NDArray[np.int32]:
        """The rows that the loop has cut, in an array that may be written to."""
        return np.flatnonzero(self.cut.status == FINE).astype(np.int32)

    def quarantine(self, row: int, reason: Reason, detail: str) -> None:
        """Take a row out, with its bytes and the reason."""
        raw = self.raw(row)[:MAX_LINE_BYTES]
        line_no = self.piece.first_line_no + int(self.cut.index[row])
        self.quarantined[row] = QuarantinedLine(line_no, raw, reason, detail)
        self.alive[row] = False

    def is_header_or_blank(self, row: int, columns: Columns) -> bool:
        """Whether the row, seen as text, is no row after all; it is counted as what it is."""
        text = self.text(row) or ""
        if not self.piece.ended:
            text = text.removesuffix("\r")  # the file may end between the two of a line end
        if columns.header is not None and text.lstrip("\ufeff") == columns.header:
            self.header += 1
        elif columns.is_blank(text):
            self.blank += 1
        else:
            return False
        self.alive[row] = False
        return True

    def judge_unended(self) -> None:
        """The last line of a file that nothing ended: what is no header, blank or ignored is quarantined."""
        for row in range(self.alive.size):
            known = self.quarantined.get(row)
            if self.alive[row] or (known is not None and known.reason != "too-long"):
                self.quarantine(row, "unterminated", "the file ends within this line")

    def read_cell(self, row: int, value: int, rules: CellRules, cell: str) -> None:
        """Read one cell by the plain rules."""
        number = rules.read(cell)
        if number is not None:
            self.values[value, row] = number
            return
        text = bare(cell)
        self.values[value, row] = np.nan
        self.unread.setdefault(row, []).append(Unread(value, text, "is no number" if text else "is empty"))

    def block(self, fed_values: Mapping[int, int]) -> Block:
        """The rows alive. `fed_values`: how many cells a row of each code is asked for."""
        dead = {row for row, cells in self.unread.items() if len(cells) == fed_values[int(self.code[row])]}
        cut = self.cut
        block = Block(
            self.piece,
            cut.index,
            cut.start,
            cut.end,
            self.at_us,
            self.code,
            self.values,
            None,
            self.unread,
            dead,
        )
        return block if self.alive.all() else block.take(np.flatnonzero(self.alive))

    def _extent(self, row: int) -> tuple[int, int, int]:
        return int(self.cut.index[row]), int(self.cut.start[row]), int(self.cut.end[row])


def cut_piece(piece: TextPiece, columns: Columns, rules: CutRules) -> Work:
    """Cut a piece into rows; lines that the loop leaves are cut as text, or put where they belong."""
    buffer = np.frombuffer(piece.buffer, np.uint8)
    cut = cut_lines(buffer, piece.lines, rules, non_ascii_odd=piece.doubtful)
    n = cut.status.size
    work = Work(
        piece,
        buffer,
        cut,
        np.zeros(n, np.int64),
        np.zeros(n, np.int32),
        np.empty((len(columns.values), n)),
        np.ones(n, np.bool_),
        cut.header,
        cut.blank,
    )
    for row in np.flatnonzero(cut.status != FINE).tolist():
        _cut_as_text(work, row, columns)
    return work


def _cut_as_text(work: Work, row: int, columns: Columns) -> None:
    if len(work.raw(row)) > MAX_LINE_BYTES:
        work.quarantine(row, "too-long", TOO_LONG)
        return
    text = work.text(row)
    if text is None:
        work.quarantine(row, "undecodable", f"its bytes are no text in {work.piece.encoding.codec}")
        return
    if work.is_header_or_blank(row, columns):
        return
    cells = columns.cells(text)
    if isinstance(cells, int):
        expected = f"at least {max(columns.asked) + 1}" if columns.width is None else f"{columns.width}"
        work.quarantine(row, "field-count", f"found {cells} fields, expected {expected}")
    else:
        work.as_text[row] = cells
