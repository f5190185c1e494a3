"""A byte stream cut at line ends into pieces of text, in flat memory.

A line ends with LF or CRLF, in the file's own encoding. A piece offers the same lines as a buffer in which
every ASCII character is one byte and every LF ends a line, so that compiled loops can walk it whatever the
encoding.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

from pipeline.errors import RegisterError
from pipeline.readers.streams import ByteStream

MAX_LINE_BYTES = 1 << 20
"""A longer line is quarantined as `too-long`; its first MiB is kept beside the reason."""

_DENSE = 1 << 16
"""Pieces of up to this many lines are never cut smaller."""

_LEAST_MEAN_BYTES = 16
"""Where lines are shorter than this on average, as no line with a stamp is, pieces are cut smaller: what is kept
of each line would otherwise take many times the piece."""

_UNCUTTABLE = ("utf-7", "hz", "iso2022", "unicode-escape", "raw-unicode-escape", "punycode", "idna")
_MARKS = (
    ("utf-8", codecs.BOM_UTF8, "utf-8"),
    ("utf-8-sig", codecs.BOM_UTF8, "utf-8"),
    ("utf-16", codecs.BOM_UTF16_LE, "utf-16-le"),
    ("utf-16", codecs.BOM_UTF16_BE, "utf-16-be"),
    ("utf-16-le", codecs.BOM_UTF16_LE, "utf-16-le"),
    ("utf-16-be", codecs.BOM_UTF16_BE, "utf-16-be"),
    ("utf-32", codecs.BOM_UTF32_LE, "utf-32-le"),
    ("utf-32", codecs.BOM_UTF32_BE, "utf-32-be"),
    ("utf-32-le", codecs.BOM_UTF32_LE, "utf-32-le"),
    ("utf-32-be", codecs.BOM_UTF32_BE, "utf-32-be"),
)
_UNMARKED = {"utf-8-sig": "utf-8", "utf-16": "utf-16-le", "utf-32": "utf-32-le"}


@dataclass(frozen=True)
class Encoding:
    """A text encoding without byte-order mark: its Python name, and what ends a line in it."""

    codec: str
    line_feed: bytes
    carriage_return: bytes
    plain: bool
    """Whether text that is all ASCII stands in it byte for byte."""

    def line_end(self, data: bytes) -> int:
        """Where the last whole line of `data` (which begins with a line) ends; 0 when none does."""
        width, at = len(self.line_feed), len(data)
        while (at := data.rfind(self.line_feed, 0, at)) >= 0:
            if at % width == 0:
                return at + width
            at += width - 1
        return 0

    def first_line_end(self, data: bytes, start: int = 0) -> int:
        """Where the line of `data` that begins at `start` ends; 0 when it does not."""
        width, at = len(self.line_feed), start - 1
        while (at := data.find(self.line_feed, at + 1)) >= 0:
            if at % width == 0:
                return at + width
        return 0

    def split(self, data: bytes) -> list[bytes]:
        """The lines of `data`, which ends with a line end, without their ends."""
        width, start, at, lines = len(self.line_feed), 0, -1, []
        while (at := data.find(self.line_feed, at + 1)) >= 0:
            if at % width == 0:
                lines.append(data[start:at].removesuffix(self.carriage_return))
                start = at + width
        return lines


def encoding_of(name: str, head: bytes) -> tuple[Encoding, int]:
    """The encoding that a layout names, as the first four bytes of a file settle it, and the length of its
    mark.

    UTF-16 and UTF-32 without a byte-order mark are taken as little-endian.
    """
    known = codecs.lookup(name).name
    if known.startswith(_UNCUTTABLE):
        raise RegisterError(
            "text in this encoding cannot be cut at line ends",
            found=repr(name),
            expected='an encoding such as "utf-8", "utf-16" or "cp1252"',
        )
    codec, mark = _UNMARKED.get(known, known), 0
    for marked, bytes_, meant in _MARKS:
        if known == marked and head.startswith(bytes_):
            codec, mark = meant, len(bytes_)
    ascii_text = "".join(map(chr, range(128)))
    plain = ascii_text.encode(codec) == ascii_text.encode("ascii")
    return Encoding(codec, "\n".encode(codec), "\r".encode(codec), plain), mark


@dataclass(frozen=True)
class TextPiece:
    """Whole lines of a file. `ended` is False when it holds the last line alone and nothing ended that in the
    file; `data` has a line end all the same."""

    data: bytes
    first_line_no: int
    encoding: Encoding
    ended: bool = True

    @cached_property
    def _readable(self) -> tuple[bytes, bool]:
        if self.encoding.plain and self.data.isascii():
            return self.data, False
        try:
            text = self.data.decode(self.encoding.codec)
        except UnicodeDecodeError:
            if self.encoding.codec == "utf-8":
                return self.data, True
            texts = [self._decoded(raw) or ("" if not raw else "\ufffd") for raw in self._lines]
            return "".join(f"{text}\n" for text in texts).encode("utf-8", "replace"), True
        return (self.data if self.encoding.codec == "utf-8" else text.encode("utf-8", "replace")), False

    @property
    def buffer(self) -> bytes:
        """The same lines, each ended by LF, ASCII characters as single bytes, others as UTF-8."""
        return self._readable[0]

    @cached_property
    def lines(self) -> int:
        """How many lines it holds."""
        return self.buffer.count(b"\n")

    @property
    def doubtful(self) -> bool:
        """Whether some line cannot be decoded: then lines with other than ASCII bytes are asked one by
        one."""
        return self._readable[1]

    @cached_property
    def _lines(self) -> list[bytes]:
        if not self.ended:
            return [self.data.removesuffix(self.encoding.line_feed)]
        return self.encoding.split(self.data)

    def raw(self, index: int, start: int, end: int) -> bytes:
        """Line `index` (from 0) of the piece, which without its end is `buffer[start:end]`, as it is in the file."""
        if self.ended and self.buffer is self.data:
            return self.data[start:end]
        return self._lines[index]

    def text(self, index: int, start: int, end: int) -> str | None:
        """The same line as text; None when its bytes are no text in the file's encoding."""
        return self._decoded(self.raw(index, start, end))

    def _decoded(self, raw: bytes) -> str | None:
        try:
            return raw.decode(self.encoding.codec)
        except UnicodeDecodeError:
            return None


