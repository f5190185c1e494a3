"""Ten-minute UTC bins of one rigging that are loaded long or low: what `sustained_load` and `pretension_loss` join.

A bin counts if it lies wholly in its rigging and `bin_observed_pct` of it or more was observed; time is reckoned as in
a sheet's time at level (a sample stands until the next stored one, `max_gap_s`, the bin's or the rigging's end), but
against the exact level, not by classes. Bins begin at whole ten minutes of UTC, so that a midnight cuts none.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np

from pipeline.events.tension import Bools, Peak, Tension, us
from pipeline.events.tension_kernel import BIN_US, NONE, bin_rows
from schemas.registers import Policy

ROUNDING: Final = 1e-6
"""More than a bin's mean may be off by rounding, as a part of its largest tension: 6e8 samples by 2**-53 each."""


@dataclass(frozen=True)
class Bin:
    """One bin, `number` since 1970: time observed and above the sustained level [us], mean over the observed time
    [kN], and the largest sample. `long`, `low`: which of the two it is."""

    number: int
    observed_us: int
    above_us: int
    mean_kn: float
    peak: Peak
    long: bool
    low: bool

    def to_payload(self) -> dict[str, Any]:
        """As plain numbers, for JSON; floats come back bit for bit."""
        return asdict(self)

    @classmethod
    def from_payload(cls, payload: Mapping[str, Any]) -> Bin:
        """The inverse of `to_payload`."""
        return cls(**{**payload, "peak": Peak(**payload["peak"])})

    @property
    def from_us(self) -> int:
        return self.number * BIN_US

    @property
    def to_us(self) -> int:
        return (self.number + 1) * BIN_US


def planned_kn(policy: Policy, limit_kn: float, pretension_kn: float | None) -> float:
    """The pretension planned for a line: the rigging's own, else the policy's share of the limit [kN]."""
    return policy.pretension_pct / 100.0 * limit_kn if pretension_kn is None else pretension_kn


def bins_of(tension: Tension, policy: Policy, limit_kn: float, pretension_kn: float | None) -> list[Bin]:
    """The bins of a slice that are loaded long or low, in time order."""
    sustained_kn, sustained_share = policy.sustained_pct / 100.0 * limit_kn, policy.sustained_time_pct / 100.0
    low_kn = policy.pretension_loss_pct / 100.0 * planned_kn(policy, limit_kn, pretension_kn)
    wanted = _may_be_long_or_low(tension, sustained_kn if sustained_share > 0.0 else -np.inf, low_kn)
    if not wanted.any():
        return []
    ints, means = bin_rows(
        tension.at_us,
        tension.kn,
        tension.usable,
        *tension.spans(wanted),
        tension.end,
        NONE if tension.after_us is None else tension.after_us,
        tension.from_us,
        tension.to_us,
        us(policy.max_gap_s),
        round(policy.bin_observed_pct / 100.0 * BIN_US),
        sustained_kn,
        sustained_share,
        low_kn,
    )
    return [
        Bin(
            number,
            observed_us,
            above_us,
            mean_kn,
            Peak(int(tension.at_us[top]), float(tension.kn[top]), bool(tension.clipped[top])),
            bool(bits & 1),
            bool(bits & 2),
        )
        for (number, observed_us, above_us, top, bits), mean_kn in zip(ints.tolist(), means[:, 0].tolist(), strict=True)
    ]


def _may_be_long_or_low(tension: Tension, sustained_kn: float, low_kn: float) -> Bools:
    """The stretches of tension (s,) in bins that reach above the sustained level, or near the low one.

    Of any other bin nothing stood above the one, and the mean is no less than its least sample, but for rounding.
    """
    extremes = tension.extremes

    def reaches(low: Any, high: Any) -> Any:
        off_kn = ROUNDING * np.maximum(np.abs(low), np.abs(high))
        return (high > sustained_kn) | (low - off_kn <= low_kn)

    stretches = extremes.from_us.size
    if stretches == 0 or not reaches(extremes.low_kn.min(), extremes.high_kn.max()):
        return np.zeros(stretches, np.bool_)
    starts = np.flatnonzero(np.diff(extremes.from_us // BIN_US, prepend=-1))
    low, high = np.minimum.reduceat(extremes.low_kn, starts), np.maximum.reduceat(extremes.high_kn, starts)
    return np.repeat(reaches(low, high), np.diff(starts, append=stretches))


def successive(bins: Sequence[Bin], *, at_least: int, counts: Callable[[Bin], bool]) -> list[list[Bin]]:
    """Maximal stretches of `at_least` or more successive bins that count, of one rigging, in time order."""
    found: list[list[Bin]] = []
    for one in sorted((one for one in bins if counts(one)), key=lambda one: one.number):
        if found and one.number == found[-1][-1].number + 1:
            found[-1].append(one)
        else:
            found.append([one])
    return [stretch for stretch in found if len(stretch) >= at_least]


def highest(stretch: Sequence[Bin]) -> Peak:
    """The largest sample of a stretch, the first of equals."""
    return max((one.peak for one in stretch), key=lambda peak: (peak.kn, -peak.at_us))
