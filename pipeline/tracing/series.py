"""The samples of a line as its sheets saw them, day by day."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np

from pipeline.ledger import index
from pipeline.ledger.database import Ledger
from pipeline.night.intake import LiveParts
from pipeline.night.look import DayJob, Floats, Ints, Looked, SliceSamples, look, slice_samples
from pipeline.night.plan import PlaceDay, Plan, SheetPlan, make_plan
from pipeline.site import Site
from pipeline.store.samples import store_part
from schemas.registers import Channel


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
        # Lines of one hook, and a line and its tail, are asked for one after another.
        self._last: tuple[PlaceDay, Looked] | None = None
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

    def days_of_channel(self, channel: Channel) -> list[date]:
        """The days on which a channel has a stored reading, ascending."""
        found = self.live.days().items()
        return sorted({day for (_, day), parts in found if any(channel.channel in part.channels for part in parts)})

    def rigged_days(self, channel: Channel) -> list[date]:
        """The days on which a line has a sheet on a channel, ascending."""
        return sorted({use.day for use in self.plan.uses if use.rigging.channel == channel.channel})

    def of_channel(self, channel: Channel, wanted: Callable[[date], bool]) -> Iterator[tuple[str, SliceSamples]]:
        """Line and samples of every rigging's day on a channel, of the days wanted; of each line in order of time."""
        uses = [use for use in self.plan.uses if use.rigging.channel == channel.channel and wanted(use.day)]
        for use in sorted(uses, key=lambda use: (use.day, use.rigging.from_us, use.rigging.line)):
            yield use.rigging.line, self._samples(self._sheets[use.key])

    def _samples(self, wanted: SheetPlan) -> SliceSamples:
        place_day = (wanted.slice.place, wanted.slice.day)
        if self._last is None or self._last[0] != place_day:
            site, plan = self.site, self.plan.days[place_day]
            channels = tuple(c for c in site.channels.values() if c.place == plan.place)
            self._last = place_day, look(DayJob(site.store, "", plan, channels, site.policy, ()))
        return slice_samples(wanted, self._last[1], self.plan.days[place_day].later)

    def _series(self, wanted: SheetPlan) -> DaySeries:
        piece, samples = wanted.slice, self._samples(wanted)
        at_us, kn = samples.at_us[samples.usable], samples.kn[samples.usable]
        if piece.begins:
            at_us, kn = np.concatenate(([piece.from_us], at_us)), np.concatenate(([0.0], kn))
        if piece.ends:
            at_us, kn = np.concatenate((at_us, [piece.to_us])), np.concatenate((kn, [0.0]))
        return DaySeries(wanted, at_us, kn)
