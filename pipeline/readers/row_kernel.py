"""The compiled loops that cut delimited text into rows and cells, and give each key a code."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled
from pipeline.readers.lines import MAX_LINE_BYTES
from pipeline.readers.numbers import LONGEST_CELL, Bytes, Offsets, bare

FINE, OTHER_WIDTH, ODD = 0, 1, 2
"""What the loop makes of a row: cut; cut, but of another number of fields; not cut, to be read as text."""


@dataclass(frozen=True)
class CutRules:
    """How lines are cut. `slots[field]`: where the field's cell goes, -1 where nothing asks for it.
    `fields`: how many a row has, 0 for any number that reaches the last slot. `header`: the bytes of a line
    that is header again. `all_odd`: nothing is cut."""

    separator: int
    fields: int
    slots: NDArray[np.int32]
    header: Bytes
    all_odd: bool


@dataclass(frozen=True)
class CutLines:
    """The rows of a piece, one for each line that is neither blank nor header: line index and extent in the
    buffer, status, and by slot where each bare cell begins (-1: not cut) and ends."""

    lines: int
    blank: int
    header: int
    index: Offsets
    start: Offsets
    end: Offsets
    status: NDArray[np.uint8]
    cell_starts: NDArray[np.int32]
    cell_ends: NDArray[np.int32]


# The limit is for bytes as they stand in the file, of which UTF-8 never makes more than four times as many.
_DOUBTFULLY_LONG = MAX_LINE_BYTES // 4


def cut_lines(buffer: Bytes, lines: int, rules: CutRules, *, non_ascii_odd: bool) -> CutLines:
    """Cut a buffer of `lines` lines, each ended by LF. `non_ascii_odd`: lines that are not all ASCII are
    odd."""
    slots = int(rules.slots.max(initial=-1)) + 1
    index, start, end = (np.empty(lines, np.int32) for _ in range(3))
    status = np.empty(lines, np.uint8)
    cell_starts = np.empty((slots, lines), np.int32)
    cell_ends = np.empty((slots, lines), np.int32)
    switches = np.array([rules.separator, rules.fields, _DOUBTFULLY_LONG, rules.all_odd, non_ascii_odd], np.int64)
    blank, header, rows = _cut_lines(
        buffer, switches, rules.slots, rules.header, index, start, end, status, cell_starts, cell_ends
    )
    return CutLines(
        lines,
        blank,
        header,
        index[:rows],
        start[:rows],
        end[:rows],
        status[:rows],
        cell_starts[:, :rows],
        cell_ends[:, :rows],
    )


@compiled
def _is_space(byte: int) -> bool:
    return byte == 32 or 9 <= byte <= 13 or 28 <= byte <= 31


@compiled
def _bare(buffer: Bytes, i: int, end: int) -> tuple[int, int]:
    """A cell without white space around it, then without one pair of double quotes."""
    while i < end and _is_space(buffer[i]):
        i += 1
    while end > i and _is_space(buffer[end - 1]):
        end -= 1
    if end - i >= 2 and buffer[i] == 34 and buffer[end - 1] == 34:
        i, end = i + 1, end - 1
        while i < end and _is_space(buffer[i]):
            i += 1
        while end > i and _is_space(buffer[end - 1]):
            end -= 1
    return i, end


@compiled
def _same(buffer: Bytes, i: int, end: int, text: Bytes) -> bool:
    same = end - i == text.size and text.size > 0
    for k in range(text.size if same else 0):
        same = same and buffer[i + k] == text[k]
    return same


@compiled
def _has_other_than_ascii(buffer: Bytes, i: int, end: int) -> bool:
    while i < end and buffer[i] < 128:
        i += 1
    return i < end


@compiled
def _cut_lines(
    buffer: Bytes,
    switches: NDArray[np.int64],
    slots: NDArray[np.int32],
    header: Bytes,
    index: Offsets,
    start: Offsets,
    end: Offsets,
    status: NDArray[np.uint8],
    cell_starts: NDArray[np.int32],
    cell_ends: NDArray[np.int32],
) -> tuple[int, int, int]:
    """Returns how many lines are blank, header, and rows."""
    separator, fields, long_bytes = switches[0], switches[1], switches[2]
    all_odd, non_ascii_odd = switches[3] != 0, switches[4] != 0
    n_blank, n_header, r, line, i = 0, 0, 0, 0, 0
    while i < buffer.size:
        first = i
        while buffer[i] != 10 and (buffer[i] == separator or _is_space(buffer[i])):
            i += 1
        odd = all_odd or (i > first and buffer[i] >= 128) or buffer[first] == 0xEF  # may be a byte-order mark
        if buffer[i] == 10 and not odd:
            n_blank += 1
            line += 1
            i += 1
            continue
        i = first
        field = 0
        while True:
            begin = i
            while buffer[i] != separator and buffer[i] != 10:
                i += 1
            slot = slots[field] if field < slots.size else -1
            if slot >= 0:
                a, b = begin, i
                if a < b and (buffer[a] <= 34 or buffer[b - 1] <= 34):
                    a, b = _bare(buffer, a, b)
                cell_starts[slot, r] = a
                cell_ends[slot, r] = b
            field += 1
            if buffer[i] == 10:
                break
            i += 1
        last = i - 1 if i > first and buffer[i - 1] == 13 else i
        if not odd and _same(buffer, first, last, header):
            n_header += 1
        else:
            if last - first > long_bytes or (non_ascii_odd and _has_other_than_ascii(buffer, first, last)):
                odd = True
            index[r], start[r], end[r], status[r] = line, first, last, FINE
            if odd:
                status[r] = ODD
            elif field < slots.size or (field != fields and fields != 0):
                status[r] = OTHER_WIDTH
            if status[r] != FINE:
                cell_starts[:, r] = -1
            r += 1
        line += 1
        i += 1
    return n_blank, n_header, r


class KeyCodes:
    """The keys that a log names its places by, each with a code in order of first appearance.

    The compiled loop knows keys by their bytes; bytes that are the same key as text (in other white space,
    or in quotes) have the same code. A log may invent any number of keys: those beyond `MOST`, and long ones, are
    `STRANGER`, unless `is_wanted` says of a key that it feeds something.
    """

    MOST = 4096
    STRANGER = -1

    def __init__(self, is_wanted: Callable[[str], bool]) -> None:
        self._is_wanted = is_wanted
        self.keys: list[str] = []
        self.has_strangers = False
        self._code_of: dict[str, int] = {}
        self._letters = np.zeros((self.MOST, LONGEST_CELL), np.uint8)
        self._lengths = np.zeros(self.MOST, np.int32)
        self._code_of_letters = np.zeros(self.MOST, np.int32)
        self._follower = np.zeros(self.MOST, np.int32)
        self._known = 0

    def code(self, key: str) -> int:
        """The code of a bare key."""
        if key not in self._code_of:
            if (len(self.keys) >= self.MOST or len(key) > LONGEST_CELL) and not self._is_wanted(key):
                self.has_strangers = True
                return self.STRANGER
            self._code_of[key] = len(self.keys)
            self.keys.append(key)
        return self._code_of[key]

    def codes(self, buffer: Bytes, starts: Offsets, ends: Offsets) -> NDArray[np.int32]:
        """The code of each cell, UTF-8 text; where `starts` is -1, what stands there means nothing."""
        out = np.zeros(starts.size, np.int32)
        odd = np.empty(starts.size, np.int32)
        known, n_odd = _codes(buffer, starts, ends, self._letters, self._lengths, self._follower, self._known, out, odd)
        for new in range(self._known, known):
            letters = self._letters[new, : self._lengths[new]].tobytes()
            self._code_of_letters[new] = self.code(bare(letters.decode()))
        self._known = known
        out = self._code_of_letters[out]
        for row in odd[:n_odd].tolist():
            out[row] = self.code(bare(buffer[starts[row] : ends[row]].tobytes().decode()))
        return out


@compiled
def _codes(
    buffer: Bytes,
    starts: Offsets,
    ends: Offsets,
    letters: NDArray[np.uint8],
    lengths: Offsets,
    follower: Offsets,
    known: int,
    out: Offsets,
    odd: Offsets,
) -> tuple[int, int]:
    """Returns how many keys are known now, and how many cells are odd: too long, or of one key too many.

    Keys of a log come in turn or in blocks: first the key that followed the last one before is tried.
    """
    n_odd, last = 0, 0
    for r in range(starts.size):
        i, end = starts[r], ends[r]
        if i < 0:
            continue
        length = end - i
        if length > LONGEST_CELL:
            odd[n_odd] = r
            n_odd += 1
            continue
        found = -1
        for k in range(-2, known):
            guess = follower[last] if k == -2 else (last if k == -1 else k)
            if guess < known and lengths[guess] == length:
                same = True
                for c in range(length):
                    if letters[guess, c] != buffer[i + c]:
                        same = False
                        break
                if same:
                    found = guess
                    break
        if found < 0 and known < lengths.size:
            found = known
            lengths[found] = length
            for c in range(length):
                letters[found, c] = buffer[i + c]
            known += 1
        if found < 0:
            odd[n_odd] = r
            n_odd += 1
            continue
        if found != last:
            follower[last] = found
        out[r] = found
        last = found
    return known, n_odd
