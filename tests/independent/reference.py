"""An independent reckoning of a site: what DESIGN.md's definitions give, by the shortest road.

Pure Python, and nothing here imports the program. Inputs are a site folder and the raw files in the order
they were delivered; answers are compared with what the command line prints.

CHOICES, where DESIGN.md leaves room (the most literal reading each time):

 1. A cell is readable when all of it is a decimal number with the layout's decimal sign (optional sign
    and exponent), or one of its `words`. "NaN", "inf", a blank, or the wrong decimal sign are bad cells.
 2. Quoted fields follow RFC 4180: a separator inside quotes does not divide. (DESIGN.md does not say; no
    site here writes one.)
 3. A reading is `duplicate` when any earlier reading of its channel and instant has the same value, live
    or not. A bad cell's sample is a missing reading and takes part in this like any other.
 4. Withdrawal: a reading stays live as long as one file that holds it is not withdrawn, even where that
    file's row was a duplicate when it came (otherwise promise 2 would depend on the order of delivery).
 5. Calibrated tension = (value - zero_kn) * gain, by the row with the latest `from` at or before the
    sample; before the first row, the value as it is.
 6. The zero at a rigging's `to` stands on the UTC day of `to` itself, also at exactly midnight.
 7. Zero at `from` comes before a sample at the same instant; a sample at exactly `to` is outside.
 8. The residue includes the last sample so far (a tentative turning point), as check 2's does.
 9. Pending half cycles are summed as floats; only closed cycles are rounded to 2^-100.
10. Brake state at an instant is the latest readable brake reading of the place, of that UTC day or the day
    before; 0 is open.
11. A sample that a ten-minute bin's end cuts off stands for nothing in the next bin.
12. Rigged time runs to `to`, or to the later of the site's latest sample and the end of `--through`'s
    day.
13. Excursions of a line join across its riggings on one channel too, when their separation is under
    `cluster_gap_s`; and so do slips.
14. A slip step is two successive readable payout samples while rigged, at most `max_gap_s` apart; tension
    and brake are taken at the later one (the latest tension sample within 1 s). A run starts at the earlier
    sample of its first step and ends at the later sample of its last; "apart" is from that end to the next
    start; payout is the difference between end and start; the median is over the later samples of the slip
    steps.
15. Repeated hour without a step back: the unambiguous time before it makes it the first pass (promise 2
    excepts only pieces wholly inside the hour), else the unambiguous time after it the second. Only a
    backward step of more than 60 s between two readings of the repeated hour is "the step back".
16. An unterminated last line that is blank or ignored keeps that class ("first that applies").
"""

import functools
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from decimal import Context, Decimal
from pathlib import Path

from tests.independent.reference_count import Curve, Cycle, Rainflow, posted, utc_day
from tests.independent.reference_events import (
    SECOND_US,
    PeakLoad,
    Render,
    brake_renders,
    break_force_kn,
    peak_loads,
    time_at_level,
)
from tests.independent.reference_store import Felt, Site, felt
from tests.independent.reference_tension import Told, tension_events
from tests.independent.reference_times import to_us

__all__ = ["Account", "Answers", "reckon"]


@dataclass
class Account:
    """One line: cycles and residue by zone, life in 2^-100 by (zone, day), pending, coverage."""

    line: str
    cycles: dict[str, list[Cycle]] = field(default_factory=dict)
    residue: dict[str, list[float]] = field(default_factory=dict)
    quanta: Counter[tuple[str, date]] = field(default_factory=Counter)
    pending: dict[str, float] = field(default_factory=dict)
    rigged_us: int = 0
    observed_us: int = 0
    level_us: Counter[tuple[int, float]] = field(default_factory=Counter)

    def entries(self) -> dict[tuple[str, date], Decimal]:
        """Live postings that are not zero."""
        return {key: posted(quanta) for key, quanta in self.quanta.items() if posted(quanta)}

    def consumed(self, zone: str) -> Decimal:
        """Posted life of a zone: the sum of its entries."""
        lives = [life for (z, _), life in self.entries().items() if z == zone]
        return functools.reduce(Context(prec=80).add, lives, Decimal(0))


@dataclass
class Answers:
    """All that the command line is compared with."""

    site: Site
    accounts: dict[str, Account]
    peak_loads: list[PeakLoad]
    renders: list[Render]
    told: list[Told]


def reckon(root: Path, files: Iterable[Path], through: date) -> Answers:
    """Reckon a site from its registers and the raw files in order of delivery."""
    site = Site(root)
    for path in files:
        site.take(path)
    day_end = datetime(through.year, through.month, through.day, tzinfo=UTC) + timedelta(days=1)
    horizon_us = max(site.latest_us(), to_us(day_end))
    accounts: dict[str, Account] = {}
    peaks: list[PeakLoad] = []
    renders: list[Render] = []
    told: list[Told] = []
    for line in site.lines:
        parts = [felt(site, rigging) for rigging in site.riggings if rigging.line == line]
        accounts[line] = _account(site, line, parts, horizon_us)
        peaks += peak_loads(site, line, parts)
        renders += brake_renders(site, line, parts)
        told += tension_events(site, line, parts)
    return Answers(site, accounts, peaks, renders, told)


def curve_of(site: Site, line: str) -> Curve:
    """The line's fatigue curve on its own break force."""
    fatigue = site.specs[site.lines[line]["spec"]]["fatigue"]
    return Curve(fatigue["a"], fatigue["b"], fatigue["m"], break_force_kn(site, line))


def _account(site: Site, line: str, parts: list[Felt], horizon_us: int) -> Account:
    account = Account(line)
    curve = curve_of(site, line)
    max_gap_us = round(site.policy("max_gap_s", 10.0) * SECOND_US)
    flows: dict[str, Rainflow] = {}
    for part in parts:
        rigging = part.rigging
        _feed(flows.setdefault(rigging.zone, Rainflow()), part)
        ends_us = horizon_us if rigging.to_us is None else min(rigging.to_us, horizon_us)
        account.rigged_us += max(0, ends_us - rigging.from_us)
        account.level_us += time_at_level(part, max_gap_us)
    account.observed_us = sum(account.level_us.values())
    for zone, flow in flows.items():
        account.cycles[zone] = flow.cycles
        account.residue[zone] = flow.residue
        account.pending[zone] = curve.pending(flow.residue)
        for cycle in flow.cycles:
            account.quanta[zone, utc_day(cycle.closed_us)] += curve.quanta(cycle)
    return account


def _feed(flow: Rainflow, part: Felt) -> None:
    flow.feed(0.0, part.rigging.from_us)
    for at_us, kn in part.tension:
        flow.feed(kn, at_us)
    if part.rigging.to_us is not None:
        flow.feed(0.0, part.rigging.to_us)
