"""A line's worse zone day by day, as the outlook takes it: life, time observed, time rigged; and the gaps.

The days are those of one zone and one band of it: the zone and the band with most counted against them in the account.
Free length: fatigue times the spec's factor, with creep as `wear.together` adds it (of two that are not added, the
larger by their totals). Contact band: all abrasion of the zone, as if it had lain on one contact. Days whose posting
still waits are among them.

Limits: a cycle's life stands on the day that closed it, which may be days after its peak. Life of a day without any
observed time (cycles closed by letting go) is in the account and not in the record that figures are drawn from.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from pipeline.ledger import index
from pipeline.ledger.account import CONTACT, Account
from pipeline.ledger.database import Ledger
from pipeline.outlook.blocks import Day
from pipeline.site import Site
from pipeline.wear.together import adds
from schemas.registers import Rigging
from schemas.times import DAY_US, day_of, day_start_us


@dataclass(frozen=True)
class ZoneDays:
    """`days`: every UTC day on which the zone was rigged, up to the horizon, and its figures, in order of day."""

    zone: str
    band: str
    days: Mapping[date, Day]

    @property
    def in_order(self) -> list[Day]:
        """The figures alone."""
        return list(self.days.values())

    @property
    def gaps_us(self) -> tuple[int, ...]:
        """Unobserved stretches of rigged time [us], longest first."""
        return gaps_by_day(self.days)


def zone_days(ledger: Ledger, site: Site, account: Account) -> ZoneDays | str:
    """The days of an account's worse zone and worst band; in words why they cannot be told."""
    zone = account.worse_zone
    used = account.bands(zone, unposted=True, pending=True)
    band = max(used, key=lambda name: used[name])
    lives = _lives(ledger, account, zone, contact=band == CONTACT)
    observed = _observed_us(ledger, account.line, zone)
    rows = [row for row in site.riggings if (row.line, row.outboard_end) == (account.line, zone)]
    rigged = rigged_by_day(rows, index.horizon_us(ledger))
    days = {}
    for day in sorted(rigged.keys() | observed.keys()):
        seen_us, rigged_us = observed.get(day, 0), rigged.get(day, 0)
        if seen_us > rigged_us:
            return f"the registers changed since {day} was reckoned: run `tautlog nightly`"
        if rigged_us > 0:
            days[day] = Day(lives.get(day, 0), seen_us, rigged_us)
    return ZoneDays(zone, band, days)


def rigged_by_day(riggings: Iterable[Rigging], horizon_us: int | None) -> dict[date, int]:
    """Time rigged on each UTC day up to the horizon [us]; days without any are left out."""
    rigged: dict[date, int] = {}
    for row in riggings:
        end_us = horizon_us if row.to_us is None or horizon_us is None else min(row.to_us, horizon_us)
        at_us = row.from_us
        while end_us is not None and at_us < end_us:
            day = day_of(at_us)
            until_us = min(day_start_us(day) + DAY_US, end_us)
            rigged[day] = rigged.get(day, 0) + until_us - at_us
            at_us = until_us
    return rigged


def gaps_by_day(days: Mapping[date, Day]) -> tuple[int, ...]:
    """Lengths of the gaps [us], longest first. Of a day only its total is known, so that it has one gap at most.

    A day without any observed time is one gap with the gaps of the days beside it, as an outage runs on. Fewer and
    longer gaps make a wider interval, so that both err to the wide side.
    """
    gaps: list[int] = []
    before: date | None = None
    for day in sorted(days):
        lost_us = days[day].rigged_us - days[day].observed_us
        if lost_us == 0:
            continue
        beside = before is not None and day.toordinal() - before.toordinal() == 1
        if before is not None and beside and 0 in (days[day].observed_us, days[before].observed_us):
            gaps[-1] += lost_us
        else:
            gaps.append(lost_us)
        before = day
    return tuple(sorted(gaps, reverse=True))


def _lives(ledger: Ledger, account: Account, zone: str, *, contact: bool) -> dict[date, int]:
    """Life of each day in whole units, as shown: of the contact band, or of the free length."""
    given = [account.line, zone]
    worn = ledger.rows(
        "SELECT day, creep_units, abrasion_units FROM live_wear_days WHERE line = ? AND zone = ? ORDER BY day", given
    )
    if contact:
        return {day: 0 if abrasion is None else int(abrasion) for day, _, abrasion in worn}
    factor = Fraction(repr(account.spec.fatigue.factor))
    states = ledger.rows("SELECT day, life_units FROM live_states WHERE line = ? AND zone = ? ORDER BY day", given)
    fatigue = {day: round(int(units) * factor) for day, units in states}
    creep = {day: int(units) for day, units, _ in worn if units is not None}
    rule = adds(account.spec.material, account.spec.fatigue.includes)
    if rule in ("sustained-only", "all-added"):
        return {day: fatigue.get(day, 0) + creep.get(day, 0) for day in fatigue.keys() | creep.keys()}
    if rule == "worse-of-two" and sum(creep.values()) > sum(fatigue.values()):
        return creep
    return fatigue


def _observed_us(ledger: Ledger, line: str, zone: str) -> dict[date, int]:
    """Time observed on each day of a line's zone [us]: of the sheets that its state rests on."""
    found = ledger.rows(
        """
        SELECT used.day, sum(sheets.observed_us)::BIGINT
        FROM (SELECT day, unnest(sheets) AS sheet FROM live_states WHERE line = ? AND zone = ?) AS used
        JOIN live_sheets AS sheets ON used.sheet = sheets.sheet
        GROUP BY used.day
        """,
        [line, zone],
    )
    return dict(found)
