"""What must hold of every input, told from the rules alone and not by the readers' own code.

A line ends with LF or CRLF in the file's encoding, after a byte-order mark if there is one; what nothing ended is
a line too. A compressed stream holds what another decompressor makes of it. Each line comes out once.
"""

from __future__ import annotations

import gzip
import math
import re
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path
from random import Random

from ops.fuzz_inputs import Input
from ops.fuzz_recipes import RECIPES, ZONE, Recipe
from pipeline.errors import DataError, RegisterError
from pipeline.readers import Piece, ReadNotes, read_log

LEAST_US, MOST_US = -62_135_596_800_000_000, 253_402_300_799_999_999
"""The first and last microsecond of years 1 to 9999, UTC."""
KEPT_BYTES = 1 << 20
"""How much of a longer line is kept in quarantine, as README and DEVELOPERS say."""
SMALL = 20_000
"""Longer inputs are not read in tiny pieces."""

SEEN_BY_ZLIB_ALONE = ("incorrect data check", "unknown header flags set", "header crc mismatch")
"""What `gzip` does not look at: the checksum of a member cut off within the length after it, and of headers."""

Reader = Callable[..., Iterator[Piece]]


class Wrong(AssertionError):
    """Something that must hold of every input does not hold of this one."""


@dataclass
class Reading:
    """All that reading gave, as plain values; `error`: the deliberate error that ended it, if one did."""

    lines: int = 0
    header: int = 0
    blank: int = 0
    ignored: int = 0
    good: int = 0
    rows: list[tuple[int, int, str, str, str]] = field(default_factory=list)
    quarantined: list[tuple[int, bytes, str, str]] = field(default_factory=list)
    bad_cells: list[tuple[int, str, str, str, str]] = field(default_factory=list)
    notes: ReadNotes = field(default_factory=ReadNotes)
    error: str | None = None

    def add(self, piece: Piece) -> None:
        """One piece more."""
        self.lines += piece.lines
        self.header += piece.header
        self.blank += piece.blank
        self.ignored += piece.ignored
        self.good += piece.good
        self.quarantined += [(line.line_no, line.raw, line.reason, line.detail) for line in piece.quarantined]
        self.bad_cells += [(c.line_no, c.column, c.channel, c.text, c.reason) for c in piece.bad_cells]
        for rows in piece.rows:
            stamps = list(zip(rows.line_no.tolist(), rows.at_us.tolist(), strict=True))
            for channel, numbers in rows.values.items():
                absent = rows.absent.get(channel)
                gone = [False] * len(stamps) if absent is None else absent.tolist()
                for (line_no, at_us), number, none in zip(stamps, numbers.tolist(), gone, strict=True):
                    if not none:
                        # As hex, bit for bit: -0.0 is not 0.0, and nan is itself.
                        self.rows.append((line_no, at_us, rows.place, channel, number.hex()))


@dataclass(frozen=True)
class Contents:
    """What a compressed or plain file holds. `ends_early`: the stream stops before its end. `sound` False: bytes that
    are no such stream."""

    data: bytes
    sound: bool = True
    ends_early: bool = False


def read_input(
    made: Input, path: Path, *, piece_bytes: int = 1 << 20, exact: bool = False, reader: Reader = read_log
) -> Reading:
    """Read what stands at `path` as the input's recipe says. Only deliberate errors are caught."""
    recipe, out = RECIPES[made.recipe], Reading()
    try:
        for piece in reader(
            path,
            recipe.layout,
            recipe.channels,
            ZONE,
            name=made.name,
            notes=out.notes,
            piece_bytes=piece_bytes,
            exact=exact,
        ):
            out.add(piece)
    except (DataError, RegisterError) as error:
        # How many pieces came before it depends on how the file was cut; that it comes does not.
        return Reading(error=f"{type(error).__name__}: {error}")
    for rows in (out.rows, out.quarantined, out.bad_cells):
        rows.sort()
    return out


