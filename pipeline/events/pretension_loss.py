"""Pretension-loss: a line that has lost the tension it was made fast with, so that its neighbours carry its part.

House rules, no source: in `pretension_bins` (2) or more successive ten-minute UTC bins of the all-fast phase the mean
tension is below `pretension_loss_pct` (50) % of the planned pretension: that of `rigging.csv` (`pretension_kn`), else
`pretension_pct` (10) % of ship design MBL.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from pipeline.events.bins import Bin, highest, successive
from pipeline.events.tension import Peak
from schemas.registers import Policy

KIND: Final = "pretension-loss"


@dataclass(frozen=True)
class PretensionLoss:
    """One event, over whole bins [from_us, to_us); `lowest_kn`: the least of their means, `mean_kn`: their mean."""

    from_us: int
    to_us: int
    bins: int
    mean_kn: float
    lowest_kn: float
    peak: Peak


def join(bins: Sequence[Bin], policy: Policy, *, all_fast: Callable[[int, int], bool]) -> list[PretensionLoss]:
    """Events in time order, of one rigging's bins of any number of days; `all_fast` tells of [from_us, to_us)."""
    stretches = successive(
        bins, at_least=policy.pretension_bins, counts=lambda one: one.low and all_fast(one.from_us, one.to_us)
    )
    return [
        PretensionLoss(
            stretch[0].from_us,
            stretch[-1].to_us,
            len(stretch),
            sum(one.mean_kn for one in stretch) / len(stretch),
            min(one.mean_kn for one in stretch),
            highest(stretch),
        )
        for stretch in stretches
    ]
