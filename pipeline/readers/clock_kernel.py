"""The compiled loop that reads a column of times.

A pattern becomes a short program, a row of (what, field, digits) for each part of it. The loop accepts only
what `clock.TimeFormat.read` accepts, with the same result, and leaves every other cell to that.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled
from pipeline.readers.clock import LEAST_US, MONTHS, MOST_US, Item, TimeFormat
from pipeline.readers.numbers import Bytes, Offsets

Program = NDArray[np.int32]
Ints = NDArray[np.int64]

_LITERAL, _SPACE, _OPTIONAL_SPACE, _NUMBER, _FRACTION, _DOT_FRACTION = range(6)
_MONTH, _HALF, _OFFSET, _COLON_OFFSET, _T = range(6, 11)
_COUNT = 20
_YEAR, _YEAR_OF_CENTURY, _MONTH_OF_YEAR, _DAY, _HOUR, _HOUR_OF_HALF, _MINUTE, _SECOND, _LEAP_SECOND = range(9)
_FIELDS = {
    "year": _YEAR,
    "year_of_century": _YEAR_OF_CENTURY,
    "month": _MONTH_OF_YEAR,
    "day": _DAY,
    "hour": _HOUR,
    "hour_of_half": _HOUR_OF_HALF,
    "minute": _MINUTE,
    "second": _SECOND,
}
_KINDS = {
    "space": _SPACE,
    "optional-space": _OPTIONAL_SPACE,
    "number": _NUMBER,
    "fraction": _FRACTION,
    "dot-fraction": _DOT_FRACTION,
    "month": _MONTH,
    "half": _HALF,
    "offset": _OFFSET,
}
_TWO, _FOUR = (2 << 8) | 2, (4 << 8) | 4
_RFC3339 = (
    *((_NUMBER, _YEAR, _FOUR), (_LITERAL, ord("-"), 0), (_NUMBER, _MONTH_OF_YEAR, _TWO)),
    *((_LITERAL, ord("-"), 0), (_NUMBER, _DAY, _TWO), (_T, 0, 0), (_NUMBER, _HOUR, _TWO)),
    *((_LITERAL, ord(":"), 0), (_NUMBER, _MINUTE, _TWO), (_LITERAL, ord(":"), 0)),
    *((_NUMBER, _LEAP_SECOND, _TWO), (_DOT_FRACTION, 0, 0), (_COLON_OFFSET, 0, 0)),
)
_MONTH_NAMES = np.frombuffer("".join(month[:3] for month in MONTHS).encode(), np.uint8)


def program_of(form: TimeFormat) -> Program | None:
    """The program of a format; None when the loop has no part for some of it, so that all is read one by
    one."""
    if form.text == "rfc3339":
        return np.array(_RFC3339, np.int32)
    if form.matcher is None:
        places = 6 if form.text == "epoch_s" else 3
        return np.array([[_COUNT, ord(form.decimal), places]], np.int32)
    steps: list[tuple[int, int, int]] = []
    for item in form.items:
        if item.kind == "name" or item.field == "day_of_year":
            return None
        steps.extend(_steps(item))
    return np.array(steps, np.int32)


def _steps(item: Item) -> list[tuple[int, int, int]]:
    if item.kind == "literal":
        return [(_LITERAL, byte, 0) for byte in item.text.encode()]
    return [(_KINDS[item.kind], _FIELDS.get(item.field, 0), item.least << 8 | item.most)]


def read_times(buffer: Bytes, starts: Offsets, ends: Offsets, program: Program, out: Ints, odd: Offsets) -> int:
    """Read the cells `buffer[starts[r]:ends[r]]`, bare already, into `out`; `starts[r] < 0`: none here.

    Returns how many cells it could not decide; `odd` holds their rows.
    """
    if program[0, 0] == _COUNT:
        return _read_counts(buffer, starts, ends, program[0, 1], program[0, 2], out, odd)
    return _read_times(buffer, starts, ends, program, _MONTH_NAMES, out, odd)


@compiled
def _days_in_month(year: int, month: int) -> int:
    if month == 2:
        return 29 if year % 4 == 0 and (year % 100 != 0 or year % 400 == 0) else 28
    return 30 if month == 4 or month == 6 or month == 9 or month == 11 else 31


@compiled
def _days_before(year: int, month: int, day: int) -> int:
    """Days from 1970-01-01 to a date of the Gregorian calendar (year >= 1)."""
    if month <= 2:
        year, month = year - 1, month + 12
    return 365 * year + year // 4 - year // 100 + year // 400 + (153 * (month - 3) + 2) // 5 + day - 719469


@compiled
def _digits_end(buffer: Bytes, i: int, end: int, most: int) -> int:
    stop = min(end, i + most)
    while i < stop and 48 <= buffer[i] <= 57:
        i += 1
    return i


@compiled
def _value(buffer: Bytes, i: int, end: int) -> int:
    value = 0
    while i < end:
        value = value * 10 + (buffer[i] - 48)
        i += 1
    return value


@compiled
def _micros(buffer: Bytes, i: int, end: int) -> int:
    """Microseconds of the digits after a decimal mark; what is beyond the sixth is cut off."""
    value = 0
    for k in range(6):
        value = value * 10 + ((buffer[i + k] - 48) if i + k < end else 0)
    return value


@compiled
def _month_named(buffer: Bytes, i: int, names: Bytes) -> int:
    for month in range(12):
        at = 3 * month
        if buffer[i] | 32 == names[at] and buffer[i + 1] | 32 == names[at + 1] and buffer[i + 2] | 32 == names[at + 2]:
            return month + 1
    return 0


@compiled
def _offset(buffer: Bytes, i: int, end: int, colon_needed: bool) -> tuple[int, int]:
    """Where an offset from UTC ends, and its minutes east; -1 where there is certainly none or no sound one."""
    if i < end and buffer[i] | 32 == 122:  # z
        return i + 1, 0
    colon = 1 if i + 3 < end and buffer[i + 3] == 58 else 0
    minutes = i + 3 + colon
    if minutes + 2 > end or (colon_needed and colon == 0) or (buffer[i] != 43 and buffer[i] != 45):
        return -1, 0
    if _digits_end(buffer, i + 1, end, 2) != i + 3 or _digits_end(buffer, minutes, end, 2) != minutes + 2:
        return -1, 0
    hours_east, minutes_east = _value(buffer, i + 1, i + 3), _value(buffer, minutes, minutes + 2)
    if hours_east > 23 or minutes_east > 59:
        return -1, 0
    east_min = hours_east * 60 + minutes_east
    return minutes + 2, -east_min if buffer[i] == 45 else east_min


@compiled
def _instant(buffer: Bytes, i: int, end: int, program: Program, names: Bytes) -> tuple[bool, int]:
    """Whether `buffer[i:end]` certainly is a time under the program, and its microseconds."""
    year, month, day, hour, minute, second = 0, 1, 1, 0, 0, 0
    micros, afternoon, half, east_min, most_second = 0, 0, False, 0, 59
    for step in range(program.shape[0]):
        what, field, width = program[step, 0], program[step, 1], program[step, 2]
        if what == _LITERAL:
            if i >= end or buffer[i] != field:
                return False, 0
            i += 1
        elif what == _NUMBER:
            stop, first, value = min(end, i + (width & 255)), i, 0
            while i < stop and 48 <= buffer[i] <= 57:
                value = value * 10 + (buffer[i] - 48)
                i += 1
            if i - first < width >> 8:
                return False, 0
            if field == _YEAR:
                year = value
            elif field == _YEAR_OF_CENTURY:
                year = value + (2000 if value <= 68 else 1900)
            elif field == _MONTH_OF_YEAR:
                month = value
            elif field == _DAY:
                day = value
            elif field == _HOUR:
                hour = value
            elif field == _HOUR_OF_HALF:
                if value < 1 or value > 12:
                    return False, 0
                hour, half = value % 12, True
            elif field == _MINUTE:
                minute = value
            else:
                second = value
                most_second = 60 if field == _LEAP_SECOND else 59
        elif what == _DOT_FRACTION:
            if i + 1 < end and buffer[i] == 46 and 48 <= buffer[i + 1] <= 57:
                stop = _digits_end(buffer, i + 1, end, end)
                micros = _micros(buffer, i + 1, stop)
                i = stop
        elif what == _FRACTION:
            stop = _digits_end(buffer, i, end, width & 255)
            if stop - i < width >> 8:
                return False, 0
            micros = _micros(buffer, i, stop)
            i = stop
        elif what == _T:
            if i >= end or (buffer[i] | 32 != 116 and buffer[i] != 32):
                return False, 0
            i += 1
        elif what in (_SPACE, _OPTIONAL_SPACE):
            first = i
            while i < end and (buffer[i] == 32 or (buffer[i] == 9 and what == _SPACE)):
                i += 1
            if (i == first and what == _SPACE) or (i - first > 1 and what == _OPTIONAL_SPACE):
                return False, 0
        elif what == _MONTH:
            month = _month_named(buffer, i, names) if i + 3 <= end else 0
            i += 3
        elif what == _HALF:
            if i + 2 > end or buffer[i + 1] | 32 != 109:
                return False, 0
            if buffer[i] | 32 == 112:
                afternoon = 12
            elif buffer[i] | 32 != 97:
                return False, 0
            i += 2
        else:
            i, east_min = _offset(buffer, i, end, what == _COLON_OFFSET)
            if i < 0:
                return False, 0
    if half:
        hour += afternoon
    if i != end or year < 1 or month < 1 or month > 12 or day < 1 or day > _days_in_month(year, month):
        return False, 0
    if hour > 23 or minute > 59 or second > most_second:
        return False, 0
    minutes_in = (_days_before(year, month, day) * 24 + hour) * 60 + minute - east_min
    at_us = (minutes_in * 60 + second) * 1_000_000 + micros
    return LEAST_US <= at_us <= MOST_US, at_us


@compiled
def _read_times(
    buffer: Bytes, starts: Offsets, ends: Offsets, program: Program, names: Bytes, out: Ints, odd: Offsets
) -> int:
    n_odd = 0
    for r in range(starts.size):
        if starts[r] < 0:
            continue
        sure, at_us = _instant(buffer, starts[r], ends[r], program, names)
        if sure:
            out[r] = at_us
        else:
            odd[n_odd] = r
            n_odd += 1
    return n_odd


@compiled
def _read_counts(
    buffer: Bytes, starts: Offsets, ends: Offsets, decimal: int, places: int, out: Ints, odd: Offsets
) -> int:
    """Counts of seconds (6 places to a microsecond) or milliseconds (3) since 1970, digits only."""
    n_odd = 0
    for r in range(starts.size):
        i, end = starts[r], ends[r]
        if i < 0:
            continue
        whole = _digits_end(buffer, i, end, 18 - places)  # all that int64 microseconds can hold
        value = _value(buffer, i, whole)
        sure = whole > i
        beyond = 0  # what is cut off: below, at (1) or above (2) half a microsecond
        if sure and whole < end:
            first = whole + 1
            sure = buffer[whole] == decimal and _digits_end(buffer, first, end, end) == end
            for k in range(places):
                value = value * 10 + ((buffer[first + k] - 48) if sure and first + k < end else 0)
            for k in range(first + places, end if sure else 0):
                digit = buffer[k] - 48
                if k == first + places:
                    beyond = 2 if digit > 5 else (1 if digit == 5 else 0)
                elif beyond == 1 and digit > 0:
                    beyond = 2
        else:
            value *= 1_000_000 if places == 6 else 1000
        if beyond == 2 or (beyond == 1 and value % 2 == 1):
            value += 1
        if sure and value <= MOST_US:
            out[r] = value
        else:
            odd[n_odd] = r
            n_odd += 1
    return n_odd
