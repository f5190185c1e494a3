"""Seeded random streams, one for each family, seed and name, so that a change of one leaves the others alone."""

from __future__ import annotations

from typing import Final

import numpy as np

FAMILIES: Final = {"tune": 1, "report": 2, "quiet": 3}
"""Thresholds are set on "tune" and reported on "report"; "quiet" days hold nothing that is an event."""


class Streams:
    """`streams("name")` is a generator of its own (PCG64 of family, seed and name).

    ValueError for a family that is none, or a seed below 0.
    """

    def __init__(self, family: str, seed: int) -> None:
        if family not in FAMILIES:
            raise ValueError(f"found family {family!r}; expected one of {', '.join(FAMILIES)}")
        if seed < 0:
            raise ValueError(f"found seed {seed}; expected 0 or more")
        self._root = [FAMILIES[family], seed]

    def __call__(self, name: str) -> np.random.Generator:
        return np.random.Generator(np.random.PCG64([*self._root, *name.encode("ascii")]))
