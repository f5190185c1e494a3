"""Surge: the slow pulse of a passing ship, seen in several lines at once with the signs it must have.

A ship that passes draws the moored one along the quay, and lets her come back: head and stern lines, which hold her
against opposite moves, tighten in turn, and so do springs that lead fore and aft. Each line's trace (means over 10 s),
less its running median over 20 minutes, shows one or two lobes of 20 to 300 s. What is no surge: a squall and a tug's
push, which load or relieve head and stern lines together, and breasts more than others; tide and tending, which do not
come back within minutes (a median follows a step); a slow drift of the moored ship herself, which is the background
that a pulse must stand out from. Signs, lengths and factors are house rules; that the pulse is slow and moves a ship
along the quay is common practice, no source.

The law: wherever a record is cut, the partial surges of its parts, joined, are those of the whole. What is said of a
bin depends on the bins within `EDGE_BINS` of it alone, and joining is by largest, smallest and earliest.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pipeline.events.surge_kernel import lobe_reach, running_median
from schemas.registers import Policy

KIND: Final = "surge"
Values = NDArray[np.float64]

BIN_US: Final = 10_000_000
"""Length of a trace's bin."""
TREND_BINS: Final = 60
"""The running median's reach to either side: 10 minutes, so that a pulse of 300 s is no quarter of its window."""
BLOCK_BINS: Final = 60
SPREAD_BINS: Final = 180
"""The background's spread is one figure for each ten minutes, of those and half an hour to either side."""
SHORTEST_BINS: Final = 2
LONGEST_BINS: Final = 30
EDGE_BINS: Final = 360
"""How far from a bin others decide what is said of it: 31 bins of a lobe, then a block, its spread and its trend."""
BACK_SHARE: Final = 0.25
"""A lobe reaches as far as its line keeps above this share of the least pulse, with the same sign."""
SIGN_SHARE: Final = 0.5
"""A line takes part whose change is at least this share of the least pulse."""
LINES: Final = 3
SURGING: Final = ("head", "stern", "spring")


@dataclass(frozen=True)
class Rules:
    """What is a pulse: at least `times` the background's robust standard deviation, and `min_pct` % of the limit base.

    `join_s`: lobes that follow each other so soon are one surge.
    """

    min_pct: float
    times: float
    join_s: float

    @classmethod
    def of(cls, policy: Policy) -> Rules:
        """The rules of a site's policy."""
        return cls(policy.surge_min_pct, policy.surge_times, policy.surge_join_s)


@dataclass(frozen=True)
class Series:
    """One rigging's trace over a stretch of bins (n,), NaN where a bin has none; `base_kn`: what limits are percent of.

    mean_kn, high_kn: mean and highest line tension of each bin [kN].
    """

    line: str
    channel: str
    role: str
    base_kn: float
    mean_kn: Values
    high_kn: Values


@dataclass(frozen=True)
class Share:
    """What one line had of a surge: the largest rise and the deepest fall against its trend [kN], and its highest
    tension, with the instants at which those bins begin."""

    channel: str
    role: str
    from_us: int
    rise_kn: float
    fall_kn: float
    peak_kn: float
    peak_us: int

    @property
    def change_kn(self) -> float:
        """The larger of the two, signed; the rise where they are equal."""
        return self.rise_kn if self.rise_kn >= -self.fall_kn else self.fall_kn


@dataclass(frozen=True)
class Surge:
    """A surge of one ship, or a part of one, over [from_us, to_us); `lines` by name."""

    ship: str
    from_us: int
    to_us: int
    lines: Mapping[str, Share]

    @property
    def first_line(self) -> str:
        """The line that moved first; of several the one that moved most, then by name."""
        return min(self.lines, key=lambda name: (self.lines[name].from_us, -abs(self.lines[name].change_kn), name))

    @property
    def greatest_line(self) -> str:
        """The line that moved most; of several the first by name."""
        return min(self.lines, key=lambda name: (-abs(self.lines[name].change_kn), name))

    @property
    def most_loaded_line(self) -> str:
        """The line whose tension rose most; of several the first by name."""
        return min(self.lines, key=lambda name: (-self.lines[name].rise_kn, name))

    def to_payload(self) -> dict[str, Any]:
        """As plain mappings and numbers, for JSON; floats come back bit for bit."""
        return asdict(self)

    @classmethod
    def from_payload(cls, payload: Mapping[str, Any]) -> Surge:
        """The inverse of `to_payload`."""
        return cls(**{**payload, "lines": {name: Share(**share) for name, share in payload["lines"].items()}})


