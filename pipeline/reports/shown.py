"""Short ways to the figures of line, method and compare pages, each with where it comes from."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, Final

from pipeline.reports.figures import Figure, Trace, Value, command
from pipeline.reports.page import page_path

MOST_DIGITS: Final = 12
"""Of a constant written with more digits after the point than this, four significant ones are shown. House rule."""
NOT_RECKONED = "not reckoned"


def statement(line: str) -> Trace:
    """What `tautlog statement` answers of a line."""
    return command("statement", line)


def explain(line: str, day: str | None = None, zone: str | None = None) -> Trace:
    """What `tautlog explain` lays open of a line, or of a day of one of its zones."""
    more = [] if day is None or zone is None else ["--day", day, "--zone", zone]
    return command("explain", line, *more)


def register(file: str, what: str) -> Trace:
    """What people keep in a register."""
    return Trace(f"{file}: {what}")


def event_path(event: str) -> str:
    """The page of an event."""
    return page_path("events", event)


def line_path(line: str) -> str:
    """The page of a line."""
    return page_path("lines", line)


def life(value: Value | None, trace: Trace, *, why: str = NOT_RECKONED, path: str = "") -> Figure:
    """A life, or a severity index; what is not reckoned is no zero."""
    return Figure(value, trace, why=why, path=path)


def number(value: Any, trace: Trace, unit: str = "", digits: int | None = None) -> Figure:
    """A figure in a unit; None: not known."""
    return Figure(value, trace, unit, digits)


def constant(value: int | float | Decimal, trace: Trace, unit: str = "") -> Figure:
    """A figure that somebody wrote down, with as many digits as it was written with."""
    exponent = Decimal(repr(value) if isinstance(value, float) else value).normalize().as_tuple().exponent
    digits = max(0, -exponent) if isinstance(exponent, int) else MOST_DIGITS + 1
    return Figure(value, trace, unit, digits if digits <= MOST_DIGITS else None)


def sentence(words: str) -> str:
    """Words that begin a sentence."""
    return words[:1].upper() + words[1:]


def percent(value: Value | None, trace: Trace, digits: int | None = 1) -> Figure:
    """Percent."""
    return Figure(value, trace, "%", digits)
