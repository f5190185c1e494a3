"""What a line's figures rest on, and so what they may be called. Pure."""

from __future__ import annotations

from pipeline.ledger.words import CALIBRATED, SEVERITY_INDEX
from pipeline.site import Site
from schemas.times import us_to_rfc3339

NOT_ITS_OWN = ("invented", "borrowed", "reference only")
"""Words in a source that make a figure a severity index; "reference only" stands in that of every published curve."""


def basis_of(site: Site, line: str) -> tuple[str, list[str]]:
    """What the line's figures are called, and every reason why they are no more than a severity index."""
    reasons = [
        *_curve_reasons(site, line),
        *_sensor_reasons(site, line),
        *_share_reasons(site, line),
        *_opening_reasons(site, line),
    ]
    return (SEVERITY_INDEX if reasons else CALIBRATED), reasons


def unsourced(source: str | None) -> str | None:
    """Why a constant with this source is none of the line's own, in words; None when it is."""
    if source is None or not source.strip():
        return "has no source"
    if any(word in source.lower() for word in NOT_ITS_OWN):
        return f'says of its source: "{source}"'
    return None


def _curve_reasons(site: Site, line: str) -> list[str]:
    spec = site.spec_of(line)
    reasons = []
    if (why := unsourced(spec.fatigue.source)) is not None:
        reasons.append(f"the fatigue curve of spec {spec.id} {why}")
    if not spec.fatigue.calibrated:
        reasons.append(f"the fatigue curve of spec {spec.id} is not marked calibrated")
    return reasons


def _sensor_reasons(site: Site, line: str) -> list[str]:
    channels = dict.fromkeys(row.channel for row in site.riggings if row.line == line)
    return [f"no calibration of {name} is registered" for name in channels if not site.calibrations_of(name)]


def _share_reasons(site: Site, line: str) -> list[str]:
    return [
        f"its share of {row.channel} from {us_to_rfc3339(row.from_us)} is assumed ({row.share_pct:g} %)"
        for row in site.riggings
        if row.line == line and row.share_basis == "assumed"
    ]


def _opening_reasons(site: Site, line: str) -> list[str]:
    row = site.lines[line]
    if row.opening_life is None or (why := unsourced(row.opening_source)) is None:
        return []
    return [f"the opening life {why}"]
