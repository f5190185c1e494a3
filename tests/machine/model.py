"""The plain model: a site's books reckoned from scratch from its registers and every file that ever came.

It rests on `tests/independent/`, which reckons from DESIGN's definitions alone and never imports the program.
"""

from __future__ import annotations

import functools
import gzip
import hashlib
import itertools
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime
from decimal import ROUND_HALF_EVEN, Context, Decimal
from fractions import Fraction
from pathlib import Path

from tests.independent.reference_count import Curve, Cycle, Rainflow, posted, utc_day
from tests.independent.reference_events import SECOND_US, brake_renders, break_force_kn, peak_loads, time_at_level
from tests.independent.reference_held import brake_helds
from tests.independent.reference_raw import Layout, RawLine, read_once
from tests.independent.reference_store import DAY_US, Felt, Rigging, Site, felt
from tests.independent.reference_tension import tension_events
from tests.independent.reference_times import to_us
from tests.machine.books import Books, Cycles, Event, rounded

WIDE = Context(prec=200)
GZIP = b"\x1f\x8b"
Files = Sequence[tuple[str, bytes]]
"""Names and bytes as they came: by night, and within a night by name."""


def _lines_of(data: bytes, layout: Layout) -> list[RawLine]:
    return read_once(gzip.decompress(data) if data.startswith(GZIP) else data, layout)


