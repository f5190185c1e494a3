"""What is in no figure of a line and can still be told: unobserved time, days to come, rare peaks, an assumed share.

Drawn from the line's own observed days by `pipeline.outlook`; read here, worded here, and never posted. Each answer is
either figures with their band, or `why` there are none. Lives are Decimals, as shown (factor on fatigue applied), and
what the account's basis calls them: a severity index unless that is calibrated, and never a percent of life.
"""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction
from typing import Any, Final

from pipeline.ledger import index
from pipeline.ledger.account import Account, exact_sum
from pipeline.ledger.database import Ledger
from pipeline.ledger.return_peaks import return_peaks_of
from pipeline.ledger.share_band import shares_of
from pipeline.ledger.words import CALIBRATED
from pipeline.ledger.zone_days import ZoneDays, zone_days
from pipeline.outlook.blocks import TooFew, seed_of
from pipeline.outlook.forecast import CAUTION, Forecast, Limit, Reached, forecast
from pipeline.outlook.unobserved import unobserved_price
from pipeline.site import Site
from pipeline.wear.fatigue import UNIT_EXPONENT, to_decimal
from schemas.times import day_of

COVERAGE_FOR_A_DATE: Final = 0.95
"""Least share of rigged time observed for which a date is told. House rule."""

UNOBSERVED_WORDS: Final = (
    "drawn from the line's own observed days as if unobserved time had been like them, which it is not where a logger "
    "fails in storms; shown apart, in no total and never posted"
)
MEASURED_UNOBSERVED: Final = (
    "on simulated weather, on which the method was chosen, intervals meant to hold 90 % held 92.7 % of 1,800 hidden "
    "gaps; the worst kind, twenty gaps of 2 h in a record, 82 %"
)
MEASURED_FORECAST: Final = (
    "a band of drawn paths and no assurance: on simulated weather it held the next 30 days in 84 % of swell, 87 % of "
    "harbour and 47 % of storm records, missing mostly on the high side"
)
REACHED_WORDS: Final = (
    "when life used would come to 1, the end of the fitted curve, if rigged as much of the time as so far; limits of "
    "retirement, inspection and calendar come before it, and none of them is moved by it"
)


def outlook_of(ledger: Ledger, site: Site, account: Account, basis: str, *, opening_known: bool) -> dict[str, Any]:
    """`unobserved`, `forecast`, `return_peaks` and `shares` of a line, as a statement shows them.

    `basis`: what the line's figures are called; `opening_known`: whether the account has its opening.
    """
    days = zone_days(ledger, site, account)
    return {
        "unobserved": _unobserved(account, days),
        "forecast": _forecast(ledger, site, account, days, basis, opening_known=opening_known),
        "return_peaks": return_peaks_of(ledger, site, account),
        "shares": shares_of(ledger, site, account),
    }


def _unobserved(account: Account, days: ZoneDays | str) -> dict[str, Any]:
    """The price of unobserved rigged time of the worse zone, or why there is none."""
    if isinstance(days, str):
        return {"reckoned": False, "why": days}
    gaps_us = days.gaps_us
    told = {"zone": days.zone, "band": days.band, "hours": sum(gaps_us) / 3.6e9, "gaps": len(gaps_us)}
    if not gaps_us:
        return {"reckoned": False, **told, "why": "all of its rigged time was observed"}
    price = unobserved_price(days.in_order, gaps_us, seed_of(account.line, days.zone, "unobserved"))
    if isinstance(price, TooFew):
        return {"reckoned": False, **told, "why": price.why}
    return {
        "reckoned": True,
        **told,
        "median": to_decimal(price.median),
        "low": to_decimal(price.low),
        "high": to_decimal(price.high),
        "interval_pct": 90,
        "blocks": price.blocks,
        "block_days": price.block_days,
        "words": UNOBSERVED_WORDS,
        "measured": MEASURED_UNOBSERVED,
    }


