"""Stamps of raw logs to microseconds UTC, and the repeated hour, as DESIGN.md words them; stdlib only."""

import functools
import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from decimal import ROUND_HALF_EVEN, Decimal
from zoneinfo import ZoneInfo

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
STEP_BACK = timedelta(seconds=60)  # a smaller backward step is disorder, not the end of summer time


def to_us(moment: datetime) -> int:
    """Microseconds since 1970 of an aware datetime, exactly."""
    return (moment - EPOCH) // timedelta(microseconds=1)


_RFC3339 = re.compile(r"(\d{4})-(\d\d)-(\d\d)[Tt ](\d\d):(\d\d):(\d\d)(?:\.(\d+))?(?:[Zz]|([+-])(\d\d):(\d\d))")
_DIRECTIVES = {
    "%.f": r"(?:\.(?P<fraction>\d{1,9}))?",
    "%Y": r"(?P<year>\d{4})",
    "%y": r"(?P<year2>\d\d)",
    "%m": r"(?P<month>\d{1,2})",
    "%d": r"(?P<day>\d{1,2})",
    "%H": r"(?P<hour>\d{1,2})",
    "%M": r"(?P<minute>\d{1,2})",
    "%S": r"(?P<second>\d{1,2})",
}


def _fraction_us(digits: str | None) -> int:
    return int(((digits or "") + "000000")[:6])


def parse_rfc3339(text: str) -> int | None:
    """Microseconds UTC of an RFC 3339 stamp, or None."""
    found = _RFC3339.fullmatch(text)
    if found is None:
        return None
    year, month, day, hour, minute, second, fraction, sign, off_h, off_m = found.groups()
    try:
        naive = datetime(int(year), int(month), int(day), int(hour), int(minute), int(second), tzinfo=UTC)
    except ValueError:
        return None
    offset = timedelta(hours=int(off_h), minutes=int(off_m)) if sign else timedelta(0)
    return to_us(naive - offset if sign != "-" else naive + offset) + _fraction_us(fraction)


@functools.cache
def _pattern(form: str) -> re.Pattern[str]:
    parts = re.split(r"(%\.f|%[A-Za-z])", form)
    return re.compile("".join(_DIRECTIVES.get(part, re.escape(part)) for part in parts))


def parse_local(text: str, form: str) -> datetime | None:
    """A naive local time under a strptime-like format with `%.f`, or None."""
    found = _pattern(form).fullmatch(text)
    if found is None:
        return None
    got = found.groupdict()
    year = int(got["year"]) if "year" in got else 2000 + int(got["year2"])
    try:
        moment = datetime(
            year, int(got["month"]), int(got["day"]), int(got["hour"]), int(got["minute"]), int(got["second"])
        )
    except ValueError:
        return None
    return moment.replace(microsecond=_fraction_us(got.get("fraction")))


def parse_epoch(text: str, unit_us: int) -> int | None:
    """Microseconds of a count of seconds or milliseconds since 1970, or None."""
    if not re.fullmatch(r"-?\d+(\.\d+)?", text):
        return None
    return int((Decimal(text) * unit_us).to_integral_value(ROUND_HALF_EVEN))


def resolve_local(times: Sequence[datetime], zone: ZoneInfo) -> list[int | str]:
    """Local times in file order -> microseconds UTC, or the reason why not.

    A repeated hour is settled by the file's own order: before the step back the first pass, after it the
    second; without a step back by the unambiguous time that the file came from or runs on into.
    """
    early = [t.replace(tzinfo=zone, fold=0).utcoffset() for t in times]
    late = [t.replace(tzinfo=zone, fold=1).utcoffset() for t in times]
    shift = [(a or timedelta(0)) - (b or timedelta(0)) for a, b in zip(early, late, strict=True)]
    twice = [i for i, s in enumerate(shift) if s > timedelta(0)]
    folds: dict[int, int] = {}
    if twice:
        inside = set(twice)
        steps = [i for i in twice if i - 1 in inside and times[i] < times[i - 1] - STEP_BACK]
        if steps:
            folds = {i: int(i >= steps[0]) for i in twice}
        else:
            before, after = twice[0] > 0, twice[-1] < len(times) - 1
            if before or after:
                folds = {i: 0 if before else 1 for i in twice}
    out: list[int | str] = []
    for i, moment in enumerate(times):
        if shift[i] < timedelta(0):
            out.append("never-existed")
        elif shift[i] > timedelta(0) and i not in folds:
            out.append("ambiguous-hour")
        else:
            out.append(to_us(moment.replace(tzinfo=zone, fold=folds.get(i, 0)).astimezone(UTC)))
    return out