def check_input(made: Input, path: Path, rng: Random, *, reader: Reader = read_log) -> Reading:
    """Read an input with the compiled loops, and once more in another way; Wrong says what does not hold.

    The other way is, by chance: exactly (one half), in small pieces (a quarter), exactly in small pieces.
    """
    contents = unpack(made)
    if made.content is not None and (contents.data != made.content or not contents.sound or contents.ends_early):
        raise Wrong("the fuzzer's own decompressor does not give back what was packed")
    path.write_bytes(made.data)
    first = read_input(made, path, reader=reader)
    check_reading(first, RECIPES[made.recipe], contents)
    chance = rng.randrange(4)
    pieces = 1 << 20
    if chance > 1 and len(contents.data) < SMALL:
        pieces = rng.choice((1, 3, 7)) if rng.random() < 0.02 else 1 + len(contents.data) // rng.randrange(2, 6)
    exact = chance != 2
    other = read_input(made, path, piece_bytes=pieces, exact=exact, reader=reader)
    # Of a damaged stream whose header does not fit, what is met first depends on the pieces.
    both = f"{first.error}{other.error}" if first.error and other.error else ""
    damaged = not contents.sound or any(words in both for words in SEEN_BY_ZLIB_ALONE)
    if other != first and not (both and damaged):
        raise Wrong(f"read {'exactly' if exact else 'compiled'} in pieces of {pieces}: {_difference(first, other)}")
    return first


def check_reading(reading: Reading, recipe: Recipe, contents: Contents) -> None:
    """Whether a reading accounts for every line of what was read."""
    lines = split_lines(contents.data, recipe.layout.text.encoding)
    expected = _expected_error(lines, recipe, contents)
    if expected is not None or reading.error is not None:
        if reading.error is not None and any(words in reading.error for words in SEEN_BY_ZLIB_ALONE):
            return
        if expected is None or reading.error is None:
            raise Wrong(f"expected {expected or 'no error'}, found {reading.error or 'no error'}")
        return
    accounted = reading.header + reading.blank + reading.ignored + reading.good + len(reading.quarantined)
    if reading.lines != accounted or reading.lines != len(lines):
        raise Wrong(f"the file has {len(lines)} lines, the reader tells {reading.lines} and accounts for {accounted}")
    good = {row[0] for row in reading.rows}
    bad = [line[0] for line in reading.quarantined]
    if len(good) != reading.good or len(set(bad)) != len(bad) or good & set(bad):
        raise Wrong("a line is both good and quarantined, or stands twice, or is counted and not there")
    if not {cell[0] for cell in reading.bad_cells} <= good:
        raise Wrong("a bad cell stands in a line that is not good")
    if any(not 1 <= line_no <= len(lines) for line_no in (*good, *bad)):
        raise Wrong("a line number is beyond the file")
    if len({row[:4] for row in reading.rows}) != len(reading.rows):
        raise Wrong("a line gives a channel twice")
    given: dict[int, set[str]] = {}
    for line_no, _, _, channel, _ in reading.rows:
        given.setdefault(line_no, set()).add(channel)
    if not all(recipe.is_whole_row(channels) for channels in given.values()):
        raise Wrong("a good line gives some of its channels and not others")
    _check_places(reading, recipe, lines)
    for line_no, raw, reason, _ in reading.quarantined:
        if raw != lines[line_no - 1][0][:KEPT_BYTES] or (reason == "too-long") != (
            len(lines[line_no - 1][0]) > KEPT_BYTES
        ):
            raise Wrong(f"line {line_no} is quarantined as {reason} with other bytes than its own")
    for _, at_us, _, _, number in reading.rows:
        if not (type(at_us) is int and LEAST_US <= at_us <= MOST_US) or math.isinf(float.fromhex(number)):
            raise Wrong("an instant beyond the calendar, or an infinite number")


def _check_places(reading: Reading, recipe: Recipe, lines: list[tuple[bytes, bool]]) -> None:
    """Whether rows stand where lines are that can be rows: no header, not blank, of their own stamp."""
    text = recipe.layout.text
    separator = "," if recipe.reader == "sentences" else text.separator
    least = len(recipe.header) + 1
    if min([*(row[0] for row in reading.rows), *(line[0] for line in reading.quarantined)], default=least) < least:
        raise Wrong("a line of the header is a row")
    encoding = {"utf-16": "utf-16-le"}.get(text.encoding, text.encoding)
    stamped = encoding == "utf-8" and "rfc3339" in (recipe.layout.time.format, recipe.layout.time.prefix)
    for line_no, at_us in {(row[0], row[1]) for row in reading.rows}:
        line = lines[line_no - 1][0]
        if not line.strip(f" \t{separator}".encode(encoding, "replace")):
            raise Wrong(f"line {line_no} is blank, and good")
        if stamped:
            stamp = re.split(rf"[{separator}$]", line.decode("utf-8").removeprefix("\ufeff"))[0]
            stamp = stamp.strip().strip('"').strip().rstrip(",; \t").upper()
            with suppress(ValueError, OverflowError):  # what this does not know, such as a leap second, is let be
                at = datetime.fromisoformat(stamp)
                if (at - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) != at_us:
                    raise Wrong(f"line {line_no} says {stamp} and is dated {at_us}")


