"""What really happened, from the noiseless record at 10 Hz: DESIGN's definitions applied plainly.

Nothing of the program is used here, so that the program's events can be held against these.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_logs import world
from sample_logs.crew import KIND_WORDS
from sample_logs.model import Call

COLUMNS = (
    "kind", "line", "place", "from", "to", "peak_kn", "peak_at", "peak_pct_of_ship_design_mbl",
    "breakout_kn", "render_kn", "payout_m", "brake_set_kn", "verdict", "note",
)  # fmt: skip
PEAK_PCT, CLUSTER_GAP_S = 50.0, 60.0
RENDER_MIN_PCT, RENDER_M_S, JOIN_S, MIN_PAYOUT_M, WINDOW_S = 15.0, 0.01, 5.0, 0.05, 2.0
SLACK_JOIN_S, SNAP_PCT, PRETENSION_PCT, PRETENSION_SHARE = 10.0, 15.0, 10.0, 0.5
_S = world.RATE_HZ
_BIN = 600 * _S


@dataclass(frozen=True)
class TrueEvent:
    """One event over the steps [first, last], both inside it; figures that do not apply are None."""

    kind: str
    line: str
    place: str
    first: int
    last: int
    peak_kn: float | None = None
    peak_step: int | None = None
    breakout_kn: float | None = None
    render_kn: float | None = None
    payout_m: float | None = None
    brake_set_kn: float | None = None
    verdict: str = ""
    note: str = ""

    def row(self) -> list[str]:
        """The event as cells of `COLUMNS`."""

        def number(value: float | None, digits: int) -> str:
            return "" if value is None else f"{value:.{digits}f}"

        share = None if self.peak_kn is None else 100.0 * self.peak_kn / world.SHIP_DESIGN_MBL_KN
        return [
            self.kind, self.line, self.place, world.stamp(self.first), world.stamp(self.last),
            number(self.peak_kn, 2), "" if self.peak_step is None else world.stamp(self.peak_step),
            number(share, 2), number(self.breakout_kn, 2), number(self.render_kn, 2),
            number(self.payout_m, 3), number(self.brake_set_kn, 1), self.verdict, self.note,
        ]  # fmt: skip


def runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of every unbroken run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def joined(parts: list[tuple[int, int]], under_steps: float) -> list[tuple[int, int]]:
    """Runs whose separation (next first - last) is under this many steps, as one."""
    whole: list[tuple[int, int]] = []
    for first, last in parts:
        if whole and first - whole[-1][1] < under_steps:
            whole[-1] = (whole[-1][0], last)
        else:
            whole.append((first, last))
    return whole


def peak_loads(call: Call) -> list[TrueEvent]:
    """Runs above 50 % of ship design MBL, joined under 60 s, of every main line."""
    events = []
    for row, line in enumerate(world.LINES):
        load = call.tension_kn[row]
        above = load > PEAK_PCT / 100.0 * world.SHIP_DESIGN_MBL_KN
        for first, last in joined(runs(above), CLUSTER_GAP_S * _S):
            top = first + int(np.argmax(load[first : last + 1]))
            events.append(TrueEvent("peak-load", line.line, line.place, first, last, float(load[top]), top))
    return events


def brake_renders(call: Call) -> list[TrueEvent]:
    """Runs of paying out under load with the brake set, of the lines whose winch is recorded."""
    events = []
    for row, line in enumerate(world.LINES):
        if line.brake is None:
            continue
        load, main = call.tension_kn[row], call.main_m[row].astype(np.float64)
        fast = np.concatenate(([False], np.diff(main) >= RENDER_M_S * world.DT_S - 1e-9))
        held = call.attached[row] & ~call.under_power[row]
        held[1:] &= held[:-1]
        slip = fast & held & (load >= RENDER_MIN_PCT / 100.0 * world.SHIP_DESIGN_MBL_KN)
        for first, last in joined([(a - 1, b) for a, b in runs(slip)], JOIN_S * _S):
            paid = float(main[last] - main[first])
            if paid < MIN_PAYOUT_M:
                continue
            early = max(0, first - int(WINDOW_S * _S))
            breakout = float(load[early : first + 2].max())
            top = early + int(np.argmax(load[early : last + 1]))
            share = breakout / line.brake.set_kn
            verdict = "early" if share < 0.9 else "late" if share > 1.1 else "as set"
            inside = load[first + 1 : last + 1][slip[first + 1 : last + 1]]
            figures = (breakout, float(np.median(inside)), paid, line.brake.set_kn, verdict)
            where = ("brake-render", line.line, line.place, first, last)
            events.append(TrueEvent(*where, float(load[top]), top, *figures))
    return events


def brakes_held(call: Call) -> list[TrueEvent]:
    """Runs above a recorded brake's setting in which it did not slip though it should have."""
    events = []
    for row, line in enumerate(world.LINES):
        if line.brake is None:
            continue
        load = call.tension_kn[row]
        for first, last in joined(runs(load > line.brake.set_kn), CLUSTER_GAP_S * _S):
            if call.slipping[row, first : last + 1].any():
                continue
            top = first + int(np.argmax(load[first : last + 1]))
            where = ("brake-held", line.line, line.place, first, last)
            note = "above its setting and did not slip"
            held = TrueEvent(*where, float(load[top]), top, brake_set_kn=line.brake.set_kn, note=note)
            events.append(held)
    return events


