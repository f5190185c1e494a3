"""Tables for other people's programs as Parquet. The same rows make the same bytes."""

from __future__ import annotations

from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl


def write_table(frame: pl.DataFrame, path: Path, about: Mapping[str, str]) -> None:
    """Write a frame with texts about it in the file's own metadata; the folder must be there. OSError: disk refuses."""
    # By way of memory: a disk that refuses is then an OSError, and not an error of the writer's own.
    made = BytesIO()
    frame.write_parquet(made, compression="zstd", compression_level=3, metadata=dict(about))
    path.write_bytes(made.getbuffer())
