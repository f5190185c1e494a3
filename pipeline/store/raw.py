"""The originals, by SHA-256 of their bytes as delivered, read-only; and what was put in quarantine."""

import os
import shutil
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Self

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import StoreError
from pipeline.readers import BadCell, QuarantinedLine
from pipeline.store.files import cannot_write, digest_of, draft_of, flush_file, put_in_place, sync_folder, unique_name

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


def keep_raw(folder: Path, source: Path, sha256: str, *, ours: bool) -> Path:
    """Have the original stand in `raw/` under its digest, safe on disk; `source` stays where it is.

    `ours`: the source lies in the inbox and will be taken away, so that a hard link serves; else, or where the
    file system has no links, it is copied. What stands there already is kept. Raises StoreError when the bytes
    copied are not those that were hashed: the file was still being written.
    """
    target = folder / sha256
    draft = draft_of(target)
    try:
        if target.exists():
            return target
        draft.unlink(missing_ok=True)
        if not (ours and _linked(source, draft)):
            shutil.copyfile(source, draft)
            draft.chmod(READ_ONLY)
            if digest_of(draft) != sha256:
                raise StoreError("the file changed while it was read", file=source, next_step="ingest it again")
        flush_file(draft)
        os.replace(draft, target)
        sync_folder(folder)
    except OSError as error:
        raise cannot_write(target, error) from error
    finally:
        draft.unlink(missing_ok=True)
    return target


def hold_apart(folder: Path, sha256: str, size: int) -> None:
    """Make an original a file of its own again: the first `size` bytes, which are those that were hashed.

    For a log in the inbox that went on being written after it was read: it shares its bytes with the link here.
    Raises StoreError when those bytes are no longer what they were.
    """
    target = folder / sha256
    draft = draft_of(target)
    with target.open("rb") as source, draft.open("wb") as copy:
        left = size
        while left > 0 and (chunk := source.read(min(left, 1 << 20))):
            copy.write(chunk)
            left -= len(chunk)
    if digest_of(draft) != sha256:
        draft.unlink()
        raise StoreError("the original was changed after it was read", file=target, next_step="deliver the log again")
    draft.chmod(0o444)
    flush_file(draft)
    os.replace(draft, target)
    sync_folder(folder)


def _linked(source: Path, draft: Path) -> bool:
    """Whether a read-only hard link could be made. What a symbolic link points to, or is another's, is not ours."""
    if source.is_symlink():
        return False
    try:
        os.link(source, draft)
        draft.chmod(READ_ONLY)
    except OSError:
        draft.unlink(missing_ok=True)
        return False
    return True


class QuarantineWriter:
    """Writes the quarantined rows and cells of one raw file, piece by piece; makes no file when there are none."""

    def __init__(self, folder: Path, sha256: str) -> None:
        self._path = folder / unique_name(sha256)
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
        return self._path.name, put_in_place(draft_of(self._path), self._path)


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
