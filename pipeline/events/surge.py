"""Surge: the slow pulse of a passing ship, seen in several lines at once with the signs it must have.

A ship that passes draws the moored one along the quay, and lets her come back: head and stern lines, which hold her
against opposite moves, tighten in turn, and so do springs that lead fore and aft. Each line's trace (means over 10 s),
less its running median over 20 minutes, shows one or two lobes of 20 to 300 s, at half their height.
They are looked for in means over 90 s, in which a lobe of under a minute shows as less than it is. What is no surge: a
squall and a tug's push, which load or relieve head and stern lines together, and breasts more than others; tide and
tending, which do not come back within minutes (a median follows a step); a slow drift of the moored ship herself,
which is the background that a pulse must stand out from. Signs, lengths and factors are house rules; that the pulse is
slow and moves a ship along the quay is common practice, no source.

The law: wherever a record is cut, the partial surges of its parts, joined, are those of the whole. What is said of a
bin depends on the bins within `EDGE_BINS` of it alone, and joining is by largest, smallest and earliest.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.events.surge_kernel import lobe_reach, moving_mean, running_median, turning
from pipeline.events.surge_marks import Share as Share
from pipeline.events.surge_marks import Surge as Surge
from pipeline.events.surge_marks import both
from pipeline.events.surge_marks import join as join
from pipeline.events.surge_pulse import SHAPES, pulses
from schemas.registers import Policy

KIND: Final = "surge"
Values = NDArray[np.float64]

BIN_US: Final = 10_000_000
"""Length of a trace's bin."""
TREND_BINS: Final = 60
"""The running median's reach to either side: 10 minutes, so that a pulse of 300 s is no quarter of its window."""
SMOOTH_BINS: Final = 4
"""The reach of the mean taken of that: 90 s in all, so that the ship's own slow motions, of a minute or two, go out."""
PULSE_BINS: Final = 2
"""The reach of the mean in which the whole ship's double pulse is looked for (`surge_pulse`): 50 s in all."""
TURN_BINS: Final = 10
"""A line that hangs slack cannot fall: of such a berth some lines pulse first and the others next. So the mean of 100 s
less that of the 100 s after it is looked at in the same way: of lines that oppose each other it has opposite signs."""
TURN_TIMES: Final = 1.5
"""How many times as large that must be: it is the difference of two means, and gusts of a squall make some."""
TURN_BREASTS: Final = 0.5
"""Where a breast line stood over this many times as far from its trend meanwhile as any other, that was a squall."""
ALONG_BINS: Final = 30
ALONG_TIMES: Final = 1.5
AGAINST: Final = -0.6
"""How far about a lobe is looked at, and what is asked there: of head less stern lines against both together, or else
of the correlation of two springs."""
BLOCK_BINS: Final = 60
SPREAD_BINS: Final = 180
"""The background's spread is one figure for each ten minutes, of those and half an hour to either side."""
BACKGROUND: Final = 0.33
BLOCKS_BESIDE: Final = 2
SHORTEST_BINS: Final = 2
LONGEST_BINS: Final = 30
"""Of a lobe at half its height: 20 to 300 s."""
REACH_BINS: Final = 60
"""A run that goes on for longer is no lobe."""
EDGE_BINS: Final = 480
"""How far from a bin others decide what is said of it: two reaches, then a block, its spread and its trend."""
BACK_SHARE: Final = 0.25
"""A lobe reaches as far as its line keeps above this share of the least pulse, with the same sign ..."""
FOOT_SHARE: Final = 0.05
"""... and above this share of its own height."""
SIGN_SHARE: Final = 0.5
"""A line takes part whose change is at least this share of the least pulse."""
LINES: Final = 3
"""So many channels at least must take part: two lines on one hook are one witness."""
VOTE: Final = 3.0
BREASTS: Final = 1.5
"""Where a breast line moved over this many times as much as any of those along the quay, it is wind or a tug."""
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
class _Slow:
    """A series against its trend (n,) [kN], that as a mean over 90 s, and the least of it that is a pulse at each bin.

    NaN where unknown.
    """

    series: Series
    against_kn: Values
    change_kn: Values
    least_kn: Values