def handling(call: Call) -> list[TrueEvent]:
    """Made fast, let go, and every time a winch ran."""
    events = []
    for row, line in enumerate(world.LINES):
        on, off = world.made_fast(line.line), world.let_go(line.line)
        note = f"{line.line} and {line.tail_line} share one hook" if line.place.startswith("H") else ""
        events.append(TrueEvent("made-fast", line.line, line.place, on, on, note=note))
        events.append(TrueEvent("let-go", line.line, line.place, off, off))
        for action in call.actions:
            if action.line != line.line:
                continue
            last = min(action.last, off) - 1
            moved = float(call.main_m[row, last] - call.main_m[row, action.first])
            where = ("winch-ran", line.line, line.place, action.first, last)
            events.append(TrueEvent(*where, payout_m=moved, note=KIND_WORDS[action.kind]))
    return events


def weather() -> list[TrueEvent]:
    """The squall and the passing ship: when they pressed on the ship."""
    rise_s, plateau_s, fall_s = world.SQUALL_SHAPE_S
    first, last = world.SQUALL - int(rise_s * _S), world.SQUALL + int((plateau_s + fall_s) * _S)
    passing = int(world.PASSING_SCALE_S * 3 * _S)
    return [
        TrueEvent("squall", "", "", first, last, note="wind off the berth"),
        TrueEvent("passing-ship", "", "", world.PASSING - passing, world.PASSING + passing, note="surge"),
    ]


def true_events(call: Call) -> list[TrueEvent]:
    """Every event, by time."""
    events = peak_loads(call) + brake_renders(call) + brakes_held(call) + handling(call) + weather()
    return sorted(events, key=lambda event: (event.first, event.kind, event.line, event.place))


def all_fast() -> tuple[int, int]:
    """The steps from which all lines are fast, and from which the first is let go."""
    return max(world.made_fast(m.line) for m in world.LINES), min(world.let_go(m.line) for m in world.LINES)


def slacks(call: Call, level_kn: Mapping[str, float]) -> list[TrueEvent]:
    """Runs below each line's level, joined under 10 s, with load before and after, that touch the all-fast phase."""
    events = []
    first_fast, first_gone = all_fast()
    for row, line in enumerate(world.LINES):
        load = call.tension_kn[row]
        below = call.attached[row] & (load < level_kn[line.line])
        loaded = np.flatnonzero(call.attached[row] & ~below)
        for first, last in joined(runs(below), SLACK_JOIN_S * _S):
            if last >= first_fast and first < first_gone and loaded[0] < first and last < loaded[-1]:
                low = first + int(np.argmin(load[first : last + 1]))
                events.append(TrueEvent("slack", line.line, line.place, first, last, float(load[low]), low))
    return events


def low_pretension(call: Call, share: float = PRETENSION_SHARE) -> list[TrueEvent]:
    """Two or more successive ten minutes of UTC, all fast, with a mean below this share of the planned pretension."""
    events = []
    first_fast, first_gone = all_fast()
    bins = range(-(-first_fast // _BIN), first_gone // _BIN)
    for row, line in enumerate(world.LINES):
        means = call.tension_kn[row, : (first_gone // _BIN) * _BIN].reshape(-1, _BIN).mean(axis=1, dtype=np.float64)
        low = np.zeros(means.size, np.bool_)
        low[bins.start :] = means[bins.start :] < share * PRETENSION_PCT / 100.0 * world.SHIP_DESIGN_MBL_KN
        for first, last in runs(low):
            if last > first:
                events.append(TrueEvent("pretension-loss", line.line, line.place, first * _BIN, (last + 1) * _BIN))
    return events


def sharpest_rise_kn_s(call: Call, level_kn: Mapping[str, float]) -> float:
    """The largest mean rate from the last step below twice a level to the first past 15 %, while all are fast."""
    sharpest = 0.0
    first_fast, first_gone = all_fast()
    for row, line in enumerate(world.LINES):
        load = call.tension_kn[row, first_fast:first_gone]
        near = np.flatnonzero(load < 2.0 * level_kn[line.line])
        past = np.flatnonzero(load > SNAP_PCT / 100.0 * world.SHIP_DESIGN_MBL_KN)
        after = np.searchsorted(past, near)
        for slack, index in zip(near.tolist(), after.tolist(), strict=True):
            until = near[np.searchsorted(near, slack, side="right")] if slack < near[-1] else load.size
            if index < past.size and past[index] < until:
                rise = float(load[past[index]] - load[slack]) / ((past[index] - slack) / _S)
                sharpest = max(sharpest, rise)
    return sharpest
