"""What is to happen, drawn from the seed: when lines are fast, weather, winches, losses. Times are steps of 0.1 s.

Three themes: "happenings" (two seeds of three) hold squalls, seas, passing ships, renderings and lost lines;
"instruments" (the third) are calmer calls whose sensors, clocks and registers are wrong; "quiet" days hold nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from sample_logs.scenarios.berth import Berth
from sample_logs.scenarios.kernel import CLUTCH, HAUL, SLACKEN, TEND
from sample_logs.scenarios.streams import Streams

S: Final = 10
"""Steps in a second."""
MINUTE: Final = 60 * S
SOFT: Final = ("head", "stern")
"""Soft tails keep what they were hove to; a hard spring or breast that is hove in walks the ship along."""


@dataclass(frozen=True)
class Action:
    """A winch under power over [first, last): its brake is open. word: what it is called in truth."""

    row: int
    first: int
    last: int
    kind: float
    target: float
    word: str


@dataclass(frozen=True)
class Loss:
    """A line that is gone from `step` on: parted, or released (its hook opened)."""

    row: int
    step: int
    cause: str


@dataclass(frozen=True)
class Span:
    """Something that lasts over [first, last), of this size; `word` tells what, or which way."""

    word: str
    first: int
    last: int
    size: float


@dataclass(frozen=True)
class Draws:
    """Ranges of the families, which differ a little, so that what is reported was never tuned on."""

    squall: tuple[float, float]
    passing: tuple[float, float]
    wind: tuple[float, float]
    rough: tuple[float, float]
    period_s: tuple[float, float]


DRAWS: Final = {
    "tune": Draws((0.13, 0.23), (0.20, 0.42), (0.14, 0.20), (3.5, 6.5), (6.5, 9.5)),
    "report": Draws((0.14, 0.24), (0.22, 0.45), (0.145, 0.205), (3.8, 6.8), (6.0, 9.0)),
    "quiet": Draws((0.0, 0.0), (0.0, 0.0), (0.0, 0.03), (0.0, 0.0), (6.5, 9.5)),
}


@dataclass
class Plan:
    """The whole schedule. on, off: the steps at which a line's eye goes over its hook and comes off it.

    from_step, to_step: the same as the register ought to have them. spans: weather and what else moves the ship.
    calm: what is left of waves and tide (1: all), lowered until a quiet day is quiet. dropped: hooks let lines go under
    load at the end, rather than slackened.
    """

    theme: str
    start_us: int
    steps: int
    all_fast: int
    let_go: int
    on: list[int]
    off: list[int]
    from_step: list[int]
    to_step: list[int]
    actions: list[Action] = field(default_factory=list)
    losses: list[Loss] = field(default_factory=list)
    spans: list[Span] = field(default_factory=list)
    dropouts: list[Span] = field(default_factory=list)
    sea_state: float = 1.0
    wave_s: float = 8.0
    swell_s: float = 12.0
    swell_share: float = 0.4
    tide_m: float = 0.5
    tide_phase: float = 0.0
    breeze: float = 0.03
    calm: float = 1.0
    dropped: bool = False

    def lost_at(self, row: int) -> int | None:
        """The step at which a line is lost, if it is."""
        return next((loss.step for loss in self.losses if loss.row == row), None)

    def planned_off(self, row: int) -> int:
        """When a line is let go, or what is left of it is taken in: with the others, also where it was lost before."""
        return self.off[row] if self.lost_at(row) is None else self.let_go + 90 * S

    def is_free(self, row: int, first: int, last: int) -> bool:
        """Whether a row's winch and line have nothing else to do over [first - 1 min, last + 1 min)."""
        lost = self.lost_at(row)
        if lost is not None and last + MINUTE > lost:
            return False
        return all(
            action.last + MINUTE <= first or action.first - MINUTE >= last
            for action in self.actions
            if action.row == row
        )


_DAY_US: Final = 86_400_000_000
_EPOCH_US: Final = 1_704_067_200_000_000  # 2024-01-01T00:00:00Z


