"""Limits of a line as lines to draw: each with its name, its load, and where it comes from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.events.bins import planned_kn
from pipeline.events.tension import SlackLevel
from pipeline.night.plan import limit_base_kn
from pipeline.reports.figures import Trace, kn
from pipeline.site import Site
from schemas.registers import Rigging

OF_KIND: Mapping[str, tuple[str, ...]] = {
    "peak-load": ("peak-load", "alarm"),
    "snap-load": ("slack", "peak-load"),
    "slack": ("slack",),
    "sustained-load": ("sustained-load", "peak-load"),
    "pretension-loss": ("planned pretension", "pretension-loss"),
    "brake-render": ("brake setting", "peak-load"),
    "brake-held": ("brake setting", "peak-load"),
    "load-loss": ("peak-load",),
    "surge": ("peak-load",),
}
"""Which limits bear on a kind of event; the others would only crowd its chart."""


def limits_of(site: Site, rigging: Rigging, at_us: int) -> list[dict[str, Any]]:
    """Every limit of a rigged main line at an instant [kN], lowest first: `name`, `figure`, `how`."""
    policy, line = site.policy, rigging.line
    base_kn = limit_base_kn(site, line)
    base = "ship design MBL" if site.design_mbl_kn(line) is not None else "break force (ship design MBL is unknown)"
    channel, share = site.channels[rigging.channel], rigging.share_pct / 100.0
    slack = SlackLevel.of(policy, base_kn, site.calibrations_of(rigging.channel), channel.capacity, share)
    found = [
        ("slack", slack.at(at_us), f"{policy.slack_pct:g} % of {base}, or twice the zero's uncertainty"),
        ("sustained-load", policy.sustained_pct / 100.0 * base_kn, f"{policy.sustained_pct:g} % of {base}"),
        ("peak-load", policy.peak_load_pct / 100.0 * base_kn, f"{policy.peak_load_pct:g} % of {base}"),
        ("alarm", policy.alarm_peak_pct / 100.0 * base_kn, f"{policy.alarm_peak_pct:g} % of {base}"),
    ]
    planned = planned_kn(policy, base_kn, rigging.pretension_kn)
    by_policy = f"{policy.pretension_pct:g} % of {base}"
    found.append(("planned pretension", planned, by_policy if rigging.pretension_kn is None else "rigging.csv"))
    loss = policy.pretension_loss_pct
    found.append(("pretension-loss", loss / 100.0 * planned, f"{loss:g} % of the planned pretension"))
    setting = site.brake_setting(channel.place, at_us)
    if setting is not None and setting.brake_set_kn is not None:
        found.append(("brake setting", setting.brake_set_kn, f"winches.csv, {setting.place}"))
    return [
        {"name": name, "kn": level_kn, "figure": kn(level_kn, Trace(how)), "how": how}
        for name, level_kn, how in sorted(found, key=lambda row: row[1])
    ]
