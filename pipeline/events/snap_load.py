"""Snap-load: a line comes out of slack with a blow.

House rules, no source; that a load out of slack grows with speed and stiffness is mechanics (force v * sqrt(m * K)).
Near-slack is below twice the slack level. The definition, over the sound readings of one rigging: let s be the last
near-slack reading before the first one p above `snap_pct` of ship design MBL, with no gap over `max_gap_s` from s to p.
The rise is from where it left near-slack, between s and the reading after it, to where it passed the threshold, between
p and the one before: the latter on the straight line between them; the former too, or, where the line is steeper from
the reading after s on (a line that hung slack until shortly before it), on that one continued backwards, but not before
s. Where there are readings between, and those from the one before p to the one after it bend like a crest, the rise is
three fifths of that and two of the one along the parabola through these three: straight lines take a round crest too
long, the parabola takes it too short. One near-slack reading by itself, with readings past the threshold on both sides
of it (`DIP_S` away at most), is a dip of the gauge: no ship moves so fast. Any other rise is a snap-load if it took at
most `snap_within_s`, and was `snap_rate_pct_per_s` of ship design MBL or more.
Its peak is the largest tension from p until the tension is near-slack again, a gap, the rigging's end, or `snap_peak_s`
after p; the first of equals. It lasts from s to the last reading before that. Where a reading between s and that end is
marked as a spike, and is larger, it may be the crest of the blow itself, which a slow logger reads once: it is taken
for the peak, and the event says that it is doubtful.

What a slow logger does to it: at 1 Hz a rise is timed between readings as far apart as it may last, so that some near
the limit are missed and others told (`ops/DETECTION.md` says how many, on our simulator). A blow that rises and is over
between two readings is not seen at all, and its peak is too low.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np

from pipeline.events.tension import Bools, Ints, Peak, SlackLevel, Tension, us
from pipeline.events.tension_kernel import snaps
from schemas.registers import Policy

KIND: Final = "snap-load"
DIP_S: Final = 1.5
STRAIGHT: Final = 0.6
"""How much of a rise's time is that on straight lines; the rest is that on the parabola."""


@dataclass(frozen=True)
class SnapLoad:
    """One event: from the last near-slack reading to the end; `past_us` is the first reading past the threshold.

    `rise_s`: how long the rise from near-slack past it took; `rate_kn_s`: its mean rate (between the two readings where
    near-slack reaches up to the threshold). `peak_spike`: the peak is marked as a spike of the gauge.
    """

    from_us: int
    to_us: int
    slack_kn: float
    past_us: int
    past_kn: float
    rise_s: float
    rate_kn_s: float
    peak: Peak
    peak_spike: bool = False

    def to_payload(self) -> dict[str, Any]:
        """As plain numbers, for JSON; floats come back bit for bit."""
        return asdict(self)

    @classmethod
    def from_payload(cls, payload: Mapping[str, Any]) -> SnapLoad:
        """The inverse of `to_payload`."""
        return cls(**{**payload, "peak": Peak(**payload["peak"])})


def snap_loads(tension: Tension, level: SlackLevel, policy: Policy, limit_kn: float) -> list[SnapLoad]:
    """The snap-loads of which the first reading past the threshold lies in the slice, in time order."""
    past_kn, rate_kn_s = policy.snap_pct / 100.0 * limit_kn, policy.snap_rate_pct_per_s / 100.0 * limit_kn
    # A rise that took so long lies between readings that are further apart by a gap at either end, at most.
    gap_us, lag_us = us(policy.max_gap_s), us(policy.snap_peak_s)
    lead_us = us(policy.snap_within_s) + 2 * gap_us
    lo, hi = np.searchsorted(tension.at_us, [tension.from_us - lead_us, tension.to_us + lag_us + 1])
    rows = snaps(
        tension.at_us,
        tension.kn,
        tension.usable,
        level.from_us,
        level.kn,
        tension.begin,
        tension.end,
        int(lo),
        int(hi),
        past_kn,
        0.0,
        gap_us,
        lead_us,
        lag_us,
    )
    most_s = policy.snap_within_s
    if rate_kn_s > 0.0:
        most_s = min(most_s, max(past_kn - 2.0 * float(level.kn.min()), 0.0) / rate_kn_s)
    found = []
    for slack, past, top, last in rows[_in_time(tension, rows, most_s)].tolist():
        near_kn = 2.0 * level.at(int(tension.at_us[slack]))
        way_kn = max(past_kn - near_kn, 0.0)
        rise_s = _rise_s(tension, slack, past, near_kn, near_kn + way_kn, most_step_s=policy.snap_within_s)
        if _is_dip(tension, slack, past, past_kn):
            continue
        if rise_s <= policy.snap_within_s and way_kn >= rate_kn_s * rise_s:
            crest = _spike_above(tension, slack, past, top, last, policy)
            found.append(_snap(tension, (slack, past, top, last), crest, rise_s, way_kn))
    return found


def _in_time(tension: Tension, rows: Ints, most_s: float) -> Bools:
    """Which of the rises (s, 4) may have taken no longer: of most waves the readings between tell that they did not."""
    second, last = rows[:, 0] + 1, rows[:, 1] - 1
    known = tension.usable[second] & tension.usable[last]
    return np.asarray(~known | ((tension.at_us[last] - tension.at_us[second]) / 1e6 <= most_s))


def _is_dip(tension: Tension, slack: int, past: int, past_kn: float) -> bool:
    """Whether the reading `slack` stands alone between two past the threshold."""
    before = _next(tension, slack, -1)
    if before is None or not tension.kn[before] > past_kn or _next(tension, slack, 1) != past:
        return False
    most_us = us(DIP_S)
    return bool(
        tension.at_us[slack] - tension.at_us[before] <= most_us
        and tension.at_us[past] - tension.at_us[slack] <= most_us
    )