def draw_plan(berth: Berth, family: str, seed: int, streams: Streams) -> Plan:
    """The schedule of one scenario."""
    rng = streams("plan")
    if family == "quiet":
        return _quiet(berth, rng)
    plan = _call(berth, rng, "instruments" if seed % 3 == 2 else "happenings")
    draws = DRAWS[family]
    plan.wave_s, plan.swell_s = float(rng.uniform(*draws.period_s)), float(rng.uniform(11.0, 15.0))
    plan.swell_share, plan.sea_state = float(rng.uniform(0.2, 0.6)), float(rng.uniform(0.5, 1.3))
    plan.tide_m, plan.tide_phase = float(rng.uniform(0.2, 0.8)), float(rng.uniform(0.0, 2 * np.pi))
    plan.breeze = float(rng.uniform(0.003, 0.025))
    _weather(plan, draws, streams("weather"))
    _losses(plan, berth, streams("losses"))
    _winches(plan, berth, streams("winches"))
    _more(plan, berth, streams("more"))
    plan.actions.sort(key=lambda action: (action.row, action.first))
    return plan


def _quiet(berth: Berth, rng: np.random.Generator) -> Plan:
    """A whole UTC day alongside: moored before it begins and after it ends."""
    count, steps = len(berth.lines), 24 * 60 * MINUTE
    start_us = _EPOCH_US + int(rng.integers(365)) * _DAY_US
    before, after = -int(rng.integers(1, 20)) * 60 * MINUTE, steps + int(rng.integers(2, 20)) * 60 * MINUTE
    plan = Plan("quiet", start_us, steps, 0, steps, [0] * count, [steps] * count, [before] * count, [after] * count)
    plan.sea_state, plan.wave_s = float(rng.uniform(0.25, 0.75)), float(rng.uniform(6.0, 10.0))
    plan.swell_s, plan.swell_share = float(rng.uniform(11.0, 16.0)), float(rng.uniform(0.1, 0.6))
    plan.tide_m, plan.tide_phase = float(rng.uniform(0.2, 0.6)), float(rng.uniform(0.0, 2 * np.pi))
    plan.breeze = float(rng.uniform(0.0, 0.02))
    start = int(rng.integers(20, 60)) * MINUTE
    while start < steps - 60 * MINUTE:
        plan.actions += _round(berth, plan, rng, start)
        start += int(rng.integers(60, 110)) * MINUTE
    for turn in range(3):
        middle = int(steps * (turn + rng.uniform(0.2, 0.8)) / 3)
        plan.spans.append(Span("breeze", middle, middle + 60 * MINUTE, float(rng.uniform(0.0, 0.025))))
    plan.actions.sort(key=lambda action: (action.row, action.first))
    return plan


def _round(berth: Berth, plan: Plan, rng: np.random.Generator, start: int) -> list[Action]:
    """The crew trims every line to its pretension, in turn, half a minute each."""
    actions = []
    for turn, row in enumerate(rng.permutation(len(berth.lines))):
        first = start + turn * 45 * S
        last = first + 30 * S
        if plan.is_free(int(row), first, last):
            actions.append(Action(int(row), first, last, HAUL, berth.lines[row].pretension_kn, "trim"))
    return actions


def _call(berth: Berth, rng: np.random.Generator, theme: str) -> Plan:
    """A call of some hours: no line, making fast in turn, all fast, letting go in turn, no line."""
    count = len(berth.lines)
    begin = int(rng.integers(12, 20)) * MINUTE
    every = int(rng.integers(55, 85)) * S
    on = [0] * count
    for turn, row in enumerate(rng.permutation(count)):
        on[row] = begin + turn * every + int(rng.integers(-10, 10)) * S
    all_fast = max(on) + 150 * S
    let_go = all_fast + int(rng.integers(158, 192)) * MINUTE
    gap = int(rng.integers(40, 90)) * S
    off = [0] * count
    for turn, row in enumerate(rng.permutation(count)):
        off[row] = let_go + 90 * S + turn * gap
    steps = max(off) + int(rng.integers(12, 18)) * MINUTE
    start_us = _EPOCH_US + int(rng.integers(365)) * _DAY_US + int(rng.integers(86_400)) * 1_000_000
    from_step = [step - int(rng.integers(2, 40)) * S for step in on]
    to_step = [step + int(rng.integers(5, 50)) * S for step in off]
    plan = Plan(theme, start_us, steps, all_fast, let_go, on, off, from_step, to_step)
    # Of lines on one hook the register gives both the same span, for their shares hold only together.
    plan.dropped = bool(rng.random() < 0.85)
    for row, line in enumerate(berth.lines):
        plan.actions.append(Action(row, on[row] + 20 * S, on[row] + 75 * S, HAUL, line.pretension_kn, "haul"))
        trim = on[row] + (90 + int(rng.integers(0, 10))) * S
        plan.actions.append(Action(row, trim, trim + 40 * S, HAUL, line.pretension_kn, "haul"))
        if not (plan.dropped and line.device == "hook"):
            first = off[row] - int(rng.integers(60, 85)) * S
            plan.actions.append(Action(row, first, off[row], SLACKEN, 0.0, "slacken"))
    return plan


