"""The bytes of a raw log as a stream: plain, gzip (`.gz`) or Zstandard (`.zst`), in flat memory."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from pipeline.errors import DataError

# A zstd block of four bytes can stand for 128 KiB: this much input gives at most 8 MiB of output in one step.
_ZSTD_STEP = 256
_GZIP_STEP = 256 << 10


class ByteStream:
    """Decompressed bytes of a file. `name` (the file's own name, where `path` is a copy under another) tells
    the compression by its ending.

    `ends_early` says, once all is read, that a compressed stream stopped before its end, so that the last
    line cannot be whole. Raises DataError for bytes that no decompressor takes, or whose checksum is wrong.
    """

    def __init__(self, path: Path, name: str) -> None:
        self.ends_early = False
        self._name = name
        self._file: BinaryIO = path.open("rb")
        self._parts: Iterator[bytes] | None = None
        self._left = b""
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
            frame = zstandard.ZstdDecompressor().decompressobj()
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
                    yield part
            first = False
            pending = pending or self._file.read(_ZSTD_STEP)

    def _unreadable(self, kind: str, why: str) -> DataError:
        return DataError(
            f"not a sound {kind} stream: {why}",
            file=self._name,
            expected=f"{kind} data, as the name's ending says",
            next_step="have the file sent again",
        )
