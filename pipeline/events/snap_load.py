"""Snap-load: a line comes out of slack with a blow.

House rules, no source; that a load out of slack grows with speed and stiffness is mechanics (force v * sqrt(m * K)).
Near-slack is below twice the slack level. The definition, over the usable samples of one rigging: let s be the last
near-slack sample before the first one p above `snap_pct` of ship design MBL, with no gap over `max_gap_s` from s to p.
It is a snap-load if p comes at most `snap_within_s` after s, and (T_p - T_s) / (t_p - t_s) is `snap_rate_pct_per_s` of
ship design MBL or more. Its peak is the largest tension from p until the tension is near-slack again, a gap, the
rigging's end, or `snap_peak_s` after p; the first of equals. It lasts from s to the last sample before that.

What a slow logger does to it: at 1 Hz the rise is spread over whole seconds. A blow that rises and is over between two
readings is not seen at all, its peak is too low, and a rise that takes 1.3 s may be measured as 2 s and missed; a true
rise of over `snap_within_s` is never taken for one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np

from pipeline.events.tension import Peak, SlackLevel, Tension, us
from pipeline.events.tension_kernel import snaps
from schemas.registers import Policy

KIND: Final = "snap-load"


@dataclass(frozen=True)
class SnapLoad:
    """One event: from the last near-slack sample to the end; `past_us` is the first sample past the threshold.

    `rate_kn_s`: mean rate of rise from the one to the other, a lower bound of the true one.
    """

    from_us: int
    to_us: int
    slack_kn: float
    past_us: int
    past_kn: float
    rate_kn_s: float
    peak: Peak

    def to_payload(self) -> dict[str, Any]:
        """As plain numbers, for JSON; floats come back bit for bit."""
        return asdict(self)

    @classmethod
    def from_payload(cls, payload: Mapping[str, Any]) -> SnapLoad:
        """The inverse of `to_payload`."""
        return cls(**{**payload, "peak": Peak(**payload["peak"])})


def snap_loads(tension: Tension, level: SlackLevel, policy: Policy, limit_kn: float) -> list[SnapLoad]:
    """The snap-loads of which the first sample past the threshold lies in the slice, in time order."""
    lead_us, lag_us = us(policy.snap_within_s), us(policy.snap_peak_s)
    lo, hi = np.searchsorted(tension.at_us, [tension.from_us - lead_us, tension.to_us + lag_us + 1])
    rows = snaps(
        tension.at_us,
        tension.kn,
        tension.usable,
        level.from_us,
        level.kn,
        tension.begin,
        tension.end,
        int(lo),
        int(hi),
        policy.snap_pct / 100.0 * limit_kn,
        policy.snap_rate_pct_per_s / 100.0 * limit_kn,
        us(policy.max_gap_s),
        lead_us,
        lag_us,
    )
    return [_snap(tension, *row) for row in rows.tolist()]


def _snap(tension: Tension, slack: int, past: int, top: int, last: int) -> SnapLoad:
    at_us, kn = tension.at_us, tension.kn
    rise_s = float(at_us[past] - at_us[slack]) / 1e6
    bound = bool((tension.clipped[past : last + 1] & tension.usable[past : last + 1]).any())
    return SnapLoad(
        from_us=int(at_us[slack]),
        to_us=int(at_us[last]),
        slack_kn=float(kn[slack]),
        past_us=int(at_us[past]),
        past_kn=float(kn[past]),
        rate_kn_s=float(kn[past] - kn[slack]) / rise_s,
        peak=Peak(int(at_us[top]), float(kn[top]), bound),
    )


def join(found: Sequence[SnapLoad]) -> list[SnapLoad]:
    """Events in time order: each stands whole in the slice that it belongs to."""
    return sorted(found, key=lambda one: one.from_us)
