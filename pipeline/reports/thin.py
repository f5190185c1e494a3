"""Traces thinned for drawing: of each equal number of samples the lowest and the highest; gaps stay gaps. Pure.

Which samples are kept is decided by the min-max aggregation of tsdownsample (Van Der Donckt et al. 2022, "Plotly-
Resampler", IEEE VIS). Nothing is averaged or moved: every point drawn is a sample.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

LEAST_POINTS: Final = 8
"""Below this a trace is no trace: the first, the last, and of three stretches the lowest and highest."""


@dataclass(frozen=True)
class Thinned:
    """Points to draw: at_us, value (n,), ascending; NaN is a break in the line, a microsecond after the point before.

    `of`: how many samples they were thinned from.
    """

    at_us: Ints
    value: Floats
    of: int

    @property
    def points(self) -> int:
        """How many of them are samples."""
        return int(np.count_nonzero(~np.isnan(self.value)))


def thin(at_us: Ints, value: Floats, most: int, *, gap_us: int, keep_us: Sequence[int] = ()) -> Thinned:
    """At most `most` samples of (n,), strictly ascending in time, and a break wherever samples are missing between two.

    The first, the last, the lowest and the highest sample are always among them, and those at `keep_us`. Missing is a
    sample whose value is not finite, and any time longer than `gap_us` without one. `most`: at least LEAST_POINTS more
    than there are in `keep_us`.
    """
    good = np.flatnonzero(np.isfinite(value))
    at_us, value = at_us[good], value[good]
    if at_us.size == 0:
        return Thinned(at_us, value, 0)
    stretch = np.concatenate(([0], np.cumsum((np.diff(at_us) > gap_us) | (np.diff(good) > 1))))
    kept = np.arange(at_us.size) if at_us.size <= most else _kept(at_us, value, most, keep_us)
    cuts = np.flatnonzero(np.diff(stretch[kept])) + 1
    drawn_us = at_us[kept]
    return Thinned(
        np.insert(drawn_us, cuts, drawn_us[cuts - 1] + 1), np.insert(value[kept], cuts, np.nan), int(at_us.size)
    )


def _kept(at_us: Ints, value: Floats, most: int, keep_us: Sequence[int]) -> Ints:
    """Which samples are drawn. By number of samples and not by time, so that a gap takes no points away."""
    from tsdownsample import MinMaxDownsampler

    wanted = np.searchsorted(at_us, keep_us)
    there = wanted[(wanted < at_us.size) & (at_us[np.minimum(wanted, at_us.size - 1)] == keep_us)]
    always = np.concatenate(([0, at_us.size - 1], there)).astype(np.int64)
    room = (most - always.size) // 2 * 2  # a lowest and a highest of each stretch
    extremes = MinMaxDownsampler().downsample(np.ascontiguousarray(value), n_out=room)  # type: ignore[no-untyped-call]
    found: Ints = np.unique(np.concatenate((always, extremes.astype(np.int64))))
    return found
