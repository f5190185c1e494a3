"""Balance: how the lines of one role share the load of a call, and how that stands to the pretension planned. Pure.

Lines of one role, alike in length and rope, ought to bear alike; one that bears much more than its neighbours reaches
its limit first, and those that bear little help late. Common practice, no source. What a line bore is the mean of its
trace over the time in which all lines were fast, and over the last recorded hour of that. Sums are of whole daN, so
that days may be added in any order.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
HOUR_BINS: Final = 360
"""Bins of 10 s in the last hour."""
DAN_PER_KN: Final = 100


@dataclass(frozen=True)
class Traced:
    """What one rigging of a call recorded about a day: bins since 1970 (n,), ascending, and their means [daN] (n,)."""

    line: str
    role: str
    bins: Ints
    mean_dan: Ints


@dataclass(frozen=True)
class Borne:
    """One line in one role: bins and sum [daN], and those of the last hour that its call recorded on the day."""

    line: str
    role: str
    bins: int
    sum_dan: int
    hour_bins: int
    hour_sum_dan: int


@dataclass(frozen=True)
class CallDay:
    """What the lines of a call bore on one day. `hour_to_bin`: the bin after the last that any of them recorded."""

    ship: str
    call_us: int
    hour_to_bin: int
    lines: tuple[Borne, ...]

    def to_payload(self) -> dict[str, Any]:
        """As plain mappings and numbers, for JSON."""
        return {
            "ship": self.ship,
            "call_us": self.call_us,
            "hour_to_bin": self.hour_to_bin,
            "lines": [[b.line, b.role, b.bins, b.sum_dan, b.hour_bins, b.hour_sum_dan] for b in self.lines],
        }

    @classmethod
    def from_payload(cls, payload: Mapping[str, Any]) -> CallDay:
        """The inverse of `to_payload`."""
        lines = tuple(Borne(*line) for line in payload["lines"])
        return cls(payload["ship"], payload["call_us"], payload["hour_to_bin"], lines)


def borne_on(ship: str, call_us: int, traced: Sequence[Traced], *, fast: range, day: range) -> CallDay | None:
    """What the lines of a call bore on a day; None where nothing was recorded.

    `fast`: the bins in which all lines were fast; `day`: those of the day. The last hour may reach into the day before.
    """
    first, last = max(fast.start, day.start), min(fast.stop, day.stop)
    ends = [int(one.bins[one.bins < last][-1]) + 1 for one in traced if np.any((one.bins >= first) & (one.bins < last))]
    if not ends:
        return None
    to = max(ends)
    from_ = max(to - HOUR_BINS, fast.start)
    lines: dict[tuple[str, str], Borne] = {}
    for one in traced:
        whole, hour = _sum(one, first, last), _sum(one, from_, to)
        if whole[0] or hour[0]:
            before = lines.get((one.line, one.role), Borne(one.line, one.role, 0, 0, 0, 0))
            lines[one.line, one.role] = Borne(
                one.line,
                one.role,
                before.bins + whole[0],
                before.sum_dan + whole[1],
                before.hour_bins + hour[0],
                before.hour_sum_dan + hour[1],
            )
    return CallDay(ship, call_us, to, tuple(lines[key] for key in sorted(lines)))


def _sum(one: Traced, first: int, last: int) -> tuple[int, int]:
    begin, end = np.searchsorted(one.bins, [first, last])
    return int(end - begin), int(one.mean_dan[begin:end].sum())


@dataclass(frozen=True)
class LineMean:
    """What a line bore [kN]; None where it recorded nothing of that."""

    line: str
    mean_kn: float | None
    last_hour_kn: float | None


@dataclass(frozen=True)
class RoleBalance:
    """The lines of a role, by name; `largest`: of the whole phase, and of the last hour."""

    role: str
    lines: tuple[LineMean, ...]
    largest: Largest | None
    largest_last_hour: Largest | None


@dataclass(frozen=True)
class Largest:
    """The line of a role that bore most, and how many times the mean of all its lines; of equals the first by name.

    None where the mean is not above zero: then there is no load to share.
    """

    line: str
    mean_of_role_kn: float
    times_mean: float | None


@dataclass(frozen=True)
class CallBalance:
    """The roles of one call, and the bin after its last recorded one."""

    ship: str
    call_us: int
    hour_to_bin: int
    roles: tuple[RoleBalance, ...]


def balance(days: Iterable[CallDay]) -> list[CallBalance]:
    """The balance of every call, by ship and time, from its days in any order."""
    calls: dict[tuple[str, int], list[CallDay]] = {}
    for day in days:
        calls.setdefault((day.ship, day.call_us), []).append(day)
    return [_call(ship, call_us, found) for (ship, call_us), found in sorted(calls.items())]


def _call(ship: str, call_us: int, days: Sequence[CallDay]) -> CallBalance:
    newest = max(days, key=lambda day: day.hour_to_bin)
    sums: dict[tuple[str, str], tuple[int, int]] = {}
    for day in days:
        for one in day.lines:
            bins, total = sums.get((one.role, one.line), (0, 0))
            sums[one.role, one.line] = bins + one.bins, total + one.sum_dan
    hours = {(one.role, one.line): (one.hour_bins, one.hour_sum_dan) for one in newest.lines}
    by_role: dict[str, list[LineMean]] = {}
    for role, line in sorted(sums):
        mean = LineMean(line, _mean(sums[role, line]), _mean(hours.get((role, line), (0, 0))))
        by_role.setdefault(role, []).append(mean)
    roles = tuple(
        RoleBalance(
            role,
            tuple(lines),
            _largest([(one.line, one.mean_kn) for one in lines]),
            _largest([(one.line, one.last_hour_kn) for one in lines]),
        )
        for role, lines in by_role.items()
    )
    return CallBalance(ship, call_us, newest.hour_to_bin, roles)


def _mean(bins_and_sum: tuple[int, int]) -> float | None:
    bins, total_dan = bins_and_sum
    return None if bins == 0 else total_dan / (bins * DAN_PER_KN)


def _largest(means: Sequence[tuple[str, float | None]]) -> Largest | None:
    known = [(line, kn) for line, kn in means if kn is not None]
    if not known:
        return None
    mean_kn = sum(kn for _, kn in known) / len(known)
    line, largest_kn = max(known, key=lambda one: one[1])
    return Largest(line, mean_kn, largest_kn / mean_kn if mean_kn > 0.0 else None)
