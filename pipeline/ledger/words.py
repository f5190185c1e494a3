"""What stands beside every figure: the caution, and what no figure holds."""

from __future__ import annotations

CAUTION = (
    "tautlog supports, and never replaces, inspection, the maker's guidance, class and flag rules, "
    "local codes, the site's mooring plan and licensed practice: no low figure is permission to stand in a "
    "snap-back zone or to keep a line longer, and after an overload, a rendered brake or a sudden loss of "
    "load a line is inspected before it is used again."
)

NOT_MODELLED = (
    "cuts",
    "twist",
    "compression",
    "eyes and splices",
    "drum burying",
    "UV",
    "chemicals",
    "how fatigue and abrasion act together where they meet",
)
"""What wears a line and is in no figure of this program. What a spec gives no constants for is named line by line."""

SEVERITY_INDEX = "severity index"
CALIBRATED = "life used (calibrated)"
"""The two names a figure may have. A severity index is never a percent of life, and never a date."""

AMBIENT_C = 20.0
"""Air temperature where `site.toml` gives none. House rule; an account that rests on it says so."""
