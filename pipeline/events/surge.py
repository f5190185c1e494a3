"""Surge: the slow pulse of a passing ship, seen in several lines at once with the signs it must have.

A ship that passes draws the moored one along the quay, and lets her come back: head and stern lines, which hold her
against opposite moves, tighten in turn, and so do springs that lead fore and aft. In each line's trace (means over 10
s) `pipeline.events.surge_pulse` looks for that double pulse, and asks whether lines of both ways tell it better than
steps of lines lost, tended or let slip would. At least one of them must change, against its running median over 20
minutes, by the least pulse in means over 90 s, in which a lobe of under a minute shows as less than it is. What is no
surge: a squall and a tug's push, which load or relieve head and stern lines together; tide and tending, which do not
come back within minutes; a slow drift of the moored ship herself, which is the background that a pulse must stand out
from. Not told, too: a surge to which fewer than two channels answer, or for which fewer than three move, as where most
lines along the quay hang slack, are tended or render. Signs, lengths and factors are house rules; that the pulse is
slow and moves a ship along the quay is common practice, no source.

The law: wherever a record is cut, the partial surges of its parts, joined, are those of the whole. What is said of a
bin depends on the bins within `EDGE_BINS` of it alone, and joining is by largest, smallest and earliest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.events.surge_kernel import lobe_reach, moving_mean, running_median
from pipeline.events.surge_marks import Share as Share
from pipeline.events.surge_marks import Surge as Surge
from pipeline.events.surge_marks import both
from pipeline.events.surge_marks import join as join
from pipeline.events.surge_pulse import Pulse, pulses
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
"""The reach of the mean in which the double pulse is looked for (`surge_pulse`): 50 s in all."""
BLOCK_BINS: Final = 60
SPREAD_BINS: Final = 180
"""The background's spread is one figure for each ten minutes, of those and half an hour to either side."""
BLOCKS_BESIDE: Final = 2
REACH_BINS: Final = 60
"""A lobe is followed no further, ..."""
SKIRT: Final = 2.5
"""... nor beyond so many half-lengths from the pulse's middle."""
EDGE_BINS: Final = 480
"""How far from a bin others decide what is said of it: two reaches, then a block, its spread and its trend."""
BACK_SHARE: Final = 0.25
"""A lobe reaches as far as its line keeps above this share of the least pulse, with the same sign ..."""
FOOT_SHARE: Final = 0.05
"""... and above this share of its own height."""
SIGN_SHARE: Final = 0.5
"""A line takes part, and answers a double pulse, whose change is at least this share of the least pulse."""
WITNESSES: Final = 2
"""So many channels at least must answer, one of either way: two lines on one hook are one witness."""
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
    blocks = _blocks(series, means, rules, start_bin)
    if not blocks:
        return []
    lobes = [_slow(*one, rules, blocks) for one in zip(series, against, means, strict=True)]
    changes = [moving_mean(100.0 / one.base_kn * kn, PULSE_BINS) for one, kn in zip(series, against, strict=True)]
    traces = [moving_mean(100.0 / one.base_kn * one.mean_kn, PULSE_BINS) for one in series]
    seen = pulses(
        [one.role for one in series],
        [one.channel for one in series],
        traces,
        changes,
        least_pct=rules.min_pct,
        witnesses=WITNESSES,
    )
    found: list[Surge] = []
    for pulse in seen:
        if first <= pulse.at < last and _stands_out(lobes, pulse):
            surge = _surge(ship, lobes, pulse, start_bin)
            found += [] if surge is None else [surge]
    return join(found, join_s=rules.join_s)


def _stands_out(lobes: Sequence[_Slow], pulse: Pulse) -> bool:
    """Whether a witness of a double pulse changes by what a pulse must be at least, within two half-lengths of it."""
    near = slice(max(pulse.at - 2 * pulse.half, 0), pulse.at + 2 * pulse.half + 1)
    return any(bool((np.abs(lobes[k].change_kn[near]) >= lobes[k].least_kn[near]).any()) for k in pulse.signs)


def _against_kn(series: Series) -> Values:
    return series.mean_kn - running_median(series.mean_kn, TREND_BINS, TREND_BINS // 2)


def _slow(series: Series, against_kn: Values, change_kn: Values, rules: Rules, blocks: Sequence[slice]) -> _Slow:
    return _Slow(series, against_kn, change_kn, _least_kn(series, change_kn, rules, blocks))


def _blocks(series: Sequence[Series], changes_kn: Sequence[Values], rules: Rules, start_bin: int) -> list[slice]:
    """The ten minutes of UTC in which a pulse may be, and those beside that a lobe may reach into, ascending.

    Elsewhere no line that holds the ship along the quay changed by as much as a pulse must at least.
    """
    shift = start_bin % BLOCK_BINS
    touched: set[int] = set()
    for one, change_kn in zip(series, changes_kn, strict=True):
        if one.role in SURGING:
            over = np.flatnonzero(np.abs(change_kn) >= _floor_kn(one, rules))
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
    those here and of half an hour to either side, and the calmest of them counts: a squall or another surge beside is
    no background. NaN where under ten minutes of that are known.
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
            spread = 1.4826 * min(usual)
            least[max(block.start, 0) : max(block.stop, 0)] = max(rules.times * spread, _floor_kn(series, rules))
    return least


def _surge(ship: str, lobes: Sequence[_Slow], pulse: Pulse, start_bin: int) -> Surge | None:
    """The lines that took part, each with its largest lobe of either half of the pulse that is a share of the least
    pulse. None where too few did."""
    reach = pulse.half + pulse.half // 2
    lines: dict[str, Share] = {}
    channels, ends = set(), []
    for index in pulse.signs:
        size = lobes[index].change_kn.size
        halves = (
            np.arange(max(pulse.at - reach, 0), pulse.at),
            np.arange(pulse.at, min(pulse.at + reach + 1, size)),
        )
        for window in halves:
            large = np.abs(lobes[index].change_kn[window]) >= SIGN_SHARE * lobes[index].least_kn[window]
            if not large.any():  # never where it is NaN
                continue
            share, last = _share(lobes[index], window[large], pulse, start_bin)
            name = lobes[index].series.line
            lines[name] = both(lines[name], share) if name in lines else share
            channels.add(lobes[index].series.channel)
            ends.append(last)
    if len(channels) < WITNESSES:
        return None
    from_us = min(share.from_us for share in lines.values())
    return Surge(ship, from_us, (start_bin + max(ends) + 1) * BIN_US, dict(sorted(lines.items())))


def _share(slow: _Slow, window: NDArray[np.int64], pulse: Pulse, start_bin: int) -> tuple[Share, int]:
    """One line's share of a lobe, and the last bin of its own."""
    changes = slow.change_kn
    most = int(window[int(np.nanargmax(np.abs(changes[window])))])
    foot_kn = np.maximum(BACK_SHARE * slow.least_kn, FOOT_SHARE * abs(changes[most]))
    first, last = lobe_reach(changes, foot_kn, most, REACH_BINS)
    # Beyond this the pull of this ship is next to nothing; a line that moves on there has another reason.
    first, last = max(first, pulse.at - round(SKIRT * pulse.half)), min(last, pulse.at + round(SKIRT * pulse.half))
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
