"""When a tension channel bore a load, whatever the rigging register says: stretches from its ten-second bins. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pipeline.quality.bins import BIN_US, Bins, Interval
from pipeline.quality.flags import Values

# House rules, no source.
JOIN_US: Final = 120_000_000
"""Loads less than this apart are one: a slack line in a sea touches zero again and again."""
LEAST_US: Final = 180_000_000
"""A shorter load is no line made fast: a test of a brake, a hand on the hook."""
START_US: Final = (180_000_000, 780_000_000)
START_LEAST_US: Final = 120_000_000
BESIDE_US: Final = (30_000_000, 600_000_000)


@dataclass(frozen=True, slots=True)
class Load:
    """A stretch under load [from_us, to_us), to ten seconds.

    start_kn: median reading above the zero from three to thirteen minutes after it began, when a line has just been
    hauled to what it is to bear; motion_kn: median of what it then rose above its mean in ten seconds. Both None where
    the stretch began before what was looked at, or is too short. after_kn, before_kn: median above the zero in the ten
    minutes after it ended, and before it began, which a line that hangs slack keeps off nothing; None where nothing was
    read then.
    """

    from_us: int
    to_us: int
    start_kn: float | None
    motion_kn: float | None
    after_kn: float | None = None
    before_kn: float | None = None


def loads(bins: Bins, zero_kn: Values, *, level_kn: float, unsure_kn: float | Values = 0.0) -> list[Load]:
    """Stretches in which the bins' means lie above their zero (n,) by more than the level [kN].

    unsure_kn: how far off that zero may be, or (n,) at each bin; `after_kn` and `before_kn` are the most that they may
    have been.
    """
    over = bins.mean - zero_kn
    loaded = np.flatnonzero(over > level_kn)
    if loaded.size == 0:
        return []
    cuts = np.flatnonzero(np.diff(bins.from_us[loaded]) > JOIN_US + BIN_US) + 1
    found = []
    for piece in np.split(loaded, cuts):
        from_us, to_us = int(bins.from_us[piece[0]]), int(bins.from_us[piece[-1]]) + BIN_US
        if to_us - from_us >= LEAST_US:
            begun = from_us - int(bins.from_us[0]) > JOIN_US
            start = _start(bins, over, from_us, to_us) if begun else (None, None)
            beside = (_beside_kn(bins, over + unsure_kn, span) for span in _sides(from_us, to_us))
            found.append(Load(from_us, to_us, *start, *beside))
    return found


def _sides(from_us: int, to_us: int) -> tuple[Interval, Interval]:
    """The minutes after a load, and before it."""
    return (to_us + BESIDE_US[0], to_us + BESIDE_US[1]), (from_us - BESIDE_US[1], from_us - BESIDE_US[0])


def _beside_kn(bins: Bins, over: Values, span: Interval) -> float | None:
    begin, end = np.searchsorted(bins.from_us, span)
    return float(np.median(over[begin:end])) if end > begin else None


def _start(bins: Bins, over: Values, from_us: int, to_us: int) -> tuple[float | None, float | None]:
    begin, end = np.searchsorted(bins.from_us, [from_us + START_US[0], min(from_us + START_US[1], to_us)])
    if (end - begin) * BIN_US < START_LEAST_US:
        return None, None
    motion = bins.high[begin:end] - bins.mean[begin:end]
    return float(np.median(over[begin:end])), float(np.median(motion))


def joined(found: Sequence[Load]) -> list[Load]:
    """Loads of days, one after another: those that touch, or nearly, are one."""
    out: list[Load] = []
    for load in sorted(found, key=lambda load: load.from_us):
        if out and load.from_us - out[-1].to_us <= JOIN_US:
            last = max(out[-1], load, key=lambda one: one.to_us)
            out[-1] = replace(out[-1], to_us=last.to_us, after_kn=last.after_kn)
        else:
            out.append(load)
    return out


def seen(bins: Bins) -> list[Interval]:
    """Stretches of time in which there are readings: bins less than two minutes apart."""
    if bins.from_us.size == 0:
        return []
    cuts = np.flatnonzero(np.diff(bins.from_us) > JOIN_US)
    first, last = np.concatenate(([0], cuts + 1)), np.concatenate((cuts, [bins.from_us.size - 1]))
    return [(int(bins.from_us[a]), int(bins.from_us[b]) + BIN_US) for a, b in zip(first, last, strict=True)]
