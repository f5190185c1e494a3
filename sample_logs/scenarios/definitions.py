"""Kinds that are definitions, applied plainly to the noiseless record at 10 Hz. Own slow code, nothing of the program.

Every function takes one line's `Series` and gives `Found` rows; `sure` is false where the record is so near a threshold
(within `tol_kn`, what the sensor's noise and zero may do) that it may fairly be told either way.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sample_logs.scenarios.plan import S
from sample_logs.scenarios.policy import POLICY

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Runs = list[tuple[int, int]]


@dataclass(frozen=True)
class Series:
    """One line's share of its place's true load, by step. rigged: [first, last) by what the register ought to say;
    gone: the step from which the line is no more; phase: [first, last) in which all lines are fast; bin_us: the stamp
    of each step by its own logger's clock; seen: what was not in a gap; slack_kn: below it the
    line is slack; zero_kn: by how much its zero is wrong at most."""

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


def _clustered(
    beyond: Floats, live: Bools, tol_kn: float, join_s: float, edge_s: float = 1.2
) -> list[tuple[int, int, bool, bool]]:
    """Joined runs of `beyond` > 0 as (first, last, sure, edges sure), and what noise might make one, not sure.

    A run is sure if it passes the level by more than `tol_kn`. Its edges are if it is one run whether the level is
    taken that much higher or lower, and no separation is within `edge_s` of the one at which runs join; else what is
    one event here may fairly be told as two, or two as one.
    """
    out: list[tuple[int, int, bool, bool]] = []
    plain = joined(runs((beyond > 0) & live), join_s)
    wide = joined(runs((beyond > -tol_kn) & live), join_s + edge_s)
    strict = joined(runs((beyond > tol_kn) & live), max(join_s - edge_s, 0.0))
    for first, last in wide:
        inside = [run for run in plain if run[0] >= first and run[1] <= last]
        if not inside:
            out.append((first, last, False, False))
        for a, b in inside:
            firm = [run for run in strict if run[0] >= a and run[1] <= b]
            out.append((a, b, len(firm) > 0, len(inside) == 1 and len(firm) == 1))
    return out


def _tolerance(series: Series, first: int, level_kn: float) -> dict[str, object]:
    """How far before and after `first` the record lies within the tolerance of the level, in microseconds."""
    window = np.abs(series.kn - level_kn) <= series.tol_kn
    a = b = first
    low, high = max(first - 600 * S, 0), min(first + 600 * S, len(window) - 1)
    while a > low and window[a - 1]:
        a -= 1
    while b < high and window[b]:
        b += 1
    return {"onset_tolerance_us": int(series.stamp_us[b] - series.stamp_us[max(a - 1, 0)])}


def _live(series: Series) -> Bools:
    live = np.zeros(len(series.kn), dtype=np.bool_)
    live[series.rigged[0] : min(series.rigged[1], series.gone)] = True
    return live


def _in_phase(series: Series, first: int, last: int) -> tuple[bool, bool]:
    """Whether an event touches the all-fast phase, and whether it does so by more than a second."""
    begin, end = series.phase
    return last >= begin and first < end, last >= begin + S and first < end - S


def peak_loads(series: Series) -> list[Found]:
    """Runs above peak-load's level, joined under 60 s, in every phase of a call."""
    level_kn = series.level("peak_load_pct")
    found = []
    for first, last, sure, edges in _clustered(
        series.kn - level_kn, _live(series), series.tol_kn, POLICY["cluster_gap_s"], 2.0
    ):
        top = first + int(np.argmax(series.kn[first : last + 1]))
        detail = {"phase": _phase(series, first, last), "edges_sure": edges, **_tolerance(series, first, level_kn)}
        found.append(Found(first, last, top, sure, detail))
    return found


def _phase(series: Series, first: int, last: int) -> str:
    if _in_phase(series, first, last)[0]:
        return "all fast"
    return "making fast" if last < series.phase[0] else "letting go"


def slacks(series: Series) -> list[Found]:
    """Runs below the slack level, joined under 10 s, loaded before and after, touching the all-fast phase."""
    level_kn, live = series.slack_kn, _live(series)
    loaded = np.flatnonzero(live & (series.kn >= level_kn))
    found: list[Found] = []
    if len(loaded) == 0:
        return found
    for first, last, sure, edges in _clustered(level_kn - series.kn, live, series.tol_kn, POLICY["slack_join_s"]):
        touches, well = _in_phase(series, first, last)
        if touches and loaded[0] < first and last < loaded[-1]:
            top = first + int(np.argmin(series.kn[first : last + 1]))
            # A line that is lost while it goes slack and back is told about by its loss.
            sure &= well and last < series.gone - 60 * S
            detail = {"edges_sure": edges, **_tolerance(series, first, level_kn)}
            found.append(Found(first, last, top, sure, detail))
    return found


def snap_loads(series: Series) -> list[Found]:
    """From the last near-slack step s before the first step p past the level, at most 2 s apart and fast enough."""
    near_kn, past_kn = POLICY["snap_near_slack"] * series.slack_kn, series.level("snap_rise_pct")
    rate_kn_s, live, kn = series.level("snap_rate_pct_per_s"), _live(series), series.kn
    near = np.flatnonzero(live & (kn < near_kn))
    past = live & (kn > past_kn)
    found: list[Found] = []
    after = np.append(near[1:], len(kn))
    leaves = after > near + 1
    for s, until in zip(near[leaves].tolist(), after[leaves].tolist(), strict=True):
        ahead = np.flatnonzero(past[s + 1 : min(until, s + 1 + 30)])
        if len(ahead) == 0:
            continue
        p = int(s) + 1 + int(ahead[0])
        rise_s = (p - s) / S
        rate = (kn[p] - kn[s]) / rise_s
        end = min(until, p + round(POLICY["snap_peak_s"] * S) + 1, series.gone, series.rigged[1])
        top = p + int(np.argmax(kn[p:end]))
        counts = rise_s <= POLICY["snap_within_s"] and rate >= rate_kn_s
        might = rise_s <= POLICY["snap_within_s"] + 0.2 and rate >= 0.92 * rate_kn_s
        touches, well = _in_phase(series, int(s), end - 1)
        if not might or not touches:
            continue
        lowest = float(kn[max(int(s) - 4 * S, 0) : int(s) + 1].min())
        sure = counts and well and rate >= 1.08 * rate_kn_s and rise_s <= POLICY["snap_within_s"] - 0.2
        sure &= kn[top] > past_kn + series.tol_kn and lowest < near_kn - series.tol_kn
        found.append(Found(int(s), end - 1, top, bool(sure), {"rate_kn_s": float(rate), "rise_s": rise_s}))
    return found


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
