"""What loads say of the rigging register: times that they contradict, and two channels that are exchanged. Pure.

A line made fast bears load soon, and one let go none. A register whose times are long before or after that is told,
with both instants; nothing is corrected. Where each of two channels bears load when the other's line is rigged, the two
are likely exchanged.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from statistics import median
from typing import Final, Literal

from pipeline.quality.bins import Interval
from pipeline.quality.loads import Load

MINUTE_US: Final = 60_000_000
# House rules, no source.
LETTING_GO_US: Final = 210_000_000
NEAR_US: Final = 60 * MINUTE_US
SWAP_SCALE_US: Final = 40_000_000
SWAP_GAIN: Final = 2.0
SWAP_GAIN_OF_OTHERS: Final = 0.5
ALIKE_US: Final = 2 * MINUTE_US
AGREE_US: Final = MINUTE_US
WILD_US: Final = 10 * MINUTE_US
COVERED_SHARE: Final = 0.5
EARLY_WEIGHT: Final = 0.4
"""A load that ends early costs so much less than one that ends late: lines go slack before they are let go."""
HANGS_KN: Final = 1.0
"""A line that hangs slack on its hook weighs this much and more."""

What = Literal["load-before-from", "no-load-after-from", "load-after-to", "no-load-before-to"]


@dataclass(frozen=True, slots=True)
class Recorded:
    """A channel's loads and the stretches in which it was observed, in order of time."""

    loads: tuple[Load, ...]
    seen: tuple[Interval, ...]

    def observed(self, from_us: int, to_us: int) -> bool:
        """Whether readings cover most of [from_us, to_us): a winch tells nothing while its brake is open."""
        covered_us = sum(max(0, min(last, to_us) - max(first, from_us)) for first, last in self.seen)
        return covered_us >= COVERED_SHARE * (to_us - from_us)


@dataclass(frozen=True, slots=True)
class Contradiction:
    """A registered instant, and the one that the load shows. what: how they disagree."""

    what: What
    registered_us: int
    shown_us: int

    @property
    def error_s(self) -> float:
        """How much later the register is than the load [s]; negative: earlier."""
        return (self.registered_us - self.shown_us) / 1e6


def contradictions(
    rigged: Interval,
    recorded: Recorded,
    *,
    free: Interval,
    others: Sequence[Interval],
    tolerance_us: int,
    open_end: bool,
    all_let_go_us: int | None = None,
    ahead_us: int = 0,
) -> list[Contradiction]:
    """What a channel's loads say of one rigged time [from, to), by `from` and by `to`.

    free: from when the rigging before it ended to when the next begins, on the same channel; others: the rigged times
    of the call's other lines, which say when loads may belong to it, and when its lines are let go. A load that ends
    while the others stay fast is a line slack or lost, an event and not a time misread, and so is one that ends before
    its line is let go, as long as something hangs there; but none lies fast when all others are gone (`all_let_go_us`,
    None while any is fast). open_end: the line is still rigged, its `to` says nothing. ahead_us: by how much the
    channel's clock is ahead of what the call's clocks have in common (`clocks_ahead`).
    """
    from_us, to_us = rigged
    call = (
        min([from_us, *(other[0] for other in others)]) - tolerance_us,
        max([to_us, *(other[1] for other in others)]) + tolerance_us,
    )
    near = [
        load
        for load in recorded.loads
        if load.to_us > max(call[0], free[0]) and load.from_us < min(call[1], free[1]) and load.from_us > free[0]
    ]
    if not near:
        return []
    found = _of_from((from_us + ahead_us, to_us + ahead_us), near[0], recorded, tolerance_us)
    found = [replace(one, registered_us=from_us) for one in found]
    if open_end or near[-1].to_us > free[1]:
        return found
    ends = sorted(other[1] for other in others)
    let_go_us = ends[min(1, len(ends) - 1)] + ahead_us if ends else None
    gone_us = None if all_let_go_us is None else all_let_go_us + ahead_us
    later = _of_to(to_us + ahead_us, near[-1], recorded, (let_go_us, gone_us), tolerance_us)
    return found + [replace(one, registered_us=to_us) for one in later]


def _of_from(rigged: Interval, first: Load, recorded: Recorded, tolerance_us: int) -> list[Contradiction]:
    from_us, to_us = rigged
    late_us = first.from_us - from_us
    if late_us < -tolerance_us:
        return [Contradiction("load-before-from", from_us, first.from_us)]
    if tolerance_us < late_us < to_us - from_us and recorded.observed(first.from_us - tolerance_us, first.from_us):
        return [Contradiction("no-load-after-from", from_us, first.from_us)]
    return []


