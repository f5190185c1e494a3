"""The double pulse of a passing ship: she draws the moored one along the quay one way, and then the other.

Each line that leads along the quay is looked at by itself, against two accounts of what it bore. By the one it has a
level, and leaves it twice, once in either half of the pulse, by a height of its own each time: a line that hangs slack,
or whose brake renders, shows one half alone. By the other it has a level that steps once, at any instant: so do lines
that are lost, tended, or let slip, and lines beside those. What the first account leaves unexplained against what the
second does, as the logarithm of a likelihood ratio, is what the line has to say; one that says anything is a witness.

A surge needs witnesses of either sign, on two channels at least, a third channel that moved, and of all witnesses
together: that they say enough; that enough of it hangs on either half, for a ship that went one way and back, as
between two runs of a winch, needs one half only; and that enough is said by those that bear more first, and by those
that bear more last, for a squall, a tug's push or a gust loads or relieves lines together. A tug that turns her moves
no spring.

The shape of a half, that of x exp(-x^2 / 2), is a house rule for what common practice says of the pull along the quay
(no source), at half-lengths of 40 to 140 s; half a sine each way, of 70 s a lobe or more, passes too. Limits are house
rules, set on scenarios of the family tune.
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
APART_BINS: Final = 30
"""Of pulses so near each other, of whatever length, the one that is told best is one; the others are its skirts."""
WITNESS: Final = 0.5
"""Of a witness: the share of its variance that the pulse explains at least, ..."""
CHANGE: Final = 1.0 / 3.0
"""... half of what its two lobes differ by at least, as a share of the least pulse ..."""
BOTH_WAYS: Final = 2.0
"""... and how many times that half of their sum may be: of lobes that rise both, one must be thrice the other."""
UNREST: Final = 0.35
"""What a trace does of itself, as a standard deviation [% of what limits are of], in either account."""
DEARER: Final = 1.0
"""How much better the pulse must tell a trace, which has a height more than a step has."""
ENOUGH: Final = 8.0
"""The least of what all witnesses say, ..."""
EACH_HALF: Final = 3.0
"""... of what hangs on either half, ..."""
HALF_SHARE: Final = 0.25
"""... of that as a share of what all say: a winch that moves her along and soon back gives little of one half, ..."""
EACH_WAY: Final = 1.6
"""... and of what those of either sign say."""
THIRD: Final = 0.5
"""Three channels along the quay must have moved meanwhile, witnesses or not, to either side of their middle by this
share of the least pulse."""
BREAST_TIMES: Final = 0.8
"""How many times as far as the mean of her breast lines the witnesses' pull goes at least."""
CODES: Final = {"head": HEAD, "stern": STERN, "spring": SPRING, "breast": BREAST}


def lobes_of(half: int) -> Values:
    """The first and the second half of the pulse at this half-length (2, m), each of height 1 before its mean goes off:
    the first is a rise, the second, too."""
    x = np.arange(-REACH * half, REACH * half + 1) / half
    pulse = x * np.exp(0.5 - 0.5 * x * x)
    lobes = np.stack([np.where(x < 0.0, -pulse, 0.0), np.where(x > 0.0, pulse, 0.0)])
    return np.asarray(lobes - lobes.mean(axis=1, keepdims=True), dtype=np.float64)


LOBES: Final = {half: lobes_of(half) for half in HALVES}


@dataclass(frozen=True)
class Pulse:
    """A double pulse: its middle and half-length in bins; of each witness 1 if it bears more in the first half, -1 if
    it does in the second, by its place among the lines."""

    at: int
    half: int
    signs: dict[int, int]


def pulses(
    roles: Sequence[str],
    channels: Sequence[str],
    traces_pct: Sequence[Values],
    changes_pct: Sequence[Values],
    *,
    least_pct: float,
    witnesses: int,
) -> list[Pulse]:
    """The double pulses in lines' traces, smoothed over 50 s [% of what limits are of] (n,), ascending.

    changes_pct: the same against their trends, which say where anything moves at all; least_pct: the least pulse;
    witnesses: of so many channels at least. Kept is what no other pulse within `APART_BINS`, of any half-length, tells
    better; of equals the earliest, of the shortest half.
    """
    codes = np.array([CODES.get(role, BREAST) for role in roles], dtype=np.int64)
    numbers = {channel: number for number, channel in enumerate(dict.fromkeys(channels))}
    of_channel = np.array([numbers[channel] for channel in channels], dtype=np.int64)
    traces = np.array(traces_pct, dtype=np.float64).reshape(len(roles), -1)
    limits = np.array([CHANGE * least_pct, BOTH_WAYS, WITNESS, UNREST, DEARER])
    changes = np.array(changes_pct, dtype=np.float64).reshape(len(roles), -1)
    moved = np.any(np.abs(changes[codes < ALONG]) >= CHANGE * least_pct, axis=0)  # never where it is NaN
    strength = np.zeros(moved.size)
    best: dict[int, Pulse] = {}
    for half, lobes in LOBES.items():
        places = np.flatnonzero(_near(moved, half))
        told, signs = double_pulses(traces, codes, of_channel, lobes, places, limits)
        score = _scores(told, least_pct, witnesses)
        for number in np.flatnonzero(score > strength[places]).tolist():
            at = int(places[number])
            strength[at] = score[number]
            own = {line: int(sign) for line, sign in enumerate(signs[number]) if sign != 0}
            best[at] = Pulse(at, half, own)
    found = []
    for at, pulse in sorted(best.items()):
        begin = max(at - APART_BINS, 0)
        if begin + int(np.argmax(strength[begin : at + APART_BINS + 1])) == at:
            found.append(pulse)
    return found


def _scores(told: Values, least_pct: float, witnesses: int) -> Values:
    """How well a pulse is told at each place (p,), 1 being the least that counts; 0 where it is none. told: as
    `double_pulses` gives it."""
    of_sign, of_other, of_first, of_second, channels, third, borne, sprung, breasts = told.T
    said, lesser = of_sign + of_other, np.minimum(of_first, of_second)
    score = np.minimum(said / ENOUGH, lesser / EACH_HALF)
    score = np.minimum(score, np.minimum(of_sign, of_other) / EACH_WAY)
    springs = (borne < CHANGE * least_pct) | (sprung >= CHANGE * least_pct)
    both_halves = lesser >= HALF_SHARE * said
    sure = both_halves & (channels >= witnesses) & (third >= THIRD * least_pct) & springs & (breasts >= BREAST_TIMES)
    return np.asarray(np.where(sure & (score >= 1.0), score, 0.0), dtype=np.float64)


def _near(of: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """Whether any within `reach` places of each is true (n,)."""
    count = np.concatenate([[0], np.cumsum(of)])
    at = np.arange(of.size)
    ends = np.minimum(at + reach + 1, of.size), np.maximum(at - reach, 0)
    return np.asarray(count[ends[0]] > count[ends[1]], dtype=np.bool_)