def _forecast(
    ledger: Ledger, site: Site, account: Account, days: ZoneDays | str, basis: str, *, opening_known: bool
) -> dict[str, Any]:
    """The rate of the last rigged days with its band, and a date where one may be given."""
    if isinstance(days, str):
        return {"reckoned": False, "why": days, "caution": CAUTION}
    last_days = site.policy.forecast_days
    no_date = _no_date(ledger, site, account, days, basis, opening_known=opening_known)
    made = forecast(
        days.in_order,
        None if no_date else _limit(ledger, site, account, days),
        seed=seed_of(account.line, days.zone, "forecast"),
        may_date=not no_date,
        last_days=last_days,
    )
    told = {"zone": days.zone, "band": days.band, "last_days": last_days}
    if isinstance(made, TooFew):
        return {"reckoned": False, **told, "why": f"of the last {last_days} rigged days {made.why}", "caution": CAUTION}
    return {"reckoned": True, **told, **_rate(made, days), **_date(made.reached, no_date), "caution": made.caution}


def _rate(made: Forecast, days: ZoneDays) -> dict[str, Any]:
    rigged = list(days.days)[-made.days :]
    return {
        "from_day": rigged[0].isoformat(),
        "to_day": rigged[-1].isoformat(),
        "per_rigged_day": to_decimal(made.per_day),
        "low": to_decimal(made.low),
        "high": to_decimal(made.high),
        "measured": MEASURED_FORECAST,
    }


def _date(reached: Reached | None, no_date: list[str]) -> dict[str, Any]:
    """The limit's dates, earliest first; None where none may be given, and within ten years where one is not."""
    if reached is None:
        return {"reached": None, "no_date": no_date}
    dates = {"earliest": reached.earliest, "median": reached.median, "latest": reached.latest}
    return {
        "reached": {name: None if day is None else day.isoformat() for name, day in dates.items()}
        | {"words": REACHED_WORDS},
        "no_date": [],
    }


def _no_date(
    ledger: Ledger, site: Site, account: Account, days: ZoneDays, basis: str, *, opening_known: bool
) -> list[str]:
    """Every reason why no date may be given."""
    why = []
    if basis != CALIBRATED:
        why.append(f"the figures are a {basis}")
    if not opening_known:
        why.append("its opening is unknown")
    lately = list(days.days.values())[-site.policy.forecast_days :]
    shares = (
        _share(account.observed_us, account.rigged_us),
        _share(sum(day.observed_us for day in lately), sum(day.rigged_us for day in lately)),
    )
    if min(shares) < COVERAGE_FOR_A_DATE:
        least_pct = int(1000 * min(shares)) / 10
        why.append(
            f"only {least_pct:g} % of its rigged time was observed, not {100 * COVERAGE_FOR_A_DATE:g} % (house rule)"
        )
    if _outboard_last(ledger, site, account.line) != days.zone:
        why.append(f"its worse zone {days.zone} is not the one rigged last")
    if index.unreckoned(ledger):
        why.append("samples have come that no night has reckoned")
    return why


def _share(part: int, whole: int) -> float:
    return part / whole if whole > 0 else 0.0


def _outboard_last(ledger: Ledger, site: Site, line: str) -> str | None:
    """The zone of the rigging that began last, up to the horizon."""
    horizon_us = index.horizon_us(ledger)
    begun = [
        (row.from_us, row.outboard_end)
        for row in site.riggings
        if row.line == line and (horizon_us is None or row.from_us < horizon_us)
    ]
    return max(begun)[1] if begun else None


def _limit(ledger: Ledger, site: Site, account: Account, days: ZoneDays) -> Limit | None:
    """What is left until the curve's end, open cycles and days not posted counted, the opening too."""
    horizon_us, opening = index.horizon_us(ledger), site.lines[account.line].opening_life
    begun_us = [row.from_us for row in site.riggings if (row.line, row.outboard_end) == (account.line, days.zone)]
    if horizon_us is None or not days.days:
        return None
    used = exact_sum((account.used(days.zone), Decimal(0) if opening is None else opening))
    rigged_us = sum(day.rigged_us for day in days.days.values())
    return Limit(
        math.floor((1 - Fraction(used)) * (1 << UNIT_EXPONENT)),
        day_of(horizon_us),
        rigged_us / (horizon_us - min(begun_us)),
    )
