"""Surges as rows of the events table, from the marks of all berth days."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from pipeline.events import surge
from pipeline.events.calls import ALL_FAST
from pipeline.events.ids import event_id
from pipeline.events.severity import of_surge
from pipeline.events.surge import Share, Surge
from pipeline.night.plan import limit_base_kn
from pipeline.site import Site
from schemas.times import us_to_rfc3339

PEAK_WITHIN_S = surge.BIN_US // 1_000_000
"""A surge is told by bins: its instants are those at which bins begin."""


def surge_rows(site: Site, parts: Iterable[Surge]) -> list[dict[str, Any]]:
    """The surges of a site, which berth days find only while all lines are fast. `parts`: marks of all berth days."""
    return [_row(site, one) for one in surge.join(parts, join_s=site.policy.surge_join_s)]


def _row(site: Site, one: Surge) -> dict[str, Any]:
    """The row is that of the line whose tension rose most."""
    line = one.most_loaded_line
    share = one.lines[line]
    return {
        "event": event_id(surge.KIND, line, one.from_us),
        "kind": surge.KIND,
        "line": line,
        "channel": share.channel,
        "place": site.channels[share.channel].place,
        "from_us": one.from_us,
        "to_us": one.to_us,
        "peak_kn": share.peak_kn,
        "peak_us": share.peak_us,
        "peak_pct": _pct(site, line, share.peak_kn),
        "payload": {
            "peak_pct_of": "break force" if site.design_mbl_kn(line) is None else "ship design MBL",
            "peak_at_least": False,
            "phase": ALL_FAST,
            "severity": of_surge(_pct(site, line, share.peak_kn), site.policy),
            "peak_within_s": PEAK_WITHIN_S,
            "ship": one.ship,
            "first_line": one.first_line,
            "greatest_line": one.greatest_line,
            "lines": [_line(site, name, found) for name, found in sorted(one.lines.items())],
        },
    }


def _line(site: Site, name: str, share: Share) -> dict[str, Any]:
    return {
        "line": name,
        "channel": share.channel,
        "role": share.role,
        "from_at": us_to_rfc3339(share.from_us),
        "change_kn": share.change_kn,
        "rise_kn": share.rise_kn,
        "fall_kn": share.fall_kn,
        "peak_kn": share.peak_kn,
        "peak_at": us_to_rfc3339(share.peak_us),
        "peak_pct": _pct(site, name, share.peak_kn),
    }


def _pct(site: Site, line: str, kn: float) -> float:
    return kn / limit_base_kn(site, line) * 100.0
