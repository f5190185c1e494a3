"""Pages of events and episodes, of a line's notes of a day, and the list of all events."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any

from pipeline.ledger import index
from pipeline.ledger.queries import event_object
from pipeline.ledger.rows import Event
from pipeline.reports.chosen import OWN_DAYS, Chosen, notes_path
from pipeline.reports.digests import Digests
from pipeline.reports.episode_view import episode_view, notes_view
from pipeline.reports.event_list import events_list
from pipeline.reports.event_view import Told, event_view, window_of
from pipeline.reports.figures import Link
from pipeline.reports.happening_page import episode_page, event_page, notes_page
from pipeline.reports.page import EVENTS, Page, page_path
from pipeline.reports.silence import silent_from
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.windows import Windows, live_parts
from pipeline.tracing.trace import Walker
from schemas.times import DAY_US, day_start_us, rfc3339_us, us_to_rfc3339


class Happenings:
    """The happenings of a snapshot, and all that their pages are made from; read when it is first asked for."""

    def __init__(self, snapshot: Snapshot) -> None:
        self.snapshot = snapshot

    @cached_property
    def chosen(self) -> Chosen:
        """Which have pages; without an earlier day asked for, those of OWN_DAYS up to the latest sample."""
        snapshot = self.snapshot
        from_us = snapshot.events_from_us
        if from_us is None:
            from_us = (snapshot.horizon_us or 0) - OWN_DAYS * DAY_US
        return Chosen(index.events(snapshot.ledger), snapshot.episodes, from_us)

    @cached_property
    def told(self) -> Told:
        ledger, site = self.snapshot.ledger, self.snapshot.site
        live = live_parts(ledger)
        return Told(site, Windows(ledger, site, live), Walker(ledger, site, live))

    def pages(self) -> Iterator[Page]:
        """All of them, in order of time within their kinds, so that windows that overlap are read once."""
        chosen = self.chosen
        yield Page(EVENTS, "Events", "events.html.j2", self._list)
        stretches = [self._of_event(event) for event in chosen.own]
        stretches += [self._of_episode(episode) for episode in chosen.episodes]
        stretches += [self._of_notes(line, day) for line, day in chosen.notes]
        digests = Digests(self.snapshot, [(one.ship, one.window) for one in stretches])
        for one in stretches:
            key = digests.key((one.ship, one.window), one.rests_on)
            yield Page(one.path, one.title, one.template, one.context, key=key)

    def _of_event(self, event: Event) -> Stretch:
        chosen = self.chosen
        before, after = chosen.beside(event)
        episode = chosen.episode_of.get(event.event)
        links = {
            "before": _link(chosen, before),
            "after": _link(chosen, after),
            "episode": None if episode is None else episode_link(episode),
        }
        return Stretch(
            page_path("events", event.event),
            f"{event.kind} of {event.line}",
            "event.html.j2",
            self._ship(event.line),
            window_of(event.from_us, event.to_us),
            [event_object(event), *(None if one is None else (one.text, one.path) for one in links.values())],
            lambda: {"e": event_page(event_view(self.told, event), event), "links": links},
        )

    def _of_episode(self, episode: Mapping[str, Any]) -> Stretch:
        chosen = self.chosen
        events = [chosen.events[name] for name in episode["events"]]
        paths = {event.event: page_path("events", event.event) for event in events if event.to_us >= chosen.from_us}
        return Stretch(
            page_path("episodes", episode["episode"]),
            f"Episode of {episode['ship']}",
            "episode.html.j2",
            episode["ship"],
            window_of(rfc3339_us(episode["from_at"]), rfc3339_us(episode["to_at"])),
            [episode, [event_object(event) for event in events], paths],
            lambda: {"e": episode_page(episode_view(self.told, episode, events), events, paths)},
        )

    def _of_notes(self, line: str, day: date) -> Stretch:
        notes = self.chosen.notes[line, day]
        window = (day_start_us(day), day_start_us(day) + DAY_US)
        return Stretch(
            notes_path(line, day),
            f"Notes of {line} on {day}",
            "notes.html.j2",
            self._ship(line),
            window,
            [[event_object(event) for event in notes]],
            lambda: {
                "e": notes_page(notes_view(self.told, line, day, notes), window, silent_from(self.told, line, window))
            },
        )

    def _ship(self, line: str) -> str:
        return self.snapshot.site.lines[line].ship

    def _list(self) -> dict[str, Any]:
        return events_list(self.chosen)


@dataclass(frozen=True)
class Stretch:
    """A page about a stretch of time, before it is made. `rests_on`: what decides it besides what was recorded of the
    ship's lines in the window."""

    path: str
    title: str
    template: str
    ship: str
    window: tuple[int, int]
    rests_on: Sequence[Any]
    context: Callable[[], dict[str, Any]]


def pages(snapshot: Snapshot) -> Iterator[Page]:
    """The list of events, and every happening that has a page."""
    yield from Happenings(snapshot).pages()


def episode_link(episode: Mapping[str, Any]) -> Link:
    return Link(f"episode of {len(episode['lines'])} lines", page_path("episodes", episode["episode"]))


def _link(chosen: Chosen, event: Event | None) -> Link | None:
    return None if event is None else Link(f"{event.kind} at {us_to_rfc3339(event.from_us)}", chosen.path(event.event))