def surges(ship: str, series: Sequence[Series], rules: Rules, *, start_bin: int, first: int, last: int) -> list[Surge]:
    """Partial surges of the lobes that are highest in bins [first, last), in time order; `join` makes surges of them.

    All series are of time in which all lines were fast, and have the same bins: index 0 is the bin `start_bin` since
    1970. They reach `EDGE_BINS` beyond first and last, or to where nothing was recorded.
    """
    against = [_against_kn(one) for one in series]
    means = [moving_mean(kn, SMOOTH_BINS) for kn in against]
    turns = [turning(kn, TURN_BINS) for kn in against]
    blocks = _blocks(series, (means, turns), rules, start_bin)
    if not blocks:
        return []
    lobes = [_slow(*one, rules, blocks) for one in zip(series, against, means, strict=True)]
    strict = replace(rules, min_pct=TURN_TIMES * rules.min_pct, times=TURN_TIMES * rules.times)
    swings = [_slow(*one, strict, blocks) for one in zip(series, against, turns, strict=True)]
    found: list[Surge] = []
    changes = [moving_mean(100.0 / one.base_kn * kn, PULSE_BINS) for one, kn in zip(series, against, strict=True)]
    twice = pulses([one.role for one in series], changes)
    for at, half in twice.alone(first, last):
        core = np.arange(max(at - half, 0), min(at + half + 1, changes[0].size))
        signs = _answers(series, changes, at, half, rules)
        channels = {series[index].channel for index in signs if series[index].role in SURGING}
        if len(channels) >= LINES and _spring_answers(series, changes, signs, at):
            surge = _surge(ship, lobes, signs, core, 0, start_bin)
            found += [] if surge is None else [surge]
    for seen, reach in ((lobes, 0), (swings, TURN_BINS)):
        for one in seen:
            if one.series.role in SURGING:
                for core in _cores(one, first, last):
                    signs = _signs(seen, core)
                    leads = bool(reach) and _breasts_lead(lobes, signs, core)
                    if (
                        _looks_like_surge(seen, signs, core)
                        and not leads
                        and twice.beside(core)
                        and _goes_along(seen, core, 1.0 if reach else ALONG_TIMES)
                    ):
                        surge = _surge(ship, lobes, signs, core, reach, start_bin)
                        found += [] if surge is None else [surge]
    return join(found, join_s=rules.join_s)


def _answers(series: Sequence[Series], changes: Sequence[Values], at: int, half: int, rules: Rules) -> dict[int, int]:
    """How each line answers a double pulse about a bin: 1 as it, -1 against it; those that answer by too little, or are
    not known throughout, are left out."""
    shape = SHAPES[half]
    begin = at - shape.size // 2
    signs: dict[int, int] = {}
    for index, change in enumerate(changes):
        fit = float((change[begin : begin + shape.size] * shape).sum())
        if abs(fit) * float(shape.max()) >= SIGN_SHARE * rules.min_pct:  # never where it is NaN
            signs[index] = 1 if fit > 0.0 else -1
    return signs


def _spring_answers(series: Sequence[Series], changes: Sequence[Values], signs: Mapping[int, int], at: int) -> bool:
    """Whether a spring moved, where one is known: springs tell a ship that goes along the quay from one that turns."""
    springs = [index for index, one in enumerate(series) if one.role == "spring" and not np.isnan(changes[index][at])]
    return not springs or any(index in signs for index in springs)


