"""RFC 3339 times as integer UTC microseconds since 1970-01-01, and back. No zone database, no clock."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
DAY_US = 86_400_000_000

_RFC3339 = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt ](\d\d):(\d\d):(\d\d)(?:\.(\d+))?(?:([Zz])|([+-])(\d\d):(\d\d))",
    re.ASCII,
)


def rfc3339_us(text: str) -> int:
    """UTC microseconds of an RFC 3339 time with an offset; ValueError says what is wrong with it.

    A leap second (:60) is the instant of the next second, since UTC microseconds cannot name it.
    Digits beyond microseconds are cut off. Source: RFC 3339, sections 5.6 and 5.8.
    """
    match = _RFC3339.fullmatch(text)
    if match is None:
        raise ValueError("not an RFC 3339 time with an offset, such as 2026-03-01T06:30:00Z")
    year, month, day, hour, minute, second, fraction, _zulu, sign, off_hour, off_minute = match.groups()
    leap = second == "60"
    try:
        at = datetime(int(year), int(month), int(day), int(hour), int(minute), 59 if leap else int(second))
    except ValueError as error:
        raise ValueError(f"no such time: {error}") from None
    at_us = (at - datetime(1970, 1, 1)) // timedelta(microseconds=1)
    at_us += 1_000_000 if leap else 0
    at_us += int((fraction or "0")[:6].ljust(6, "0"))
    if sign is not None:
        if int(off_hour) > 23 or int(off_minute) > 59:
            raise ValueError("no such offset from UTC")
        offset_us = (int(off_hour) * 60 + int(off_minute)) * 60_000_000
        at_us += offset_us if sign == "-" else -offset_us
    return at_us


def instant_us(at: datetime) -> int:
    """UTC microseconds of an aware datetime, exactly; ValueError for a naive one."""
    if at.tzinfo is None:
        raise ValueError("a time without an offset names no instant")
    return (at - EPOCH) // timedelta(microseconds=1)


def us_to_datetime(at_us: int) -> datetime:
    """The aware UTC datetime of integer microseconds."""
    return EPOCH + timedelta(microseconds=at_us)


def us_to_rfc3339(at_us: int) -> str:
    """RFC 3339 text in UTC, ending in Z; fractions of a second only where there are any."""
    text = us_to_datetime(at_us).strftime("%Y-%m-%dT%H:%M:%S").rjust(19, "0")
    fraction = at_us % 1_000_000
    return f"{text}.{fraction:06d}".rstrip("0") + "Z" if fraction else text + "Z"


def day_of(at_us: int) -> date:
    """The UTC day of an instant."""
    return date(1970, 1, 1) + timedelta(days=at_us // DAY_US)


def day_start_us(day: date) -> int:
    """The first microsecond of a UTC day."""
    return (day - date(1970, 1, 1)).days * DAY_US
