"""How severe an event is, in three named bands: what each kind's band is stands in README, its figures in the policy.

House rules, no source. `alarm`: to be looked at now; `warning`: on this watch; `note`: to be known.
"""

from __future__ import annotations

from typing import Final, Literal

from pipeline.events.brake_render import LATE_SHARE
from pipeline.events.calls import ALL_FAST, Phase
from pipeline.events.loss_class import INSTRUMENT, LET_GO, Class
from schemas.registers import Policy

Severity = Literal["note", "warning", "alarm"]
SPIKE_HZ: Final = 2.0
SEVERITIES: Final[tuple[Severity, ...]] = ("note", "warning", "alarm")


def of_peak_load(
    phase: Phase, peak_pct: float, policy: Policy, *, spike: bool = False, rate_hz: float = 0.0
) -> Severity:
    """`peak_pct` of ship design MBL. `spike`: all that was above the level is spikes.

    Of a logger of `SPIKE_HZ` or more a spike is a note: no line is loaded and unloaded so fast. Of a slower one it may
    have been a blow, and is a warning.
    """
    if phase != ALL_FAST:
        return "note"
    if spike:
        return "note" if rate_hz >= SPIKE_HZ else "warning"
    return "alarm" if peak_pct > policy.alarm_peak_pct else "warning"


def of_brake_render(phase: Phase, verdict: str | None, payout_m: float, policy: Policy) -> Severity:
    """A brake that held too long, and one that let out much, is an alarm."""
    if phase != ALL_FAST:
        return "note"
    return "alarm" if verdict == "late" or payout_m >= policy.alarm_payout_m else "warning"


def of_brake_held(share: float, *, measured: bool) -> Severity:
    """`share`: the load held over the setting. Above that at which a brake renders late it is an alarm, a warning where
    payout does not tell whether it held (`measured`)."""
    if share <= LATE_SHARE:
        return "note"
    return "alarm" if measured else "warning"


def of_slack(lasted_us: int, policy: Policy) -> Severity:
    """A note; a warning from `slack_warning_s` on."""
    return "warning" if lasted_us >= policy.slack_warning_s * 1e6 else "note"


def of_snap_load(peak_pct: float, policy: Policy) -> Severity:
    """`peak_pct` of ship design MBL."""
    return "alarm" if peak_pct > policy.alarm_snap_pct else "warning"


def of_sustained_load(lasted_us: int, policy: Policy) -> Severity:
    """A warning; an alarm from `sustained_alarm_h` on."""
    return "alarm" if lasted_us >= policy.sustained_alarm_h * 3.6e9 else "warning"


def of_pretension_loss() -> Severity:
    """Always a warning."""
    return "warning"


def of_surge(peak_pct: float, policy: Policy) -> Severity:
    """`peak_pct` of ship design MBL, of the line whose tension rose most."""
    return "alarm" if peak_pct > policy.alarm_peak_pct else "warning"


def of_load_loss(word: Class) -> Severity:
    """Whatever the phase: unless it is known what became of the line, it may have parted."""
    if word == LET_GO:
        return "note"
    return "warning" if word == INSTRUMENT else "alarm"
