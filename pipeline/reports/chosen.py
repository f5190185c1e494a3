"""Which happenings have pages, and where each event is told.

An event above a note has a page of its own if it is of the last `OWN_DAYS`; every episode has one, on which each of its
events is told; notes, of which a swell makes hundreds a day, share a page for each line and day. Older events stand in
the list, and are given pages where `pages` is asked for an earlier day.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any, Final

from pipeline.ledger.rows import Event
from pipeline.reports.page import page_path
from schemas.times import day_of

OWN_DAYS: Final = 7
"""Events of so many days before the latest sample have a page each: who comes back from a week away finds all of them,
and a night makes no more pages than a week has events, however many years the site has. House rule."""
NOTE: Final = "note"


@dataclass(frozen=True)
class Chosen:
    """Which happenings have pages. `events`: all live ones by id; `episodes`: as `episodes --json` has them; `from_us`:
    from when on events have a page each."""

    events: Mapping[str, Event]
    episodes: Sequence[Mapping[str, Any]]
    from_us: int

    @cached_property
    def own(self) -> list[Event]:
        """Events with a page of their own, in order of time."""
        found = [one for one in self.events.values() if severity(one) != NOTE and one.to_us >= self.from_us]
        return sorted(found, key=_by_time)

    @cached_property
    def notes(self) -> dict[tuple[str, date], list[Event]]:
        """Notes by line and UTC day, those that have a page."""
        found: dict[tuple[str, date], list[Event]] = {}
        for one in sorted(self.events.values(), key=_by_time):
            if severity(one) == NOTE and one.to_us >= self.from_us:
                found.setdefault((one.line, day_of(one.from_us)), []).append(one)
        return found

    @cached_property
    def episode_of(self) -> dict[str, Mapping[str, Any]]:
        """The episode of every event that is in one."""
        return {event: episode for episode in self.episodes for event in episode["events"]}

    @cached_property
    def _paths(self) -> dict[str, str]:
        found = {one.event: f"{notes_path(*key)}#{anchor(one)}" for key, held in self.notes.items() for one in held}
        for event, episode in self.episode_of.items():
            found[event] = f"{page_path('episodes', episode['episode'])}#{anchor(self.events[event])}"
        return found | {one.event: page_path("events", one.event) for one in self.own}

    def path(self, event: str) -> str:
        """Where an event is told, below `pages/`; "" where no page tells it."""
        return self._paths.get(event, "")

    def beside(self, event: Event) -> tuple[Event | None, Event | None]:
        """The event above a note of the same line before this one, and the one after it."""
        own = self._of_line[event.line]
        at = own.index(event)
        return (own[at - 1] if at else None), (own[at + 1] if at + 1 < len(own) else None)

    @cached_property
    def _of_line(self) -> dict[str, list[Event]]:
        found: dict[str, list[Event]] = {}
        for one in sorted(self.events.values(), key=_by_time):
            if severity(one) != NOTE:
                found.setdefault(one.line, []).append(one)
        return found


def severity(event: Event) -> str:
    """Its band; an event of a release that knew none counts as a warning."""
    return str(event.payload.get("severity", "warning"))


def anchor(event: Event) -> str:
    """Where a page that tells several events tells this one."""
    return f"e-{event.event}"


def notes_path(line: str, day: date) -> str:
    """The page of a line's notes of a UTC day."""
    return page_path("events", f"notes {line} {day}")


def _by_time(event: Event) -> tuple[int, str, str]:
    return event.from_us, event.line, event.kind
