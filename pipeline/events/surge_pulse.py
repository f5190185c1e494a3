"""The double pulse of a passing ship: she draws the moored one along the quay one way, and then the other.

Looked for in the whole ship's motion along the quay, rather than in one line: head lines less stern lines, with the
springs that move with either. That is a pulse and its opposite also where lines hang slack and cannot fall. The shape,
x exp(-x^2 / 2), is a house rule for what common practice says of the pull along the quay (no source), at half-lengths
of 60 to 140 s. What explains much of that motion is a pulse; what moves the ship off the quay as much, or is no pulse
and its opposite, is a gust. Limits are house rules, set on scenarios of the family tune.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.events.surge_kernel import double_pulses

Values = NDArray[np.float64]

HALVES: Final = (6, 8, 10, 12, 14)
"""Half-lengths of the pulse in bins of 10 s: from its middle to the height of either lobe."""
REACH: Final = 3
"""It is looked at over so many half-lengths to either side of its middle."""
ANSWER: Final = 4.0
"""Less than this, in percent of the limit base times the root of bins, is not looked at."""


@dataclass(frozen=True)
class Least:
    """What is asked: the share explained, the height [%], and the motion along in times that off the quay, and that of
    breast lines."""

    share: float
    height: float
    off: float
    breast: float


ALONE: Final = Least(0.85, 4.0, 2.0, 0.8)
"""Of a pulse that tells a surge by itself."""
BESIDE: Final = Least(0.8, 2.0, 1.5, 0.0)
"""Of one beside a line's lobe, without which that is no surge."""
BESIDE_BINS: Final = 24


def shape_of(half: int) -> Values:
    """The pulse at this half-length (m,): of mean 0, and of squares that sum to 1."""
    x = np.arange(-REACH * half, REACH * half + 1) / half
    pulse = x * np.exp(-0.5 * x * x)
    return np.asarray(pulse / np.sqrt((pulse * pulse).sum()), dtype=np.float64)


SHAPES: Final = {half: shape_of(half) for half in HALVES}


@dataclass(frozen=True)
class Pulses:
    """What `double_pulses` tells at each half-length; None where lines of both ends are not known."""

    told: dict[int, Values] | None

    def beside(self, core: NDArray[np.int64]) -> bool:
        """Whether a pulse lies near the bins of a lobe; True where that cannot be known."""
        if self.told is None:
            return True
        about = slice(max(int(core[0]) - BESIDE_BINS, 0), int(core[-1]) + BESIDE_BINS + 1)
        return any(bool(_passes(one[about], BESIDE).any()) for one in self.told.values())

    def alone(self, first: int, last: int) -> list[tuple[int, int]]:
        """Middles in [first, last) and half-lengths of pulses that are told by themselves: of each half-length those
        that fit no worse than any within it, the earliest of equals."""
        found = []
        for half, one in (self.told or {}).items():
            size = one[:, 0] * one[:, 1]
            for at in np.flatnonzero(_passes(one, ALONE)).tolist():
                begin = max(at - half, 0)
                near = size[begin : at + half + 1]
                if first <= at < last and begin + int(np.argmax(near)) == at:
                    found.append((at, half))
        return found


def _passes(told: Values, least: Least) -> NDArray[np.bool_]:
    limits = (least.share, least.height, least.off, least.breast)
    return np.asarray((told >= np.array(limits)).all(axis=1))


def pulses(roles: Sequence[str], change_pct: Sequence[Values]) -> Pulses:
    """The pulses in lines' changes against their trends, smoothed [% of what limits are of] (n,), by role."""
    of = {role: [one for own, one in zip(roles, change_pct, strict=True) if own == role] for role in set(roles)}
    if not of.get("head") or not of.get("stern"):
        return Pulses(None)
    size = change_pct[0].size
    head, stern = (_mean(of[role]) for role in ("head", "stern"))
    if np.isnan(head - stern).all():
        return Pulses(None)
    breast = _mean(of["breast"]) if of.get("breast") else np.full(size, np.nan)
    springs = np.array(of.get("spring", []), dtype=np.float64).reshape(-1, size)
    return Pulses({half: double_pulses(head, stern, breast, springs, shape, ANSWER) for half, shape in SHAPES.items()})


def _mean(lines: Sequence[Values]) -> Values:
    """Of those that are known, in their order; NaN where none is."""
    total, count = np.zeros(lines[0].size), np.zeros(lines[0].size)
    for one in lines:
        known = ~np.isnan(one)
        total[known] += one[known]
        count += known
    return np.asarray(np.divide(total, count, out=np.full(total.size, np.nan), where=count > 0))
