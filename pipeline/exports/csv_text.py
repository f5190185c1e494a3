"""Tables as CSV (RFC 4180): UTF-8 without a mark, CRLF, a header, fields quoted where they must be.

Nothing is null, `""` is an empty text. Exact decimals keep all 30 places, instants are UTC with six, lists are JSON.
What a cell holds is never altered, not even where a spreadsheet that opens the file would take a text for a formula.
The common advice (OWASP, CSV Injection) is to put an apostrophe before such a text; what is then exported is no longer
what the ledger holds, for every reader that is no spreadsheet. So the cells are counted, and the counts told in the
manifest, in READ-ME.txt and by the command; for a spreadsheet there is the workbook, in which every text is a text.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from schemas.exported import Table

if TYPE_CHECKING:
    import polars as pl

FORMULA_STARTS: Final = "=+-@\t\r\n"
"""A text that begins with one of these is a formula to some spreadsheets. Source: OWASP, CSV Injection."""
AT: Final = "%Y-%m-%dT%H:%M:%S%.6fZ"
_TEXTS: Final = ("text", "json", "list")


def write_csv(frame: pl.DataFrame, path: Path) -> None:
    """Write a frame. OSError: the disk refuses."""
    # By way of memory: a disk that refuses is then an OSError, and not an error of the writer's own.
    made = BytesIO()
    flat(frame).write_csv(made, line_terminator="\r\n", datetime_format=AT, null_value="")
    path.write_bytes(made.getbuffer())


def flat(frame: pl.DataFrame) -> pl.DataFrame:
    """The same rows without lists: each as JSON text."""
    import polars as pl

    lists = [name for name, kind in frame.schema.items() if isinstance(kind, pl.List)]
    return frame.with_columns(
        pl.Series(name, [_json(cell) for cell in frame[name]], dtype=pl.String()) for name in lists
    )


def formula_like(frame: pl.DataFrame, table: Table) -> dict[str, int]:
    """How many cells a spreadsheet could take for a formula, by column; columns without any are left out."""
    import polars as pl

    texts = [column.name for column in table.columns if column.kind in _TEXTS]
    starts = "^[" + "".join("\\" + one if one in "-+" else one for one in FORMULA_STARTS) + "]"
    flat_texts = flat(frame.select(texts))
    counts = flat_texts.select(pl.col(name).str.contains(starts).sum() for name in texts).row(0) if texts else ()
    return {name: int(count) for name, count in zip(texts, counts, strict=True) if count}


def _json(cell: Sequence[Any] | None) -> str | None:
    return None if cell is None else json.dumps(list(cell), ensure_ascii=False)
