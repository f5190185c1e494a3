"""Kinds that are definitions, applied plainly to the noiseless record at 10 Hz. Own slow code, nothing of the program.

Every function takes one line's `Series` and gives `Found` rows; `sure` is false where the record is so near a threshold
(within `tol_kn`, what the sensor's noise and zero may do) that it may fairly be told either way.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sample_logs.scenarios.plan import S
from sample_logs.scenarios.policy import POLICY

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Runs = list[tuple[int, int]]

_TIMED_S = 0.1
"""A rise of some tenths of a second cannot be timed better than this, by readings of 10 Hz with noise."""


@dataclass(frozen=True)
class Series:
    """One line's share of its place's true load, by step. rigged: [first, last) by what the register ought to say;
    gone: the step from which the line is no more; phase: [first, last) in which all lines are fast, as its own logger's
    stamps have it; stamp_us: the stamp of each step by that clock; seen: what was not in a gap; slack_kn: below it the
    line is slack; zero_kn: by how much its zero is wrong at most; spikes_kn: readings that a fault of the gauge put
    there, by step."""

    kn: Floats
    mbl_kn: float
    tol_kn: float
    rigged: tuple[int, int]
    gone: int
    phase: tuple[int, int]
    stamp_us: NDArray[np.int64]
    seen: Bools
    planned_kn: float
    slack_kn: float
    zero_kn: float
    spikes_kn: Mapping[int, float] = field(default_factory=dict)

    def level(self, name: str) -> float:
        """A threshold of the table, in kN."""
        return POLICY[name] / 100.0 * self.mbl_kn


@dataclass(frozen=True)
class Found:
    """One event over the steps [first, last], both inside it; top is the step of its peak."""

    first: int
    last: int
    top: int
    sure: bool
    detail: dict[str, object] = field(default_factory=dict)


def runs(mask: Bools) -> Runs:
    """First and last index of every unbroken run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def joined(parts: Runs, under_s: float) -> Runs:
    """Runs whose separation (next first - last) is under this many seconds, as one."""
    whole: Runs = []
    for first, last in parts:
        if whole and first - whole[-1][1] < round(under_s * S):
            whole[-1] = (whole[-1][0], last)
        else:
            whole.append((first, last))
    return whole


class Cluster(NamedTuple):
    """Joined runs [first, last]. edges_sure: however noise falls it is told as one; earliest, latest: between which
    steps noise may have it begin; longest: steps of its longest run beyond the level by more than the tolerance."""

    first: int
    last: int
    sure: bool
    edges_sure: bool
    earliest: int
    latest: int
    longest: int

    def detail(self, series: Series) -> dict[str, object]:
        """What is told of its edges, and how long it lasted at a stretch: what is over sooner than a reading comes may
        fall between two of them."""
        stamps = series.stamp_us
        apart_us = max(stamps[self.first] - stamps[self.earliest], stamps[self.latest] - stamps[self.first])
        return {
            "edges_sure": self.edges_sure,
            "onset_tolerance_us": int(apart_us),
            "lasts_s": self.longest / S,
        }


def clustered(beyond: Floats, live: Bools, tol_kn: float, join_s: float, edge_s: float = 1.2) -> list[Cluster]:
    """Joined runs of `beyond` > 0, and what noise might make one, which is not sure.

    A run is sure if it passes the level by more than `tol_kn`. Its edges are if it is one run whether the level is
    taken that much higher or lower, and no separation is within `edge_s` of the one at which runs join; else what is
    one event here may fairly be told as two, or two as one.
    """
    out: list[Cluster] = []
    plain = joined(runs((beyond > 0) & live), join_s)
    loose = runs((beyond > -tol_kn) & live)
    tight = runs((beyond > tol_kn) & live)
    wide = joined(loose, join_s + edge_s)
    strict = joined(tight, max(join_s - edge_s, 0.0))
    for first, last in wide:
        inside = [run for run in plain if run[0] >= first and run[1] <= last]
        for a, b in inside:
            firm = [run for run in strict if run[0] >= a and run[1] <= b]
            longest = max((d - c + 1 for c, d in tight if c >= a and d <= b), default=0)
            latest = firm[0][0] if firm else b
            out.append(Cluster(a, b, len(firm) > 0, len(inside) == 1 and len(firm) == 1, first, latest, longest))
        # Near the level, and beside what passed it: noise may make events of their own of these.
        for a, b in loose:
            if first <= a and b <= last and not any(c <= b and a <= d for c, d in inside):
                out.append(Cluster(a, b, False, False, a, b, 0))
    return sorted(out)


def live_steps(series: Series) -> Bools:
    live = np.zeros(len(series.kn), dtype=np.bool_)
    live[series.rigged[0] : min(series.rigged[1], series.gone)] = True
    return live


def in_phase(series: Series, first: int, last: int) -> tuple[bool, bool]:
    """Whether an event touches the all-fast phase, and whether it does so by more than a second."""
    begin, end = series.phase
    return last >= begin and first < end, last >= begin + S and first < end - S