@dataclass
class Model:
    """A site as it stands, reckoned anew. `through`: the latest day ever posted by decree."""

    site: Site
    through: date | None
    shas: dict[str, str]

    @staticmethod
    def of(root: Path, files: Files, through: date | None) -> Model:
        site, names = Site(root), {}
        for name, data in files:
            sha256 = hashlib.sha256(data).hexdigest()
            if sha256 not in names:
                names[sha256] = name
                layout = site.layout_of(name.removesuffix(".gz"))
                site.add(name, sha256, _lines_of(data, layout))
        return Model(site, through, names)

    @functools.cached_property
    def felt(self) -> dict[str, list[Felt]]:
        """What each rigging felt, by line, in order of time."""
        found: dict[str, list[Felt]] = {line: [] for line in self.site.lines}
        for rigging in self.site.riggings:
            found[rigging.line].append(felt(self.site, rigging))
        return found

    @functools.cached_property
    def reading_days(self) -> dict[str, set[date]]:
        """Days with any reading, a missing one included, by channel."""
        return {name: {utc_day(at_us) for at_us, _ in self.site.live(name)} for name in self.site.channels}

    @functools.cached_property
    def horizon_us(self) -> int | None:
        """The site's latest reading, or the end of the latest `--through`."""
        ends = [self.site.live(name)[-1][0] for name in self.site.channels if self.site.live(name)]
        if self.through is not None:
            ends.append(to_us(datetime(self.through.year, self.through.month, self.through.day, tzinfo=UTC)) + DAY_US)
        return max(ends, default=None)

    def books(self) -> Books:
        books = Books()
        for line in self.site.lines:
            self._account(line, books)
        books.events = sorted(self._events(), key=event_order)
        books.receipts = {
            sha256: _receipt(self.site.receipts[name])
            for sha256, name in self.shas.items()
            if sha256 not in self.site.withdrawn
        }
        books.conflicts = self._conflicts()
        return books

    def flows(self, line: str) -> dict[str, Rainflow]:
        """The whole record of each zone, counted in one go."""
        flows: dict[str, Rainflow] = {}
        for part in self.felt[line]:
            flow = flows.setdefault(part.rigging.zone, Rainflow())
            flow.feed(0.0, part.rigging.from_us)
            for at_us, kn in part.tension:
                flow.feed(kn, at_us)
            if part.rigging.to_us is not None:
                flow.feed(0.0, part.rigging.to_us)
        return flows

    def cycles(self, line: str) -> Cycles:
        flows = self.flows(line)
        closed = Counter((z, c.range_kn, c.mean_kn, c.closed_us) for z, flow in flows.items() for c in flow.cycles)
        # A rigging without a reading has no sheet, and a residue of one point holds nothing open.
        return Cycles(closed, {zone: flow.residue for zone, flow in flows.items() if len(flow.residue) > 1})

    def _account(self, line: str, books: Books) -> None:
        fatigue = self.site.specs[self.site.lines[line]["spec"]]["fatigue"]
        curve = Curve(fatigue["a"], fatigue["b"], fatigue["m"], break_force_kn(self.site, line))
        quanta: Counter[tuple[str, date]] = Counter()
        for zone, flow in self.flows(line).items():
            for cycle in flow.cycles:
                quanta[zone, utc_day(cycle.closed_us)] += curve.quanta(cycle)
            if pending := _pending(curve, flow.residue):
                books.pending[line, zone] = pending
        observed = self._observed_us(line)
        for (zone, day), postable in self._days(line).items():
            life = posted(quanta[zone, day])
            if not postable:
                books.unposted[line, zone, day] = life
            elif observed[zone, day] > 0 or life != 0:
                books.postings[line, zone, day] = life
                books.consumed[line, zone] = WIDE.add(books.consumed.get((line, zone), Decimal(0)), life)
        books.consumed = {key: life for key, life in books.consumed.items() if life}
        rigged_us = sum(self._rigged_us(part.rigging) for part in self.felt[line])
        books.coverage[line] = (rigged_us, sum(observed.values()))

    def _observed_us(self, line: str) -> Counter[tuple[str, date]]:
        max_gap_us = round(self.site.policy("max_gap_s", 10.0) * SECOND_US)
        found: Counter[tuple[str, date]] = Counter()
        for part in self.felt[line]:
            for (bin_no, _), us in time_at_level(part, max_gap_us).items():
                found[part.rigging.zone, utc_day(bin_no * 600 * SECOND_US)] += us
        return found

    def _days(self, line: str) -> dict[tuple[str, date], bool]:
        """Days that have a sheet, by zone, and whether each may be posted."""
        found: dict[tuple[str, date], bool] = {}
        for rigging in (part.rigging for part in self.felt[line]):
            first = utc_day(rigging.from_us)
            last = date.max if rigging.to_us is None else utc_day(rigging.to_us)
            seen = self.reading_days[rigging.channel]
            days = {day for day in seen if first <= day <= last}
            for day in days | ({first} if rigging.to_us is None else {first, last}) if days else ():
                ready = rigging.to_us is not None or max(seen) > day
                ready = ready or (self.through is not None and day <= self.through)
                found[rigging.zone, day] = found.get((rigging.zone, day), True) and ready
        return found

    def _rigged_us(self, rigging: Rigging) -> int:
        if self.horizon_us is None:
            return 0
        to_us = self.horizon_us if rigging.to_us is None else min(rigging.to_us, self.horizon_us)
        return max(0, to_us - rigging.from_us)

    def _events(self) -> Iterable[Event]:
        for line, parts in self.felt.items():
            for kind, found in (
                ("peak-load", peak_loads(self.site, line, parts)),
                ("brake-render", brake_renders(self.site, line, parts)),
            ):
                for one in found:
                    event = {"kind": kind, **asdict(one)}
                    event["tails"] = [(tail, rounded(pct)) for tail, pct in one.tails]
                    yield {name: rounded(value) if name == "peak_pct" else value for name, value in event.items()}
            for told in (*tension_events(self.site, line, parts), *brake_helds(self.site, line, parts)):
                yield {
                    **asdict(told),
                    "tails": [(tail, rounded(pct)) for tail, pct in told.tails],
                    "extra": [rounded(figure) for figure in told.extra],
                }

    def _conflicts(self) -> Counter[tuple[str, date]]:
        found: Counter[tuple[str, date]] = Counter()
        for channel, instants in self.site.store.readings.items():
            for at_us, readings in instants.items():
                standing = {value for value, sha256 in readings if sha256 not in self.site.withdrawn}
                if len(standing) > 1:
                    found[channel, utc_day(at_us)] += 1
        return found


def event_order(event: Event) -> tuple[str, str, int]:
    return (event["line"], event["kind"], event["from_us"])


def _receipt(tally: Counter[str]) -> Counter[str]:
    """Which of two files is the duplicate is a matter of order; how many rows they hold is not."""
    names = ("lines", "header", "blank", "ignored", "quarantined", "cells_quarantined")
    return +Counter({name: tally[name] for name in names} | {"rows": tally["stored"] + tally["duplicate"]})


def _pending(curve: Curve, residue: Sequence[float]) -> Decimal:
    """Half cycles: halves of whole numbers of 2^-100."""
    ranges = (Cycle(min(p, q), max(p, q), 0) for p, q in itertools.pairwise(residue))
    halves = Fraction(sum(curve.quanta(cycle) for cycle in ranges), 1 << 101)
    exact = WIDE.divide(Decimal(halves.numerator), Decimal(halves.denominator))
    return exact.quantize(Decimal(1).scaleb(-30), rounding=ROUND_HALF_EVEN, context=WIDE)
