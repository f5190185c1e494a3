"""Raw logs to rows: one file for each kind of log, and a literal table that names the kinds.

    streams      bytes of a file, decompressed
    lines        bytes -> pieces of whole lines, in the file's encoding
    header       preamble and header line off the first pieces
    delimited    lines -> rows -> numbers and times; rows, columns, numbers, clock say what a row means,
                 row_kernel, number_kernel, clock_kernel are the compiled loops
    sentences    NMEA 0183 lines -> rows
    local_times  local clock -> UTC, over the borders of pieces; zones, folds
    blocks       rows -> rows by place, quarantine, tally

A reader opens its file and nothing else; memory stays flat. Every line comes out as header, blank, ignored,
good or quarantined, and `lines` is their sum.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from types import MappingProxyType
from zoneinfo import ZoneInfo

from pipeline.errors import Bug
from pipeline.readers.feeds import units_of
from pipeline.readers.pieces import BadCell, Piece, PlaceRows, QuarantinedLine, ReadNotes, Reason
from pipeline.readers.source import Source
from pipeline.readers.streams import ByteStream
from schemas.registers import Channel, Layout

__all__ = [
    "READERS",
    "READER_VERSION",
    "BadCell",
    "Piece",
    "PlaceRows",
    "QuarantinedLine",
    "ReadNotes",
    "Reason",
    "read_log",
    "units_of",
]

READER_VERSION = 1
"""To be raised whenever a reader makes something else of the same bytes: files are then read again."""


def _delimited(source: Source) -> Iterator[Piece]:
    from pipeline.readers.delimited import read_delimited

    return read_delimited(source)


def _sentences(source: Source) -> Iterator[Piece]:
    from pipeline.readers.sentences import read_sentences

    return read_sentences(source)


# The kinds load when first used: their compiled loops take a while to come up.
READERS: Mapping[str, Callable[[Source], Iterator[Piece]]] = MappingProxyType(
    {"delimited": _delimited, "sentences": _sentences}
)


def read_log(
    path: Path,
    layout: Layout,
    channels: Mapping[str, Channel],
    site_zone: ZoneInfo,
    *,
    name: str | None = None,
    notes: ReadNotes | None = None,
    piece_bytes: int = 8 << 20,
    exact: bool = False,
) -> Iterator[Piece]:
    """Read a raw log in pieces of about `piece_bytes`, of which the sums account for every line.

    `name`: the file's own name, where `path` holds a copy under another: it tells the compression and is
    named in errors. `notes` is filled in meanwhile. `exact`: every line as text, slowly, with the same
    result. Raises DataError when the file is none of the layout's, or its compressed bytes are damaged;
    RegisterError when the layout cannot be used with these channels.
    """
    if piece_bytes < 1 or piece_bytes > 1 << 30:
        raise Bug("pieces must have between 1 byte and 1 GiB", found=str(piece_bytes))
    known = ReadNotes() if notes is None else notes
    label = path.name if name is None else name
    with ByteStream(path, label) as stream:
        source = Source(stream, label, layout, channels, site_zone, piece_bytes, exact, known)
        yield from READERS[layout.reader](source)
