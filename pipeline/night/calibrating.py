"""Findings about calibrations: overdue while the channel is used, or missing where the policy asks for them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date

from pipeline.ledger.rows import ChannelDay
from pipeline.night.finding import GAUGES, Finding
from pipeline.site import Site
from schemas.times import DAY_US, day_start_us, us_to_rfc3339


def calibration_findings(
    site: Site, days: Mapping[tuple[str, date], ChannelDay], horizon_us: int | None
) -> list[Finding]:
    """Of each tension channel that read with a line on it; by the site's latest sample, never by the wall clock."""
    if horizon_us is None:
        return []
    last: dict[str, date] = {}
    for channel, day in days:
        if channel in site.channels:
            last[channel] = max(last.get(channel, day), day)
    return [found for channel in sorted(last) for found in _of_channel(site, channel, last[channel], horizon_us)]


def _of_channel(site: Site, channel: str, last: date, horizon_us: int) -> Iterator[Finding]:
    used = [row for row in site.riggings if row.channel == channel and row.from_us <= horizon_us]
    if not used:
        return
    held = [row for row in site.calibrations_of(channel) if row.from_us <= horizon_us]
    if not held:
        if site.policy.calibration_required:
            text = "it is used, and calibrations.csv has no calibration of it: its readings stand as they came"
            yield Finding("calibration-missing", channel, "warning", text, scope=GAUGES)
        return
    due_us = held[-1].overdue_from_us
    # A day's readings after the due day, with a rigging that reaches beyond it: then it was used overdue.
    if due_us is None or horizon_us <= due_us or day_start_us(last) + DAY_US <= due_us:
        return
    after = [row for row in used if row.to_us is None or row.to_us > due_us]
    if after:
        since = us_to_rfc3339(max(due_us, min(row.from_us for row in after)))
        name = "" if held[-1].certificate is None else f" ({held[-1].certificate})"
        text = f"its calibration{name} was due on {held[-1].due}, and it is used since: from {since}"
        evidence = {
            "due": str(held[-1].due),
            "certificate": held[-1].certificate,
            "calibrated_at": us_to_rfc3339(held[-1].from_us),
            "used_since": since,
            "uncertainty_pct": held[-1].uncertainty_pct,
        }
        yield Finding("calibration-overdue", channel, "warning", text, scope=GAUGES, evidence=evidence)
