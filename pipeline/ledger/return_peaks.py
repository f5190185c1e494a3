"""Return-level peaks of a main line, from the excursions above the peak-load level that its live sheets hold."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any, Final

import numpy as np

from pipeline.ledger import index
from pipeline.ledger.account import Account
from pipeline.ledger.database import Ledger
from pipeline.outlook.extremes import FEWEST_CLUSTERS, YEAR_US, NoLevel, TooShort, return_level
from pipeline.site import Site
from schemas.times import DAY_US

WORDS: Final = (
    "says how high a peak may come if the coming time is like the observed; nothing of what the line can take, and no "
    "leave to load it so"
)


def return_peaks_of(ledger: Ledger, site: Site, account: Account) -> dict[str, Any]:
    """The peak reached once in `return_years` rigged years, with its interval; or `why` there is none.

    Excursions above `peak_load_pct` of ship design MBL (of break force where that is unknown), of both zones, in
    clusters `return_gap_h` apart, over the observed rigged time of the line.
    """
    line, policy = account.line, site.policy
    if site.lines[line].part != "main":
        return {"reckoned": False, "why": "reckoned for main lines; a tail feels what its main line feels"}
    channels = dict.fromkeys(row.channel for row in site.riggings if row.line == line)
    if means := [name for name in channels if site.channels[name].recorded == "mean"]:
        return {"reckoned": False, "why": f"{', '.join(means)} keeps means, which cut peaks off"}
    mbl = site.design_mbl_kn(line)
    threshold_kn = policy.peak_load_pct / 100.0 * (site.break_force_kn(line) if mbl is None else mbl)
    payloads = _excursions(ledger, line, channels)
    found = sorted((row["first_us"], row["last_us"], row["peak_kn"], row["at_least"]) for row in payloads)
    # Until the next night sheets hold the level of the policy before.
    above = [row for row in found if row[2] > threshold_kn]
    made = return_level(
        np.array([row[0] for row in above], np.int64),
        np.array([row[1] for row in above], np.int64),
        np.array([row[2] for row in above], np.float64),
        threshold_kn=threshold_kn,
        gap_us=round(policy.return_gap_h * 3.6e9),
        observed_us=account.observed_us,
        years=policy.return_years,
    )
    told = {"years": policy.return_years, "threshold_kn": threshold_kn, "gap_h": policy.return_gap_h}
    if isinstance(made, TooShort):
        days = made.observed_us / DAY_US
        why = (
            f"{made.words}: {made.clusters} clusters of peaks in {days:.1f} observed days; at least {FEWEST_CLUSTERS} "
            f"clusters and {YEAR_US // DAY_US} days are needed (house rule)"
        )
        return {"reckoned": False, **told, "clusters": made.clusters, "observed_days": days, "why": why}
    if isinstance(made, NoLevel):
        return {"reckoned": False, **told, "why": made.why}
    return {
        "reckoned": True,
        **told,
        "clusters": made.clusters,
        "observed_days": made.observed_us / DAY_US,
        "level_kn": made.level_kn,
        "low_kn": made.low_kn,
        "high_kn": made.high_kn,
        "interval_pct": 95,
        "at_least": any(row[3] for row in above),
        "shape": made.tail.xi,
        "scale_kn": made.tail.sigma,
        "words": WORDS,
    }


def _excursions(ledger: Ledger, line: str, channels: Collection[str]) -> list[Any]:
    """Excursions of the live sheets that a line's live states rest on."""
    own = {sheet for (sheet,) in ledger.rows("SELECT unnest(sheets) FROM live_states WHERE line = ?", [line])}
    return [mark.payload for mark in index.marks(ledger, "excursion", channels=channels) if mark.sheet in own]
