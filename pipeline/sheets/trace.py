"""The trace of a slice: its tension in 10-second bins, for what must be seen over many lines at once. Pure.

A trace is made from the live samples in order of time, in one pass, so that it does not depend on how a log was cut
into files. It is kept beside the sheet's other columns and read only where it is wanted.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.sheets.cycles import Floats, Ints
from pipeline.sheets.kernel import Bools
from pipeline.sheets.trace_kernel import bins_begin, gather
from schemas.times import DAY_US

BIN_S: Final = 10
"""Length of a bin [s]; bins begin at whole multiples of it in the UTC day."""
BIN_US: Final = BIN_S * 1_000_000
BINS_OF_DAY: Final = DAY_US // BIN_US
DAN_PER_KN: Final = 100
"""A daN is 10 N."""


@dataclass(frozen=True)
class Trace:
    """Bins with a usable sample, ascending; all arrays (n,).

    bins: number of the bin in the UTC day, from 0; mean_dan: mean line tension [daN], whole, so that sums of any number
    of bins are exact; low_kn, high_kn: lowest and highest line tension [kN], as the samples give them.
    """

    bins: Ints
    mean_dan: Ints
    low_kn: Floats
    high_kn: Floats

    @property
    def mean_kn(self) -> Floats:
        """Mean line tension [kN], to 0.01 kN."""
        return self.mean_dan / float(DAN_PER_KN)

    def spans_above(self, level_kn: float, at_us: Ints, day_us: int) -> tuple[Ints, Ints]:
        """Of the samples that the trace was made from: indices at which runs of bins that reach above a level begin,
        and stop. No excursion goes on beyond one: the usable samples of the bins on either side are not above."""
        turns = np.flatnonzero(np.diff((self.high_kn > level_kn).astype(np.int8), prepend=0, append=0))
        firsts, lasts = turns[::2], turns[1::2] - 1
        return (
            np.searchsorted(at_us, day_us + self.bins[firsts] * BIN_US),
            np.searchsorted(at_us, day_us + (self.bins[lasts] + 1) * BIN_US),
        )


NO_TRACE: Final = Trace(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0), np.empty(0))


def make_trace(at_us: Ints, kn: Floats, usable: Bools, day_us: int) -> Trace:
    """The trace of samples (n,), strictly ascending, of the UTC day that begins at `day_us`.

    Where `usable` is False a sample is not looked at. Tensions are below 1e16 kN, which flags see to.
    """
    bins, begins = bins_begin(at_us, day_us, BIN_US, BINS_OF_DAY)
    unusable = np.empty(0, np.int64) if usable.all() else np.flatnonzero(~usable)
    return Trace(*gather(kn, usable, unusable, bins, begins))
