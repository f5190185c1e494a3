"""What loads say of the rigging register: times that they contradict, and two channels that are exchanged. Pure.

A line made fast bears load soon, and one let go none. A register whose times are long before or after that is told,
with both instants; nothing is corrected. Where each of two channels bears load when the other's line is rigged, the two
are likely exchanged.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
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
ALIKE_US: Final = 2 * MINUTE_US
AGREE_US: Final = MINUTE_US
COVERED_SHARE: Final = 0.5

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
) -> list[Contradiction]:
    """What a channel's loads say of one rigged time [from, to), by `from` and by `to`.

    free: from when the rigging before it ended to when the next begins, on the same channel; others: the rigged times
    of the call's other lines, which say when loads may belong to it, and when its lines are let go. A load that ends
    while the others stay fast is a line slack or lost, an event and not a time misread. open_end: the line is still
    rigged, its `to` says nothing.
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
    found = _of_from(rigged, near[0], recorded, tolerance_us)
    if open_end or near[-1].to_us > free[1]:
        return found
    ends = sorted(other[1] for other in others)
    let_go_us = ends[min(1, len(ends) - 1)] if ends else None
    return found + _of_to(to_us, near[-1], recorded, let_go_us, tolerance_us)


def _of_from(rigged: Interval, first: Load, recorded: Recorded, tolerance_us: int) -> list[Contradiction]:
    from_us, to_us = rigged
    late_us = first.from_us - from_us
    if late_us < -tolerance_us:
        return [Contradiction("load-before-from", from_us, first.from_us)]
    if tolerance_us < late_us < to_us - from_us and recorded.observed(first.from_us - tolerance_us, first.from_us):
        return [Contradiction("no-load-after-from", from_us, first.from_us)]
    return []


def _of_to(to_us: int, last: Load, recorded: Recorded, let_go_us: int | None, tolerance_us: int) -> list[Contradiction]:
    if last.to_us > to_us + tolerance_us:
        return [Contradiction("load-after-to", to_us, last.to_us)]
    with_others = let_go_us is not None and last.to_us >= let_go_us - LETTING_GO_US
    if last.to_us < to_us - tolerance_us and with_others and recorded.observed(last.to_us, last.to_us + tolerance_us):
        return [Contradiction("no-load-before-to", to_us, last.to_us)]
    return []


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
    so that one that is wildly off, and so says nothing, does not outweigh the others. A pair is told where exchanging
    it takes at least 2 off the cost, and some off that of each line and channel. A load that ends while the others stay
    fast says nothing of a `to`.
    """
    if len(riggings) < 2:
        return []
    ended = sorted(row.to_us for row in riggings if row.to_us is not None)
    let_go_us = ended[min(1, len(ended) - 1)] - LETTING_GO_US if len(ended) == len(riggings) else None
    spans = {row.channel: _span(row, recorded.get(row.channel), let_go_us) for row in riggings}
    usual = _usual([(clock_of.get(row.channel, ""), _delays(row, spans[row.channel])) for row in riggings])

    def off(row: Rigged, channel: str) -> list[float]:
        of_clock = usual(clock_of.get(channel, ""))
        return [d - u for d, u in zip(_delays(row, spans[channel]), of_clock, strict=True) if d is not None]

    found = []
    for one, other in combinations(riggings, 2):
        own = (off(one, one.channel), off(other, other.channel))
        crossed = (off(one, other.channel), off(other, one.channel))
        gains = [_cost(a) - _cost(b) for a, b in zip(own, (crossed[0], crossed[1]), strict=True)]
        if all((*own, *crossed)) and sum(gains) >= SWAP_GAIN and _costs_less(own, crossed):
            found.append(Swap(one, other, _mean_s(own), _mean_s(crossed), sum(gains)))
    return _best(found)


def _cost(off: Sequence[float]) -> float:
    return sum(math.log1p((us / SWAP_SCALE_US) ** 2) for us in off)


def _costs_less(own: tuple[list[float], list[float]], crossed: tuple[list[float], list[float]]) -> bool:
    """Whether each line is better off, and each channel too."""
    lines = all(_cost(b) < _cost(a) for a, b in zip(own, crossed, strict=True))
    return lines and all(_cost(b) < _cost(a) for a, b in zip(own, reversed(crossed), strict=True))


def _mean_s(off: tuple[list[float], list[float]]) -> float:
    """Median distance of all ends from what is usual [s]."""
    return median(abs(us) for some in off for us in some) / 1e6


Delays = tuple[float | None, float | None]


def _usual(delays: Sequence[tuple[str, Delays]]) -> Callable[[str], tuple[float, float]]:
    """What loads are usually late by after `from` and `to` [us], on each clock.

    A clock that is wrong shifts both ends alike, so that their difference is what all lines of a call have in common,
    but for those exchanged or misread. Of a clock's lines whose difference is near the call's median the median counts
    where there are three, or two that agree; else that of all such lines of the call.
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
        some = near if len(own) > 2 or len(near) > 1 else [(0.0, *one[1:]) for one in sound or whole]
        return median(one[1] for one in some), median(one[2] for one in some)

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
