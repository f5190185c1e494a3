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
NEAR_SCALES: Final = 2.0
BETWEEN_GAIN: Final = 1.8
ALIKE_US: Final = 2 * MINUTE_US
AGREE_US: Final = MINUTE_US
MANY: Final = 4
FEW: Final = 3
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
    its line is let go, as long as something hangs there, and one that begins long after, where something hung there
    before; but none lies fast when all others are gone (`all_let_go_us`, None while any is fast). open_end: the line is
    still rigged, its `to` says nothing. ahead_us: by how much the channel's clock is ahead of what the call's clocks
    have in common (`clocks_ahead`).
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
    hangs = first.before_kn is not None and first.before_kn > HANGS_KN
    if (
        not hangs
        and tolerance_us < late_us < to_us - from_us
        and recorded.observed(first.from_us - tolerance_us, first.from_us)
    ):
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
    by channel): what is off is reckoned from what is usual in the call, by clock. Each end costs log(1 + (off/40 s)^2),
    with more than 40 s for ends of loads where lines go slack at odd times before they are let go, so that one that is
    wildly off, and so says nothing, does not outweigh the others; one that is early for a `to` costs less. A pair is
    told where exchanging it takes at least 2 off the cost, half of one without the end that gains most, and some off
    the mean cost of each line and channel; or 1.8 off the cost of their differences from each other, if exchanged both
    begin within 80 s of what is usual. A load that ends while the others stay fast says nothing of a `to`.
    """
    if len(riggings) < 2:
        return []
    ended = sorted(row.to_us for row in riggings if row.to_us is not None)
    let_go_us = ended[min(1, len(ended) - 1)] - LETTING_GO_US if len(ended) == len(riggings) else None
    spans = {row.channel: _span(row, recorded.get(row.channel), let_go_us) for row in riggings}
    usual = _usual([(clock_of.get(row.channel, ""), _delays(row, spans[row.channel])) for row in riggings])

    delays = [(usual(clock_of.get(row.channel, "")), _delays(row, spans[row.channel])) for row in riggings]
    scales_us = _scales_us(delays)

    def off(row: Rigged, channel: str) -> Ends:
        both = zip(_delays(row, spans[channel]), usual(clock_of.get(channel, "")), scales_us, strict=True)
        begun, ended = (None if d is None else (d - u) / scale for d, u, scale in both)
        return Ends(begun, ended, scales_us)

    found = []
    for one, other in combinations(riggings, 2):
        own = (off(one, one.channel), off(other, other.channel))
        crossed = (off(one, other.channel), off(other, one.channel))
        if all(ends.known for ends in (*own, *crossed)) and _is_exchanged(own, crossed):
            gain = sum(_gains(own, (crossed[1], crossed[0])))
            found.append(Swap(one, other, _mean_s(own), _mean_s(crossed), gain))
    return _best(found)


def _scales_us(delays: Sequence[tuple[Usual, Delays]]) -> tuple[float, float]:
    """By how much the begins of loads are usually off, and their ends [us], as a standard deviation (of a normal
    distribution 1.4826 times the median deviation): in some calls lines go slack long before they are let go."""
    ends = [abs(ended - usual) for (_, usual), (_, ended) in delays if ended is not None]
    return float(SWAP_SCALE_US), max(float(SWAP_SCALE_US), 1.4826 * median(ends) if ends else 0.0)


Delays = tuple[float | None, float | None]
Usual = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Ends:
    """By how much a load's two ends are off from what is usual, in scales [us]; None where that is not known."""

    begun: float | None
    ended: float | None
    scales_us: tuple[float, float]

    @property
    def known(self) -> list[tuple[float, float, float]]:
        """Each end that is known: by how much it is off, what that weighs, its scale [us]."""
        found = [] if self.begun is None else [(self.begun, 1.0, self.scales_us[0])]
        early = self.ended is not None and self.ended < 0
        return (
            found if self.ended is None else [*found, (self.ended, EARLY_WEIGHT if early else 1.0, self.scales_us[1])]
        )


Both = tuple[Ends, Ends]
"""Of each of two lines, or channels."""


def _is_exchanged(own: Both, crossed: Both) -> bool:
    """Whether two riggings fit each other's channel: by what is usual in the call, or held against each other alone,
    which knows no usual delay: it is not known well where few lines are on a clock, or gauges count from later on."""
    by_channel, by_line = _gains(own, (crossed[1], crossed[0])), _gains(own, crossed)
    if _costs_less(own, crossed) and (_is_gain(by_channel) or _is_gain(by_line)):
        return True
    near = all(ends.begun is not None and abs(ends.begun) <= NEAR_SCALES for ends in crossed)
    return near and _gain_between(own, crossed) >= BETWEEN_GAIN


