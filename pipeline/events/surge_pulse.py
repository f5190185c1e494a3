"""The double pulse of a passing ship: she draws the moored one along the quay one way, and then the other.

Each line that leads along the quay is looked at by itself. One that answers the pulse, and little else, is a witness:
it tightens first and eases then, or the other way round. A line that is lost, tended or renders meanwhile does
something else, is no witness, and is left out rather than spoil what the others show. Witnesses must be of both kinds,
head lines against stern lines where there are any, and what those that tighten first bear less what the others bear
must be a pulse and its opposite: so it is also where lines hang slack and each shows one half of it alone. A squall,
which loads or relieves all lines together, has witnesses of one kind; a tug that turns her moves no spring.

The shape, x exp(-x^2 / 2), is a house rule for what common practice says of the pull along the quay (no source), at
half-lengths of 40 to 140 s; half a sine each way, of 120 s or more, passes too. Limits are house rules, set on
scenarios of the family tune.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.events.surge_kernel import ALONG, BREAST, HEAD, SPRING, STERN, double_pulses

Values = NDArray[np.float64]

HALVES: Final = (4, 5, 6, 8, 10, 12, 14)
"""Half-lengths of the pulse in bins of 10 s: from its middle to the height of either lobe."""
REACH: Final = 3
"""It is looked at over so many half-lengths to either side of its middle."""
WITNESS: Final = 0.65
"""Of a witness: the share of its variance that the pulse explains. Half a pulse, of a slack line, has some 0.7."""
TOGETHER: Final = 0.88
"""Of what the witnesses show together ..."""
TOGETHER_FEW: Final = 0.92
"""... and of that of as few as can tell a surge, which must agree better."""
BREAST_TIMES: Final = 0.8
"""How many times as far as the mean of her breast lines that must go."""
AGREE: Final = 0.7
"""How much of what head and stern witnesses answered must be head against stern ..."""
MANY: Final = 5
"""... but where springs pull against each other, and so many channels are witnesses: then a register may be wrong."""
CODES: Final = {"head": HEAD, "stern": STERN, "spring": SPRING, "breast": BREAST}


def shape_of(half: int) -> Values:
    """The pulse at this half-length (m,): of mean 0, and of squares that sum to 1."""
    x = np.arange(-REACH * half, REACH * half + 1) / half
    pulse = x * np.exp(-0.5 * x * x)
    return np.asarray(pulse / np.sqrt((pulse * pulse).sum()), dtype=np.float64)


SHAPES: Final = {half: shape_of(half) for half in HALVES}


@dataclass(frozen=True)
class Pulse:
    """A double pulse: its middle and half-length in bins; of each witness 1 if it eases first and -1 if it tightens
    first, by its place among the lines."""

    at: int
    half: int
    signs: dict[int, int]


def pulses(
    roles: Sequence[str], channels: Sequence[str], changes_pct: Sequence[Values], *, answer_pct: float, least: int
) -> list[Pulse]:
    """The double pulses in lines' changes against their trends, smoothed [% of what limits are of] (n,), in no order.

    answer_pct: the height at which a line answers; least: so many channels must be witnesses. Of each half-length those
    that no other within it tells better, the earliest of equals.
    """
    codes = np.array([CODES.get(role, BREAST) for role in roles], dtype=np.int64)
    changes = np.array(changes_pct, dtype=np.float64).reshape(len(roles), -1)
    answers = np.any(np.abs(changes[codes < ALONG]) >= answer_pct, axis=0)  # never where it is NaN
    found = []
    for half, shape in SHAPES.items():
        places = np.flatnonzero(_near(answers, half))
        told, signs = double_pulses(changes, codes, shape, places, answer_pct, WITNESS)
        strength = np.zeros(answers.size)
        kept: dict[int, dict[int, int]] = {}
        share, breasts, strong, agree, springs = told.T
        for number in np.flatnonzero((share >= TOGETHER) & (breasts >= BREAST_TIMES)).tolist():
            at, own = int(places[number]), {line: int(sign) for line, sign in enumerate(signs[number]) if sign != 0}
            many = len({channels[line] for line in own})
            known = bool((~np.isnan(changes[codes == SPRING, at])).any())
            sure = share[number] >= (TOGETHER if many > least else TOGETHER_FEW)
            if many >= least and sure and _like_a_surge(float(agree[number]), int(springs[number]), many, known=known):
                strength[at], kept[at] = strong[number] * share[number], own
        for at, own in kept.items():
            begin = max(at - half, 0)
            if begin + int(np.argmax(strength[begin : at + half + 1])) == at:
                found.append(Pulse(at, half, own))
    return found


def _like_a_surge(agree: float, springs: int, many: int, *, known: bool) -> bool:
    """Whether lines pull as when a ship goes along the quay. agree, springs: as `double_pulses` tells them; known:
    whether a spring is; springs tell a ship that goes along the quay from one that turns."""
    if known and springs == 0:
        return False
    if agree < 0.0:  # neither head nor stern lines
        return springs == 2
    return agree >= AGREE or (springs == 2 and many >= MANY)


def _near(of: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """Whether any within `reach` places of each is true (n,)."""
    count = np.concatenate([[0], np.cumsum(of)])
    at = np.arange(of.size)
    ends = np.minimum(at + reach + 1, of.size), np.maximum(at - reach, 0)
    return np.asarray(count[ends[0]] > count[ends[1]], dtype=np.bool_)
