"""How figures and instants are written for people: units, digits, intervals, UTC and the clock on the wall."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from pipeline.incident.record import Figure, Value
from schemas.times import us_to_datetime, us_to_rfc3339

KN_PER_TF = 9.80665
"""Source: NIST SP 811, ton-force (metric)."""
INSTANT = "us UTC"
DECIMALS = {"kN": 1, "tf": 1, "%": 1, "s": 2, "m": 2, "kN m": 0, "kJ": 0, "h": 1, "days": 1, "degC": 1}
"""Digits after the point by unit; of other units four digits are shown. The register of figures has them all."""


@dataclass(frozen=True)
class Clocks:
    """The two clocks that instants are told by: UTC, and the site's."""

    zone: ZoneInfo

    def utc(self, at_us: int, digits: int = 3) -> str:
        """Date and time in UTC, cut off after some digits of a second."""
        return _cut(us_to_datetime(at_us), digits)

    def utc_time(self, at_us: int, digits: int = 1) -> str:
        """The time of day alone, in UTC."""
        return self.utc(at_us, digits)[11:]

    def local(self, at_us: int, digits: int = 0) -> str:
        """Date and time by the clock on the wall, with its offset from UTC, which tells the two passes of a repeated
        hour apart."""
        at = us_to_datetime(at_us).astimezone(self.zone)
        return f"{_cut(at, digits)} {at.strftime('%Z')} ({_offset(at)})"

    def offset_s(self, at_us: int) -> float:
        """How far the clock on the wall is ahead of UTC at an instant [s]."""
        return (us_to_datetime(at_us).astimezone(self.zone).utcoffset() or timedelta()).total_seconds()

    def steps(self, from_us: int, to_us: int) -> list[tuple[int, float]]:
        """How far the clock on the wall is ahead of UTC [s]: at the beginning, and from each instant it is set anew."""
        found = [(from_us, self.offset_s(from_us))]
        for hour_us in range(from_us, to_us, 3_600_000_000):
            low_us, high_us = hour_us, hour_us + 3_600_000_000
            if self.offset_s(high_us) != found[-1][1]:
                while high_us - low_us > 1:
                    middle_us = (low_us + high_us) // 2
                    if self.offset_s(middle_us) == found[-1][1]:
                        low_us = middle_us
                    else:
                        high_us = middle_us
                found.append((high_us, self.offset_s(high_us)))
        return found

    def local_time(self, at_us: int) -> str:
        """The time of day alone by the clock on the wall, with its offset."""
        return self.local(at_us)[11:]


def _cut(at: datetime, digits: int) -> str:
    text = at.strftime("%Y-%m-%d %H:%M:%S").rjust(19, "0")
    return text + (f".{at.microsecond:06d}"[: digits + 1] if digits else "")


def _offset(at: datetime) -> str:
    minutes = round((at.utcoffset() or timedelta()) / timedelta(minutes=1))
    sign = "-" if minutes < 0 else "+"
    return f"{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def told(figure: Figure, clocks: Clocks) -> dict[str, Any]:
    """A figure ready to be shown: `text` with unit, `alt` in the other unit or clock, `interval`, and `exact`."""
    shown: dict[str, Any] = {
        "number": figure.number,
        "what": figure.what,
        "known": figure.value is not None,
        "why": figure.not_known or "",
        "how": figure.how,
        "of_lines": figure.of_lines,
    }
    if figure.value is None:
        text = "not known"
        return {**shown, "text": text, "alt": "", "interval": "", "exact": text, "least": False}
    text = value_text(figure.value, figure.unit, clocks)
    return {
        **shown,
        "text": f"at least {text}" if figure.at_least else text,
        "alt": _alt(figure.value, figure.unit, clocks),
        "interval": _interval(figure, clocks),
        "exact": exact_text(figure.value, figure.unit),
        "least": figure.at_least,
    }


def value_text(value: Value, unit: str, clocks: Clocks) -> str:
    """A value with its unit, in as many digits as are read."""
    if unit == INSTANT and isinstance(value, int):
        return f"{clocks.utc(value)} UTC"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if isinstance(value, str) else f"{number_text(value, unit)}{unit_text(unit)}"


def exact_text(value: Value, unit: str) -> str:
    """A value to its last digit, as it is filed."""
    if unit == INSTANT and isinstance(value, int):
        return us_to_rfc3339(value)
    if isinstance(value, bool | str):
        return str(value)
    plain = value if isinstance(value, int) else float(value)  # NumPy's doubles write themselves with their type
    return f"{plain!r}{unit_text(unit)}"


def number_text(value: float | int, unit: str) -> str:
    """A number in the digits of its unit; tiny and huge ones in powers of ten."""
    if isinstance(value, int):
        return str(value)
    decimals = DECIMALS.get("%" if unit.startswith("% ") else unit)  # "% of its role" too
    if decimals is None:
        size = abs(value)
        return "0" if value == 0 else f"{value:.3e}" if size < 1e-3 or size >= 1e5 else f"{value:.4g}"
    rounded = f"{value:.{decimals}f}"
    # A small figure is not made a nought by rounding: nought would say that there is none.
    return f"{value:.2g}" if value != 0 and float(rounded) == 0 else rounded


def sentence(text: str) -> str:
    """A text as a sentence: with its full stop."""
    return text if not text or text[-1] in ".!?" else f"{text}."


def unit_text(unit: str) -> str:
    """A unit as it stands after a number; a bare count has none."""
    return "" if unit in ("", "1") else f" {unit}"


def duration_text(us: int) -> str:
    """A length of time in its two largest units."""
    seconds = us / 1e6
    for size, name, less, small in ((86400, "d", 3600, "h"), (3600, "h", 60, "min"), (60, "min", 1, "s")):
        if seconds >= size:
            whole = math.floor(seconds / size)
            return f"{whole} {name} {math.floor((seconds - whole * size) / less)} {small}"
    return f"{seconds:.1f} s"


def _interval(figure: Figure, clocks: Clocks) -> str:
    """Both ends in the figure's unit; of instants of one day the times alone."""
    if figure.low is None and figure.high is None:
        return ""
    ends = [None if end is None else value_text(end, figure.unit, clocks) for end in (figure.low, figure.high)]
    if figure.unit == INSTANT:
        ends = [None if end is None else end.removesuffix(" UTC") for end in ends]
        if len({end[:10] for end in ends if end is not None}) == 1:
            ends = [None if end is None else end[11:] for end in ends]
    return " to ".join("not known" if end is None else end for end in ends)


def _alt(value: Value, unit: str, clocks: Clocks) -> str:
    if isinstance(value, bool | str):
        return ""
    if unit == INSTANT:
        return clocks.local(int(value))
    tf = value / KN_PER_TF
    return f"{tf:.1f} tf" if unit == "kN" and abs(tf) >= 0.05 else ""


def given_text(value: float | int, unit: str, clocks: Clocks) -> str:
    """A value that a figure would have; of an instant its time of day, to the millisecond."""
    return clocks.utc_time(round(value), 3) if unit == INSTANT else f"{number_text(value, unit)}{unit_text(unit)}"


def minute_text(at_us: int, *, seconds: bool = False) -> str:
    """The time of day of an instant in UTC, to the minute or second, for axes."""
    return us_to_datetime(at_us).strftime("%H:%M:%S" if seconds else "%H:%M")
