"""Life for an assumed share of a hook's load: priced again at the least and the largest share it may be.

A line's tension is the channel's tension times its share, so that cycles scale with it; life goes with a power of
the range, so that a share known to a fifth may leave life open by a factor of two or three.

Limits: lines on one hook share one load: not all of them can have their largest share at once, and the ends of
several lines must not be added up. Peak-loads scale likewise and are not reckoned here.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import RegisterError

Values = NDArray[np.float64]
Counts = NDArray[np.int64]
PriceOf = Callable[[Values, Values, Counts], int]
"""Life [units] of cycles: low_kn, high_kn, count, (n,) each."""


@dataclass(frozen=True)
class Band:
    """Life [units] with the share as registered, and with the least and the largest it may be."""

    assumed: int
    at_share_low: int
    at_share_high: int

    @property
    def least(self) -> int:
        """The smallest of the three: a curve whose life falls with a lower mean load may turn the ends round."""
        return min(self.assumed, self.at_share_low, self.at_share_high)

    @property
    def most(self) -> int:
        """The largest of the three."""
        return max(self.assumed, self.at_share_low, self.at_share_high)


def banded(
    low_kn: Values,
    high_kn: Values,
    count: Counts,
    *,
    share_pct: float,
    share_low_pct: float,
    share_high_pct: float,
    price: PriceOf,
) -> Band:
    """Life of cycles counted with `share_pct` [%], at that share and at either end. Cycles (n,) [kN].

    Raises RegisterError unless 0 < share_low_pct <= share_pct <= share_high_pct.
    """
    shares = (share_low_pct, share_pct, share_high_pct)
    if not (all(math.isfinite(share) for share in shares) and 0 < share_low_pct <= share_pct <= share_high_pct):
        raise RegisterError(
            "an assumed share lies between its least and its largest",
            found=f"share_low = {share_low_pct}, share_pct = {share_pct}, share_high = {share_high_pct}",
            expected="0 < share_low <= share_pct <= share_high",
            next_step="correct rigging.csv",
        )

    def at(share: float) -> int:
        scale = share / share_pct
        return price(low_kn * scale, high_kn * scale, count)

    return Band(price(low_kn, high_kn, count), at(share_low_pct), at(share_high_pct))