@dataclass(frozen=True)
class _Slow:
    """A series against its trend (n,) [kN], and the least change that is a pulse at each bin; NaN where unknown."""

    series: Series
    change_kn: Values
    least_kn: Values


def surges(ship: str, series: Sequence[Series], rules: Rules, *, start_bin: int, first: int, last: int) -> list[Surge]:
    """Partial surges of the lobes that begin in bins [first, last), in time order; `join` makes surges of them.

    All series have the same bins: index 0 is the bin `start_bin` since 1970, and they reach `EDGE_BINS` beyond first
    and last, or to where nothing was recorded.
    """
    slow = [_slow(one, rules, start_bin) for one in series]
    found = []
    for index, one in enumerate(slow):
        if one.series.role in SURGING:
            for begin, end in _lobes(one, first, last):
                surge = _surge(ship, slow, index, begin, end, start_bin)
                found += [] if surge is None else [surge]
    return join(found, join_s=rules.join_s)


def join(parts: Iterable[Surge], *, join_s: float) -> list[Surge]:
    """Surges by ship and time: parts of a ship that overlap, or follow within `join_s`, are one. Any order."""
    whole: list[Surge] = []
    for part in sorted(parts, key=lambda one: (one.ship, one.from_us, one.to_us)):
        if whole and whole[-1].ship == part.ship and part.from_us - whole[-1].to_us <= join_s * 1e6:
            whole[-1] = _joined(whole[-1], part)
        else:
            whole.append(part)
    return whole


def _joined(one: Surge, other: Surge) -> Surge:
    lines = dict(one.lines)
    for name, share in other.lines.items():
        lines[name] = _both(lines[name], share) if name in lines else share
    ordered = {name: lines[name] for name in sorted(lines)}
    return replace(one, to_us=max(one.to_us, other.to_us), lines=ordered)


def _both(one: Share, other: Share) -> Share:
    peak = min(one, other, key=lambda share: (-share.peak_kn, share.peak_us))
    # A line that changes channel in mid-surge is told by the one that it was on at its peak.
    return Share(
        peak.channel,
        peak.role,
        min(one.from_us, other.from_us),
        max(one.rise_kn, other.rise_kn),
        min(one.fall_kn, other.fall_kn),
        peak.peak_kn,
        peak.peak_us,
    )


def _slow(series: Series, rules: Rules, start_bin: int) -> _Slow:
    change_kn = series.mean_kn - running_median(series.mean_kn, TREND_BINS, TREND_BINS)
    floor_kn = rules.min_pct / 100.0 * series.base_kn
    return _Slow(series, change_kn, np.maximum(rules.times * _spread_kn(change_kn, start_bin), floor_kn))


def _spread_kn(change_kn: Values, start_bin: int) -> Values:
    """The background's robust standard deviation at each bin [kN]: of ten minutes of UTC, from an hour about them.

    1.4826 times the median of the absolute values, which is the standard deviation of a normal distribution. NaN where
    under ten minutes of that hour and more are known.
    """
    spread = np.full(change_kn.size, np.nan)
    size = np.abs(change_kn)
    for begin in range(-(start_bin % BLOCK_BINS), change_kn.size, BLOCK_BINS):
        about = size[max(begin - SPREAD_BINS, 0) : begin + BLOCK_BINS + SPREAD_BINS]
        known = about[~np.isnan(about)]
        if known.size >= BLOCK_BINS:
            spread[max(begin, 0) : begin + BLOCK_BINS] = 1.4826 * np.median(known)
    return spread


