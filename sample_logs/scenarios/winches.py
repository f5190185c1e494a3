"""Winches of a call, drawn after its berth: more that record payout, and what registers say of all of them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import Final

import numpy as np

from sample_logs.scenarios.berth import NEVER_KN, Berth

_HOOKS_MORE: Final = 0.9
_WINCHES_MORE: Final = 0.15
"""How many of them, as parts, so that no other kind comes to lack."""


def with_registers(rng: np.random.Generator, berth: Berth, lost: Collection[int]) -> Berth:
    """The berth with what its registers say of winches drawn anew: layer and reeling, and settings of some brakes.

    Nothing that the ship feels is changed, for what a brake holds stays. Of seized brakes most were set low, so that
    calls show that they hold above their setting, others so high that no call reaches it; and those whose winch
    recorded no payout do record it, but for `lost` rows, whose class of loss rests on what their place tells. Of those
    that are as set some were set lower, and let go late; the others within 2 %, far from both limits.
    """
    lines = list(berth.lines)
    for row, line in enumerate(lines):
        layer, wrong = int(rng.choice((1, 2, 3), p=(0.75, 0.2, 0.05))), bool(rng.random() < 0.08)
        low, late, share = bool(rng.random() < 0.65), bool(rng.random() < 0.15), float(rng.random())
        if line.device != "winch":
            continue
        line = replace(line, layer=layer, reeling="wrong" if wrong else "right")
        told = "payout" in line.tells
        if line.holds_kn == NEVER_KN and (told or row not in lost):
            setting_kn = berth.ship_design_mbl_kn * (0.13 + 0.10 * share if low else 0.50 + 0.15 * share)
            tells = line.tells if told else ("payout", *line.tells)
            line = replace(line, brake_set_kn=float(np.round(setting_kn, 0)), tells=tells)
        elif told and line.brake_set_kn is not None and 0.95 <= line.holds_kn / line.brake_set_kn <= 1.05:
            over = 1.18 + 0.17 * share if late else 0.98 + 0.04 * share
            line = replace(line, brake_set_kn=float(np.round(line.holds_kn / over, 0)))
        lines[row] = line
    return replace(berth, lines=tuple(lines))


def with_more_brakes(rng: np.random.Generator, berth: Berth) -> Berth:
    """The berth with more winches that record payout, so that a few hundred calls show each state of a brake often.

    Of lines that are alone at their place and tell nothing, some are measured by such a winch instead: breast lines and
    springs on hooks, and some winches. Their brakes are early, as set or late, and set low enough that squalls exercise
    them. Soft lines stay on their hooks: what is hove in hard must not render.
    """
    lines = list(berth.lines)
    number = len({line.place for line in lines if line.device == "winch"})
    for row, line in enumerate(lines):
        chance, drawn = float(rng.random()), rng.integers(2**63)
        hook = line.device == "hook"
        apt = line.share == 1.0 and not {"payout", "hook-state"} & set(line.tells)
        if not apt or chance >= (_HOOKS_MORE if hook else _WINCHES_MORE) or (hook and line.role in ("head", "stern")):
            continue
        own = np.random.Generator(np.random.PCG64(int(drawn)))
        place, logger = line.place, line.logger
        if hook:
            number += 1
            place, logger = f"W{number:02d}", f"ship-{line.end}"
        setting_kn = float(np.round(berth.ship_design_mbl_kn * own.uniform(0.23, 0.29), 0))
        low, high = ((0.55, 0.83), (0.98, 1.02), (1.18, 1.35))[int(own.choice(3, p=(0.18, 0.60, 0.22)))]
        holds_kn = max(setting_kn * float(own.uniform(low, high)), 0.22 * berth.ship_design_mbl_kn)
        days = int(own.integers(20, 340) if own.random() < 0.8 else own.integers(380, 900))
        # Without a brake state paying out under power cannot be told from rendering.
        tells = ("payout", "brake", "winch-mode") if own.random() < 0.7 else ("payout", "brake")
        lines[row] = replace(
            line, device="winch", place=place, logger=logger, tells=tells,
            brake_set_kn=setting_kn, brake_set_days_ago=days,
            holds_kn=holds_kn, grips_kn=holds_kn * float(own.uniform(0.78, 0.97)),
        )  # fmt: skip
    return replace(berth, lines=tuple(lines))
