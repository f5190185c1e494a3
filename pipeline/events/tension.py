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


@dataclass(frozen=True)
class Tension:
    """Every stored reading of a rigging's channel, from an edge before a slice to an edge after it; arrays (n,).

    `at_us` strictly ascending, `kn` of the line; where `usable` is False (flag 4 or 9) it is not looked at. `clipped`:
    the gauge stood at its capacity. `spiky`: it is a spike (`events.sound`). The slice [from_us, to_us) is `begin` to
    `end`; `after_us`: the channel's next stored reading after the slice, None where there is none.
    """

    at_us: Ints
    kn: Floats
    usable: Bools
    clipped: Bools
    spiky: Bools
    begin: int
    end: int
    from_us: int
    to_us: int
    after_us: int | None

    def least_kn(self) -> float:
        """The least usable tension from an edge before the slice on to one after it; inf without any."""
        kn = self.kn if self.usable.all() else self.kn[self.usable]
        return float(kn.min()) if kn.size else float("inf")


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
            known = row.uncertainty_pct is not None and capacity_kn is not None
            zero_kn = (row.uncertainty_pct or 0.0) / 100.0 * (capacity_kn or 0.0) * share if known else 0.0
            rows.append((row.from_us, max(least_kn, 2.0 * zero_kn)))
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
