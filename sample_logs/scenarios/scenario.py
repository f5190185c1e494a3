"""What a scenario is: berth, what was recorded, what the registers say, and what is true."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sample_logs.scenarios.berth import Berth


@dataclass(frozen=True)
class Recorded:
    """One channel as its logger stamped and wrote it: at_us (n,) ascending, values (n,) before calibration.

    tension kN (unless a wrong unit is what is wrong), payout m, temperature degC, wind m/s; states: brake 1 set,
    0 open; hook-state 1 closed, 0 open; winch-mode 0 stowed, 1 manual, 2 on the brake, 3 tending by itself.
    """

    at_us: NDArray[np.int64]
    values: NDArray[np.float64]


@dataclass(frozen=True)
class Truth:
    """One true event or finding; [from_us, to_us] as the channel's own logger would stamp it.

    peak_kn, peak_us: of the noiseless record at 10 Hz. detail: what else is true of it; `onset_tolerance_us`, where
    given, is how far the sensor's noise alone may move `from_us`. borderline: too near a threshold to count either
    way, or hidden by a fault of the sensor (detail `masked` says which).
    """

    kind: str
    line: str
    channel: str
    from_us: int
    to_us: int
    peak_kn: float | None = None
    peak_us: int | None = None
    detail: Mapping[str, object] = field(default_factory=dict)
    borderline: bool = False

    @property
    def name(self) -> str:
        """The kind with its class, as truth is counted: "load-loss parted", "tending veering", "surge"."""
        parts = [self.kind, *(str(self.detail[key]) for key in ("class", "verdict") if key in self.detail)]
        return " ".join(parts)


@dataclass(frozen=True)
class Scenario:
    """All of one scenario. context: what happened and is no event: squalls, tugs, gaps, a brake test, and in quiet
    days the crew's tending. phase_us: from when all lines are fast to when the first is let go."""

    seed: int
    family: str
    rate_hz: float
    theme: str
    berth: Berth
    recorded: Mapping[str, Recorded]
    registers: Mapping[str, list[dict[str, str]]]
    truth: tuple[Truth, ...]
    context: tuple[Truth, ...]
    phase_us: tuple[int, int]
    site: Mapping[str, str]
