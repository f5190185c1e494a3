"""The bytes of a raw log as a stream: plain, gzip (`.gz`) or Zstandard (`.zst`), in flat memory."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from pipeline.errors import DataError

BOMB_BYTES = 1 << 30
BOMB_RATIO = 1000
"""What unpacks to more than `BOMB_BYTES`, and to more than `BOMB_RATIO` times the bytes that it came in, is refused.

Measured: a log whose readings move packs 5 to 20 times, one of which every channel stands still for days up to 913
times (Zstandard, level 19). Zeros pack 1029 times with gzip and far more with Zstandard.
"""
MOST_WINDOW_BYTES = 1 << 27
"""What a Zstandard frame may ask for as its window: as much as the `zstd` program unpacks without being told to.
Source: zstd(1), `--memory` and `--long`, whose default is 128 MiB (from memory)."""

# A zstd block of four bytes can stand for 128 KiB: this much input gives at most 8 MiB of output in one step.
_ZSTD_STEP = 256
_GZIP_STEP = 256 << 10
_GZIP_MAGIC = b"\x1f"


class ByteStream:
    """Decompressed bytes of a file. `name` (the file's own name, where `path` is a copy under another) tells
    the compression by its ending.

    `ends_early` says, once all is read, that a compressed stream stopped before its end, so that the last
    line cannot be whole. Raises DataError for bytes that no decompressor takes, whose checksum is wrong, or that
    unpack to more than `bomb_bytes` and `BOMB_RATIO` times their size.
    """

    def __init__(self, path: Path, name: str, *, bomb_bytes: int = BOMB_BYTES) -> None:
        self.ends_early = False
        self._name = name
        self._file: BinaryIO = path.open("rb")
        self._parts: Iterator[bytes] | None = None
        self._left = b""
        self._bomb_bytes, self._unpacked = bomb_bytes, 0
        if name.endswith(".gz"):
            self._parts = self._gunzip()
        elif name.endswith(".zst"):
            self._parts = self._unzstd()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def read(self, size: int) -> bytes:
        """The next `size` bytes, fewer only at the end."""
        if self._parts is None:
            return self._file.read(size)
        got, held = [self._left], len(self._left)
        while held < size:
            part = next(self._parts, b"")
            if not part:
                break
            got.append(part)
            held += len(part)
        data = b"".join(got)
        self._left = data[size:]
        return data[:size]

    def _gunzip(self) -> Iterator[bytes]:
        """Members one after another; zero padding between and after them is allowed, as gzip allows it."""
        pending, first = self._file.read(_GZIP_STEP), True
        while pending or first:
            if pending and not pending.startswith(_GZIP_MAGIC):
                raise self._unreadable("gzip", "incorrect header check")  # zlib waits for a second byte to say so
            member = zlib.decompressobj(wbits=31)
            while not member.eof:
                if not pending:
                    pending = self._file.read(_GZIP_STEP)
                    if not pending:
                        self.ends_early = True
                        return
                try:
                    part = member.decompress(pending, _GZIP_STEP * 8)
                except zlib.error as error:
                    raise self._unreadable("gzip", str(error)) from None
                pending = member.unconsumed_tail if not member.eof else member.unused_data
                if part:
                    self._count(part, pending)
                    yield part
            first = False
            pending = self._after_padding(pending)

    def _after_padding(self, pending: bytes) -> bytes:
        while True:
            pending = pending.lstrip(b"\0")
            if pending:
                return pending
            pending = self._file.read(_GZIP_STEP)
            if not pending:
                return b""

    def _unzstd(self) -> Iterator[bytes]:
        """Frames one after another, skippable ones too."""
        import zstandard

        pending, first = self._file.read(_ZSTD_STEP), True
        while pending or first:
            frame = zstandard.ZstdDecompressor(max_window_size=MOST_WINDOW_BYTES).decompressobj()
            while not frame.eof:
                if not pending:
                    pending = self._file.read(_ZSTD_STEP)
                    if not pending:
                        self.ends_early = True
                        return
                try:
                    part = frame.decompress(pending)
                except zstandard.ZstdError as error:
                    raise self._unreadable("Zstandard", str(error)) from None
                pending = frame.unused_data if frame.eof else b""
                if part:
                    self._count(part, pending)
                    yield part
            first = False
            pending = pending or self._file.read(_ZSTD_STEP)

    def _count(self, part: bytes, pending: bytes) -> None:
        """Add what was unpacked; `pending` was read and has not been unpacked yet."""
        self._unpacked += len(part)
        if self._unpacked <= self._bomb_bytes:
            return
        packed = self._file.tell() - len(pending)
        if self._unpacked > BOMB_RATIO * packed:
            raise DataError(
                "a compressed file that unpacks without end, as no log does",
                file=self._name,
                found=f"{self._unpacked} bytes out of {packed}",
                expected=f"at most {BOMB_RATIO} times its size, beyond {self._bomb_bytes} bytes",
                next_step="withhold it; if it is a log after all, deliver it unpacked, or in smaller files",
            )

    def _unreadable(self, kind: str, why: str) -> DataError:
        return DataError(
            f"not a sound {kind} stream: {why}",
            file=self._name,
            expected=f"{kind} data, as the name's ending says",
            next_step="have the file sent again",
        )
