"""Building text fast: rows as a matrix of bytes, cells looked up in tables, padding squeezed out last."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, tzinfo

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]

_PAD = 0
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Words:
    """A table of texts; `take(index)` gives them as rows of equal width, padded with zero bytes."""

    def __init__(self, texts: Sequence[str]) -> None:
        width = max((len(text) for text in texts), default=0)
        self._table = np.zeros((len(texts), max(width, 1)), dtype=np.uint8)
        for row, text in enumerate(texts):
            self._table[row, : len(text)] = np.frombuffer(text.encode("ascii"), dtype=np.uint8)

    def take(self, index: Ints) -> Bytes:
        return np.asarray(np.take(self._table, index, axis=0))


class Decimals(Words):
    """All numbers k * 10^-digits for k in [low, high], with texts of one's own after them.

    `take(k - low)` is the number k; `special(j)` is the index of own text j.
    """

    def __init__(self, low: int, high: int, *, digits: int, mark: str = ".", own: Sequence[str] = ()) -> None:
        self.low, self.high = low, high
        scale = 10**digits
        numbers = [
            f"{'-' if k < 0 else ''}{abs(k) // scale}{mark}{abs(k) % scale:0{digits}d}" if digits else str(k)
            for k in range(low, high + 1)
        ]
        super().__init__([*numbers, *own])

    def of(self, values: Ints) -> Ints:
        """Indices of these numbers (in units of the last digit); IndexError outside the table."""
        if len(values) and (values.min() < self.low or values.max() > self.high):
            raise IndexError(f"{values.min()}..{values.max()} is outside {self.low}..{self.high}")
        return values - self.low

    def special(self, own: int) -> int:
        return self.high - self.low + 1 + own


def constant(text: str, rows: int) -> Bytes:
    """The same text in every row."""
    return np.broadcast_to(np.frombuffer(text.encode("ascii"), dtype=np.uint8), (rows, len(text)))


def squeeze(columns: Sequence[Bytes]) -> bytes:
    """The rows of these columns side by side, without padding, as one text."""
    matrix = np.concatenate(columns, axis=1)
    return bytes(matrix[matrix != _PAD].tobytes())


def checksum(columns: Sequence[Bytes]) -> Bytes:
    """NMEA 0183 checksum of each row: exclusive or of its bytes (padding changes nothing), two hex digits."""
    parity = np.bitwise_xor.reduce(np.concatenate(columns, axis=1), axis=1)
    digits = np.frombuffer(b"0123456789ABCDEF", dtype=np.uint8)
    return np.stack([digits[parity >> 4], digits[parity & 15]], axis=1)


def _two(values: Ints) -> Bytes:
    return np.stack([values // 10 + 48, values % 10 + 48], axis=1).astype(np.uint8)


def local_columns(at_us: Ints, zone: tzinfo) -> tuple[Ints, Ints]:
    """Local wall-clock microseconds since 1970, and the offset in minutes, of UTC microseconds.

    Offsets are looked up at each full quarter of an hour, where every change of the clocks falls.
    """
    quarter = at_us // 900_000_000
    starts, where = np.unique(quarter, return_inverse=True)
    offsets = []
    for start in starts:
        offset = (_EPOCH + timedelta(seconds=int(start) * 900)).astimezone(zone).utcoffset()
        offsets.append(round((offset or timedelta(0)).total_seconds() / 60))
    minutes = np.array(offsets, dtype=np.int64)[where]
    return at_us + minutes * 60_000_000, minutes


def _calendar(local_us: Ints) -> tuple[Words, Ints, Ints]:
    day = local_us // 86_400_000_000
    first = int(day.min()) if len(day) else 0
    days = [_EPOCH + timedelta(days=first + k) for k in range(int(day.max()) - first + 1 if len(day) else 1)]
    return Words([when.strftime("%Y%m%d") for when in days]), day - first, local_us % 86_400_000_000


def day_first(at_us: Ints, zone: tzinfo, *, fraction: int = 2) -> Bytes:
    """Local time as `31.12.2026 23:59:59.90`, with this many digits of the second's fraction."""
    words, day, of_day = _calendar(local_columns(at_us, zone)[0])
    date, rows = words.take(day), len(at_us)
    dot, space = constant(".", rows), constant(" ", rows)
    return np.concatenate([date[:, 6:8], dot, date[:, 4:6], dot, date[:, 0:4], space, _clock(of_day, fraction)], axis=1)


def rfc3339(at_us: Ints, zone: tzinfo, *, fraction: int = 1) -> Bytes:
    """RFC 3339 in this zone: `2026-12-31T23:59:59.9+01:00`, or `Z` where the zone is UTC."""
    local_us, minutes = local_columns(at_us, zone)
    words, day, of_day = _calendar(local_us)
    date, rows = words.take(day), len(at_us)
    dash = constant("-", rows)
    if zone is UTC:
        tail = constant("Z", rows)
    else:
        kinds, which = np.unique(minutes, return_inverse=True)
        texts = [f"{'-' if m < 0 else '+'}{abs(int(m)) // 60:02d}:{abs(int(m)) % 60:02d}" for m in kinds]
        tail = Words(texts).take(which)
    parts = [date[:, 0:4], dash, date[:, 4:6], dash, date[:, 6:8], constant("T", rows)]
    return np.concatenate([*parts, _clock(of_day, fraction), tail], axis=1)


def _clock(of_day_us: Ints, fraction: int) -> Bytes:
    seconds, rest = np.divmod(of_day_us, 1_000_000)
    colon = constant(":", len(of_day_us))
    parts = [_two(seconds // 3600), colon, _two(seconds // 60 % 60), colon, _two(seconds % 60)]
    if fraction:
        digits = [(rest // 10 ** (5 - k) % 10 + 48).astype(np.uint8) for k in range(fraction)]
        parts += [constant(".", len(of_day_us)), np.stack(digits, axis=1)]
    return np.concatenate(parts, axis=1)