def _weather(plan: Plan, draws: Draws, rng: np.random.Generator) -> None:
    """Squalls, passing ships, hours of wind, seas, tugs: one after another with pauses, in random order."""
    lively = plan.theme == "happenings"
    wanted: list[tuple[str, int, float]] = [("squall", int(rng.integers(13, 19)), float(rng.uniform(*draws.squall)))]
    if lively:
        chances = [("passing", 0.95), ("wind", 0.7), ("rough", 0.65), ("passing", 0.45), ("squall", 0.4), ("tug", 0.3)]
    else:
        chances = [("passing", 0.6), ("rough", 0.1)]
    for word, chance in chances:
        if rng.random() >= chance:
            continue
        low, high = {"passing": (9, 12), "rough": (18, 26), "wind": (44, 58), "squall": (13, 19), "tug": (7, 10)}[word]
        size = {"passing": draws.passing, "rough": draws.rough, "wind": draws.wind, "squall": draws.squall}
        wanted.append((word, int(rng.integers(low, high)), float(rng.uniform(*size.get(word, (0.05, 0.2))))))
    room = (plan.let_go - plan.all_fast) // MINUTE - 8
    while sum(minutes + 3 for _, minutes, _ in wanted) > room:
        wanted.pop()
    pauses = rng.dirichlet(np.ones(len(wanted) + 1)) * (room - sum(minutes + 3 for _, minutes, _ in wanted))
    at = float(plan.all_fast + 4 * MINUTE)
    for pause, index in zip(pauses, rng.permutation(len(wanted)), strict=False):
        word, minutes, size_ = wanted[int(index)]
        at += (pause + 3) * MINUTE
        sign = -1.0 if word == "passing" and rng.random() < 0.5 else 1.0
        plan.spans.append(Span(word, int(at), int(at) + minutes * MINUTE, sign * size_))
        at += minutes * MINUTE
    plan.spans.sort(key=lambda span: span.first)


def _moment(plan: Plan, rng: np.random.Generator, taken: list[int], apart: int) -> int | None:
    """A step in the all-fast phase at least `apart` from those taken; None where no room is found."""
    for _ in range(40):
        step = int(rng.integers(plan.all_fast + 8 * MINUTE, plan.let_go - 10 * MINUTE))
        if all(abs(step - other) >= apart for other in taken):
            taken.append(step)
            return step
    return None


def _often(rng: np.random.Generator, mean: float) -> int:
    """A whole number with this mean, as near to it as can be."""
    return int(mean) + int(rng.random() < mean % 1)


def _losses(plan: Plan, berth: Berth, rng: np.random.Generator) -> None:
    """Lines that part or whose hooks open, and gauges that drop out for a while."""
    told = [row for row, line in enumerate(berth.lines) if {"hook-state", "payout"} & set(line.tells)]
    hooks = [row for row, line in enumerate(berth.lines) if "hook-state" in line.tells]
    silent = [row for row in range(len(berth.lines)) if row not in told]
    lively = plan.theme == "happenings"
    taken: list[int] = []
    used: set[int] = set()
    most = max(2, round(0.34 * len(berth.lines)))
    for rows, cause, mean in ((hooks, "released", 1.25), (told, "parted", 1.25), (silent, "", 1.55)):
        for _ in range(_often(rng, mean if lively else 0.0)):
            free = [row for row in rows if row not in used]
            step = _moment(plan, rng, taken, 4 * MINUTE)
            if not free or step is None or len(plan.losses) >= most:
                continue
            row = int(rng.choice(free))
            used.add(row)
            hook = berth.lines[row].device == "hook"
            why = cause or ("released" if hook and rng.random() < 0.4 else "parted")
            plan.losses.append(Loss(row, step, why))
            plan.off[row] = step
    plan.actions = [action for action in plan.actions if plan.lost_at(action.row) is None or action.word != "slacken"]
    for _ in range(_often(rng, 1.4 if lively else 0.6)):
        _drop_out(plan, berth, rng, taken, used)


