"""When a tension channel bore a load, whatever the rigging register says: stretches from its ten-second bins. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.quality.bins import BIN_US, Bins, Interval
from pipeline.quality.flags import Values

# House rules, no source.
JOIN_US: Final = 120_000_000
"""Loads less than this apart are one: a slack line in a sea touches zero again and again."""
LEAST_US: Final = 180_000_000
"""A shorter load is no line made fast: a test of a brake, a hand on the hook."""


@dataclass(frozen=True, slots=True)
class Load:
    """A stretch under load [from_us, to_us), to ten seconds. mean_kn: mean of its bins, above the zero given."""

    from_us: int
    to_us: int
    mean_kn: float


def loads(bins: Bins, zero_kn: Values, *, level_kn: float) -> list[Load]:
    """Stretches in which the bins' means lie above their zero (n,) by more than the level [kN]."""
    over = bins.mean - zero_kn
    found = []
    loaded = np.flatnonzero(over > level_kn)
    if loaded.size == 0:
        return []
    cuts = np.flatnonzero(np.diff(bins.from_us[loaded]) > JOIN_US + BIN_US) + 1
    for piece in np.split(loaded, cuts):
        from_us, to_us = int(bins.from_us[piece[0]]), int(bins.from_us[piece[-1]]) + BIN_US
        if to_us - from_us >= LEAST_US:
            found.append(Load(from_us, to_us, float(np.mean(over[piece]))))
    return found


def joined(found: Sequence[Load]) -> list[Load]:
    """Loads of days, one after another: those that touch, or nearly, are one."""
    out: list[Load] = []
    for load in sorted(found, key=lambda load: load.from_us):
        if out and load.from_us - out[-1].to_us <= JOIN_US:
            last = out[-1]
            long_us = (last.to_us - last.from_us, load.to_us - load.from_us)
            mean_kn = (last.mean_kn * long_us[0] + load.mean_kn * long_us[1]) / sum(long_us)
            out[-1] = Load(last.from_us, max(load.to_us, last.to_us), mean_kn)
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
