"""What was recorded in a window of time: tension of lines, and the channels beside it. Reads the store, and no more.

Short windows are told by samples; from `COARSE_FROM_S` on by the lowest and highest of each ten seconds, which the day
sheets keep. Samples that count are those that the sheets count: calibrated, shared, without flags 4 and 9.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np

from pipeline.ledger import index
from pipeline.ledger.database import Ledger
from pipeline.ledger.rows import SheetRef
from pipeline.night.intake import LiveParts
from pipeline.night.look import line_tension_kn
from pipeline.quality import FAIL, MISSING
from pipeline.reports.thin import Floats, Ints
from pipeline.sheets.trace import BIN_US
from pipeline.site import Site
from pipeline.store.days import NO_READINGS, Readings, read_readings
from pipeline.store.samples import store_part
from pipeline.store.sheets import read_flags, read_traces
from schemas.registers import Rigging
from schemas.times import day_of, day_start_us

COARSE_FROM_S: Final = 6 * 3600
"""From here on a window is drawn from ten-second bins: at 10 Hz a line has 216,000 samples by then, and no screen shows
more than a few thousand points. House rule."""
HOUR_US: Final = 3_600_000_000
MOST_HELD: Final = 6_000_000
"""So many readings are held at a time (some 100 MB): events come in order of time, and their windows overlap."""

Runs = Sequence[tuple[int, int, int]]
"""Runs of readings that did not pass: first, last, flag."""


@dataclass(frozen=True)
class Seen:
    """A stretch of one quantity: at_us, value (n,), ascending; NaN: it does not count. `gap_us`: longer is a gap."""

    at_us: Ints
    value: Floats
    gap_us: int
    coarse: bool = False


class Windows:
    """The readings of a site as of a ledger's head, hour by hour; those of the latest windows stay at hand."""

    def __init__(self, ledger: Ledger, site: Site, live: LiveParts) -> None:
        self._ledger, self._site, self._live = ledger, site, live
        self._hours: OrderedDict[tuple[str, int], dict[str, Readings]] = OrderedDict()
        self._held = 0
        self._flags: dict[tuple[str, date], dict[str, Runs]] = {}
        self._sheets: dict[tuple[str, date], list[SheetRef]] = {}
        self._own: dict[str, dict[date, set[str]]] = {}

    def tension(self, rigging: Rigging, from_us: int, to_us: int) -> Seen:
        """Tension of a rigged line [kN] in [from_us, to_us), as far as it was rigged."""
        from_us, to_us = max(from_us, rigging.from_us), to_us if rigging.to_us is None else min(to_us, rigging.to_us)
        if to_us - from_us >= COARSE_FROM_S * 1_000_000:
            return self._coarse(rigging, from_us, to_us)
        site, channel = self._site, self._site.channels[rigging.channel]
        read = self._readings(channel.place, channel.channel, from_us, to_us)
        kn = line_tension_kn(
            read.at_us, read.value, site.calibrations_of(channel.channel), rigging.share_pct / 100.0
        ).copy()
        flag = np.ones(kn.size, np.int8)
        for day in days_of(from_us, to_us):
            for first_us, last_us, code in self._flags_of(channel.place, day).get(channel.channel, ()):
                begin, end = np.searchsorted(read.at_us, [first_us, last_us + 1])
                flag[begin:end] = code
        kn[(flag == FAIL) | (flag == MISSING)] = np.nan
        return Seen(read.at_us, kn, self._gap_us(channel.rate_hz))

    def channel(self, name: str, from_us: int, to_us: int) -> Seen:
        """Readings of any channel in [from_us, to_us), in its quantity's canonical unit."""
        channel = self._site.channels[name]
        read = self._readings(channel.place, name, from_us, to_us)
        return Seen(read.at_us, read.value, self._gap_us(channel.rate_hz))

    def _gap_us(self, rate_hz: float) -> int:
        """Without a reading for longer than this there is a gap: `max_gap_s`, or three intervals of a slow logger."""
        return round(max(self._site.policy.max_gap_s, 3.0 / rate_hz) * 1e6)

    def _readings(self, place: str, channel: str, from_us: int, to_us: int) -> Readings:
        hours = [
            self._hour(place, hour).get(channel, NO_READINGS)
            for hour in range(from_us // HOUR_US, -(-to_us // HOUR_US))
        ]
        at_us = np.concatenate([one.at_us for one in hours]) if hours else NO_READINGS.at_us
        value = np.concatenate([one.value for one in hours]) if hours else NO_READINGS.value
        return Readings(at_us, value).between(from_us, to_us)

    def _hour(self, place: str, hour: int) -> dict[str, Readings]:
        key = (place, hour)
        if key in self._hours:
            self._hours.move_to_end(key)
            return self._hours[key]
        from_us = hour * HOUR_US
        parts = self._live.of(place, day_of(from_us))
        read = read_readings(self._site.store, parts, from_us=from_us, to_us=from_us + HOUR_US) if parts else {}
        self._hours[key] = read
        self._held += _size(read)
        while self._held > MOST_HELD and len(self._hours) > 1:
            self._held -= _size(self._hours.popitem(last=False)[1])
        return read

    def _flags_of(self, place: str, day: date) -> dict[str, Runs]:
        if (place, day) not in self._flags:
            found: dict[str, list[tuple[int, int, int]]] = {}
            for file in index.flags(self._ledger, [(place, day)]).values():
                for row in read_flags(self._site.store, file.path):
                    found.setdefault(row["channel"], []).append((row["first"], row["last"], row["flag"]))
            self._flags[place, day] = dict(found)
        return self._flags[place, day]

    def _coarse(self, rigging: Rigging, from_us: int, to_us: int) -> Seen:
        """Lowest and highest of each ten seconds, as two points of it."""
        at, low, high = [], [], []
        for day in days_of(from_us, to_us):
            for ref in self._sheets_of(rigging, day):
                trace = read_traces(self._site.store, ref.path, [ref.sheet])[ref.sheet]
                at.append(day_start_us(day) + trace.bins * BIN_US)
                low.append(trace.low_kn)
                high.append(trace.high_kn)
        if not at:
            return Seen(NO_READINGS.at_us, NO_READINGS.value, 2 * BIN_US, coarse=True)
        bin_us = np.concatenate(at)
        both_us = np.repeat(bin_us, 2) + np.tile([0, BIN_US // 2], bin_us.size)
        both_kn = np.column_stack((np.concatenate(low), np.concatenate(high))).ravel()
        inside = (both_us >= from_us) & (both_us < to_us)
        return Seen(both_us[inside], both_kn[inside], 2 * BIN_US, coarse=True)

    def _sheets_of(self, rigging: Rigging, day: date) -> list[SheetRef]:
        """The live sheets of a rigging's day, in order of time: those that its line's account rests on."""
        if rigging.line not in self._own:
            own: dict[date, set[str]] = {}
            for (_, _, of_day), state in index.states(self._ledger, rigging.line).items():
                own.setdefault(of_day, set()).update(state.sheets)
            self._own[rigging.line] = own
        names, key = self._own[rigging.line].get(day, set()), (rigging.channel, day)
        if key not in self._sheets:
            self._sheets[key] = index.sheets(self._ledger, [key])
        held = [ref for ref in self._sheets[key] if ref.sheet in names and ref.from_us >= rigging.from_us]
        return [ref for ref in held if rigging.to_us is None or ref.to_us <= max(rigging.to_us, ref.from_us)]


def live_parts(ledger: Ledger) -> LiveParts:
    """The live samples files of a ledger."""
    return LiveParts(store_part(part) for part in index.parts(ledger))


def _size(read: dict[str, Readings]) -> int:
    return sum(one.at_us.size for one in read.values())


def days_of(from_us: int, to_us: int) -> list[date]:
    first, last = day_of(from_us).toordinal(), day_of(max(to_us - 1, from_us)).toordinal()
    return [date.fromordinal(number) for number in range(first, last + 1)]
