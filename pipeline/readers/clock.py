"""Times as raw logs write them: RFC 3339, seconds or milliseconds since 1970, or a pattern of % directives.

A reading is integer microseconds: of UTC where the text says its offset, else of the local clock, counted
as if that were UTC. Digits beyond microseconds are cut off; of a count since 1970, which may come from a
binary fraction, the nearest microsecond is taken (ties to even).

A number directive takes as many ASCII digits as it can, up to its width, and never gives one back. White
space in a pattern stands for one or more blanks or tabs.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import ROUND_HALF_EVEN, Decimal, localcontext
from types import MappingProxyType
from typing import Literal

from pipeline.errors import RegisterError, nearest
from pipeline.readers.numbers import bare, number_in
from schemas.times import instant_us, rfc3339_us

_EPOCH = datetime(1970, 1, 1)
LEAST_US = instant_us(datetime(1, 1, 1, tzinfo=UTC))
MOST_US = instant_us(datetime(9999, 12, 31, 23, 59, 59, 999999, tzinfo=UTC))
"""Instants that a calendar date can name; a reading outside them is no readable time."""

MONTHS = (
    *("january", "february", "march", "april", "may", "june"),
    *("july", "august", "september", "october", "november", "december"),
)
DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")

ItemKind = Literal[
    "literal",
    "space",
    "optional-space",
    "number",
    "fraction",
    "dot-fraction",
    "month",
    "half",
    "offset",
    "name",
]


@dataclass(frozen=True)
class Item:
    """One part of a pattern. `field`: which part of the time it gives; `least` to `most` digits."""

    kind: ItemKind
    text: str = ""
    field: str = ""
    least: int = 0
    most: int = 0


def _number(field: str, most: int, least: int = 1) -> tuple[Item, ...]:
    return (Item("number", field=field, least=least, most=most),)


def _padded(field: str) -> tuple[Item, ...]:
    return (Item("optional-space"), *_number(field, 2))


_DOT_FRACTION = (Item("dot-fraction", field="fraction"),)
DIRECTIVES: Mapping[str, tuple[Item, ...]] = MappingProxyType(
    {
        "%Y": _number("year", 4, 4),
        "%y": _number("year_of_century", 2, 2),
        "%m": _number("month", 2),
        "%b": (Item("month", field="month_name"),),
        "%h": (Item("month", field="month_name"),),
        "%B": (Item("name", "|".join(MONTHS), "full_month_name"),),
        "%d": _number("day", 2),
        "%e": _padded("day"),
        "%j": _number("day_of_year", 3),
        "%a": (Item("name", "|".join(day[:3] for day in DAYS), "weekday"),),
        "%A": (Item("name", "|".join(DAYS), "weekday"),),
        "%H": _number("hour", 2),
        "%k": _padded("hour"),
        "%I": _number("hour_of_half", 2),
        "%l": _padded("hour_of_half"),
        "%p": (Item("half", field="half"),),
        "%P": (Item("half", field="half"),),
        "%M": _number("minute", 2),
        "%S": _number("second", 2),
        "%f": (Item("fraction", field="fraction", least=1, most=18),),
        "%3f": (Item("fraction", field="fraction", least=3, most=3),),
        "%6f": (Item("fraction", field="fraction", least=6, most=6),),
        "%9f": (Item("fraction", field="fraction", least=9, most=9),),
        "%.f": _DOT_FRACTION,
        "%.3f": _DOT_FRACTION,
        "%.6f": _DOT_FRACTION,
        "%.9f": _DOT_FRACTION,
        "%z": (Item("offset", field="offset"),),
        "%:z": (Item("offset", field="offset"),),
        "%n": (Item("space"),),
        "%t": (Item("space"),),
        "%%": (Item("literal", "%"),),
    }
)
_COMPOSED = MappingProxyType({"%T": "%H:%M:%S", "%R": "%H:%M", "%F": "%Y-%m-%d", "%D": "%m/%d/%y"})
_TOKEN = re.compile(r"%[.:]?[0-9]?[A-Za-z%]|\s+|.", re.DOTALL)


@dataclass(frozen=True)
class TimeFormat:
    """How a time is written: a name ("rfc3339", "epoch_s", "epoch_ms") or a pattern, and its parts."""

    text: str
    items: tuple[Item, ...]
    matcher: re.Pattern[str] | None
    decimal: str

    @property
    def gives_utc(self) -> bool:
        """Whether a reading is UTC by itself; otherwise it is local time in the layout's zone."""
        return self.matcher is None or any(item.kind == "offset" for item in self.items)

    def read(self, cell: str) -> int | None:
        """Microseconds since 1970, or None when the cell is no time in this format."""
        text = bare(cell)
        if self.text == "rfc3339":
            try:
                at_us = rfc3339_us(text)
            except (ValueError, OverflowError):
                return None
        elif self.matcher is None:
            count = _epoch_us(text, self.decimal, 1_000_000 if self.text == "epoch_s" else 1000)
            if count is None:
                return None
            at_us = count
        else:
            match = self.matcher.fullmatch(text)
            reading = None if match is None else _calendar_us(match.groupdict())
            if reading is None:
                return None
            at_us = reading
        return at_us if LEAST_US <= at_us <= MOST_US else None