def _against_kn(series: Series) -> Values:
    return series.mean_kn - running_median(series.mean_kn, TREND_BINS, TREND_BINS // 2)


def _slow(series: Series, against_kn: Values, change_kn: Values, rules: Rules, blocks: Sequence[slice]) -> _Slow:
    return _Slow(series, against_kn, change_kn, _least_kn(series, change_kn, rules, blocks))


def _blocks(series: Sequence[Series], views: Sequence[Sequence[Values]], rules: Rules, start_bin: int) -> list[slice]:
    """The ten minutes of UTC in which a pulse may be, and those beside that a lobe may reach into, ascending.

    Elsewhere no line that holds the ship along the quay changed by as much as a pulse must at least.
    """
    shift = start_bin % BLOCK_BINS
    touched: set[int] = set()
    for one, *changes in zip(series, *views, strict=True):
        if one.role in SURGING:
            size = np.fmax.reduce([np.abs(change_kn) for change_kn in changes])
            over = np.flatnonzero(size >= _floor_kn(one, rules))
            touched |= set(((over + shift) // BLOCK_BINS).tolist())
    reach = range(-BLOCKS_BESIDE, BLOCKS_BESIDE + 1)
    wanted = sorted({number + beside for number in touched for beside in reach})
    begins = [number * BLOCK_BINS - shift for number in wanted]
    return [slice(begin, begin + BLOCK_BINS) for begin in begins]


def _floor_kn(series: Series, rules: Rules) -> float:
    return rules.min_pct / 100.0 * series.base_kn


def _least_kn(series: Series, change_kn: Values, rules: Rules, blocks: Sequence[slice]) -> Values:
    """The least change that is a pulse (n,) [kN], in the blocks wanted; NaN elsewhere.

    The floor, or so many times the background's robust standard deviation: 1.4826 times the median of the absolute
    values, which is the standard deviation of a normal distribution. It is taken of each ten minutes by itself, of
    those here and of half an hour to either side, and the lower third of them counts: a squall or another surge beside
    is no background. NaN where under ten minutes of that are known.
    """
    least = np.full(change_kn.size, np.nan)
    size = np.abs(change_kn)
    for block in blocks:
        begins = range(block.start - SPREAD_BINS, block.stop + SPREAD_BINS, BLOCK_BINS)
        pieces = [size[max(begin, 0) : max(begin + BLOCK_BINS, 0)] for begin in begins]
        known = [piece[~np.isnan(piece)] for piece in pieces]
        if sum(piece.size for piece in known) >= BLOCK_BINS:
            usual = [float(np.median(piece)) for piece in known if 2 * piece.size >= BLOCK_BINS]
            usual = usual if usual else [float(np.median(np.concatenate(known)))]
            spread = 1.4826 * float(np.quantile(usual, BACKGROUND))
            least[max(block.start, 0) : max(block.stop, 0)] = max(rules.times * spread, _floor_kn(series, rules))
    return least


def _cores(slow: _Slow, first: int, last: int) -> list[NDArray[np.int64]]:
    """The bins at half height and more of each lobe of one line that is a pulse, and is highest in [first, last)."""
    change_kn, back_kn = slow.change_kn, BACK_SHARE * slow.least_kn
    found: list[NDArray[np.int64]] = []
    begin, end = 0, -1
    for at in np.flatnonzero(np.abs(change_kn) >= slow.least_kn).tolist():  # never where either is NaN
        if at <= end:
            continue
        begin, end = lobe_reach(change_kn, back_kn, at, REACH_BINS)
        size = np.abs(change_kn[begin : end + 1])
        top = begin + int(np.argmax(size))
        core = begin + np.flatnonzero(size >= 0.5 * size.max())
        if end - begin < REACH_BINS and first <= top < last and SHORTEST_BINS <= core.size <= LONGEST_BINS:
            found.append(core)
    return found


def _signs(slow: Sequence[_Slow], core: NDArray[np.int64]) -> dict[int, int]:
    """How each line that can tell moved in the core of one line's lobe: 1, -1, or 0 where by too little."""
    signs: dict[int, int] = {}
    for index, one in enumerate(slow):
        known = ~np.isnan(one.least_kn[core]) & ~np.isnan(one.change_kn[core])
        if 2 * int(known.sum()) >= core.size:
            change, least = float(one.change_kn[core[known]].mean()), float(one.least_kn[core[known]].mean())
            signs[index] = 0 if abs(change) < SIGN_SHARE * least else 1 if change > 0.0 else -1
    return signs


def _surge(
    ship: str,
    lobes: Sequence[_Slow],
    signs: Mapping[int, int],
    core: NDArray[np.int64],
    reach: int,
    start_bin: int,
) -> Surge | None:
    """The lines that took part, each with its largest lobe in the core, or within `reach` bins of it.

    None where none of them has a lobe that is known.
    """
    lines: dict[str, Share] = {}
    ends = []
    for index, sign in signs.items():
        if sign != 0 and lobes[index].series.role in SURGING:
            window = np.arange(
                max(int(core[0]) - reach, 0), min(int(core[-1]) + reach + 1, lobes[index].change_kn.size)
            )
            if np.isnan(lobes[index].change_kn[window]).all():
                continue
            share, last = _share(lobes[index], window, start_bin)
            name = lobes[index].series.line
            lines[name] = both(lines[name], share) if name in lines else share
            ends.append(last)
    if not lines:
        return None
    from_us = min(share.from_us for share in lines.values())
    return Surge(ship, from_us, (start_bin + max(ends) + 1) * BIN_US, dict(sorted(lines.items())))


def _looks_like_surge(slow: Sequence[_Slow], signs: Mapping[int, int], core: NDArray[np.int64]) -> bool:
    """Whether lines that hold a ship along the quay moved as when she surges, and her breasts not much more.

    Lines vote with how far they moved, in least pulses, at most `VOTE`; so that one faulty gauge decides nothing.
    """
    votes: dict[tuple[str, int], float] = {}
    moved: dict[str, float] = {}
    channels: set[str] = set()
    for index, sign in signs.items():
        series = slow[index].series
        change_kn = abs(float(np.nanmean(slow[index].change_kn[core])))
        moved[series.role] = max(moved.get(series.role, 0.0), change_kn)
        if sign != 0:
            vote = min(change_kn / float(np.nanmean(slow[index].least_kn[core])), VOTE)
            votes[series.role, sign] = votes.get((series.role, sign), 0.0) + vote
            channels |= {series.channel} if series.role in SURGING else set()
    if len(channels) < LINES or moved.get("breast", 0.0) > BREASTS * max(moved.get(role, 0.0) for role in SURGING):
        return False
    head, stern = (votes.get((role, 1), 0.0) - votes.get((role, -1), 0.0) for role in ("head", "stern"))
    opposed, alike = abs(head - stern), abs(head + stern)
    springs = {sign for role, sign in votes if role == "spring"}
    if len(springs) == 2:
        # Springs that are tended one after another oppose each other too; then the ends of the ship lie still.
        return opposed >= alike and (opposed > 0.0 or not {"head", "stern"} & moved.keys())
    # Springs tell a ship that goes along the quay from one that turns; where there is one, one must have moved.
    return head * stern < 0.0 and ("spring" not in moved or bool(springs))


def _goes_along(lobes: Sequence[_Slow], core: NDArray[np.int64], times: float) -> bool:
    """Whether, about a lobe, the ship goes along the quay more than off it: head lines less stern lines move so many
    `times` as much as both together, or two springs move against each other all the while. Gusts of a squall do neither
    for long. True where lines enough to tell are not known."""
    begin, end = max(int(core[0]) - ALONG_BINS, 0), int(core[-1]) + ALONG_BINS + 1
    moved: dict[str, list[Values]] = {"head": [], "stern": [], "spring": []}
    for one in lobes:
        change = one.change_kn[begin:end] / one.series.base_kn
        if one.series.role in moved and not np.isnan(change).any():
            moved[one.series.role].append(change)
    springs = moved["spring"]
    against = [
        float((a * b).sum() / np.sqrt((a * a).sum() * (b * b).sum()))
        for n, a in enumerate(springs)
        for b in springs[n + 1 :]
        if a.any() and b.any()
    ]
    if any(one <= AGAINST for one in against):
        return True
    if not moved["head"] or not moved["stern"]:
        return not against
    head, stern = (np.mean(moved[role], axis=0) for role in ("head", "stern"))
    return bool(np.std(head - stern) >= times * np.std(head + stern))


def _breasts_lead(lobes: Sequence[_Slow], signs: Mapping[int, int], core: NDArray[np.int64]) -> bool:
    """Whether, about a swing from one lobe to the next, a breast line stood too far from its trend for a surge."""
    about = np.arange(max(int(core[0]) - TURN_BINS, 0), min(int(core[-1]) + TURN_BINS + 1, lobes[0].change_kn.size))
    stood = {"breast": 0.0, "along": 0.0}
    for index in signs:
        size = np.abs(lobes[index].change_kn[about])
        known = size[~np.isnan(size)]
        role = "along" if lobes[index].series.role in SURGING else "breast"
        stood[role] = max(stood[role], float(known.max()) if known.size else 0.0)
    return stood["breast"] > TURN_BREASTS * stood["along"]


def _share(slow: _Slow, window: NDArray[np.int64], start_bin: int) -> tuple[Share, int]:
    """One line's share of a lobe, and the last bin of its own."""
    changes = slow.change_kn
    most = int(window[int(np.nanargmax(np.abs(changes[window])))])
    foot_kn = np.maximum(BACK_SHARE * slow.least_kn, FOOT_SHARE * abs(changes[most]))
    first, last = lobe_reach(changes, foot_kn, most, REACH_BINS)
    lobe = slow.against_kn[first : last + 1]
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