def peak_loads(series: Series) -> list[Found]:
    """Runs above peak-load's level, joined under 60 s, in every phase of a call, of all that was read.

    DESIGN takes no reading away here: a spike of the gauge above the level is one too, and told as such, also after the
    line was lost, for as long as the register has it rigged.
    """
    level_kn = series.level("peak_load_pct")
    read_kn = series.kn.copy()
    for step, kn in series.spikes_kn.items():
        read_kn[step] = kn
    found = []
    rigged = np.zeros(len(series.kn), dtype=np.bool_)
    rigged[series.rigged[0] : series.rigged[1]] = True
    for one in clustered(read_kn - level_kn, rigged, series.tol_kn, POLICY["cluster_gap_s"], 2.0):
        top = one.first + int(np.argmax(read_kn[one.first : one.last + 1]))
        over = np.flatnonzero(read_kn[one.first : one.last + 1] > level_kn) + one.first
        alone = bool(over.size) and all(int(step) in series.spikes_kn for step in over)
        detail = {
            "class": "spike" if alone else "load",
            "phase": _phase(series, one.first, one.last),
            "read_kn": float(read_kn[top]),
            **one.detail(series),
        }
        if alone:
            # It stands a whole second apart on a whole second, so that every rate has it.
            detail["lasts_s"] = 1.0
        found.append(Found(one.first, one.last, top, one.sure, detail))
    return found


def _phase(series: Series, first: int, last: int) -> str:
    if in_phase(series, first, last)[0]:
        return "all fast"
    return "making fast" if last < series.phase[0] else "letting go"


def slacks(series: Series) -> list[Found]:
    """Runs below the slack level, joined under 10 s, loaded before and after, touching the all-fast phase."""
    level_kn, live = series.slack_kn, live_steps(series)
    loaded = np.flatnonzero(live & (series.kn >= level_kn))
    found: list[Found] = []
    if len(loaded) == 0:
        return found
    for one in clustered(level_kn - series.kn, live, series.tol_kn, POLICY["slack_join_s"]):
        touches, well = in_phase(series, one.first, one.last)
        if touches and loaded[0] < one.first and one.last < loaded[-1]:
            top = one.first + int(np.argmin(series.kn[one.first : one.last + 1]))
            # A line that is lost while it goes slack and back is told about by its loss.
            sure = one.sure and well and one.last < series.gone - 60 * S
            found.append(Found(one.first, one.last, top, sure, one.detail(series)))
    return found


class _Rise(NamedTuple):
    """A rise from near-slack: its last near-slack step, the first past the level, and how long it took [s]."""

    slack: int
    past: int
    rise_s: float


def _rises(kn: Floats, live: Bools, near_kn: float, past_kn: float) -> list[_Rise]:
    """Rises from `near_kn` past `past_kn` in under three seconds, between the crossings of straight lines."""
    near = np.flatnonzero(live & (kn < near_kn))
    past = live & (kn > past_kn)
    after = np.append(near[1:], len(kn))
    out = []
    leaves = after > near + 1
    for s, until in zip(near[leaves].tolist(), after[leaves].tolist(), strict=True):
        ahead = np.flatnonzero(past[s + 1 : min(until, s + 1 + 30)])
        if len(ahead) == 0:
            continue
        p = int(s) + 1 + int(ahead[0])
        left = s + (near_kn - kn[s]) / (kn[s + 1] - kn[s])
        passed = p - 1 + (past_kn - kn[p - 1]) / (kn[p] - kn[p - 1])
        out.append(_Rise(int(s), p, float(passed - left) / S))
    return out


def _is_sharp(rise_s: float, way_kn: float, rate_kn_s: float, *, easier_s: float = 0.0) -> bool:
    """Whether a rise by so much in so long is a snap; `easier_s`: what is taken off its time."""
    took_s = max(rise_s - easier_s, 0.0)
    return took_s <= POLICY["snap_within_s"] and way_kn >= rate_kn_s * took_s


