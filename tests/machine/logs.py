"""What the berth truly recorded, row by row, and the many ways in which a piece of it may be delivered."""

from __future__ import annotations

import gzip
import random
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Literal

from hypothesis import strategies as st

S = 1_000_000
DAY_US = 86_400 * S
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
FIRST_US = (datetime(2026, 3, 2, tzinfo=UTC) - EPOCH) // timedelta(microseconds=1)
"""The first of the three UTC days on which everything happens."""

Log = Literal["hooks", "winch"]
HEADERS: dict[Log, str] = {"hooks": "at,hook,kn", "winch": "time;pull;payout;brake"}
MISSING, UNREADABLE = "---", "4l2"
LEVEL_KN = 80
"""Tensions are whole multiples of it: few values, so that ties and plateaus are everywhere."""


def moment(at_us: int) -> datetime:
    return EPOCH + timedelta(microseconds=at_us)


@dataclass(frozen=True)
class Row:
    """One row of a log. `cells`: after the time, as written; a hook's name is the first of its row."""

    log: Log
    at_us: int
    cells: tuple[str, ...]

    @property
    def text(self) -> str:
        at = moment(self.at_us)
        if self.log == "hooks":
            return ",".join((at.isoformat().replace("+00:00", "Z"), *self.cells))
        return ";".join((at.replace(tzinfo=None).isoformat(sep=" "), *self.cells))

    def corrected(self, tension: str) -> Row:
        """The same row with another tension."""
        index = 1 if self.log == "hooks" else 0
        return replace(self, cells=(*self.cells[:index], tension, *self.cells[index + 1 :]))

    @property
    def tension(self) -> str:
        return self.cells[1 if self.log == "hooks" else 0]


@dataclass(frozen=True)
class Piece:
    """A raw file: some rows under a header, and how its bytes are dressed. `cut`: bytes lost at its end."""

    log: Log
    rows: tuple[str, ...]
    newline: str = "\n"
    cut: int = 0
    packed: bool = False

    @property
    def data(self) -> bytes:
        text = "".join(line + self.newline for line in (HEADERS[self.log], *self.rows)).encode()
        text = text[: len(text) - self.cut] if self.cut else text
        return gzip.compress(text, mtime=0) if self.packed else text

    def name(self, serial: int, letter: str) -> str:
        """A file name; the letter, which comes first, decides where it stands among those of one night."""
        return f"{self.log}_{letter}{serial:03d}.csv" + (".gz" if self.packed else "")


DRESSES = ("gz", "crlf", "reversed", "blank", "unended")
"""The same data in other bytes."""


def dressed(piece: Piece, dress: str) -> Piece:
    if dress == "gz":
        return replace(piece, packed=not piece.packed)
    if dress == "crlf":
        return replace(piece, newline="\r\n" if piece.newline == "\n" else "\n")
    if dress == "reversed":
        return replace(piece, rows=piece.rows[::-1])
    if dress == "blank":
        return replace(piece, rows=(*piece.rows, ""))
    return replace(piece, cut=len(piece.newline) if piece.cut == 0 else 0)


@dataclass
class Record:
    """All rows that were ever recorded, by log, in order of time."""

    rows: dict[Log, list[Row]] = field(default_factory=lambda: {"hooks": [], "winch": []})

    def add(self, rows: Sequence[Row]) -> None:
        for row in rows:
            self.rows[row.log].append(row)
        for found in self.rows.values():
            found.sort(key=lambda row: row.at_us)

    def part(self, log: Log, first: int, count: int) -> list[Row]:
        """`count` rows from the `first` on, both brought into range; none where there are none."""
        rows = self.rows[log]
        begin = first % len(rows) if rows else 0
        return rows[begin : begin + count]


# ------------------------------------------------------------------------------------ what was recorded

HOUR_US = 3600 * S
STARTS_US = [
    FIRST_US + offset
    for offset in (
        6 * HOUR_US,
        DAY_US - 7 * S,  # over the first midnight
        DAY_US - 40 * S,
        DAY_US,
        DAY_US + 10 * HOUR_US,
        DAY_US + 10 * HOUR_US + 15 * S // 2,
        2 * DAY_US - 3 * S,  # over the second
        2 * DAY_US + 6 * HOUR_US,
    )
]
STEPS_US = [S // 2, S, 2 * S, 4 * S, 10 * S, 11 * S]  # around max_gap_s, which is 10
FEW_LEVELS = (0, 3, 5, 7)
LEVELS = st.sampled_from([*FEW_LEVELS, *FEW_LEVELS, 1, 8, -1, -2])
LOGS: st.SearchStrategy[Log] = st.sampled_from(["hooks", "winch"])


def storm(seed: int, count: int) -> list[int | None]:
    """A long, tie-heavy stretch."""
    rng = random.Random(seed)
    return [rng.choice(FEW_LEVELS) for _ in range(count)]


TENSIONS: st.SearchStrategy[list[int | None]] = st.one_of(
    st.lists(LEVELS, min_size=5, max_size=24).map(list),
    st.lists(st.one_of(LEVELS, LEVELS, st.none()), min_size=5, max_size=24).map(list),
    st.builds(storm, st.integers(0, 999), st.integers(20, 90)),
)


def written(level: int | None) -> str:
    return MISSING if level is None else str(level * LEVEL_KN)


def hook_rows(hook: str, start_us: int, step_us: int, levels: Sequence[int | None]) -> list[Row]:
    return [Row("hooks", start_us + i * step_us, (hook, written(level))) for i, level in enumerate(levels)]


WINCH_STEP = st.tuples(
    st.one_of(LEVELS, LEVELS, st.none()),
    st.sampled_from([0, 0, 1, 5, 20, -5]),  # centimetres paid out
    st.sampled_from(["SET", "SET", "SET", "OPEN", MISSING]),
)


def winch_rows(start_us: int, step_us: int, steps: Sequence[tuple[int | None, int, str]]) -> list[Row]:
    rows, payout_cm = [], 1000
    for i, (level, paid_cm, brake) in enumerate(steps):
        payout_cm += paid_cm
        rows.append(Row("winch", start_us + i * step_us, (written(level), f"{payout_cm / 100:.2f}", brake)))
    return rows


STARTS = st.sampled_from(STARTS_US)
STEPS = st.sampled_from(STEPS_US)
HOOK_ROWS = st.builds(hook_rows, st.sampled_from(["H1", "H2"]), STARTS, STEPS, TENSIONS)
WINCH_ROWS = st.builds(winch_rows, STARTS, STEPS, st.lists(WINCH_STEP, min_size=5, max_size=16))
STRETCHES = st.one_of(HOOK_ROWS, HOOK_ROWS, WINCH_ROWS)
"""A stretch of one recording; stretches may lie over each other, and then tell different things of one instant."""
