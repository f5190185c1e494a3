"""What was recorded of a ship's lines in a window, as one digest: a page that rests on it is made anew only with it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any

from pipeline.ledger import index
from pipeline.night.plan import digest
from pipeline.reports.drawing import rigged_in
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.windows import days_of

Window = tuple[int, int]
"""[first, end) of what is drawn [us]."""


class Digests:
    """Digests of samples, flags, sheets and registers under the windows of a making, read all at once."""

    def __init__(self, snapshot: Snapshot, stretches: Iterable[tuple[str, Window]]) -> None:
        site = snapshot.site
        self._places: dict[tuple[str, Window], list[tuple[str, date]]] = {}
        for ship, window in stretches:
            places = {site.channels[row.channel].place for row in rigged_in(site, ship, *window)}
            self._places[ship, window] = [(place, day) for place in sorted(places) for day in days_of(*window)]
        wanted = {key for keys in self._places.values() for key in keys}
        self._by_day: dict[tuple[str, date], list[str]] = {}
        for part in index.parts(snapshot.ledger, wanted):
            self._by_day.setdefault((part.place, part.day), []).append(part.digest)
        for key, file in index.flags(snapshot.ledger, wanted).items():
            self._by_day.setdefault(key, []).append(file.digest)
        channels = {(c.channel, day) for c in site.channels.values() for place, day in wanted if c.place == place}
        for sheet in index.sheets(snapshot.ledger, channels):
            self._by_day.setdefault((sheet.place, sheet.day), []).append(f"{sheet.sheet} {sheet.digest}")
        self._registers = digest(index.head_archive(snapshot.ledger))

    def key(self, stretch: tuple[str, Window], rests_on: Sequence[Any]) -> str:
        """The digest of all that decides a page about a stretch of time."""
        days = [
            [place, day.isoformat(), sorted(self._by_day.get((place, day), ()))] for place, day in self._places[stretch]
        ]
        return digest([self._registers, list(stretch[1]), days, list(rests_on)])