def _drop_out(plan: Plan, berth: Berth, rng: np.random.Generator, taken: list[int], used: set[int]) -> None:
    """A gauge reads nothing for 4 s to 8 min, where its line has nothing else to do; `taken`, `used` are added to."""
    free = [row for row in range(len(berth.lines)) if row not in used and berth.lines[row].share == 1.0]
    step = _moment(plan, rng, taken, 4 * MINUTE)
    if not free or step is None:
        return
    row = int(rng.choice(free))
    used.add(row)
    # Mostly it comes back; a gauge that stays at nothing looks, without more, like a line that is gone.
    length = int(np.exp(rng.uniform(np.log(4.0), np.log(500.0)))) * S
    plan.dropouts.append(Span(berth.lines[row].channel, step, step + length, float(row)))


def _winches(plan: Plan, berth: Berth, rng: np.random.Generator) -> None:
    """Tending of every kind on winches that tell it, loosened lines, and rounds of the whole crew."""
    tell = [row for row, line in enumerate(berth.lines) if {"brake", "winch-mode"} & set(line.tells)]
    lively = plan.theme == "happenings"
    for word in ("auto-tension", "heaving-in", "veering", "clutch-in"):
        for _ in range(_often(rng, 1.55 if lively else 0.65)):
            _tend(plan, berth, rng, tell, word)
    loose = [row for row in range(len(berth.lines)) if plan.lost_at(row) is None]
    for _ in range(_often(rng, 1.5 if lively else 0.2)):
        _loosen(plan, berth, rng, loose)
    firm = [row for row in loose if berth.lines[row].holds_kn > 0.5 * berth.ship_design_mbl_kn]
    firm = [row for row in firm if berth.lines[row].role in SOFT]
    for _ in range(_often(rng, 2.4 if lively else 0.8)):
        _tighten(plan, berth, rng, firm)
    if rng.random() < 0.5:
        start = int(rng.integers(plan.all_fast + 30 * MINUTE, plan.let_go - 30 * MINUTE))
        if not any(span.first - 15 * MINUTE < start < span.last for span in plan.spans):
            plan.actions += [a for a in _round(berth, plan, rng, start) if a.row in tell]


def _more(plan: Plan, berth: Berth, rng: np.random.Generator) -> None:
    """What is rare, once more in some calls: a line lost that nothing tells of, an hour of load, a winch that tends by
    itself, a gauge that drops out."""
    if plan.theme == "happenings" and rng.random() < 0.2:
        _lose_untold(plan, berth, rng)
    tell = [row for row, line in enumerate(berth.lines) if {"brake", "winch-mode"} & set(line.tells)]
    if plan.theme == "happenings" and rng.random() < 0.6:
        loose = [row for row, line in enumerate(berth.lines) if plan.lost_at(row) is None and line.role in SOFT]
        _tighten(plan, berth, rng, [r for r in loose if berth.lines[r].holds_kn > 0.5 * berth.ship_design_mbl_kn])
    if rng.random() < 0.4:
        _tend(plan, berth, rng, tell, "auto-tension")
    if rng.random() < 0.3:
        taken = _taken(plan)
        used = {loss.row for loss in plan.losses} | {int(span.size) for span in plan.dropouts}
        _drop_out(plan, berth, rng, taken, used)


def _taken(plan: Plan) -> list[int]:
    """The steps at which a load goes."""
    return [loss.step for loss in plan.losses] + [span.first for span in plan.dropouts]