def split_lines(data: bytes, encoding: str) -> list[tuple[bytes, bool]]:
    """The lines of a file by the rules alone, without their ends, and whether each was ended."""
    marks = {"utf-8": (b"\xef\xbb\xbf",), "utf-16": (b"\xff\xfe", b"\xfe\xff"), "utf-16-be": (b"\xfe\xff",)}
    mark = next((mark for mark in marks.get(encoding, ()) if data.startswith(mark)), b"")
    if encoding == "utf-16":
        encoding = "utf-16-be" if mark == b"\xfe\xff" else "utf-16-le"
    data = data[len(mark) :]
    feed, back = "\n".encode(encoding), "\r".encode(encoding)
    if len(feed) == 1:
        parts = data.split(feed)
    else:
        parts, start = [], 0
        for at in range(0, len(data) - 1, 2):
            if data[at : at + 2] == feed:
                parts.append(data[start:at])
                start = at + 2
        parts.append(data[start:])
    lines = [(part.removesuffix(back), True) for part in parts[:-1]]
    return [*lines, (parts[-1], False)] if parts[-1] else lines


def unpack(made: Input) -> Contents:
    """What a file holds, by other means than the readers': `gzip` for gzip, a stream reader for Zstandard."""
    if made.suffix == ".gz":
        return _gunzip(made.data)
    return _unzstd(made.data) if made.suffix == ".zst" else Contents(made.data)


def _gunzip(data: bytes) -> Contents:
    got = []
    try:
        with gzip.GzipFile(fileobj=BytesIO(data)) as stream:
            while part := stream.read1(1 << 16):
                got.append(part)
    except EOFError:
        return Contents(b"".join(got), ends_early=True)
    except (OSError, zlib.error) as error:
        if str(error) == r"Not a gzipped file (b'\x1f')":  # half of the two bytes that begin a member
            return Contents(b"".join(got), ends_early=True)
        return Contents(b"".join(got), sound=False)
    return Contents(b"".join(got), ends_early=not data)


def _unzstd(data: bytes) -> Contents:
    """One frame after another, each wholly at hand."""
    import zstandard

    got, left, early = [], data, not data
    while left:
        frame = zstandard.ZstdDecompressor().decompressobj()
        try:
            got.append(frame.decompress(left))
        except zstandard.ZstdError:
            return Contents(b"".join(got), sound=False)
        left, early = frame.unused_data, not frame.eof
    return Contents(b"".join(got), ends_early=early)


def _expected_error(lines: list[tuple[bytes, bool]], recipe: Recipe, contents: Contents) -> str | None:
    """Why the file as a whole cannot be read, by the layout's words alone."""
    if not contents.sound:
        return "a damaged stream"
    text = recipe.layout.text
    if recipe.reader == "sentences" or text.header_line == 0 or len(lines) < text.header_line:
        return None
    raw, ended = lines[text.header_line - 1]
    unmarked = {"utf-16": "utf-16-le"}.get(text.encoding, text.encoding)
    if not ended and len(raw) <= KEPT_BYTES + 2 * len("\n".encode(unmarked)):
        return None  # a header cut off; of one that is too long besides, what follows is not waited for
    if contents.data.startswith(b"\xfe\xff") and text.encoding == "utf-16":
        unmarked = "utf-16-be"
    try:
        line = raw[:KEPT_BYTES].decode(unmarked).lstrip("\ufeff")
    except UnicodeDecodeError:
        return "a header that is no text"
    names = Counter(_bare(name) for name in line.split(text.separator))
    asked = [recipe.layout.time.column, *(rule.column for rule in recipe.layout.value)]
    if recipe.layout.rows is not None:
        asked.append(recipe.layout.rows.key)
    return None if all(names[name or ""] == 1 for name in asked) else "a header without the layout's columns"


def _bare(name: str) -> str:
    name = name.strip()
    while len(name) > 1 and name.startswith('"') and name.endswith('"'):
        name = name[1:-1].strip()
    return name


def _difference(first: Reading, other: Reading) -> str:
    for name, value in vars(first).items():
        if getattr(other, name) != value:
            return f"{name} is {str(getattr(other, name))[:300]}, was {str(value)[:300]}"
    return "no difference"
