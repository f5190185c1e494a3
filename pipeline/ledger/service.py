"""What a line has served beside its figures: calls, mooring hours, age, the limits on them, and what nobody recorded.

Pure. No figure of life extends a limit of these.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from pipeline.events.calls import Call as Call
from pipeline.events.calls import calls as all_calls
from pipeline.ledger.account import Account
from pipeline.site import Site
from schemas.registers import Limits, Rigging
from schemas.times import DAY_US, us_to_rfc3339

HOUR_US = 3_600_000_000
YEAR_US = round(365.25 * DAY_US)
"""The Julian year, of 365.25 days."""


def calls(riggings: Iterable[Rigging], ship_of: Mapping[str, str], horizon_us: int | None) -> list[Call]:
    """The calls that have begun by the horizon; riggings after it are none."""
    return all_calls([row for row in riggings if horizon_us is not None and row.from_us <= horizon_us], ship_of)


def calls_of(line: str, site: Site, made: Sequence[Call], horizon_us: int | None) -> list[Call]:
    """Those of a site's calls in which a line was rigged, up to the horizon."""
    ship = site.lines[line].ship
    own = [row for row in site.riggings if row.line == line and horizon_us is not None and row.from_us <= horizon_us]
    return [call for call in made if call.ship == ship and any(call.has(row) for row in own)]


def service_of(
    site: Site, account: Account, made: Sequence[Call], *, horizon_us: int | None, known_us: int
) -> dict[str, Any]:
    """Calls, mooring hours [h], age [years] and the limits on them; service that no record holds.

    Hours and calls are those of `rigging.csv` up to the horizon; the age counts from `in_service` to `known_us`.
    """
    line = site.lines[account.line]
    since_us = line.in_service_us
    figures = {
        "max_calls": float(len(calls_of(account.line, site, made, horizon_us))),
        "max_mooring_h": account.rigged_us / HOUR_US,
        "max_age_years": None if since_us is None else max(0, known_us - since_us) / YEAR_US,
    }
    return {
        "calls": int(figures["max_calls"] or 0),
        "mooring_h": figures["max_mooring_h"],
        "in_service": None if line.in_service is None else str(line.in_service),
        "age_years": figures["max_age_years"],
        "limits": [
            *_limits(site.spec_of(account.line).limits, f"spec {line.spec}", figures),
            *_limits(site.policy.limits, "policy", figures),
        ],
        "outside_records": _outside(site, account, since_us, horizon_us),
        "no_extension": "no figure here extends a limit of the maker, the company or the calendar",
    }


def _limits(table: Limits | None, whose: str, figures: Mapping[str, float | None]) -> list[dict[str, Any]]:
    """Each limit with where the line stands; `reached` is None where that is not known."""
    if table is None:
        return []
    found = []
    for name, figure in figures.items():
        limit = getattr(table, name)
        if limit is not None:
            found.append(
                {
                    "limit": name,
                    "of": whose,
                    "value": limit,
                    "now": figure,
                    "reached": None if figure is None else figure >= limit,
                    "source": table.source,
                }
            )
    return found


def _outside(site: Site, account: Account, since_us: int | None, horizon_us: int | None) -> dict[str, Any]:
    """Service that is in no figure: before the first rigging here, and rigged here without a usable reading."""
    riggings = [row for row in site.riggings if row.line == account.line]
    first_us = min((row.from_us for row in riggings), default=horizon_us)
    before_us = None if since_us is None or first_us is None else max(0, first_us - since_us)
    # Whole days, rounded up: what was not recorded is never made less.
    days = None if before_us is None else -(-before_us // DAY_US)
    unobserved_us = max(0, account.rigged_us - account.observed_us)
    if since_us is None:
        words = "service outside our records: not known (lines.csv gives no in_service), not counted"
    elif days is None:
        words = "in service before the first record here: nothing is recorded yet"
    else:
        words = f"in service before the first record here: {days} days, not counted"
        if days > 0 and site.lines[account.line].opening_life is not None:
            words += " but for the opening"
    return {
        "days": days,
        "to": None if first_us is None else us_to_rfc3339(first_us),
        "words": words,
        "rigged_unobserved_h": unobserved_us / HOUR_US,
        "rigged_unobserved": f"rigged here and not observed: {unobserved_us / HOUR_US:.1f} h, not counted",
    }