def snap_loads(series: Series) -> list[Found]:
    """Rises out of near-slack past the level, at most 2 s long and fast enough.

    Sure if it is one however the zero and noise lie, and by a tenth of a second either way.
    """
    near_kn, past_kn = POLICY["snap_near_slack"] * series.slack_kn, series.level("snap_rise_pct")
    rate_kn_s, live, kn = series.level("snap_rate_pct_per_s"), live_steps(series), series.kn
    way_kn = past_kn - near_kn
    moved = [_rises(kn + off_kn, live, near_kn, past_kn) for off_kn in (-series.tol_kn, series.tol_kn)]
    rises = _rises(kn, live, near_kn, past_kn)
    for rise in (*moved[0], *moved[1]):
        if not any(abs(rise.past - one.past) <= 2 * S for one in rises):
            rises.append(rise)
    found: list[Found] = []
    for rise in rises:
        same = [[one for one in side if abs(one.past - rise.past) <= 2 * S] for side in moved]
        times = [rise.rise_s, *(one.rise_s for side in same for one in side)]
        starts = [rise.slack, *(one.slack for side in same for one in side)]
        if not any(_is_sharp(took_s, way_kn, rate_kn_s, easier_s=_TIMED_S) for took_s in times):
            continue
        until = np.flatnonzero(live[rise.past :] & (kn[rise.past :] < near_kn))
        end = min(rise.past + round(POLICY["snap_peak_s"] * S) + 1, series.gone, series.rigged[1])
        end = min(end, rise.past + int(until[0])) if len(until) else end
        touches, well = in_phase(series, rise.slack, end - 1)
        if not touches:
            continue
        top = rise.past + int(np.argmax(kn[rise.past : end]))
        sure = well and all(len(side) > 0 for side in same)
        sure &= all(_is_sharp(took_s, way_kn, rate_kn_s, easier_s=-_TIMED_S) for took_s in times)
        stamps = series.stamp_us
        over = runs(kn[rise.past : end] > past_kn + series.tol_kn)
        detail: dict[str, object] = {
            "rise_s": rise.rise_s,
            "most_s": float(min(POLICY["snap_within_s"], way_kn / rate_kn_s)),
            "onset_tolerance_us": int(max(abs(stamps[one] - stamps[rise.slack]) for one in starts)),
            "lasts_s": max((b - a + 1 for a, b in over), default=0) / S,
        }
        found.append(Found(rise.slack, end - 1, top, bool(sure), detail))
    return sorted(found, key=lambda one: one.first)


def _bins(series: Series) -> list[tuple[int, Floats]]:
    """(number, what was seen in it) of every 10-minute UTC bin wholly rigged and wholly all fast."""
    length_us = round(POLICY["bin_s"] * 1e6)
    first_us = max(series.stamp_us[series.phase[0]], series.stamp_us[series.rigged[0]])
    end = min(series.phase[1], series.rigged[1], len(series.kn)) - 1
    last_us = int(series.stamp_us[end]) + 100_000
    bins = []
    for number in range(-(-int(first_us) // length_us), last_us // length_us):
        low, high = np.searchsorted(series.stamp_us, (number * length_us, (number + 1) * length_us))
        seen_kn = series.kn[low:high][series.seen[low:high]]
        if len(seen_kn) >= POLICY["bin_observed"] * POLICY["bin_s"] * S:
            bins.append((number, seen_kn))
    return bins


def _successive(numbers: list[int], at_least: float) -> list[tuple[int, int]]:
    """First and last number of each stretch of at least so many successive ones."""
    out: list[tuple[int, int]] = []
    for number in numbers:
        if out and number == out[-1][1] + 1:
            out[-1] = (out[-1][0], number)
        else:
            out.append((number, number))
    return [(a, b) for a, b in out if b - a + 1 >= at_least]


def _stretches(series: Series, plain: list[int], wide: list[int], strict: list[int], at_least: float) -> list[Found]:
    """Events of the bins that count, sure if the strict bins give the same ones and the wide ones no more."""
    firm, loose = _successive(strict, at_least), _successive(wide, at_least)
    length_us = round(POLICY["bin_s"] * 1e6)
    stretches = _successive(plain, at_least)
    rows = [(run, run in firm and run in loose) for run in stretches]
    rows += [(run, False) for run in loose if not any(a >= run[0] and b <= run[1] for a, b in stretches)]
    found = []
    for (a, b), sure in rows:
        first, end = np.searchsorted(series.stamp_us, (a * length_us, (b + 1) * length_us))
        top = int(first) + int(np.argmax(series.kn[first:end]))
        detail: dict[str, object] = {"bins": b - a + 1}
        if end > series.gone:
            # A line that is gone has no pretension; its loss is told as such, and this either way.
            detail["masked"], sure = "lost", False
        found.append(Found(int(first), int(end), top, sure, detail))
    return found


def sustained_loads(series: Series) -> list[Found]:
    """Three or more successive bins with at least 90 % of their observed time above 25 %."""
    level_kn, share = series.level("sustained_pct"), POLICY["sustained_share"]
    chosen: dict[str, list[int]] = {"plain": [], "wide": [], "strict": []}
    for number, seen_kn in _bins(series):
        for name, off_kn, least in (
            ("plain", 0.0, share),
            ("wide", -series.tol_kn, share - 0.015),
            ("strict", series.tol_kn, share + 0.015),
        ):
            if np.mean(seen_kn > level_kn + off_kn) >= least:
                chosen[name].append(number)
    return _stretches(series, chosen["plain"], chosen["wide"], chosen["strict"], POLICY["sustained_bins"])


def pretension_losses(series: Series) -> list[Found]:
    """Two or more successive bins whose mean is below half of the planned pretension."""
    limit_kn = POLICY["pretension_share"] * series.planned_kn
    near_kn = 0.02 * limit_kn + series.tol_kn / 3.0 + series.zero_kn
    means = [(number, float(seen_kn.mean())) for number, seen_kn in _bins(series)]
    plain, wide, strict = (
        [number for number, mean in means if mean < limit_kn + off_kn] for off_kn in (0.0, near_kn, -near_kn)
    )
    return _stretches(series, plain, wide, strict, POLICY["pretension_bins"])
