"""Coverage of every channel, day by day: rigged time observed against rigged time elapsed, as a calendar to draw."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from pipeline.ledger import index
from pipeline.ledger.account import seconds
from pipeline.ledger.database import Ledger
from pipeline.ledger.rows import SheetRef
from pipeline.reports.figures import Figure, Trace
from pipeline.site import Site
from schemas.registers import Rigging
from schemas.times import DAY_US, day_of, day_start_us, us_to_rfc3339

DAYS: Final = 366
"""So many days are drawn, up to the site's latest sample: a year; no screen is wider. House rule."""
GRADES: Final = (
    ("none", "not observed at all", 0.0),
    ("low", "under half observed", 0.5),
    ("part", "under nine tenths observed", 0.9),
    ("most", "under 99 % observed", 0.99),
    ("all", "99 % or more observed", float("inf")),
)
"""Name, words, and below which share of its rigged time a day is of that grade. House rule."""
BARE: Final = ("bare", "no line rigged; readings")
EMPTY: Final = ("empty", "no line rigged, or no reading of a channel without lines")
LEAST_CELL: Final = 3
MOST_CELL: Final = 24
WIDTH: Final = 1100
NAME_WIDTH: Final = 45
"""Widths of a day, of all days where there are few, and of a month's name, in the picture."""
TRACE: Final = Trace("day sheets, against rigging.csv; coverage in tautlog statement SITE LINE")


@dataclass(frozen=True)
class Cover:
    """Of one channel's day: rigged time elapsed, and of that observed [us]; whether it has any reading."""

    rigged_us: int
    observed_us: int
    read: bool

    @property
    def grade(self) -> str:
        """What the day is drawn as."""
        if self.rigged_us == 0:
            return BARE[0] if self.read else EMPTY[0]
        if self.observed_us == 0:
            return GRADES[0][0]
        share = self.observed_us / self.rigged_us
        return next(name for name, _, below in GRADES[1:] if share < below)


def covers(
    site: Site, sheets: Iterable[SheetRef], read: Mapping[str, set[date]], horizon_us: int
) -> dict[str, dict[date, Cover]]:
    """Each channel's days, those with a line or a reading. `read`: days with readings, by channel.

    A sheet serves every line that had the channel from when to when of a day with the same share: a line and its tail,
    and on a full day all lines that share a hook alike. So such stretches count once here as well.
    """
    observed: dict[str, dict[date, int]] = {name: {} for name in site.channels}
    rigged: dict[str, dict[date, int]] = {name: {} for name in site.channels}
    for sheet in sheets:
        of_day = observed[sheet.channel]
        of_day[sheet.day] = of_day.get(sheet.day, 0) + sheet.observed_us
    stretches = {
        (row.channel, day, from_us, to_us, row.share_pct)
        for row in site.riggings
        for day, from_us, to_us in _stretches(row, horizon_us)
    }
    for channel, day, from_us, to_us, _ in stretches:
        rigged[channel][day] = rigged[channel].get(day, 0) + to_us - from_us
    found: dict[str, dict[date, Cover]] = {}
    for name in site.channels:
        own, seen, here = rigged[name], observed[name], read.get(name, set())
        found[name] = {
            day: Cover(own.get(day, 0), seen.get(day, 0), day in here) for day in sorted({*own, *seen, *here})
        }
    return found