def time_format(text: str, decimal: str = ".") -> TimeFormat:
    """The format that a layout names; RegisterError for a directive that is unknown or a pattern that names
    no day and hour. `decimal`: the mark that a count of seconds has before its fraction."""
    if text in ("rfc3339", "epoch_s", "epoch_ms"):
        return TimeFormat(text, (), None, decimal)
    items: list[Item] = []
    pattern = text.strip()
    for whole, parts in _COMPOSED.items():
        pattern = pattern.replace(whole, parts)
    for token in _TOKEN.findall(pattern):
        if token.isspace():
            items.append(Item("space"))
        elif token.startswith("%"):
            items.extend(_directive(token, text))
        else:
            items.append(Item("literal", token))
    _check_fields([item.field for item in items if item.field], text)
    return TimeFormat(text, tuple(items), re.compile("".join(map(_regex, items))), decimal)


def _directive(token: str, text: str) -> tuple[Item, ...]:
    known = DIRECTIVES.get(token)
    if known is None:
        near = nearest(token, DIRECTIVES)
        raise RegisterError(
            f"[time] format holds the unknown directive {token!r}",
            found=repr(text),
            expected="directives out of " + " ".join([*DIRECTIVES, *_COMPOSED]),
            next_step=None if near is None else f"did you mean {near!r}?",
        )
    return known


def _check_fields(fields: list[str], text: str) -> None:
    """A time needs a year, a day of it and an hour, each once."""
    has = set(fields)
    twice = next((field for field in fields if fields.count(field) > 1), None)
    missing = [
        what
        for what, ways in (
            ("year (%Y)", ({"year"}, {"year_of_century"})),
            (
                "day (%m and %d)",
                ({"month", "day"}, {"month_name", "day"}, {"full_month_name", "day"}, {"day_of_year"}),
            ),
            ("hour (%H)", ({"hour"}, {"hour_of_half", "half"})),
        )
        if not any(way <= has for way in ways)
    ]
    if twice is not None or missing:
        raise RegisterError(
            "[time] format names no instant"
            if missing
            else f"[time] format gives the {twice.replace('_', ' ') if twice else ''} twice",
            found=repr(text),
            expected=f"a {missing[0]}" if missing else "each part of the time once",
        )


def _regex(item: Item) -> str:
    if item.kind == "literal":
        return re.escape(item.text)
    name = f"?P<{item.field}>"
    if item.kind in ("number", "fraction"):
        return f"({name}[0-9]{{{item.least},{item.most}}}+)"
    return {
        "space": "[ \t]++",
        "optional-space": " ?+",
        "dot-fraction": f"(?:\\.({name}[0-9]++))?+",
        "month": f"({name}(?i:{'|'.join(month[:3] for month in MONTHS)}))",
        "half": f"({name}(?i:am|pm))",
        "offset": f"({name}[Zz]|[+-][0-9]{{2}}:?[0-9]{{2}})",
        "name": f"({name}(?i:{item.text}))",
    }[item.kind]


def _calendar_us(got: Mapping[str, str | None]) -> int | None:
    """Microseconds of the parts of a calendar time; None when there is no such time."""
    # A fraction may have any number of digits; it is cut off below.
    part = {field: int(text) for field, text in got.items() if text is not None and text.isdecimal() and len(text) <= 4}
    year = part.get("year")
    if year is None:
        century = part["year_of_century"]
        year = century + (2000 if century <= 68 else 1900)  # the pivot of POSIX strptime
    try:
        at = datetime(
            year,
            _month(got, part),
            part.get("day", 1),
            _hour(got, part),
            part.get("minute", 0),
            part.get("second", 0),
        )
        if "day_of_year" in part:
            at += timedelta(days=part["day_of_year"] - 1)
            if at.year != year:
                return None
    except (ValueError, OverflowError):
        return None
    at_us = (at - _EPOCH) // timedelta(microseconds=1)
    at_us += int((got.get("fraction") or "0")[:6].ljust(6, "0"))
    offset = got.get("offset")
    if offset is None or offset in "zZ":
        return at_us
    hours, minutes = int(offset[1:3]), int(offset[-2:])
    if hours > 23 or minutes > 59:
        return None
    east_us = (hours * 60 + minutes) * 60_000_000
    return at_us + east_us if offset[0] == "-" else at_us - east_us


def _month(got: Mapping[str, str | None], part: Mapping[str, int]) -> int:
    name = got.get("month_name") or got.get("full_month_name")
    if name is not None:
        return [month[:3] for month in MONTHS].index(name[:3].lower()) + 1
    return 1 if "day_of_year" in part else part["month"]


def _hour(got: Mapping[str, str | None], part: Mapping[str, int]) -> int:
    half = got.get("half")
    if "hour" in part or half is None:
        return part["hour"]
    hour = part["hour_of_half"]
    if not 1 <= hour <= 12:
        raise ValueError("hour of the half day out of range")
    return hour % 12 + (12 if half.lower() == "pm" else 0)


def _epoch_us(text: str, decimal: str, unit_us: int) -> int | None:
    """The nearest microsecond of a count since 1970; None when the text is no number, or far out of range."""
    value = number_in(text, decimal)
    if value is None or abs(value) * unit_us > 4e17:
        return None
    if value == 0:
        return 0
    with localcontext() as context:
        context.prec = len(text) + 40
        count = Decimal(text.replace(decimal, ".")) * unit_us
        return int(count.quantize(Decimal(1), ROUND_HALF_EVEN))