@dataclass(frozen=True)
class LongLine:
    """A line of more than `MAX_LINE_BYTES`: its number, and its first MiB."""

    line_no: int
    head: bytes
    encoding: Encoding


TOO_LONG = f"longer than {MAX_LINE_BYTES} bytes, of which the first are kept here; the raw file holds all"


def text_pieces(stream: ByteStream, encoding_name: str, piece_bytes: int) -> Iterator[TextPiece | LongLine]:
    """The lines of a stream in order, about `piece_bytes` at a time (more only where a line is longer)."""
    head = stream.read(4)
    encoding, mark = encoding_of(encoding_name, head)
    left, line_no = head[mark:], 1
    width = len(encoding.line_feed)
    while chunk := stream.read(piece_bytes):
        data = left + chunk if left else chunk
        end = encoding.line_end(data)
        if end:
            piece, left = TextPiece(data[:end], line_no, encoding), data[end:]
            line_no += piece.lines
            if piece.lines <= max(_DENSE, piece_bytes // _LEAST_MEAN_BYTES):
                yield piece
            else:
                yield from _smaller(piece, max(_DENSE, piece_bytes // _LEAST_MEAN_BYTES))
        elif len(data) <= MAX_LINE_BYTES + 2 * width:
            left = data
        else:
            left = _after_line_end(stream, encoding, data, piece_bytes)
            yield LongLine(line_no, data[:MAX_LINE_BYTES], encoding)
            line_no += 1
    # What was read with the mark may hold whole lines that no further chunk came to complete.
    if end := encoding.line_end(left):
        piece, left = TextPiece(left[:end], line_no, encoding), left[end:]
        line_no += piece.lines
        yield piece
    if left:
        yield TextPiece(left + encoding.line_feed, line_no, encoding, ended=False)


def _smaller(piece: TextPiece, size: int) -> Iterator[TextPiece]:
    """The lines of a piece of very short lines, about `size` bytes at a time."""
    data, encoding, line_no, start = piece.data, piece.encoding, piece.first_line_no, 0
    size -= size % len(encoding.line_feed)
    while start < len(data):
        end = start + encoding.line_end(data[start : start + size])
        if end == start:
            end = encoding.first_line_end(data, start)
        part = TextPiece(data[start:end], line_no, encoding)
        line_no, start = line_no + part.lines, end
        yield part


def _after_line_end(stream: ByteStream, encoding: Encoding, data: bytes, piece_bytes: int) -> bytes:
    """Skip the rest of the line that `data` belongs to; returns what was read of the next line."""
    width = len(encoding.line_feed)
    rest = data[len(data) - len(data) % width :]
    while chunk := stream.read(max(piece_bytes, width)):
        rest += chunk
        if end := encoding.first_line_end(rest):
            return rest[end:]
        rest = rest[len(rest) - len(rest) % width :]
    return b""
