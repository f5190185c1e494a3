"""What the crew does with the winches: making fast in turn, tending every few hours, letting go in turn."""

from __future__ import annotations

from dataclasses import dataclass

from sample_logs import world

HAUL, TEND, SLACKEN = 1, 2, 3
KIND_WORDS = {HAUL: "haul", TEND: "auto-tension", SLACKEN: "slacken"}

_S = world.RATE_HZ
_FIRST_HAUL_S, _SECOND_HAUL_S, _HAUL_S = 60, 130, 40
_TEND_EVERY = 9000 * _S
_TEND_S = 75


@dataclass(frozen=True)
class Action:
    """One line's winch under power (its brake open) over the steps [first, last); target tension in kN."""

    line: str
    first: int
    last: int
    kind: int
    target_kn: float


def _making_fast() -> list[Action]:
    actions = []
    for line in world.FAST_ORDER:
        on = world.made_fast(line)
        pretension = world.LINES[world.NUMBER[line]].pretension_kn
        for after_s, share in ((_FIRST_HAUL_S, 0.4), (_SECOND_HAUL_S, 0.75)):
            first = on + after_s * _S
            actions.append(Action(line, first, first + _HAUL_S * _S, HAUL, share * pretension))
    return actions


def _busy(step: int) -> bool:
    """No tending round begins shortly before or in the squall, the passing, or the letting go."""
    quiet = ((world.SQUALL, 4500, 3600), (world.PASSING, 3600, 1500), (world.LET_GO, 2700, 0))
    return any(event - before * _S <= step <= event + after * _S for event, before, after in quiet)


def _tending() -> list[Action]:
    actions = []
    start = world.ALL_FAST
    while start < world.LET_GO:
        if not _busy(start):
            for turn, line in enumerate(world.FAST_ORDER):
                first = start + turn * _TEND_S * _S
                if line == "L08" and world.AUTO_TENSION[0] <= first <= world.AUTO_TENSION[1]:
                    continue
                pretension = world.LINES[world.NUMBER[line]].pretension_kn
                actions.append(Action(line, first, first + (_TEND_S - 5) * _S, HAUL, pretension))
        start += _TEND_EVERY
    first, last = world.AUTO_TENSION
    actions.append(Action("L08", first, last, TEND, world.LINES[world.NUMBER["L08"]].pretension_kn))
    return actions


def _letting_go() -> list[Action]:
    actions = []
    for turn, line in enumerate(world.LET_GO_ORDER):
        first = world.LET_GO + turn * world.LET_GO_EVERY
        actions.append(Action(line, first, world.let_go(line), SLACKEN, 0.0))
    return actions


def schedule() -> tuple[Action, ...]:
    """Every winch action of the call, by line and time; no two of one line overlap."""
    actions = _making_fast() + _tending() + _letting_go()
    return tuple(sorted(actions, key=lambda action: (action.line, action.first)))
