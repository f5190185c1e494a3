"""The samples of a line as its sheets saw them, day by day."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np

from pipeline.ledger import index
from pipeline.ledger.database import Ledger
from pipeline.night.intake import LiveParts
from pipeline.night.look import DayJob, Floats, Ints, look, slice_samples
from pipeline.night.plan import Plan, SheetPlan, make_plan
from pipeline.site import Site
from pipeline.store.samples import store_part


@dataclass(frozen=True)
class DaySeries:
    """Tension of a line over one rigging's day [kN], with the 0 kN of the rigging's own beginning and end."""

    plan: SheetPlan
    at_us: Ints
    kn: Floats


class Series:
    """What is needed to stream the samples of a site's lines as of a ledger's head."""

    def __init__(self, ledger: Ledger, site: Site) -> None:
        self.live = LiveParts(store_part(part) for part in index.parts(ledger))
        self.site = site
        self.plan: Plan = make_plan(
            site, self.live.days(), index.latest_through(ledger), known_us=index.known_us(ledger)
        )
        self._sheets = {sheet.key: sheet for day in self.plan.days.values() for sheet in day.sheets}

    def days(self, line: str, zone: str) -> list[date]:
        """The days on which a line's zone has sheets, ascending."""
        return [day.day for day in self.plan.accounts.get((line, zone), ())]

    def of_day(self, line: str, zone: str, day: date) -> Iterator[DaySeries]:
        """The series of one day, a rigging at a time, in time order."""
        for account_day in self.plan.accounts.get((line, zone), ()):
            if account_day.day == day:
                for key in account_day.keys:
                    yield self._series(self._sheets[key])

    def _series(self, wanted: SheetPlan) -> DaySeries:
        piece, site = wanted.slice, self.site
        plan = self.plan.days[piece.place, piece.day]
        channels = tuple(c for c in site.channels.values() if c.place == piece.place)
        job = DayJob(site.store, "", plan, channels, site.policy, ())
        samples = slice_samples(wanted, look(job), plan.later)
        at_us, kn = samples.at_us[samples.usable], samples.kn[samples.usable]
        if piece.begins:
            at_us, kn = np.concatenate(([piece.from_us], at_us)), np.concatenate(([0.0], kn))
        if piece.ends:
            at_us, kn = np.concatenate((at_us, [piece.to_us])), np.concatenate((kn, [0.0]))
        return DaySeries(wanted, at_us, kn)
