"""A channel's readings of a day in bins of ten seconds, whether or not a line lies on it. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.quality.bins_kernel import Bools, gather
from pipeline.quality.flags import Times, Values

BIN_US: Final = 10_000_000
"""Length of a bin; bins begin at whole multiples of it."""
Interval = tuple[int, int]
"""From (inclusive) to (exclusive), UTC microseconds."""


@dataclass(frozen=True)
class Bins:
    """Bins that hold a usable reading, ascending; arrays (n,). from_us: where each begins; mean, low, high [kN]."""

    from_us: Times
    mean: Values
    low: Values
    high: Values

    def within(self, interval: Interval) -> Bins:
        """The bins that lie wholly in an interval."""
        begin = int(np.searchsorted(self.from_us, interval[0]))
        end = int(np.searchsorted(self.from_us, interval[1] - BIN_US, side="right"))
        return self.take(slice(begin, max(end, begin)))

    def take(self, where: slice | Bools) -> Bins:
        """Some of the bins."""
        return Bins(self.from_us[where], self.mean[where], self.low[where], self.high[where])


def make_bins(at_us: Times, value: Values, usable: Bools) -> Bins:
    """Readings (n,), ascending in time, in bins; where `usable` is False a reading is not looked at."""
    if at_us.size == 0:
        none = np.empty(0)
        return Bins(np.empty(0, np.int64), none, none, none)
    room = min(at_us.size, int(at_us[-1] // BIN_US - at_us[0] // BIN_US) + 1)
    bins, mean, low, high = gather(at_us, value, usable, BIN_US, room)
    return Bins(bins * BIN_US, mean, low, high)
