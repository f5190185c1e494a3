"""Preamble and header: the first lines of a file, which may stand in several pieces."""

from __future__ import annotations

from pipeline.errors import DataError
from pipeline.readers.lines import LongLine, TextPiece


class HeaderLines:
    """Takes the first `lines` lines of a file off its pieces, and keeps the last of them."""

    def __init__(self, lines: int) -> None:
        self._lines = self._left = lines
        self._last: bytes | None = None
        self._codec = ""
        self._ended = True

    @property
    def is_whole(self) -> bool:
        """Whether all header lines have been taken, and the last of them was ended."""
        return self._left == 0 and self._ended

    def take(self, part: TextPiece | LongLine) -> tuple[int, TextPiece | LongLine | None]:
        """How many of the part's lines are header, and what follows them."""
        if self._left == 0:
            return 0, part
        if isinstance(part, LongLine):
            self._left -= 1
            self._last, self._codec = part.head, part.encoding.codec
            return 1, None
        if not part.ended:
            self._left, self._ended = self._left - 1, False
            return 1, None
        start, taken = 0, 0
        while self._left > 0 and (end := part.encoding.first_line_end(part.data, start)) > 0:
            self._last, self._codec = part.data[start:end], part.encoding.codec
            self._left, start, taken = self._left - 1, end, taken + 1
        if start == len(part.data):
            return taken, None
        return taken, TextPiece(part.data[start:], part.first_line_no + taken, part.encoding, part.ended)

    def text(self, file: str) -> str | None:
        """The header line, once it has been taken; None where there is none. DataError: it cannot be
        decoded."""
        if self._last is None:
            return None
        try:
            text = self._last.decode(self._codec)
        except UnicodeDecodeError as error:
            raise DataError(
                f"the header line is no text in {self._codec}",
                file=file,
                line_no=self._lines,
                found=f"byte 0x{self._last[error.start]:02x} at position {error.start + 1}",
                next_step="correct [text] encoding or header_line of the layout, or have the file sent again",
            ) from None
        return text.removesuffix("\n").removesuffix("\r").lstrip("\ufeff")  # one mark of byte order, or several
