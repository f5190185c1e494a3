"""NMEA 0183 sentences, each after the stamp that the logger wrote before it. XDR readings are taken by
transducer.

A sentence proved by its checksum that holds nothing asked for is ignored, whatever stands before it. An
empty value is a reading that is missing. The unit is the sentence's own, and must be one that the channel
can be read in.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.readers.blocks import Block, Dated, Unread, piece_of, settle
from pipeline.readers.clock import time_format
from pipeline.readers.clock_kernel import program_of, read_times
from pipeline.readers.feeds import feeds_of_all, sentence_unit
from pipeline.readers.header import HeaderLines
from pipeline.readers.lines import MAX_LINE_BYTES, TOO_LONG, LongLine, TextPiece, text_pieces
from pipeline.readers.number_kernel import read_column
from pipeline.readers.numbers import Bytes, bare, cell_rules, shown
from pipeline.readers.pieces import NameCounts, Piece, QuarantinedLine, Reason
from pipeline.readers.sentence_kernel import FINE, FoundLines, asked_names, find_readings
from pipeline.readers.sentence_rules import Asked, Refused, is_blank, read_sentence, transducers_of
from pipeline.readers.source import Source

_MOST_PIECE_BYTES = 4 << 20
"""Each row has room for every transducer, so that pieces are kept small."""


def read_sentences(source: Source) -> Iterator[Piece]:
    """The pieces of a log of sentences, in order."""
    text = source.layout.text
    header = HeaderLines(text.header_line if "header_line" in text.model_fields_set else 0)
    reader = _Reader(source)
    for part in text_pieces(source.stream, text.encoding, min(source.piece_bytes, _MOST_PIECE_BYTES)):
        taken, rest = header.take(part)
        yield Piece(lines=taken, header=taken) if rest is None else reader.read(rest, header=taken)
    reader.note_others()
    source.note_early_end()


@dataclass
class _Work:
    """A piece being read; rows are the lines that hold something asked for, or are odd."""

    piece: TextPiece
    buffer: Bytes
    found: FoundLines
    at_us: NDArray[np.int64]
    values: NDArray[np.float64]
    present: NDArray[np.bool_]
    alive: NDArray[np.bool_]
    blank: int
    ignored: int
    quarantined: dict[int, QuarantinedLine] = field(default_factory=dict)
    unread: dict[int, list[Unread]] = field(default_factory=dict)

    def extent(self, row: int) -> tuple[int, int, int]:
        """Line index within the piece, and extent in the buffer."""
        return int(self.found.index[row]), int(self.found.start[row]), int(self.found.end[row])

    def quarantine(self, row: int, reason: Reason, detail: str) -> None:
        """Take a row out, with its bytes and the reason."""
        raw = self.piece.raw(*self.extent(row))[:MAX_LINE_BYTES]
        line_no = self.piece.first_line_no + int(self.found.index[row])
        self.quarantined[row] = QuarantinedLine(line_no, raw, reason, detail)
        self.alive[row] = False


class _Reader:
    """Reads the pieces of one log."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._fed = feeds_of_all(source.layout, source.channels)
        for feed in self._fed:
            sentence_unit(source.layout.value[feed.value], source.channels[feed.channel])
        self._transducers = transducers_of(source.layout, self._fed, source.channels)
        self._asked = {transducer.name: index for index, transducer in enumerate(self._transducers)}
        self._names = asked_names(self._transducers)
        self._form = time_format(source.layout.time.prefix or "")
        self._program = program_of(self._form)
        self._rules = cell_rules((*source.layout.text.missing, ""), None, ".")
        self._packed = self._rules.packed()
        self._others = NameCounts()

    def read(self, part: TextPiece | LongLine, *, header: int) -> Piece:
        """One piece; `header`: lines before it in the same piece of the file."""
        if isinstance(part, LongLine):
            line = QuarantinedLine(part.line_no, part.head, "too-long", TOO_LONG)
            return piece_of([], quarantined=[line], lines=1 + header, header=header)
        work = self._find(part)
        self._read_cells(work)
        for row in np.flatnonzero(work.found.status != FINE).tolist():
            self._read_as_text(work, row)
        self._read_stamps(work)
        if not (part.ended or self._source.last_line_counts()):
            _judge_unended(work)
        block = _block(work)
        dated = [Dated(block, block.at_us)] if block.at_us.size else []
        return piece_of(
            [settle(rows, [self._fed], list(self._asked)) for rows in dated],
            quarantined=list(work.quarantined.values()),
            lines=part.lines + header,
            header=header,
            blank=work.blank,
            ignored=work.ignored,
        )

    def note_others(self) -> None:
        """Once all is read: transducers asked for that came in a form that their channel cannot be read
        in."""
        texts, why = self._source.notes.texts, "in a type or unit that its channel cannot be read in"
        texts += [f"transducer {name} came {n} times {why}" for name, n in sorted(self._others.by_name.items())]
        if self._others.others > 0:
            texts.append(f"transducers came {self._others.others} times more {why}")

    def _find(self, piece: TextPiece) -> _Work:
        buffer = np.frombuffer(piece.buffer, np.uint8)
        commas = piece.buffer.count(b",")
        found = find_readings(buffer, piece.lines, commas, self._names, all_odd=self._source.exact)
        n = found.status.size
        return _Work(
            piece,
            buffer,
            found,
            np.zeros(n, np.int64),
            np.full((len(self._transducers), n), np.nan),
            np.zeros((len(self._transducers), n), np.bool_),
            np.ones(n, np.bool_),
            found.blank,
            found.ignored,
        )

    def _read_cells(self, work: _Work) -> None:
        found, packed = work.found, self._packed
        numbers = np.empty(found.cell_row.size)
        odd = np.empty(found.cell_row.size, np.int32)
        texts = (packed.letters, packed.bounds, packed.values, packed.lengths)
        n_odd = read_column(work.buffer, found.cell_start, found.cell_end, ord("."), texts, numbers, odd)
        work.values[found.cell_of, found.cell_row] = numbers
        work.present[found.cell_of, found.cell_row] = True
        for cell in odd[:n_odd].tolist():
            text = work.buffer[found.cell_start[cell] : found.cell_end[cell]].tobytes().decode()
            self._read_cell(work, int(found.cell_row[cell]), int(found.cell_of[cell]), text)

    def _read_cell(self, work: _Work, row: int, transducer: int, text: str) -> None:
        number = self._rules.read(text)
        work.present[transducer, row] = True
        if number is None:
            work.unread.setdefault(row, []).append(Unread(transducer, bare(text), "is no number"))
        else:
            work.values[transducer, row] = number

    def _read_as_text(self, work: _Work, row: int) -> None:
        """A line that the loop left: by the plain rules."""
        if len(work.piece.raw(*work.extent(row))) > MAX_LINE_BYTES:
            work.quarantine(row, "too-long", TOO_LONG)
            return
        text = work.piece.text(*work.extent(row))
        if text is None:
            work.quarantine(row, "undecodable", f"its bytes are no text in {work.piece.encoding.codec}")
            return
        if is_blank(text):
            work.blank += 1
            work.alive[row] = False
            return
        read = read_sentence(text, self._asked, self._transducers)
        if isinstance(read, Refused):
            work.quarantine(row, read.reason, read.detail)
            return
        for name in read.others:
            self._others.add(name)
        if not read.readings:
            work.ignored += 1
            work.alive[row] = False
            return
        self._take_stamp(work, row, read)
        for transducer, reading in read.readings:
            if work.present[transducer, row]:
                work.unread.setdefault(row, []).append(Unread(transducer, reading, "stands a second time"))
            else:
                self._read_cell(work, row, transducer, reading)

    def _take_stamp(self, work: _Work, row: int, read: Asked) -> None:
        at_us = self._form.read(read.stamp)
        if at_us is None:
            work.quarantine(row, "unreadable-time", f"{shown(read.stamp)} is no time as {self._form.text!r}")
        else:
            work.at_us[row] = at_us

    def _read_stamps(self, work: _Work) -> None:
        found = work.found
        odd = np.flatnonzero(found.status == FINE).astype(np.int32)
        if self._program is not None:
            odd = odd[: read_times(work.buffer, found.stamp_start, found.stamp_end, self._program, work.at_us, odd)]
        for row in odd.tolist():
            stamp = work.buffer[found.stamp_start[row] : found.stamp_end[row]].tobytes().decode()
            self._take_stamp(work, row, Asked(stamp, (), ()))


def _judge_unended(work: _Work) -> None:
    """The last line of a file that nothing ended: what is neither blank nor ignored is quarantined."""
    for row in range(work.alive.size):
        known = work.quarantined.get(row)
        if work.alive[row] or (known is not None and known.reason != "too-long"):
            work.quarantine(row, "unterminated", "the file ends within this line")


def _block(work: _Work) -> Block:
    """The rows alive; those are dead of which no reading could be read."""
    found = work.found
    bad = {
        row: {cell.value for cell in cells if cell.reason != "stands a second time"}
        for row, cells in work.unread.items()
    }
    dead = {row for row, values in bad.items() if len(values) == np.count_nonzero(work.present[:, row])}
    code = np.zeros(work.alive.size, np.int32)
    block = Block(
        work.piece,
        found.index,
        found.start,
        found.end,
        work.at_us,
        code,
        work.values,
        work.present,
        work.unread,
        dead,
    )
    return block if work.alive.all() else block.take(np.flatnonzero(work.alive))
