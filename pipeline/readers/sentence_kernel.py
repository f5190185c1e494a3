"""The compiled loop that proves NMEA 0183 lines and finds the readings asked for.

It decides only what it can decide as `sentence_rules.read_sentence` would, and leaves every other line to
that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled
from pipeline.readers.lines import MAX_LINE_BYTES
from pipeline.readers.numbers import Bytes, Offsets
from pipeline.readers.sentence_rules import Transducer

FINE, ODD = 0, 2
_DOUBTFULLY_LONG = MAX_LINE_BYTES // 4
_DOLLAR, _BANG, _STAR, _COMMA = ord("$"), ord("!"), ord("*"), ord(",")


@dataclass(frozen=True)
class AskedNames:
    """Names of transducers end to end, where each begins, and the forms of each: type * 256 + unit, or -1."""

    letters: Bytes
    bounds: Offsets
    forms: NDArray[np.int32]


@dataclass(frozen=True)
class FoundLines:
    """Lines that hold something asked for, or are odd: index and extent in the buffer, status, extent of the
    stamp; and every reading: row, transducer, extent of its bare text."""

    blank: int
    ignored: int
    index: Offsets
    start: Offsets
    end: Offsets
    status: NDArray[np.uint8]
    stamp_start: Offsets
    stamp_end: Offsets
    cell_row: Offsets
    cell_of: Offsets
    cell_start: Offsets
    cell_end: Offsets


def asked_names(transducers: tuple[Transducer, ...]) -> AskedNames:
    """The transducers as arrays for the compiled loop."""
    names = [transducer.name.encode() for transducer in transducers]
    forms = np.full((len(names), 4), -1, np.int32)
    for row, transducer in enumerate(transducers):
        for column, (kind, unit) in enumerate(transducer.forms):
            forms[row, column] = ord(kind) * 256 + (ord(unit) if unit else 0)
    return AskedNames(np.frombuffer(b"".join(names), np.uint8), np.cumsum([0, *map(len, names)], dtype=np.int32), forms)


def find_readings(buffer: Bytes, lines: int, commas: int, asked: AskedNames, *, all_odd: bool) -> FoundLines:
    """Walk a buffer of `lines` lines, each ended by LF, that holds `commas` commas."""
    of_lines = tuple(np.empty(lines, np.int32) for _ in range(5))
    of_cells = tuple(np.empty(commas // 4 + 1, np.int32) for _ in range(4))
    status = np.empty(lines, np.uint8)
    letters, bounds, forms = asked.letters, asked.bounds, asked.forms
    blank, ignored, rows, cells = _find(buffer, all_odd, letters, bounds, forms, status, *of_lines, *of_cells)
    index, start, end, stamp_start, stamp_end = (of[:rows] for of in of_lines)
    found = (of[:cells] for of in of_cells)
    return FoundLines(blank, ignored, index, start, end, status[:rows], stamp_start, stamp_end, *found)


@compiled
def _is_space(byte: int) -> bool:
    return byte == 32 or 9 <= byte <= 13 or 28 <= byte <= 31


@compiled
def _bare(buffer: Bytes, i: int, end: int) -> tuple[int, int]:
    while i < end and _is_space(buffer[i]):
        i += 1
    while end > i and _is_space(buffer[end - 1]):
        end -= 1
    return i, end


@compiled
def _hex(byte: int) -> int:
    if 48 <= byte <= 57:
        return byte - 48
    lower = byte | 32
    return lower - 87 if 97 <= lower <= 102 else -1


@compiled
def _body(buffer: Bytes, start: int, end: int) -> tuple[int, int]:
    """Where the first `$` or `!` of a line and the `*` after it stand; -1, -1: not certainly a sound
    sentence."""
    dollar = start
    while dollar < end and buffer[dollar] != _DOLLAR and buffer[dollar] != _BANG and buffer[dollar] < 128:
        dollar += 1
    if dollar == end or buffer[dollar] >= 128:
        return -1, -1
    star, check = dollar + 1, 0
    while star < end and buffer[star] != _STAR:
        if buffer[star] >= 128:
            return -1, -1
        check ^= buffer[star]
        star += 1
    if star + 3 > end:
        return -1, -1
    high, low = _hex(buffer[star + 1]), _hex(buffer[star + 2])
    if high < 0 or low < 0 or high * 16 + low != check:
        return -1, -1
    for k in range(star + 3, end):
        if not _is_space(buffer[k]):
            return -1, -1
    return dollar, star


@compiled
def _named(buffer: Bytes, i: int, end: int, letters: Bytes, bounds: Offsets, guess: int) -> int:
    """Which transducer these bytes name, `guess` tried first; -1: none asked for."""
    count = bounds.size - 1
    for n in range(count):
        k = (guess + n) % count
        at = bounds[k]
        if bounds[k + 1] - at == end - i:
            same = True
            for c in range(end - i):
                if buffer[i + c] != letters[at + c]:
                    same = False
                    break
            if same:
                return k
    return -1


@compiled
def _is_transducer_sentence(buffer: Bytes, dollar: int, star: int) -> bool:
    """Whether `$`, a talker's two characters (P: a maker's own), XDR and a comma stand at `dollar`."""
    return (
        buffer[dollar] == _DOLLAR
        and star - dollar > 6
        and buffer[dollar + 1] != 80  # P
        and buffer[dollar + 1] != _COMMA
        and buffer[dollar + 2] != _COMMA
        and buffer[dollar + 3] == 88  # X
        and buffer[dollar + 4] == 68  # D
        and buffer[dollar + 5] == 82  # R
        and buffer[dollar + 6] == _COMMA
    )


@compiled
def _fits(buffer: Bytes, spans: NDArray[np.int64], forms: NDArray[np.int32]) -> bool:
    """Whether the type and unit of a group are a form that its channel can be read in."""
    unit = spans[2, 1] - spans[2, 0]
    if spans[0, 1] - spans[0, 0] != 1 or unit > 1:
        return False
    form = buffer[spans[0, 0]] * 256
    if unit == 1:
        if buffer[spans[2, 0]] == 0:  # a NUL is no missing unit
            return False
        form += buffer[spans[2, 0]]
    fits = False
    for k in range(forms.size):
        fits = fits or forms[k] == form
    return fits


@compiled
def _find(
    buffer: Bytes,
    all_odd: bool,
    letters: Bytes,
    bounds: Offsets,
    forms: NDArray[np.int32],
    status: NDArray[np.uint8],
    index: Offsets,
    start: Offsets,
    end: Offsets,
    stamp_start: Offsets,
    stamp_end: Offsets,
    cell_row: Offsets,
    cell_of: Offsets,
    cell_start: Offsets,
    cell_end: Offsets,
) -> tuple[int, int, int, int]:
    """Returns how many lines are blank, ignored and rows, and how many readings were found."""
    blank, ignored, r, cells, guess, line, i = 0, 0, 0, 0, 0, 0, 0
    spans = np.empty((4, 2), np.int64)
    while i < buffer.size:
        first = i
        while buffer[i] != 10 and (buffer[i] == _COMMA or _is_space(buffer[i])):
            i += 1
        if buffer[i] == 10 and not all_odd:
            blank, line, i = blank + 1, line + 1, i + 1
            continue
        while buffer[i] != 10:
            i += 1
        last = i - 1 if i > first and buffer[i - 1] == 13 else i
        i += 1
        dollar, star = (-1, -1) if all_odd or last - first > _DOUBTFULLY_LONG else _body(buffer, first, last)
        odd, ours, begin_cells = dollar < 0, False, cells
        if not odd and _is_transducer_sentence(buffer, dollar, star):
            field, at = 0, dollar + 7
            while at <= star:
                begin = at
                while at < star and buffer[at] != _COMMA:
                    at += 1
                spans[field % 4, 0], spans[field % 4, 1] = _bare(buffer, begin, at)
                field += 1
                at += 1
                if field % 4 != 0:
                    continue
                k = _named(buffer, spans[3, 0], spans[3, 1], letters, bounds, guess)
                if k < 0:
                    continue
                guess, ours = k + 1, True
                fits = _fits(buffer, spans, forms[k])
                for c in range(begin_cells, cells):
                    fits = fits and cell_of[c] != k
                if not fits:
                    odd = True
                    continue
                cell_row[cells], cell_of[cells] = r, k
                cell_start[cells], cell_end[cells] = spans[1, 0], spans[1, 1]
                cells += 1
            odd = odd or (ours and field % 4 != 0)
        if odd:
            cells = begin_cells
        if odd or ours:
            index[r], start[r], end[r], status[r] = line, first, last, ODD if odd else FINE
            stamp_start[r] = stamp_end[r] = -1
            if not odd:
                a, b = _bare(buffer, first, dollar)
                while b > a and (
                    buffer[b - 1] == 44 or buffer[b - 1] == 59 or buffer[b - 1] == 32 or buffer[b - 1] == 9
                ):
                    b -= 1
                stamp_start[r], stamp_end[r] = a, b
            r += 1
        else:
            ignored += 1
        line += 1
    return blank, ignored, r, cells
