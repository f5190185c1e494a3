"""Local clock times to UTC: which instants of a zone a local time can be."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from pipeline.readers.clock import LEAST_US, MOST_US

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DAY_US = 86_400_000_000
_WINDOW_US = 32 * _DAY_US
_FAR_US = 2**62
_MOST_KNOWN = 4096


@dataclass(frozen=True)
class Placed:
    """Local times placed in UTC. `first_us`: the instant, the earlier of two. `later_us`: by how much the
    later of two is later, 0 where there is one (no array: one everywhere). `never`: where there is none at
    all."""

    first_us: Ints
    later_us: Ints | None = None
    never: Flags | None = None


@dataclass(frozen=True)
class _Regimes:
    """Stretches of constant offset from UTC, in order: offset, and first and end local time of each."""

    offset_us: Ints
    from_local_us: Ints
    to_local_us: Ints


class ZoneClock:
    """The local clock of one IANA zone, which is asked about only as much as the times need."""

    def __init__(self, zone: ZoneInfo) -> None:
        self._zone = zone
        self._known: dict[tuple[int, int], _Regimes] = {}

    def place(self, local_us: Ints) -> Placed:
        """Place local times, microseconds of the local clock as if it were UTC."""
        if local_us.size == 0:
            return Placed(local_us)
        first, last = int(local_us.min()) // _WINDOW_US, int(local_us.max()) // _WINDOW_US
        if last - first <= 2:
            return _place(local_us, self._regimes(first, last))
        # Far apart, as a stamp of another year among good ones is: each stretch by itself.
        windows = local_us // _WINDOW_US
        order = np.argsort(windows, kind="stable")
        first_us, later_us = np.empty_like(local_us), np.zeros_like(local_us)
        never = np.zeros(local_us.size, np.bool_)
        for rows in np.split(order, np.flatnonzero(np.diff(windows[order])) + 1):
            window = int(windows[rows[0]])
            placed = _place(local_us[rows], self._regimes(window, window))
            first_us[rows] = placed.first_us
            if placed.later_us is not None:
                later_us[rows] = placed.later_us
            if placed.never is not None:
                never[rows] = placed.never
        return Placed(first_us, later_us if later_us.any() else None, never if never.any() else None)

    def _regimes(self, first: int, last: int) -> _Regimes:
        if (first, last) not in self._known:
            if len(self._known) >= _MOST_KNOWN:  # stamps all over the calendar
                self._known.clear()
            self._known[first, last] = self._look_up(first, last)
        return self._known[first, last]

    def _look_up(self, first: int, last: int) -> _Regimes:
        """Offsets over whole windows and two days around; a change is sought to the second where days
        differ."""
        begin = _in_calendar(first * _WINDOW_US - 2 * _DAY_US)
        end = _in_calendar((last + 1) * _WINDOW_US + 2 * _DAY_US)
        starts, offsets = [-_FAR_US], [self._offset(begin)]
        for day in range(begin + _DAY_US, end + 1, _DAY_US):
            if self._offset(day) != offsets[-1]:
                starts.append(self._change(day - _DAY_US, day))
                offsets.append(self._offset(starts[-1]))
                if offsets[-1] != self._offset(day):  # two changes within a day
                    starts.append(self._change(starts[-1], day))
                    offsets.append(self._offset(starts[-1]))
        offset_us = np.array(offsets, np.int64)
        from_us = np.array(starts, np.int64)
        to_us = np.append(from_us[1:], _FAR_US)
        return _Regimes(offset_us, from_us + offset_us, to_us + offset_us)

    def _change(self, before_us: int, after_us: int) -> int:
        """The first second after `before_us` whose offset is another."""
        low, high, old = before_us // 1_000_000, -(-after_us // 1_000_000), self._offset(before_us)
        while high - low > 1:
            middle = (low + high) // 2
            if self._offset(middle * 1_000_000) == old:
                low = middle
            else:
                high = middle
        return high * 1_000_000

    def _offset(self, at_us: int) -> int:
        offset = (_EPOCH + timedelta(microseconds=at_us)).astimezone(self._zone).utcoffset()
        return 0 if offset is None else offset // timedelta(microseconds=1)


def _in_calendar(at_us: int) -> int:
    """Kept two days off the ends of the calendar, so that every local time has a date."""
    return min(max(at_us, LEAST_US + 2 * _DAY_US), MOST_US - 2 * _DAY_US) // 1_000_000 * 1_000_000


def _place(local_us: Ints, regimes: _Regimes) -> Placed:
    least, most = int(local_us.min()), int(local_us.max())
    begins, ends = regimes.from_local_us, regimes.to_local_us
    at = int(np.searchsorted(begins, least, "right")) - 1
    alone_from = int(ends[at - 1]) if at > 0 else -_FAR_US
    alone_to = min(int(ends[at]), int(begins[at + 1]) if at + 1 < begins.size else _FAR_US)
    if alone_from <= least and most < alone_to:
        return Placed(local_us - regimes.offset_us[at])
    now = np.searchsorted(begins, local_us, "right") - 1
    former = np.maximum(now - 1, 0)
    in_now = local_us < ends[now]
    in_former = (local_us < ends[former]) & (now > 0)
    never = ~in_now & ~in_former
    offset_us = regimes.offset_us[np.where(in_former, former, now)]
    later_us = np.where(in_former & in_now, offset_us - regimes.offset_us[now], 0)
    return Placed(local_us - offset_us, later_us if later_us.any() else None, never if never.any() else None)