def _gain_between(own: Both, crossed: Both) -> float:
    """What it takes off the cost of how much two lines' ends differ from each other (their difference by the root of
    two has the scale of one)."""
    begins = [(a.begun, b.begun) for a, b in (own, crossed)]
    ends = [(a.ended, b.ended) for a, b in (own, crossed)]
    total = 0.0
    for weight, (mine, its) in ((1.0, begins), (EARLY_WEIGHT, ends)):
        if mine[0] is not None and mine[1] is not None and its[0] is not None and its[1] is not None:
            total += weight * (math.log1p((mine[0] - mine[1]) ** 2 / 2) - math.log1p((its[0] - its[1]) ** 2 / 2))
    return total


def _gains(own: Both, crossed: Both) -> list[float]:
    """What each end that both have costs less."""
    pairs = (pair for mine, its in zip(own, crossed, strict=True) for pair in zip(mine.known, its.known, strict=False))
    return [_cost([a]) - _cost([b]) for a, b in pairs]


def _is_gain(gains: Sequence[float]) -> bool:
    """Whether ends gain enough together, and not one alone, which a time misread would do."""
    return sum(gains) >= SWAP_GAIN and sum(gains) - max(gains) >= SWAP_GAIN_OF_OTHERS


def _cost(known: Sequence[tuple[float, float, float]]) -> float:
    return sum(weight * math.log1p(off**2) for off, weight, _ in known)


def _costs_less(own: Both, crossed: Both) -> bool:
    """Whether each line is better off, and each channel too, in the mean of the ends that are known."""

    def less(a: Ends, b: Ends) -> bool:
        return _cost(b.known) / len(b.known) < _cost(a.known) / len(a.known)

    lines = all(less(a, b) for a, b in zip(own, crossed, strict=True))
    return lines and all(less(a, b) for a, b in zip(own, reversed(crossed), strict=True))


def _mean_s(both: Both) -> float:
    """Median distance of all ends from what is usual [s]."""
    return median(abs(off) * scale_us for ends in both for off, _, scale_us in ends.known) / 1e6


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


def _usual(delays: Sequence[tuple[str, Delays]]) -> Callable[[str], Usual]:
    """What loads are usually late by after `from` and `to` [us], on each clock.

    A clock that is wrong shifts both ends alike, so that their difference is what all lines of a call have in common,
    but for those exchanged or misread. Of a clock's lines whose difference is near the call's median the median counts
    where there are three, or two that agree (of four begins and three ends each by itself); else that of all such lines
    of the call, shifted by as much as the beginnings of the clock's loads are in the mean, where there are three.
    """
    whole = [(clock, begun, ended) for clock, (begun, ended) in delays if begun is not None and ended is not None]
    if not whole:
        begun = [d[0] for _, d in delays if d[0] is not None]
        return lambda clock: (median(begun) if begun else 0.0, 0.0)
    between = median(begun - ended for _, begun, ended in whole)
    sound = [(clock, begun, ended) for clock, begun, ended in whole if abs(begun - ended - between) <= ALIKE_US]

    def of(clock: str) -> Usual:
        begins, ends = _known(delays, 0, clock), _known(delays, 1, clock)
        if len(begins) >= MANY and len(ends) >= FEW:
            return median(begins), median(ends)
        own = sorted((begun + ended, begun, ended) for name, begun, ended in sound if name == clock)
        middle = own[(len(own) - 1) // 2][0] if own else 0.0
        near = [one for one in own if abs(one[0] - middle) <= 2 * AGREE_US]
        if len(own) > 2 or len(near) > 1:
            return median(one[1] for one in near), median(one[2] for one in near)
        begun, ended = median(one[1] for one in sound or whole), median(one[2] for one in sound or whole)
        # The mean, for an exchange within a clock leaves it as it is.
        shift = sum(begins) / len(begins) - begun if len(begins) > 2 else 0.0
        shift = shift if abs(shift) > AGREE_US else 0.0
        return begun + shift, ended + shift

    return of


def _known(delays: Sequence[tuple[str, Delays]], end: int, clock: str) -> list[float]:
    """How late loads begin (`end` 0), or end (1), on a clock; times that are wildly off count nowhere."""
    known = [(name, us) for name, one in delays if (us := one[end]) is not None]
    usual = median(us for _, us in known) if known else 0.0
    return [us for name, us in known if name == clock and abs(us - usual) <= WILD_US]


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