def _of_to(
    to_us: int, last: Load, recorded: Recorded, others_us: tuple[int | None, int | None], tolerance_us: int
) -> list[Contradiction]:
    """others_us: when others begin to be let go, and when all are."""
    if last.to_us > to_us + tolerance_us:
        return [Contradiction("load-after-to", to_us, last.to_us)]
    let_go_us, gone_us = others_us
    with_others = let_go_us is not None and last.to_us >= let_go_us - LETTING_GO_US
    hangs = last.after_kn is not None and last.after_kn > HANGS_KN
    shown_us = last.to_us if with_others and not hangs else None if gone_us is None else max(last.to_us, gone_us)
    if shown_us is None or to_us <= shown_us + tolerance_us:
        return []
    seen = recorded.observed(shown_us, shown_us + tolerance_us)
    return [Contradiction("no-load-before-to", to_us, shown_us)] if seen else []


@dataclass(frozen=True, slots=True)
class Rigged:
    """One rigged time of a call: which channel the register gives it, and the line."""

    line: str
    channel: str
    from_us: int
    to_us: int | None


@dataclass(frozen=True, slots=True)
class Swap:
    """Two riggings that fit each other's channel better.

    registered_s, exchanged_s: by how much their loads' ends are off from what is usual, each way; the median.
    """

    first: Rigged
    second: Rigged
    registered_s: float
    exchanged_s: float
    gain: float


def swaps(riggings: Sequence[Rigged], recorded: Mapping[str, Recorded], clock_of: Mapping[str, str]) -> list[Swap]:
    """Pairs of a call's riggings, one to a channel, whose loads come and go at each other's registered times.

    Loads follow the registered times of a call by some delay that its crew has, and its loggers' clocks (`clock_of`,
    by channel): what is off is reckoned from what is usual in the call, by clock. Each end costs log(1 + (off/40 s)^2)
    so that one that is wildly off, and so says nothing, does not outweigh the others; one that is early for a `to`
    costs less. A pair is told where exchanging it takes at least 2 off the cost, half of one without the end that gains
    most, and some off the mean cost of each line and channel. A load that ends while the others stay fast says nothing
    of a `to`.
    """
    if len(riggings) < 2:
        return []
    ended = sorted(row.to_us for row in riggings if row.to_us is not None)
    let_go_us = ended[min(1, len(ended) - 1)] - LETTING_GO_US if len(ended) == len(riggings) else None
    spans = {row.channel: _span(row, recorded.get(row.channel), let_go_us) for row in riggings}
    usual = _usual([(clock_of.get(row.channel, ""), _delays(row, spans[row.channel])) for row in riggings])

    def off(row: Rigged, channel: str) -> list[End]:
        of_clock = usual(clock_of.get(channel, ""))
        begun, ended = (
            None if d is None else d - u for d, u in zip(_delays(row, spans[channel]), of_clock, strict=True)
        )
        ends = [] if begun is None else [(begun, 1.0)]
        return ends if ended is None else [*ends, (ended, EARLY_WEIGHT if ended < 0 else 1.0)]

    found = []
    for one, other in combinations(riggings, 2):
        own = (off(one, one.channel), off(other, other.channel))
        crossed = (off(one, other.channel), off(other, one.channel))
        gains = [
            _cost([a]) - _cost([b])
            for mine, its in zip(own, reversed(crossed), strict=True)
            for a, b in zip(mine, its, strict=True)
        ]
        if all((*own, *crossed)) and _is_gain(gains) and _costs_less(own, crossed):
            found.append(Swap(one, other, _mean_s(own), _mean_s(crossed), sum(gains)))
    return _best(found)


def _is_gain(gains: Sequence[float]) -> bool:
    """Whether ends gain enough together, and not one alone, which a time misread would do."""
    return sum(gains) >= SWAP_GAIN and sum(gains) - max(gains) >= SWAP_GAIN_OF_OTHERS


def _cost(off: Sequence[End]) -> float:
    return sum(weight * math.log1p((us / SWAP_SCALE_US) ** 2) for us, weight in off)


def _costs_less(own: tuple[list[End], list[End]], crossed: tuple[list[End], list[End]]) -> bool:
    """Whether each line is better off, and each channel too, in the mean of the ends that are known."""

    def less(a: Sequence[End], b: Sequence[End]) -> bool:
        return _cost(b) / len(b) < _cost(a) / len(a)

    lines = all(less(a, b) for a, b in zip(own, crossed, strict=True))
    return lines and all(less(a, b) for a, b in zip(own, reversed(crossed), strict=True))


