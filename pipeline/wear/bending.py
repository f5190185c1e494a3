"""Strength of a rope over a bend, as a share of its straight strength: lowers the margin at a contact.

It never enters a fatigue curve's R or Lm: bending-over-sheaves fatigue is not modelled.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from typing import Final

from pipeline.errors import RegisterError
from schemas.specs import Bending, Material

WIRE_SOURCE: Final = "IMCA M 179, as given in 0027/ND Table 7-1 (the table was read, the guidance itself not)"
WIRE_FROM: Final = 1.0
"""The smallest D/d in that table."""


@dataclass(frozen=True, slots=True)
class AtBend:
    """`share` of straight strength over a bend; `outside`: D/d is below what `source` serves, so it may be less."""

    share: float
    outside: bool
    source: str


def wire_bending_factor(ratio: float) -> float:
    """What a wire rope's strength is divided by over a bend of D/d = `ratio`: 1 / (1 - 0.5 / sqrt(D/d)).

    Source: IMCA M 179 via 0027/ND Table 7-1, which prints D/d of 1 to 7; above 7 the formula is carried on. Infinite
    at a D/d of 0.25 and below, where the formula leaves no strength. Raises RegisterError for a ratio not above 0.
    """
    left = _wire_share(ratio)
    return 1 / left if left > 0 else math.inf


def strength_share(ratio: float, *, material: Material, bending: Bending | None) -> AtBend | None:
    """Share of its straight strength that a rope has over a bend of D/d = `ratio`; None: not reckoned.

    With a `[bending]` table: linear between its points, the last strength above them. Below the first point a smaller
    bend weakens more, by how much is not known: the first strength is returned as `outside`, and is not on the safe
    side. Wire without a table: by `wire_bending_factor`, `outside` below a D/d of 1. Fibre without a table: None. Its
    share is 1 only if the maker's minimum diameter is kept (0027/ND Table 7-1), which nobody here can see.

    D is the diameter of the bend, d of the rope. Raises RegisterError for a ratio not above 0.
    """
    if bending is not None:
        share = _interpolated(_checked(ratio), bending.ratio, bending.strength)
        return AtBend(share, ratio < bending.ratio[0], bending.source)
    if material == "wire":
        return AtBend(_wire_share(ratio), ratio < WIRE_FROM, WIRE_SOURCE)
    return None


def _wire_share(ratio: float) -> float:
    return max(0.0, 1 - 0.5 / math.sqrt(_checked(ratio)))


def _interpolated(at: float, points: tuple[float, ...], values: tuple[float, ...]) -> float:
    """Linear between ascending points, the end values outside them."""
    after = bisect_right(points, at)
    if after in (0, len(points)):
        return values[0] if after == 0 else values[-1]
    part = (at - points[after - 1]) / (points[after] - points[after - 1])
    return values[after - 1] * (1 - part) + values[after] * part


def _checked(ratio: float) -> float:
    if not 0 < ratio < math.inf:
        raise RegisterError(
            "a bend has a diameter",
            found=f"a ratio D/d of {ratio}",
            expected="a number above 0",
            next_step="correct bend_ratio in rigging.csv",
        )
    return ratio
