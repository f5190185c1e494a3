"""What a day's neighbours may look at: digests by which a change there is noticed, and no other change is."""

import hashlib
from collections.abc import Iterable, Mapping
from datetime import date

import numpy as np
from numpy.typing import NDArray

from pipeline.store.scaled import Floats, value_bits
from schemas.documents import EDGE_S
from schemas.times import DAY_US, day_start_us

Ints = NDArray[np.int64]
EDGE_US = round(EDGE_S * 1e6)
"""How far into a neighbouring day flags and detectors look; and at the state of a brake when that stretch began."""


class Edges:
    """The readings near the ends of a part's day, gathered piece by piece, however the pieces are cut.

    Of each channel those of the first and of the last `EDGE_US` of the day; and of channels that tell a state (unit 1:
    a brake) the last that is not missing before that, whenever it was, since a state holds until the next is told.
    """

    def __init__(self, day: date, units: Mapping[str, str]) -> None:
        self._units = units
        self._head_end_us = day_start_us(day) + EDGE_US
        self._tail_from_us = day_start_us(day) + DAY_US - EDGE_US
        self._head: dict[str, list[bytes]] = {}
        self._tail: dict[str, list[bytes]] = {}
        self._last: dict[str, tuple[int, list[bytes]]] = {}
        self._seen: set[str] = set()

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels of which there is any reading, by name."""
        return tuple(sorted(self._seen))

    def add(self, channel: str, at_us: Ints, value: Floats) -> None:
        """Take readings of one channel (n,), ascending and not before those taken already."""
        if at_us.size == 0:
            return
        self._seen.add(channel)
        head_end, tail_begin = np.searchsorted(at_us, [self._head_end_us, self._tail_from_us])
        self._head.setdefault(channel, []).append(_rows(at_us[:head_end], value[:head_end]))
        self._tail.setdefault(channel, []).append(_rows(at_us[tail_begin:], value[tail_begin:]))
        told = ~np.isnan(value[:tail_begin])
        if self._units[channel] == "1" and told.any():
            self._keep_last(channel, at_us[:tail_begin][told], value[:tail_begin][told])

    def _keep_last(self, channel: str, at_us: Ints, state: Floats) -> None:
        """The readings of the latest instant so far, all of them."""
        last_us = int(at_us[-1])
        known_us, held = self._last.get(channel, (last_us, []))
        held = held if known_us == last_us else []
        begin = int(np.searchsorted(at_us, last_us))
        self._last[channel] = (last_us, [*held, _rows(at_us[begin:], state[begin:])])

    def head_digest(self) -> str:
        """Digest of what the day before may look at; "" when there is nothing."""
        return self._digest((name, b"".join(rows)) for name, rows in self._head.items())

    def tail_digest(self) -> str:
        """Digest of what the day after may look at; "" when there is nothing."""
        last = {name: b"".join(rows) for name, (_, rows) in self._last.items()}
        return self._digest((name, last.get(name, b"") + b"".join(rows)) for name, rows in self._tail.items())

    def _digest(self, readings: Iterable[tuple[str, bytes]]) -> str:
        whole = hashlib.sha256()
        found = sorted((name, rows) for name, rows in readings if rows)
        for name, rows in found:
            whole.update(hashlib.sha256(f"{name}\0{self._units[name]}".encode()).digest())
            whole.update(hashlib.sha256(rows).digest())
        return whole.hexdigest() if found else ""


def _rows(at_us: Ints, value: Floats) -> bytes:
    """Readings as bytes, one after the other, so that it does not matter where they were cut."""
    return np.column_stack((at_us, value_bits(value))).tobytes()
