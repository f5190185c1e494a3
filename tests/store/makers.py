"""Raw files as a reader hands them on, written to a store, and what the definitions make of them."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from hypothesis import strategies as st

from pipeline.readers import PlaceRows
from pipeline.store.days import Readings, read_readings
from pipeline.store.depot import Depot
from pipeline.store.samples import Part, SampleWriter
from schemas.times import DAY_US, day_of, day_start_us

SECOND_US = 1_000_000
MIDNIGHT_US = day_start_us(day_of(1_772_323_200_000_000))

# Source: NIST SP 811, App. B: 1 tf = 9.80665 kN; t [degC] = (t [degF] - 32) * 5 / 9.
UNITS = {"pin": "tf", "gauge": "kN", "air": "degF", "brake": "1"}
PLACE_OF = {"pin": "hook 3", "gauge": "winch-2", "air": "hook 3", "brake": "hook 3"}


def canonical(channel: str, raw: float) -> float:
    """A raw number in the canonical unit of its quantity."""
    if channel == "pin":
        return raw * 9.80665
    return raw if channel == "gauge" else raw * (5 / 9) - 160 / 9


@dataclass(frozen=True)
class Line:
    """A line of a raw file that was read: the readings it holds (NaN: missing)."""

    line_no: int
    at_us: int
    raw: Mapping[str, float]

    def readings(self) -> list[tuple[str, int, float]]:
        """Channel, instant, canonical value; one NaN for missing, one zero."""
        return [(name, self.at_us, told_apart(canonical(name, raw))) for name, raw in self.raw.items()]


def told_apart(value: float) -> float:
    """A value such that equal readings are one key: no negative zero, one NaN (that equals itself by identity)."""
    return math.nan if math.isnan(value) else value + 0.0


def place_rows(lines: Sequence[Line]) -> list[PlaceRows]:
    """What a reader makes of one piece: rows by place, channels in the order in which they are first seen.

    A channel that some row does not hold is absent there.
    """
    found = []
    for place in sorted(set(PLACE_OF.values())):
        own = [line for line in lines if any(PLACE_OF[name] == place for name in line.raw)]
        names = list(dict.fromkeys(name for line in own for name in line.raw if PLACE_OF[name] == place))
        absent = {name: np.array([name not in line.raw for line in own]) for name in names}
        found.append(
            PlaceRows(
                place,
                np.array([line.at_us for line in own], np.int64),
                np.array([line.line_no for line in own], np.int64),
                {name: np.array([line.raw.get(name, math.nan) for line in own], np.float64) for name in names},
                {name: mask for name, mask in absent.items() if mask.any()},
            )
        )
    return found


def write(
    store: Path,
    lines: Sequence[Line],
    *,
    cuts: Sequence[int] = (),
    name: str = "a.csv",
    units: Mapping[str, str] = UNITS,
) -> list[Part]:
    """Write a raw file's lines to a store, in pieces cut before the given indices."""
    with SampleWriter(Depot(store), hashlib.sha256(name.encode()).hexdigest(), units) as writer:
        for piece in in_pieces(lines, cuts):
            for rows in place_rows(piece):
                writer.add(rows)
        return writer.close()


def in_pieces(lines: Sequence[Line], cuts: Sequence[int]) -> Iterator[Sequence[Line]]:
    bounds = [0, *sorted(min(cut, len(lines)) for cut in cuts), len(lines)]
    yield from (lines[a:b] for a, b in pairwise(bounds))


def read_back(store: Path, parts: Sequence[Part], **bounds: int | None) -> dict[str, Readings]:
    """Live readings of all channels, place by place."""
    found: dict[str, Readings] = {}
    for place in {part.place for part in parts}:
        found |= read_readings(Depot(store), [part for part in parts if part.place == place], **bounds)
    return found


def bits(values: Sequence[float] | np.ndarray) -> list[int]:
    """The bits of doubles, for comparing them exactly, NaN included."""
    found: list[int] = np.asarray(values, np.float64).view(np.int64).tolist()
    return found


def live(lines: Sequence[Line]) -> dict[str, tuple[list[int], list[int], int]]:
    """By definition: instants, bits of the live values, and how many instants conflict, by channel."""
    at_instants: dict[str, dict[int, list[float]]] = {}
    for line in lines:
        for channel, at_us, value in line.readings():
            at_instants.setdefault(channel, {}).setdefault(at_us, []).append(value)
    return {channel: _live(found) for channel, found in at_instants.items()}


def _live(found: Mapping[int, list[float]]) -> tuple[list[int], list[int], int]:
    instants, values, conflicts = sorted(found), [], 0
    for at_us in instants:
        told = [value for value in found[at_us] if not math.isnan(value)]
        values.append(max(told, default=math.nan))
        conflicts += len(set(told)) > 1 or 0 < len(told) < len(found[at_us])
    return instants, bits(values), conflicts


def as_told(found: Mapping[str, Readings]) -> dict[str, tuple[list[int], list[int], int]]:
    """Readings from the store in the same form."""
    return {channel: (r.at_us.tolist(), bits(r.value), r.conflicts) for channel, r in found.items() if r.at_us.size > 0}


DECIMALS = st.builds(lambda units, places: float(f"{units}e-{places}"), st.integers(-30_000, 30_000), st.integers(0, 4))
"""Numbers as loggers write them."""
NUMBERS = st.one_of(
    DECIMALS,
    st.just(math.nan),
    st.sampled_from([0.0, -0.0, 2.0**31, -(2.0**31), 2.0**31 - 1, 0.1 + 0.2, 1e300, 5e-324, 1e-9, 123456789.123]),
    st.floats(allow_nan=False, allow_infinity=False, min_value=-1e300, max_value=1e300),
)
"""Those, missing ones, and numbers that no scale holds."""
INSTANTS = st.one_of(
    st.integers(-5, 5).map(lambda i: MIDNIGHT_US + i),
    st.integers(-300, 300).map(lambda i: MIDNIGHT_US + i * SECOND_US),
    st.integers(-3, 3).map(lambda i: MIDNIGHT_US + i * DAY_US // 2),
)
"""Around a midnight: instants shared and out of order are likely."""


@st.composite
def raw_files(
    draw: st.DrawFn,
    numbers: st.SearchStrategy[float] = NUMBERS,
    instants: st.SearchStrategy[int] = INSTANTS,
    most: int = 25,
    channels: Sequence[str] = ("pin", "gauge", "air"),
) -> list[Line]:
    """Lines of a raw file, usually in order of time; each holds readings of some channels."""
    size = draw(st.integers(0, most))
    at_us = draw(st.lists(instants, min_size=size, max_size=size))
    if draw(st.integers(0, 2)) > 0:
        at_us.sort()
    held = st.lists(st.sampled_from(channels), unique=True, min_size=1)
    return [
        Line(2 + i, at, {name: draw(numbers) for name in sorted(draw(held), reverse=draw(st.booleans()))})
        for i, at in enumerate(at_us)
    ]


CUTS = st.lists(st.integers(0, 25), max_size=4)
