"""Strength left, by the form of Schaff and Davidson (1997): S = S0 - (S0 - Sp) * (n/N)^exponent.

S0 is the strength when new, Sp the strength at which the rope parts under the load that uses up its life, n/N the
life used. With an exponent of 1 it is the straight line of Broutman and Sahu (1972); above 1 strength falls late.

Limits: the form was made for laminates under one-sided cycling; that a rope follows it is an assumption of the spec's
`[strength_left]`, as good as its source. It knows fatigue life used, and no cut, chafe, twist or chemical. A break test
of the rope itself outranks every figure from here, and none is a reason to keep a line longer than the maker, the
company or the calendar allows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from pipeline.errors import Bug, RegisterError
from pipeline.wear.lives import check_break_force
from schemas.specs import StrengthLeft


def residual(s0: float, sp: float, used: float, exponent: float) -> float:
    """Strength left after a share `used` (n/N) of a life under one load: s0 - (s0 - sp) * used^exponent.

    s0 above sp, in any unit, which is the result's; used 0 or more. Beyond 1 it goes on downward, below 0 too.
    Raises Bug for what cannot be.
    """
    _check_block(s0, sp, used, exponent)
    return s0 - (s0 - sp) * _fallen(used, exponent)


def used_at(s0: float, sp: float, strength: float, exponent: float) -> float:
    """The share of a life under one load that leaves `strength`: the inverse of `residual`.

    Times N, these are the equivalent cycles: what went before, whatever it was, counts as so many cycles of this
    load. Above 1 where strength is already below sp. Raises Bug for a strength above s0 and for what cannot be.
    """
    if not (0 <= sp < s0 < math.inf and strength <= s0 and 0 < exponent < math.inf):
        raise Bug(f"no life used from {s0} towards {sp}, exponent {exponent}, at a strength of {strength}")
    return math.pow((s0 - strength) / (s0 - sp), 1 / exponent)


def after_blocks(s0: float, blocks: Sequence[tuple[float, float]], exponent: float) -> float:
    """Strength left after blocks of loads in sequence, by equivalent cycles.

    blocks: (sp, used) in order of time; `used` is the block's own n/N. Unlike Miner's sum, the order counts: high
    before low is milder than low before high. Beyond failure it goes on downward. Raises Bug as `residual`.
    """
    # The loss is carried, not the strength: a small first loss would drown in the digits of s0.
    lost = 0.0
    for sp, used in blocks:
        _check_block(s0, sp, used, exponent)
        lost = (s0 - sp) * _fallen(math.pow(lost / (s0 - sp), 1 / exponent) + used, exponent)
    return s0 - lost


def strength_left_kn(break_force_kn: float, used: float, left: StrengthLeft) -> float:
    """Strength left [kN] after life used D: S0 * (1 - (1 - at_end) * D^exponent), at least 0 kN.

    break_force_kn: the line's own, S0; used: D, 0 or more, all that the figure is to contain. D beyond 1 goes on
    downward, and the result stops at no retirement line: a line that is past it is shown past it. Raises
    RegisterError for a break force that is none, Bug for a D that is negative or not finite.
    """
    check_break_force(break_force_kn)
    if not 0 <= used < math.inf:
        raise Bug(f"life used must be 0 or more, found {used}")
    return max(0.0, break_force_kn * (1 - (1 - left.at_end) * _fallen(used, left.exponent)))


def retirement_kn(design_mbl_kn: float, retire_pct: float = 75.0) -> float:
    """Strength [kN] at which a line is to be retired: `retire_pct` of ship design MBL.

    Where that is unknown, whoever asks gives the line's own break force instead, and says so beside the figure.
    Source of 75 %: common practice, no source. The maker, the company or the calendar may say more, never less.
    Raises RegisterError for a ship design MBL that is no number above 0 or a percentage not above 0 and at most 100.
    """
    if not (0 < design_mbl_kn < math.inf and 0 < retire_pct <= 100):
        raise RegisterError(
            "the retirement line is a percentage of ship design MBL",
            found=f"{retire_pct} % of {design_mbl_kn} kN",
            expected="above 0 and at most 100 %, of a number above 0",
            next_step="correct ships.csv, or the policy in site.toml",
        )
    return design_mbl_kn * retire_pct / 100


def margin(peak_kn: float, strength_left_kn: float) -> float | None:
    """How many times the peak goes into the strength left; below 1 the peak is the larger. None without a peak.

    Both of one zone, the strength at the hour of the peak; over a bend, the strength times its share there
    (`bending.strength_share`). peak_kn of 0 or less is no peak. It says how near a line came to parting by this
    model, and nothing of a safe load: a limit is of the maker or the company. Raises Bug for what is no number.
    """
    if not (math.isfinite(peak_kn) and 0 <= strength_left_kn < math.inf):
        raise Bug(f"no margin of a peak of {peak_kn} kN against {strength_left_kn} kN")
    return None if peak_kn <= 0 else strength_left_kn / peak_kn


def _check_block(s0: float, sp: float, used: float, exponent: float) -> None:
    if not (0 <= sp < s0 < math.inf and 0 <= used < math.inf and 0 < exponent < math.inf):
        raise Bug(f"no strength left from {s0} towards {sp}, exponent {exponent}, after {used} of a life")


def _fallen(used: float, exponent: float) -> float:
    """used^exponent; beyond the largest double infinity, which leaves no strength."""
    try:
        return math.pow(used, exponent)
    except OverflowError:
        return math.inf