def _lose_untold(plan: Plan, berth: Berth, rng: np.random.Generator) -> None:
    """One line more parts or is released where neither hook state nor payout tells, if it has nothing else to do."""
    used = {loss.row for loss in plan.losses} | {int(span.size) for span in plan.dropouts}
    step = _moment(plan, rng, _taken(plan), 4 * MINUTE)
    if step is None or len(plan.losses) >= max(2, round(0.34 * len(berth.lines))):
        return
    free = [
        row
        for row, line in enumerate(berth.lines)
        if row not in used and not {"hook-state", "payout"} & set(line.tells) and plan.is_free(row, step, plan.let_go)
    ]
    if not free:
        return
    row = int(rng.choice(free))
    cause = "released" if berth.lines[row].device == "hook" and rng.random() < 0.4 else "parted"
    plan.losses.append(Loss(row, step, cause))
    plan.off[row] = step
    plan.actions = [action for action in plan.actions if action.row != row or action.word != "slacken"]


def _tend(plan: Plan, berth: Berth, rng: np.random.Generator, rows: list[int], word: str) -> None:
    """One winch tends by itself, heaves in, veers, or is clutched in, where it has nothing else to do."""
    for _ in range(30):
        if not rows:
            return
        row = int(rng.choice(rows))
        pretension_kn = berth.lines[row].pretension_kn
        seconds, kind, factor = {
            "auto-tension": (int(rng.integers(900, 2200)), TEND, 1.0),
            "heaving-in": (int(rng.integers(20, 45)), HAUL, float(rng.uniform(1.3, 1.7))),
            "veering": (int(rng.integers(20, 45)), HAUL, float(rng.uniform(0.55, 0.75))),
            "clutch-in": (int(rng.integers(20, 60)), CLUTCH, 0.0),
        }[word]
        first = int(rng.integers(plan.all_fast + 6 * MINUTE, plan.let_go - 8 * MINUTE - seconds * S))
        last = first + seconds * S
        stormy = any(s.word in ("squall", "rough") and s.first < last and first < s.last for s in plan.spans)
        if plan.is_free(row, first, last) and not stormy:
            plan.actions.append(Action(row, first, last, kind, factor * pretension_kn, word))
            return


def _loosen(plan: Plan, berth: Berth, rng: np.random.Generator, rows: list[int]) -> None:
    """A line is veered well below its pretension and left so, half an hour at least; before a sea if there is one."""
    seas = [span.first for span in plan.spans if span.word == "rough"]
    for _ in range(20):
        row = int(rng.choice(rows))
        first = int(rng.integers(plan.all_fast + 6 * MINUTE, plan.let_go - 50 * MINUTE))
        if seas and rng.random() < 0.6:
            first = seas[0] - int(rng.integers(3, 8)) * MINUTE
        last, until = first + 40 * S, first + int(rng.integers(32, 48)) * MINUTE
        if first < plan.all_fast + 5 * MINUTE or not plan.is_free(row, first, until + MINUTE):
            continue
        target_kn = float(rng.uniform(0.15, 0.36)) * berth.lines[row].pretension_kn
        plan.actions.append(Action(row, first, last, HAUL, target_kn, "veering"))
        if until < plan.let_go - 5 * MINUTE:
            back_kn = berth.lines[row].pretension_kn
            plan.actions.append(Action(row, until, until + 40 * S, HAUL, back_kn, "heaving-in"))
        return


def _tighten(plan: Plan, berth: Berth, rng: np.random.Generator, rows: list[int]) -> None:
    """A line is hove in to a third of ship design MBL or more, and left so for most of an hour."""
    for _ in range(20 if rows else 0):
        row = int(rng.choice(rows))
        minutes = int(rng.integers(42, 56))
        first = int(rng.integers(plan.all_fast + 6 * MINUTE, plan.let_go - (minutes + 8) * MINUTE))
        until = first + minutes * MINUTE
        if plan.is_free(row, first, until + MINUTE):
            target_kn = float(rng.uniform(0.33, 0.42)) * berth.ship_design_mbl_kn
            plan.actions.append(Action(row, first, first + 70 * S, HAUL, target_kn, "heaving-in"))
            plan.actions.append(Action(row, until, until + 60 * S, HAUL, berth.lines[row].pretension_kn, "veering"))
            return
