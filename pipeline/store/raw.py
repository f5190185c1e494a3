"""The originals, by SHA-256 of their bytes as delivered, read-only; and what was put in quarantine."""

import hashlib
import os
import secrets
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Self

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import StoreError
from pipeline.readers import BadCell, QuarantinedLine
from pipeline.store.depot import Depot
from pipeline.store.files import cannot_write, draft_of, unique_name

READ_ONLY = 0o444
QUARANTINE_SCHEMA = pa.schema(
    [
        pa.field("raw_line", pa.int64(), nullable=False),
        pa.field("what", pa.string(), nullable=False),
        pa.field("reason", pa.string(), nullable=False),
        pa.field("detail", pa.string(), nullable=False),
        pa.field("column", pa.string()),
        pa.field("channel", pa.string()),
        pa.field("bytes", pa.binary(), nullable=False),
    ]
)


@dataclass(frozen=True)
class Kept:
    """An original that stands in `raw/`: the digest it is filed under, its bytes, and when its source was written.

    `beginnings`: SHA-256 of its first bytes, for each number of them that was asked for and that it is longer than.
    """

    sha256: str
    size: int
    mtime_ns: int
    beginnings: Mapping[int, str]


def keep_raw(folder: Depot, source: Path, sizes: Sequence[int] = ()) -> Kept | None:
    """Copy a raw file into `raw/` under the SHA-256 of its bytes, safe on disk and read-only; `source` is untouched.

    `sizes`: of which beginnings of it [bytes] the digest is wanted as well.
    Copied, not linked: whoever still has the source open, or opens it again, cannot reach the original. What stands
    there already is kept. None when the source was written to meanwhile: it is not whole yet.
    Raises OSError when the source is gone or may not be read, StoreError when the disk refuses.
    """
    draft = draft_of(folder / f"incoming-{secrets.token_hex(8)}")
    before = source.stat()
    with source.open("rb") as read:
        try:
            try:
                return _keep(folder, source, before, read, draft, sizes)
            finally:
                draft.unlink(missing_ok=True)
        except OSError as error:  # a read-only disk refuses the unlink too, of what is not there
            raise cannot_write(folder.folder, error) from error


def _keep(
    folder: Depot, source: Path, before: os.stat_result, read: BinaryIO, draft: Path, sizes: Sequence[int]
) -> Kept | None:
    sha256, beginnings = _copy(read, draft, sizes)
    after = source.stat()
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
        return None
    if not (folder / sha256).exists():
        draft.chmod(READ_ONLY)
        folder.place(draft, sha256, sha256)
    return Kept(sha256, before.st_size, before.st_mtime_ns, beginnings)


def _copy(read: BinaryIO, draft: Path, sizes: Sequence[int]) -> tuple[str, dict[int, str]]:
    """Copy and sync; returns the SHA-256 of the very bytes copied, and those of the beginnings asked for."""
    whole = hashlib.sha256()
    ahead = sorted(set(sizes), reverse=True)
    beginnings: dict[int, str] = {}
    copied = 0
    with draft.open("wb") as write:
        while chunk := read.read(1 << 20):
            done = 0
            while ahead and ahead[-1] < copied + len(chunk):
                end = ahead[-1] - copied
                whole.update(memoryview(chunk)[done:end])
                beginnings[ahead.pop()], done = whole.hexdigest(), end
            whole.update(memoryview(chunk)[done:])
            copied += len(chunk)
            write.write(chunk)
        write.flush()
        os.fsync(write.fileno())
    # A size that a chunk ends on is met when the next one begins; so what is left is no shorter than the file.
    return whole.hexdigest(), beginnings


class QuarantineWriter:
    """Writes the quarantined rows and cells of one raw file, piece by piece; makes no file when there are none."""

    def __init__(self, folder: Depot, sha256: str) -> None:
        self._folder, self._name = folder, unique_name(sha256)
        self._path = folder / self._name
        self._writer: pq.ParquetWriter | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is not None and self._writer is not None:
            self._writer.close()
            draft_of(self._path).unlink(missing_ok=True)

    def add(self, lines: Iterable[QuarantinedLine], cells: Iterable[BadCell]) -> None:
        """Take what one piece put in quarantine."""
        rows = [_line_row(line) for line in lines] + [_cell_row(cell) for cell in cells]
        if not rows:
            return
        rows.sort(key=lambda row: row["raw_line"])
        if self._writer is None:
            self._writer = pq.ParquetWriter(draft_of(self._path), QUARANTINE_SCHEMA, compression="zstd")
        self._writer.write_table(pa.Table.from_pylist(rows, schema=QUARANTINE_SCHEMA))

    def close(self) -> tuple[str, str] | None:
        """The file's name and SHA-256; None when nothing was put in."""
        if self._writer is None:
            return None
        self._writer.close()
        return self._name, self._folder.put(draft_of(self._path), self._name)


@dataclass(frozen=True)
class Quarantined:
    """A row or a cell in quarantine (`what`): `raw` its bytes as delivered; of a cell also its column."""

    line_no: int
    what: str
    reason: str
    detail: str
    column: str | None
    raw: bytes


def read_quarantine(folder: Depot, name: str) -> list[Quarantined]:
    """What was put in quarantine of one raw file, in order of lines. Raises StoreError for a file gone or torn."""
    path = folder.local(name)
    try:
        rows = pq.ParquetFile(path).read(use_threads=False).to_pylist()
    except (OSError, pa.ArrowInvalid) as error:
        raise StoreError(f"cannot read quarantine: {error}", file=path, next_step="run `tautlog audit`") from error
    return [
        Quarantined(row["raw_line"], row["what"], row["reason"], row["detail"], row["column"], row["bytes"])
        for row in rows
    ]


def _line_row(line: QuarantinedLine) -> dict[str, Any]:
    return {
        "raw_line": line.line_no,
        "what": "row",
        "reason": line.reason,
        "detail": line.detail,
        "bytes": line.raw,
    }


def _cell_row(cell: BadCell) -> dict[str, Any]:
    return {
        "raw_line": cell.line_no,
        "what": "cell",
        "reason": cell.reason,
        "detail": "",
        "column": cell.column,
        "channel": cell.channel,
        "bytes": cell.text.encode("utf-8", "surrogateescape"),
    }
