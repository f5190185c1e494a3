"""Delimited text, wide (a column for each channel) or long (a key column names the place of each row).

Rows are cut and read by compiled loops, a column at a time. What a loop cannot decide, a line or a cell, is
read as text by the plain rules of `columns`, `clock` and `numbers`: those say what a row means, the loops
are only fast. A separator always separates, in quotes too.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.readers.blocks import Dated, piece_of, settle
from pipeline.readers.clock_kernel import program_of, read_times
from pipeline.readers.columns import Columns, columns_of
from pipeline.readers.feeds import Feed, feeds_of_all, feeds_of_key
from pipeline.readers.header import HeaderLines
from pipeline.readers.lines import TOO_LONG, LongLine, TextPiece, text_pieces
from pipeline.readers.local_times import LocalTimes
from pipeline.readers.number_kernel import read_column
from pipeline.readers.numbers import bare, shown
from pipeline.readers.pieces import Piece, QuarantinedLine
from pipeline.readers.row_kernel import CutRules, KeyCodes
from pipeline.readers.rows import Work, cut_piece
from pipeline.readers.source import Source
from pipeline.readers.zones import ZoneClock


def read_delimited(source: Source) -> Iterator[Piece]:
    """The pieces of a delimited log, in order. DataError: the header lacks a column that the layout names."""
    header = HeaderLines(source.layout.text.header_line)
    reader: _Reader | None = None
    for part in text_pieces(source.stream, source.layout.text.encoding, source.piece_bytes):
        taken, rest = header.take(part)
        if reader is None and header.is_whole:
            reader = _Reader(source, columns_of(source.layout, header.text(source.name), source.name))
        if reader is None or rest is None:
            yield Piece(lines=taken, header=taken)
        else:
            yield reader.read(rest, header=taken)
    if reader is not None:
        yield reader.finish()
    source.note_early_end()


class _Reader:
    """Reads the pieces after the header. Holds what goes from one piece to the next: keys, rows that wait."""

    def __init__(self, source: Source, columns: Columns) -> None:
        self._source, self._columns = source, columns
        self._cut_rules = _cut_rules(columns, exact=source.exact)
        self._slot_of = {index: slot for slot, index in enumerate(dict.fromkeys(columns.asked))}
        self._program = program_of(columns.form)
        self._packed = [rules.packed() for rules in columns.rules]
        self._keys = KeyCodes(lambda key: bool(feeds_of_key(source.layout, source.channels, key)[0]))
        self._feeds: list[tuple[Feed, ...]] = []
        self._unread_channels: list[tuple[str, ...]] = []
        if columns.key is None:
            self._feeds.append(feeds_of_all(source.layout, source.channels))
        self._clock: LocalTimes | None = None
        if not columns.form.gives_utc:
            zone = ZoneClock(source.zone())
            self._clock = LocalTimes(zone, source.layout.time.fold, source.notes, file=source.name)

    def read(self, part: TextPiece | LongLine, *, header: int) -> Piece:
        """One piece; `header`: lines before it in the same piece of the file."""
        if isinstance(part, LongLine):
            line = QuarantinedLine(part.line_no, part.head, "too-long", TOO_LONG)
            return piece_of([], quarantined=[line], lines=1 + header, header=header)
        work = cut_piece(part, self._columns, self._cut_rules)
        self._read_times(work)
        if self._columns.key is not None:
            self._read_keys(work)
        if not (part.ended or self._source.last_line_counts()):
            work.judge_unended()
        self._read_values(work)
        dated = self._date(work)
        return piece_of(
            [settle(rows, self._feeds, self._columns.names) for rows in dated],
            quarantined=list(work.quarantined.values()),
            lines=work.cut.lines + header,
            header=work.header + header,
            blank=work.blank,
            ignored=work.ignored,
        )

    def finish(self) -> Piece:
        """The rows that waited for the end of the file."""
        dated = [] if self._clock is None else self._clock.finish()
        return piece_of([settle(rows, self._feeds, self._columns.names) for rows in dated])

    def _read_times(self, work: Work) -> None:
        slot = self._slot_of[self._columns.time]
        odd = work.all_cut_rows()
        if self._program is not None:
            starts, ends = work.cut.cell_starts[slot], work.cut.cell_ends[slot]
            odd = odd[: read_times(work.buffer, starts, ends, self._program, work.at_us, odd)]
        for row in odd.tolist():
            self._read_time(work, row, work.cell(row, slot))
        for row, cells in work.as_text.items():
            self._read_time(work, row, cells[0])

    def _read_time(self, work: Work, row: int, cell: str) -> None:
        at_us = self._columns.form.read(cell)
        if at_us is not None:
            work.at_us[row] = at_us
        elif not work.is_header_or_blank(row, self._columns):
            work.quarantine(row, "unreadable-time", f"{shown(bare(cell))} is no time as {self._columns.form.text!r}")

    def _read_keys(self, work: Work) -> None:
        """The code of each row's key; rows of keys without a registered channel are ignored."""
        key = self._columns.key
        if key is None:
            return
        slot = self._slot_of[key]
        work.code = self._keys.codes(work.buffer, work.cut.cell_starts[slot], work.cut.cell_ends[slot])
        for row, cells in work.as_text.items():
            if work.alive[row]:
                work.code[row] = self._keys.code(bare(cells[1]))
        if self._keys.has_strangers:
            self._ignore_strangers(work, slot)
        for name in self._keys.keys[len(self._feeds) :]:
            fed, unread = feeds_of_key(self._source.layout, self._source.channels, name)
            self._feeds.append(fed)
            self._unread_channels.append(unread)
        counts = np.bincount(work.code[work.alive], minlength=len(self._feeds)).tolist()
        notes = self._source.notes
        for code, count in enumerate(counts):
            if count > 0 and not self._feeds[code]:
                notes.unknown_keys.add(self._keys.keys[code], count)
                work.alive &= work.code != code
                work.ignored += count
            elif count > 0:
                notes.unread_channels.update(dict.fromkeys(self._unread_channels[code], count))

    def _ignore_strangers(self, work: Work, slot: int) -> None:
        """Rows of keys without a code feed nothing: they are counted by name, one by one."""
        for row in np.flatnonzero(work.code == KeyCodes.STRANGER).tolist():
            work.code[row] = 0
            if work.alive[row]:
                name = bare(work.as_text[row][1] if row in work.as_text else work.cell(row, slot))
                self._source.notes.unknown_keys.add(name)
                work.alive[row] = False
                work.ignored += 1

    def _read_values(self, work: Work) -> None:
        fed_by = np.zeros((max(1, len(self._feeds)), len(self._columns.values)), np.bool_)
        for code, fed in enumerate(self._feeds):
            fed_by[code, np.array([feed.value for feed in fed], np.int64)] = True
        decimal = ord(self._source.layout.text.decimal)
        odd = np.empty(work.code.size, np.int32)
        offset = len(self._columns.asked) - len(self._columns.values)
        for value, index in enumerate(self._columns.values):
            slot, packed = self._slot_of[index], self._packed[value]
            starts, ends = work.cut.cell_starts[slot], work.cut.cell_ends[slot]
            texts = (packed.letters, packed.bounds, packed.values, packed.lengths)
            n_odd = read_column(work.buffer, starts, ends, decimal, texts, work.values[value], odd)
            rows = odd[:n_odd]
            rules = self._columns.rules[value]
            for row in rows[work.alive[rows] & fed_by[work.code[rows], value]].tolist():
                work.read_cell(row, value, rules, work.cell(row, slot))
            for row, cells in work.as_text.items():
                if work.alive[row] and fed_by[work.code[row], value]:
                    work.read_cell(row, value, rules, cells[offset + value])

    def _date(self, work: Work) -> list[Dated]:
        block = work.block({code: len(fed) for code, fed in enumerate(self._feeds)})
        if block.at_us.size == 0:
            return []
        return [Dated(block, block.at_us)] if self._clock is None else self._clock.date(block)


def _cut_rules(columns: Columns, *, exact: bool) -> CutRules:
    slots = np.full(max(columns.asked) + 1 if columns.width is None else columns.width, -1, np.int32)
    for slot, index in enumerate(dict.fromkeys(columns.asked)):
        slots[index] = slot
    header = "" if columns.header is None else columns.header
    return CutRules(
        separator=ord(columns.separator),
        fields=columns.width or 0,
        slots=slots,
        header=np.frombuffer(header.encode("utf-8", "replace"), np.uint8),
        all_odd=exact,
    )