def _next(tension: Tension, index: int, way: int) -> int | None:
    """The nearest usable reading after (way 1) or before (-1) one; None without."""
    index += way
    while 0 <= index < tension.at_us.size:
        if tension.usable[index]:
            return index
        index += way
    return None


def _rise_s(tension: Tension, slack: int, past: int, near_kn: float, past_kn: float, *, most_step_s: float) -> float:
    """From where the tension left near-slack after `slack` to where it passed the threshold before `past` [s].

    `most_step_s`: no parabola is laid through a reading that comes later than this after `past`.
    """
    inside = np.flatnonzero(tension.usable[slack : past + 1]) + slack
    at_s: list[float] = ((tension.at_us[inside] - tension.at_us[slack]) / 1e6).tolist()
    kn: list[float] = tension.kn[inside].tolist()
    left_s = _crossed_s(at_s[0], kn[0], at_s[1], kn[1], near_kn)
    if len(kn) > 2:
        slope = (kn[2] - kn[1]) / (at_s[2] - at_s[1])
        if slope > 0.0:
            left_s = max(left_s, min(at_s[1] - (kn[1] - near_kn) / slope, at_s[1]))
    passed_s = _crossed_s(at_s[-2], kn[-2], at_s[-1], kn[-1], past_kn)
    straight_s = max(passed_s - left_s, 0.0)
    after = _next(tension, past, 1)
    if len(kn) < 3 or after is None or tension.at_us[after] - tension.at_us[past] > us(most_step_s):
        return straight_s
    crest = _Crest.through(
        (at_s[-2], kn[-2]),
        (at_s[-1], kn[-1]),
        (float(tension.at_us[after] - tension.at_us[slack]) / 1e6, float(tension.kn[after])),
    )
    if crest is None:
        return straight_s
    passed_s = min(max(crest.rises_at_s(past_kn), at_s[-2]), passed_s)
    if len(kn) == 3:
        left_s = max(left_s, min(crest.rises_at_s(near_kn), at_s[1]))
    return STRAIGHT * straight_s + (1.0 - STRAIGHT) * max(passed_s - left_s, 0.0)


@dataclass(frozen=True)
class _Crest:
    """The parabola kn + rate * t + bend * t^2 from `at_s` on; bend below 0."""

    at_s: float
    kn: float
    rate: float
    bend: float

    @classmethod
    def through(cls, *points: tuple[float, float]) -> _Crest | None:
        """Through three points (s, kN) in time order; None where they bend no such way."""
        (a, y), (b, y_b), (c, y_c) = points
        first, second = (y_b - y) / (b - a), (y_c - y_b) / (c - b)
        bend = (second - first) / (c - a)
        return cls(a, y, first - bend * (b - a), bend) if bend < 0.0 else None

    def rises_at_s(self, level_kn: float) -> float:
        """When it first passes a level, which it does: it stood above it at one of its points."""
        return self.at_s + (math.sqrt(max(self.rate**2 - 4.0 * self.bend * (self.kn - level_kn), 0.0)) - self.rate) / (
            2.0 * self.bend
        )


def _crossed_s(from_s: float, from_kn: float, to_s: float, to_kn: float, level_kn: float) -> float:
    """When the straight line between two readings passes a level; not before the one, nor after the other."""
    if not to_kn > from_kn:
        return from_s
    return from_s + (to_s - from_s) * min(max((level_kn - from_kn) / (to_kn - from_kn), 0.0), 1.0)


def _spike_above(tension: Tension, slack: int, past: int, top: int, last: int, policy: Policy) -> int | None:
    """The largest of the spikes of a blow that stand above its largest sound reading; None where none does."""
    after = _next(tension, last, 1)
    stop = tension.at_us.size if after is None else after
    inside = np.flatnonzero(tension.spiky[slack:stop]) + slack
    before = np.searchsorted(inside, last)
    in_time = tension.at_us[inside] - tension.at_us[past] <= us(policy.snap_peak_s)
    in_time[before:] &= tension.at_us[inside[before:]] - tension.at_us[last] <= us(policy.max_gap_s)
    inside = inside[in_time & (tension.kn[inside] > tension.kn[top])]
    return int(inside[np.argmax(tension.kn[inside])]) if inside.size else None


def _snap(
    tension: Tension, rise: tuple[int, int, int, int], spike: int | None, rise_s: float, way_kn: float
) -> SnapLoad:
    slack, past, top, last = rise
    at_us, kn = tension.at_us, tension.kn
    peak = top if spike is None else spike
    bound = bool((tension.clipped[past : last + 1] & tension.usable[past : last + 1]).any())
    apart_s = float(at_us[past] - at_us[slack]) / 1e6
    rate_kn_s = way_kn / rise_s if way_kn > 0.0 and rise_s > 0.0 else float(kn[past] - kn[slack]) / apart_s
    return SnapLoad(
        from_us=int(at_us[slack]),
        to_us=int(at_us[max(last, peak)]),
        slack_kn=float(kn[slack]),
        past_us=int(at_us[past]),
        past_kn=float(kn[past]),
        rise_s=rise_s,
        rate_kn_s=rate_kn_s,
        peak=Peak(int(at_us[peak]), float(kn[peak]), bound),
        peak_spike=spike is not None,
    )


def join(found: Sequence[SnapLoad]) -> list[SnapLoad]:
    """Events in time order: each stands whole in the slice that it belongs to."""
    return sorted(found, key=lambda one: one.from_us)
