"""Sustained-load: a line that stands under load for long, which a moored line should not.

House rules, no source: each of `sustained_bins` (3) or more successive ten-minute UTC bins of the all-fast phase has
`sustained_time_pct` (90) % or more of its observed time above `sustained_pct` (25) % of ship design MBL.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from pipeline.events.bins import Bin, highest, successive
from pipeline.events.tension import Peak
from schemas.registers import Policy

KIND: Final = "sustained-load"


@dataclass(frozen=True)
class SustainedLoad:
    """One event, over whole bins [from_us, to_us); `mean_kn`: the mean of their means."""

    from_us: int
    to_us: int
    bins: int
    mean_kn: float
    peak: Peak


def join(bins: Sequence[Bin], policy: Policy, *, all_fast: Callable[[int, int], bool]) -> list[SustainedLoad]:
    """Events in time order, of one rigging's bins of any number of days; `all_fast` tells of [from_us, to_us)."""
    stretches = successive(
        bins, at_least=policy.sustained_bins, counts=lambda one: one.long and all_fast(one.from_us, one.to_us)
    )
    return [
        SustainedLoad(
            stretch[0].from_us,
            stretch[-1].to_us,
            len(stretch),
            sum(one.mean_kn for one in stretch) / len(stretch),
            highest(stretch),
        )
        for stretch in stretches
    ]