def _mean_s(off: tuple[list[End], list[End]]) -> float:
    """Median distance of all ends from what is usual [s]."""
    return median(abs(us) for some in off for us, _ in some) / 1e6


Delays = tuple[float | None, float | None]
End = tuple[float, float]
"""By how much one end of a load is off from what is usual [us], and how much that weighs."""


def clocks_ahead(
    riggings: Sequence[Rigged], recorded: Mapping[str, Recorded], clock_of: Mapping[str, str]
) -> Callable[[str], int]:
    """By how much the clock of a channel is ahead of what a call's clocks have in common [us], as its loads tell it:
    the mean of what both ends of loads are usually late by, against the median of all clocks. 0 with one clock."""
    ended = sorted(row.to_us for row in riggings if row.to_us is not None)
    let_go_us = ended[min(1, len(ended) - 1)] - LETTING_GO_US if ended and len(ended) == len(riggings) else None
    delays = [
        (clock_of.get(row.channel, ""), _delays(row, _span(row, recorded.get(row.channel), let_go_us)))
        for row in riggings
    ]
    usual = _usual(delays)
    late = {clock: sum(usual(clock)) / 2.0 for clock, _ in delays}
    common = median(late.values()) if late else 0.0
    return lambda channel: round(late.get(clock_of.get(channel, ""), common) - common)


def _usual(delays: Sequence[tuple[str, Delays]]) -> Callable[[str], tuple[float, float]]:
    """What loads are usually late by after `from` and `to` [us], on each clock.

    A clock that is wrong shifts both ends alike, so that their difference is what all lines of a call have in common,
    but for those exchanged or misread. Of a clock's lines whose difference is near the call's median the median counts
    where there are three, or two that agree; else that of all such lines of the call, shifted by as much as the
    beginnings of the clock's loads are in the mean, where there are three of them.
    """
    whole = [(clock, begun, ended) for clock, (begun, ended) in delays if begun is not None and ended is not None]
    if not whole:
        begun = [d[0] for _, d in delays if d[0] is not None]
        return lambda clock: (median(begun) if begun else 0.0, 0.0)
    between = median(begun - ended for _, begun, ended in whole)
    sound = [(clock, begun, ended) for clock, begun, ended in whole if abs(begun - ended - between) <= ALIKE_US]

    def of(clock: str) -> tuple[float, float]:
        own = sorted((begun + ended, begun, ended) for name, begun, ended in sound if name == clock)
        middle = own[(len(own) - 1) // 2][0] if own else 0.0
        near = [one for one in own if abs(one[0] - middle) <= 2 * AGREE_US]
        if len(own) > 2 or len(near) > 1:
            return median(one[1] for one in near), median(one[2] for one in near)
        begun, ended = median(one[1] for one in sound or whole), median(one[2] for one in sound or whole)
        begins = [one[0] for name, one in delays if name == clock and one[0] is not None]
        # The mean, for an exchange within a clock leaves it as it is; times that are wildly off count nowhere.
        begins = [one for one in begins if abs(one - begun) <= WILD_US]
        shift = sum(begins) / len(begins) - begun if len(begins) > 2 else 0.0
        shift = shift if abs(shift) > AGREE_US else 0.0
        return begun + shift, ended + shift

    return of


def _best(found: Sequence[Swap]) -> list[Swap]:
    """Of pairs that share a channel the one that gains most."""
    taken: set[str] = set()
    kept = []
    for swap in sorted(found, key=lambda swap: -swap.gain):
        channels = {swap.first.channel, swap.second.channel}
        if not channels & taken:
            kept.append(swap)
            taken |= channels
    return kept


def _span(row: Rigged, recorded: Recorded | None, let_go_us: int | None) -> tuple[int, int | None] | None:
    """When the channel's load of about this call begins, and when it ends, if while the call's lines are let go.

    None where it bore none. let_go_us: from when they are; None while the ship lies fast.
    """
    if recorded is None:
        return None
    to_us = row.to_us if row.to_us is not None else max((load.to_us for load in recorded.loads), default=row.from_us)
    near = [load for load in recorded.loads if load.to_us > row.from_us - NEAR_US and load.from_us < to_us + NEAR_US]
    if not near:
        return None
    ended_us = near[-1].to_us
    return near[0].from_us, ended_us if let_go_us is not None and ended_us >= let_go_us else None


def _delays(row: Rigged, span: tuple[int, int | None] | None) -> Delays:
    """How long after the registered `from` and `to` the load came and went [us]."""
    if span is None:
        return None, None
    begun_us, ended_us = span
    return float(begun_us - row.from_us), None if ended_us is None or row.to_us is None else float(ended_us - row.to_us)
