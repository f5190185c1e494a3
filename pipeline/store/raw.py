"""The originals, by SHA-256 of their bytes as delivered, read-only; and what was put in quarantine."""

import os
import shutil
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import StoreError
from pipeline.readers import BadCell, QuarantinedLine
from pipeline.store.files import cannot_write, digest_of, draft_of, flush_file, sync_folder, write_whole

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


def raw_is_whole(folder: Path, sha256: str) -> bool:
    """Whether the original is there, and its bytes still have the digest they are filed under."""
    path = folder / sha256
    return path.is_file() and digest_of(path) == sha256


def write_quarantine(path: Path, lines: Iterable[QuarantinedLine], cells: Iterable[BadCell]) -> tuple[str, int, int]:
    """Write quarantined rows and cells; returns the file's SHA-256 and how many of each."""
    rows: list[dict[str, Any]] = [
        {"raw_line": q.line_no, "what": "row", "reason": q.reason, "detail": q.detail, "bytes": q.raw} for q in lines
    ]
    count = len(rows)
    rows += [
        {
            "raw_line": c.line_no,
            "what": "cell",
            "reason": c.reason,
            "detail": "",
            "column": c.column,
            "channel": c.channel,
            "bytes": c.text.encode("utf-8", "surrogateescape"),
        }
        for c in cells
    ]
    rows.sort(key=lambda row: row["raw_line"])
    table = pa.Table.from_pylist(rows, schema=QUARANTINE_SCHEMA)
    digest = write_whole(path, lambda target: pq.write_table(table, target, compression="zstd"))
    return digest, count, len(rows) - count
