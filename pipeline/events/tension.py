"""What the kinds known from tension alone are made from: one rigging's samples, and its slack level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from schemas.registers import Calibration, Policy

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LONG_AGO_US: Final = -(2**62)
TAIL: Final = 4096
"""So many samples at the end of a slice are looked at first."""


@dataclass(frozen=True)
class Extremes:
    """Between what the tension of a slice lies in short stretches of time, so that detectors need not go through those
    that cannot matter to them; arrays (s,).

    A stretch reaches from its `from_us` to the next one's, the last to the slice's end, and holds a sample. Every
    usable sample of the slice lies in one, within its bounds. None reaches over a whole ten minutes of UTC.
    """

    from_us: Ints
    low_kn: Floats
    high_kn: Floats


NO_EXTREMES: Final = Extremes(np.empty(0, np.int64), np.empty(0), np.empty(0))


@dataclass(frozen=True)
class Tension:
    """Every stored reading of a rigging's channel, from an edge before a slice to an edge after it; arrays (n,).

    `at_us` strictly ascending, `kn` of the line; where `usable` is False (flag 4 or 9) it is not looked at. `clipped`:
    the gauge stood at its capacity. `spiky`: it is a spike (`events.sound`); `still`: its gauge stuck. The
    slice [from_us, to_us) is `begin` to `end`; `after_us`: the channel's next stored reading after the slice, None
    where there is none. `extremes`: of the slice.
    """

    at_us: Ints
    kn: Floats
    usable: Bools
    clipped: Bools
    spiky: Bools
    still: Bools
    begin: int
    end: int
    from_us: int
    to_us: int
    after_us: int | None
    extremes: Extremes

    def least_kn(self) -> float:
        """No usable tension from an edge before the slice on to one after it is below this; inf without any."""
        edges = (slice(0, self.begin), slice(self.end, self.kn.size))
        near = [self.extremes.low_kn, *(self.kn[edge][self.usable[edge]] for edge in edges)]
        return min((float(kn.min()) for kn in near if kn.size), default=float("inf"))

    def usable_ends(self) -> tuple[int, int] | None:
        """Indices of the first and the last usable sample of the slice; None without any."""
        usable = self.usable[self.begin : self.end]
        for tail in (usable[-TAIL:], usable):  # the whole of it is turned round only where its end is not usable
            if tail.any():
                return self.begin + int(usable.argmax()), self.end - 1 - int(tail[::-1].argmax())
        return None

    def spans(self, wanted: Bools) -> tuple[Ints, Ints]:
        """Of the stretches wanted (s,): indices at which each run of them begins in the arrays, and stops."""
        turns = np.flatnonzero(np.diff(wanted.astype(np.int8), prepend=0, append=0))
        borders_us = np.append(self.extremes.from_us, self.to_us)[turns]
        found: Ints = np.clip(np.searchsorted(self.at_us, borders_us), self.begin, self.end)
        return found[::2], found[1::2]


@dataclass(frozen=True)
class SlackLevel:
    """Below which tension a line is slack: `kn` (k,) from the instants `from_us` (k,) on; the first is long ago."""

    from_us: Ints
    kn: Floats

    @classmethod
    def of(
        cls,
        policy: Policy,
        limit_kn: float,
        calibrations: Sequence[Calibration],
        capacity_kn: float | None,
        share: float,
    ) -> SlackLevel:
        """The larger of `slack_pct` of the limit (ship design MBL) and twice the zero's uncertainty.

        The zero's uncertainty is the `uncertainty_pct` of the calibration in force, of the channel's capacity, times
        the line's share; where register or capacity do not tell it, it is not known and the first alone holds.
        """
        least_kn = policy.slack_pct / 100.0 * limit_kn
        rows = [(LONG_AGO_US, least_kn)]
        for row in calibrations:
            zero_kn = row.uncertainty_kn(capacity_kn)
            rows.append((row.from_us, least_kn if zero_kn is None else max(least_kn, 2.0 * (zero_kn * share))))
        return cls(np.array([at for at, _ in rows], np.int64), np.array([kn for _, kn in rows]))

    @property
    def most_kn(self) -> float:
        """The highest of the levels: nothing at or above it is slack at any time."""
        return float(self.kn.max())

    def at(self, at_us: int) -> float:
        """The level at an instant [kN]."""
        return float(self.kn[max(int(np.searchsorted(self.from_us, at_us, side="right")) - 1, 0)])

    @property
    def near_kn(self) -> float:
        """The same of near-slack, which is below twice the level."""
        return 2.0 * self.most_kn


@dataclass(frozen=True, order=True)
class Peak:
    """A largest or lowest tension; `at_least`: a clipped sample stood in it."""

    at_us: int
    kn: float
    at_least: bool = False

    def to_payload(self) -> dict[str, Any]:
        return {"at_us": self.at_us, "kn": self.kn, "at_least": self.at_least}


def us(seconds: float) -> int:
    """Seconds as whole microseconds."""
    return round(seconds * 1e6)
