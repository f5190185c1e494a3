"""Figures, instants and links as pages hold them. Each figure keeps its value to the last digit, as `--json` prints it,
and its trace: where it comes from, in words, and where that can be seen.
"""

from __future__ import annotations

import math
import shlex
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from schemas.times import rfc3339_us, us_to_rfc3339

Value = int | float | Decimal
KN_DIGITS = 0
"""Digits of a tension as shown: kilonewtons are whole; the figure itself keeps all."""


@dataclass(frozen=True, slots=True)
class Link:
    """A link to a page, `path` below `pages/` (with `#anchor`); where no such page was made, its text alone."""

    text: str
    path: str
    title: str = ""


@dataclass(frozen=True, slots=True)
class Trace:
    """Where a figure comes from: in words, most often the command that answers it; `path`: a page that shows it."""

    words: str
    path: str = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """A number. `value`: None where it is not known, with `why`. `digits`: after the point; None: four significant.

    `unit`: kN, h, %, … (kN is shown in the unit that the reader chose). `at_least`: what was measured is a lower bound.
    `scale`: what the value is shown times, where it is in another unit, `value_unit` (seconds, shown in hours).
    """

    value: Value | None
    trace: Trace
    unit: str = ""
    digits: int | None = None
    why: str = "not known"
    at_least: bool = False
    path: str = ""
    scale: float = 1.0
    value_unit: str | None = None

    @property
    def exact(self) -> str:
        """The value to the last digit, as `--json` prints it."""
        return exact_text(self.value)

    @property
    def text(self) -> str:
        """The value as shown, without its unit."""
        if self.value is None:
            return self.why
        value = self.value if self.scale == 1.0 else float(self.value) * self.scale
        return number_text(value, self.digits)


@dataclass(frozen=True, slots=True)
class Instant:
    """An instant, as RFC 3339 in UTC; shown by the clock that the reader chose. `digits`: of a second."""

    at: str
    digits: int = 0

    @property
    def at_us(self) -> int:
        return rfc3339_us(self.at)


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture made by `svg.py`, in which every text is escaped."""

    svg: str


def instant(at: str | int | None, *, digits: int = 0) -> Instant | None:
    """An instant of an answer (RFC 3339), or of microseconds."""
    return None if at is None else Instant(us_to_rfc3339(at) if isinstance(at, int) else at, digits)


def kn(value: Value | None, trace: Trace, *, at_least: bool = False, why: str = "not known", path: str = "") -> Figure:
    """A force."""
    return Figure(value, trace, "kN", KN_DIGITS, why, at_least, path)


def hours(value_s: Value | None, trace: Trace) -> Figure:
    """Seconds, shown in hours."""
    return Figure(value_s, trace, "h", 1, scale=1 / 3600, value_unit="s")


def share(value: Value | None, trace: Trace, *, why: str = "not known") -> Figure:
    """A share of 1, shown in percent."""
    return Figure(value, trace, "%", 1, why, scale=100.0, value_unit="1")


def command(name: str, *given: str) -> Trace:
    """A figure that a command answers: `command("statement", line)`. Given words are quoted as a shell needs them."""
    return Trace(" ".join(["tautlog", name, "SITE", *(shlex.quote(word) for word in given)]))


def exact_text(value: Any) -> str:
    """A value as `--json` writes it, to the last digit; ValueError for NaN."""
    if isinstance(value, Decimal) and value.is_finite():
        return str(value)  # as simplejson does; making an encoder for each takes ten times as long
    import simplejson

    return str(simplejson.dumps(value, use_decimal=True, allow_nan=False))


def number_text(value: Value, digits: int | None) -> str:
    """A number for people: so many digits after the point, or four significant; a tiny one with its power of ten."""
    if digits is not None:
        shown = f"{value:,.{digits}f}".replace(",", "\N{NARROW NO-BREAK SPACE}")
        return shown[1:] if shown.startswith("-") and not any(c in "123456789" for c in shown) else shown
    if value == 0:
        return "0"
    size = abs(float(value))
    if 0.001 <= size < 1e5:
        places = max(0, 3 - math.floor(math.log10(size)))
        return f"{value:.{places}f}"
    mantissa, power = f"{value:.3e}".split("e")
    return f"{mantissa}e{int(power)}"
