"""Findings that stand at the end of a night, and how they differ from those the ledger holds open."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from datetime import date
from typing import Any

from pipeline.ledger.rows import AirDay, BerthDay, ChannelDay
from pipeline.ledger.rows import Finding as Open
from pipeline.night.calibrating import calibration_findings
from pipeline.night.clock_day import clock_findings, clocks_by_motion
from pipeline.night.finding import GAUGES, Finding
from pipeline.night.gauges import gauge_findings
from pipeline.night.intake import LiveParts
from pipeline.night.outside import Facts, outside_findings
from pipeline.night.services import service_findings
from pipeline.site import Site
from schemas.times import us_to_rfc3339

HOUR_US = 3_600_000_000


def site_findings(
    site: Site,
    live: LiveParts,
    horizon_us: int | None,
    facts: Facts,
    *,
    channels: Mapping[tuple[str, date], ChannelDay],
    air: Iterable[AirDay],
    berth: Iterable[BerthDay],
    now_us: int,
) -> list[Finding]:
    """What is wrong with the site as a whole: channels gone silent, services that the riggings contradict, and lines
    that went outside of what their constants were fitted to (`facts`: of all live wear days); gauges, clocks and
    calibrations, from what channels showed of themselves and berth days.
    """
    days = list(berth)
    return [
        *_silent_site(site, horizon_us, now_us),
        *_silent_channels(site, live, horizon_us),
        *service_findings(site, known_us=max(now_us, horizon_us or now_us)),
        *outside_findings(site, facts),
        *gauge_findings(site, channels, air, clocks_by_motion(days)),
        *clock_findings(site, days),
        *calibration_findings(site, channels, horizon_us),
    ]


def finding_rows(
    raised: Iterable[Finding], open_: Mapping[str, Open], scopes: Collection[str], settled_by: Mapping[str, str]
) -> list[dict[str, Any]]:
    """Rows that open what is newly found, and close what was open in a scope looked at and is no longer so.

    `settled_by`: findings of whatever scope that are no longer so, and why.
    """
    now = {finding.id: finding for finding in raised}
    about = {(finding.kind, finding.subject, finding.scope) for finding in now.values()}
    rows = [_row(finding, "open", "") for name, finding in now.items() if name not in open_]
    for name, old in open_.items():
        if name not in now and (old.scope in scopes or name in settled_by):
            gone = Finding(old.kind, old.subject, old.severity, old.text, old.scope, old.evidence)
            other = (old.kind, old.subject, old.scope) in about
            reason = settled_by.get(name, "told anew, in other words" if other else "no longer so")
            rows.append({**_row(gone, "close", reason), "finding": name})
    return rows


def told_once(found: Finding) -> bool:
    """Whether a finding that stood the night before is no news: files that wait in the inbox, or came again; and what
    gauges, registers and clocks showed, which stands until somebody sees to it.
    """
    return found.scope == GAUGES or (found.scope == "inbox" and found.severity == "info")


def name_files(found: Finding, names: Mapping[str, str]) -> Finding:
    """The finding with the names of the raw files that its evidence knows by SHA-256."""
    files = found.evidence.get("files")
    if files is None:
        return found
    named = [{**file, "file": names.get(file["sha256"], "")} for file in files]
    return replace(found, evidence={**found.evidence, "files": named})


def _row(finding: Finding, op: str, reason: str) -> dict[str, Any]:
    return {
        "finding": finding.id,
        "kind": finding.kind,
        "subject": finding.subject,
        "severity": finding.severity,
        "text": finding.text,
        "evidence": dict(finding.evidence),
        "scope": finding.scope,
        "op": op,
        "reason": reason,
    }


def _silent_site(site: Site, horizon_us: int | None, now_us: int) -> list[Finding]:
    """That nothing at all has come for longer than any channel is expected: channels cannot tell of each other then."""
    expected_h = [c.expected_every_h for c in site.channels.values() if c.expected_every_h is not None]
    if horizon_us is None or not expected_h or now_us - horizon_us <= max(expected_h) * HOUR_US:
        return []
    text = f"no sample of any channel since {us_to_rfc3339(horizon_us)}; the loggers, or what brings their files, stand"
    return [Finding("silent-site", site.info.id, "warning", text, scope="site")]


def _silent_channels(site: Site, live: LiveParts, horizon_us: int | None) -> list[Finding]:
    """Channels whose last reading lies further before the site's latest sample than `expected_every_h`."""
    if horizon_us is None:
        return []
    last: dict[str, int] = {}
    for parts in live.days().values():
        for part in parts:
            for name in part.channels:
                last[name] = max(last.get(name, part.last_us), part.last_us)
    found = []
    for channel in site.channels.values():
        if channel.expected_every_h is None:
            continue
        last_us = last.get(channel.channel)
        if last_us is not None and horizon_us - last_us <= channel.expected_every_h * HOUR_US:
            continue
        since = "ever" if last_us is None else f"since {us_to_rfc3339(last_us)}"
        text = f"no reading {since}; one is expected every {channel.expected_every_h:g} h"
        found.append(Finding("silent-channel", channel.channel, "warning", text, scope="site"))
    return found