def coverage_view(ledger: Ledger, site: Site) -> dict[str, Any] | None:
    """The calendar and a row of figures for each channel; None before there is anything recorded or rigged."""
    horizon_us = index.horizon_us(ledger)
    if horizon_us is None:
        return None
    read: dict[str, set[date]] = {}
    for part in index.parts(ledger):
        for channel in part.channels:
            read.setdefault(channel, set()).add(part.day)
    found = covers(site, index.sheets(ledger), read, horizon_us)
    last = day_of(horizon_us - 1)
    earliest = min((day for days in found.values() for day in days), default=last)
    first = max(earliest, date.fromordinal(last.toordinal() - DAYS + 1))
    cell = min(max(WIDTH // ((last - first).days + 1), LEAST_CELL), MOST_CELL)
    return {
        "to_at": us_to_rfc3339(horizon_us),
        "first": first.isoformat(),
        "last": last.isoformat(),
        "days": (last - first).days + 1,
        "cell": cell,
        "grades": [{"name": name, "words": words} for name, words, *_ in (*GRADES, BARE, EMPTY)],
        "months": _months(first, last, cell),
        "channels": [_channel(site, name, found[name], first, last, cell) for name in _order(site)],
    }


def _channel(site: Site, name: str, days: Mapping[date, Cover], first: date, last: date, cell: int) -> dict[str, Any]:
    rigged_us, observed_us = (sum(getattr(one, key) for one in days.values()) for key in ("rigged_us", "observed_us"))
    bad = [day for day, one in days.items() if one.grade in (GRADES[0][0], GRADES[1][0])]
    share = Figure(None if rigged_us == 0 else 100.0 * observed_us / rigged_us, TRACE, "%", 1)
    read = [day for day, one in days.items() if one.read]
    return {
        "channel": name,
        "place": site.channels[name].place,
        "quantity": site.channels[name].quantity,
        "rigged": Figure(seconds(rigged_us), TRACE, "s", 0),
        "observed": Figure(seconds(observed_us), TRACE, "s", 0),
        "share": share,
        "days_read": Figure(len(read), Trace("samples in the store"), "", 0),
        "last_read": read[-1].isoformat() if read else None,
        "days_bad": Figure(len(bad), TRACE, "", 0),
        "paths": _paths(days, first, last, cell),
    }


def _paths(days: Mapping[date, Cover], first: date, last: date, cell: int) -> list[dict[str, str]]:
    """A path for each grade that occurs: a stroke over each run of days of it, so that a year of a channel is short."""
    drawn: dict[str, list[str]] = {}
    run: tuple[str, int, int] | None = None
    for number in range(first.toordinal(), last.toordinal() + 2):
        one = days.get(date.fromordinal(number)) if number <= last.toordinal() else None
        grade = EMPTY[0] if one is None else one.grade
        at = number - first.toordinal()
        if run is not None and (run[0] != grade or number > last.toordinal()):
            drawn.setdefault(run[0], []).append(f"M{run[1] * cell} 0h{(at - run[1]) * cell}")
            run = None
        if run is None:
            run = (grade, at, at)
    drawn.pop(EMPTY[0], None)
    return [{"grade": grade, "d": "".join(strokes)} for grade, strokes in sorted(drawn.items())]


def _months(first: date, last: date, cell: int) -> list[dict[str, Any]]:
    """Where each month begins in the calendar."""
    days = [date.fromordinal(number) for number in range(first.toordinal(), last.toordinal() + 1)]
    starts = [day for day in days if day.day == 1 or day == first]
    room = {day: next_.toordinal() - day.toordinal() for day, next_ in zip(starts, [*starts[1:], last], strict=True)}
    return [
        {"x": (day - first).days * cell, "name": day.strftime("%Y-%m"), "named": room[day] * cell >= NAME_WIDTH}
        for day in starts
    ]


def _stretches(row: Rigging, horizon_us: int) -> Iterable[tuple[date, int, int]]:
    """From when to when it is rigged on each UTC day, up to the horizon."""
    end_us = horizon_us if row.to_us is None else min(row.to_us, horizon_us)
    if end_us <= row.from_us:
        return
    for number in range(day_of(row.from_us).toordinal(), day_of(end_us - 1).toordinal() + 1):
        start_us = day_start_us(date.fromordinal(number))
        yield date.fromordinal(number), max(row.from_us, start_us), min(end_us, start_us + DAY_US)


def _order(site: Site) -> Sequence[str]:
    """Tension first, then the rest; by place."""
    return sorted(
        site.channels, key=lambda name: (site.channels[name].quantity != "tension", site.channels[name].place, name)
    )