def _lobes(slow: _Slow, first: int, last: int) -> list[tuple[int, int]]:
    """First and last bin of each lobe of one line that is a pulse, and begins in [first, last)."""
    least = slow.least_kn
    over = np.flatnonzero(np.abs(slow.change_kn) >= least)  # never where either is NaN
    found: list[tuple[int, int]] = []
    for at in over.tolist():
        if found and at <= found[-1][1]:
            continue
        begin, end = lobe_reach(slow.change_kn, BACK_SHARE * least, at, LONGEST_BINS)
        found.append((begin, end))
    return [
        (begin, end)
        for begin, end in found
        if first <= begin < last and SHORTEST_BINS <= end - begin + 1 <= LONGEST_BINS
    ]


def _surge(ship: str, slow: Sequence[_Slow], seed: int, begin: int, end: int, start_bin: int) -> Surge | None:
    """What all lines did in the core of one line's lobe, if it has the signs of a surge."""
    own = np.abs(slow[seed].change_kn[begin : end + 1])
    core = begin + np.flatnonzero(own >= 0.5 * np.nanmax(own))
    signs: dict[int, int] = {}
    for index, one in enumerate(slow):
        known = ~np.isnan(one.least_kn[core]) & ~np.isnan(one.change_kn[core])
        if 2 * int(known.sum()) >= core.size:
            change, least = float(one.change_kn[core[known]].mean()), float(one.least_kn[core[known]].mean())
            signs[index] = 0 if abs(change) < SIGN_SHARE * least else 1 if change > 0.0 else -1
    if not _looks_like_surge(slow, signs, core):
        return None
    lines: dict[str, Share] = {}
    ends = [end]
    for index, sign in signs.items():
        if sign != 0 and slow[index].series.role in SURGING:
            share, last = _share(slow[index], sign, core, start_bin)
            name = slow[index].series.line
            lines[name] = _both(lines[name], share) if name in lines else share
            ends.append(last)
    from_us = min(share.from_us for share in lines.values())
    return Surge(ship, from_us, (start_bin + max(ends) + 1) * BIN_US, dict(sorted(lines.items())))


def _looks_like_surge(slow: Sequence[_Slow], signs: Mapping[int, int], core: NDArray[np.int64]) -> bool:
    """Whether lines that hold a ship along the quay moved as when she surges, and more than her breasts."""
    by_role: dict[str, set[int]] = {"head": set(), "stern": set(), "spring": set(), "breast": set()}
    moved: dict[str, float] = dict.fromkeys(by_role, 0.0)
    channels = set()
    for index, sign in signs.items():
        series = slow[index].series
        by_role[series.role].add(sign)
        moved[series.role] = max(moved[series.role], abs(float(np.nanmean(slow[index].change_kn[core]))))
        if sign != 0 and series.role in SURGING:
            channels.add(series.channel)
    head, stern, spring = (by_role[role] - {0} for role in SURGING)
    if len(channels) < LINES or len(head) > 1 or len(stern) > 1 or (head and head == stern):
        return False
    along = max(moved[role] for role in SURGING)
    opposed = bool(head and stern)
    springs_opposed = len(spring) == 2
    has_springs = bool(by_role["spring"])
    return moved["breast"] <= along and (springs_opposed or (opposed and not has_springs))


def _share(slow: _Slow, sign: int, core: NDArray[np.int64], start_bin: int) -> tuple[Share, int]:
    """One line's share of a lobe, and the last bin of its own."""
    changes = slow.change_kn
    most = int(core[int(np.nanargmax(sign * changes[core]))])
    first, last = lobe_reach(changes, BACK_SHARE * slow.least_kn, most, LONGEST_BINS)
    lobe = changes[first : last + 1]
    high = slow.series.high_kn[first : last + 1]
    peak = first + int(np.nanargmax(high))
    share = Share(
        slow.series.channel,
        slow.series.role,
        (start_bin + first) * BIN_US,
        max(float(np.nanmax(lobe)), 0.0),
        min(float(np.nanmin(lobe)), 0.0),
        float(slow.series.high_kn[peak]),
        (start_bin + peak) * BIN_US,
    )
    return share, last
