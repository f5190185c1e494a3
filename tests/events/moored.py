"""Traces of a moored ship for these tests: a quiet background, and what is laid over it. Invented for the tests."""

from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.events.surge import Rules, Series, Surge, surges

Values = NDArray[np.float64]
BASE_KN = 1000.0
RULES = Rules(min_pct=3.0, times=5.0, join_s=60.0)
LINES = {
    "L01": ("head", 1.0),
    "L02": ("head", 0.9),
    "L03": ("breast", 0.1),
    "L04": ("spring", -1.2),
    "L05": ("spring", 1.1),
    "L06": ("breast", -0.1),
    "L07": ("stern", -0.9),
    "L08": ("stern", -1.0),
}
"""Role, and what a line's tension gains by a unit of surge towards the stern."""
SQUALL = {"head": 0.6, "stern": 0.5, "breast": 1.0, "spring": 0.2}
"""What a line's tension gains, by its role, by a unit of wind off the quay."""


def lobe(bins: int, begin: int, length: int, kn: float) -> Values:
    """Half a sine of `length` bins, over a stretch of so many [kN]."""
    out = np.zeros(bins)
    out[begin : begin + length] = kn * np.sin(np.pi * (np.arange(length) + 0.5) / length)
    return out


def moored(
    bins: int, motion_kn: Mapping[str, Values] | Callable[[str, str, float], Values], *, seed: int = 1
) -> list[Series]:
    """A trace of each line of LINES: pretension, noise, and what `motion_kn` says of the line, its role and sign."""
    rng = np.random.default_rng(seed)
    made = []
    for name, (role, sign) in LINES.items():
        noise = rng.normal(0.0, 1.0, bins)
        more = motion_kn(name, role, sign) if callable(motion_kn) else motion_kn.get(name, np.zeros(bins))
        mean_kn = np.round(120.0 + noise + more, 2)
        made.append(Series(name, f"{name}-tension", role, BASE_KN, mean_kn, mean_kn + 5.0))
    return made


def passing(bins: int, begin: int, *, length: int = 10, kn: float = 60.0) -> Callable[[str, str, float], Values]:
    """A ship that passes: aft first, then forward, each half a sine."""
    pulse = lobe(bins, begin, length, kn) - lobe(bins, begin + length, length, kn)
    return lambda name, role, sign: sign * pulse


def found(series: Sequence[Series], *, start_bin: int = 0, rules: Rules = RULES) -> list[Surge]:
    """The surges of a whole stretch."""
    return surges("S1", series, rules, start_bin=start_bin, first=0, last=series[0].mean_kn.size)


def slackened(series: Sequence[Series], kn: float = 120.0) -> list[Series]:
    """The same lines without pretension: they rise, and cannot fall below nothing."""
    made = []
    for one in series:
        mean_kn = np.maximum(one.mean_kn - kn, 0.0)
        made.append(Series(one.line, one.channel, one.role, one.base_kn, mean_kn, mean_kn + 5.0))
    return made
