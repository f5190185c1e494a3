"""What a fatigue curve's tests say beyond the curve: the band that scatter gives a life, and a thousand-cycle level."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist
from typing import Final

from pipeline.errors import Bug, RegisterError

THOUSAND: Final = 3.0
"""log10 of the cycles that a thousand-cycle level is named after."""


def scatter_band(life: float, scatter: float, share: float = 0.90) -> tuple[float, float]:
    """Lower and upper life used, where log10 of the cycles to failure N has a standard deviation of `scatter`.

    Among ropes that went through these very cycles, `share` of them have used between life * 10^(-z*scatter) and
    life * 10^(z*scatter), z being the normal quantile of (1 + share) / 2; half of the others have used more. Assumes
    that log10 N is normal, that `life` is reckoned on its mean, and that a rope which is weak in one cycle is as weak
    in all, so that one factor stands for the whole history.

    Limits: it is the scatter of tested ropes alone. Errors of the load, of the curve's fit and of adding up damage
    come on top, so the truth is less certain than the band. For a design curve, which already lies below the mean,
    the upper end is too high and the lower end means nothing.

    Raises Bug for a life or scatter that is negative or not finite, or a share not between 0 and 1.
    """
    if not (0 <= life < math.inf and 0 <= scatter < math.inf and 0 < share < 1):
        raise Bug(f"no band of {share} for a life of {life} and a scatter of {scatter}")
    spread = NormalDist().inv_cdf((1 + share) / 2) * scatter
    return life * math.pow(10.0, -spread), life * math.pow(10.0, spread)


def thousand_cycle_level(runs: Sequence[tuple[float, float]]) -> float:
    """The share of break strength that a rope survives a thousand times, read from a test at rising levels.

    runs: (level, cycles) in any order, each from slack to `level` (share of break strength, wet for polyamide;
    between 0 and 1) and `cycles` of it survived, above 0. The sequence of the purchasing and testing guidelines for
    single point mooring hawsers (2000) is 1,000 cycles each at 0.5, 0.6 and 0.7, then up to 2,000 at 0.8.

    Reading: cycles to failure fall on a straight line of level over log10 N, from 1 at one cycle to the result at
    1,000, and damage adds up to 1 (Miner) over the runs. The guidelines' own formula was not seen; this one may
    differ. A rope that did not fail gives a level which it has at least. The line serves to read the test only: a
    curve made from the level (`[fatigue] thousand_cycle_level`) is a power law through the same point.

    Raises RegisterError for runs that cannot be, or that end too early to give a level above 0.
    """
    if not runs or not all(0 < level < 1 and 0 < cycles < math.inf for level, cycles in runs):
        raise _no_level(runs, "levels between 0 and 1, each with a number of cycles above 0")

    def used(slope: float) -> float:
        # `slope`: decades of N per unit of level; the line passes through a level of 1 at N = 1.
        return math.fsum(cycles * math.pow(10.0, -slope * (1 - level)) for level, cycles in runs)

    # The result is 1 - 3 / slope: above 0 only for a slope above 3. Damage falls with the slope.
    low, high = THOUSAND, 2 * THOUSAND
    if not used(low) > 1:
        raise _no_level(runs, "enough cycles to give a level above 0")
    while used(high) > 1:
        low, high = high, 2 * high
    while low < (middle := (low + high) / 2) < high:
        low, high = (middle, high) if used(middle) > 1 else (low, middle)
    return 1 - THOUSAND / high


def _no_level(runs: Sequence[tuple[float, float]], expected: str) -> RegisterError:
    return RegisterError(
        "these runs give no thousand-cycle level",
        found=", ".join(f"{cycles:g} cycles at {level:g}" for level, cycles in runs) or "no run",
        expected=expected,
        next_step="correct the test's runs: share of break strength, and cycles survived there",
    )
