"""Episodes: events of several lines that belong together, because one begins before the others have long ended. Pure.

A squall over twelve lines is then one thing to read. Nothing is said of a cause. Episodes are made of the events that
stand, whenever they are asked for; nothing of them is stored.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from pipeline.events.ids import event_id

HELD_OPEN_S: Final = 1800.0
"""House rule: an event that lasts for longer (a lost pretension may last days) holds an episode open so long only."""


@dataclass(frozen=True)
class Happened:
    """One event, as far as an episode asks; `lines`: its own and those that had a part in it.

    `peak_within_s`: within what its peak is timed, 0 where to the sample. `began_on`: the line on which it began, where
    that is not its own (a surge is told by the line that it loaded most).
    """

    event: str
    kind: str
    ship: str
    line: str
    lines: tuple[str, ...]
    from_us: int
    to_us: int
    peak_kn: float
    peak_us: int
    peak_within_s: float = 0.0
    began_on: str | None = None

    @property
    def first_line(self) -> str:
        """The line on which it began."""
        return self.line if self.began_on is None else self.began_on

    @property
    def order(self) -> tuple[int, str, str, str]:
        """In order of time; of equal ones by line and kind."""
        return (self.from_us, self.line, self.kind, self.event)

    @property
    def open_until_us(self) -> int:
        """Until when it holds an episode open."""
        return min(self.to_us, self.from_us + round(HELD_OPEN_S * 1e6))


@dataclass(frozen=True)
class Episode:
    """Events of one ship, in order of time, that have at least two lines between them."""

    events: tuple[Happened, ...]

    @property
    def episode(self) -> str:
        """Its id: of the ship and the first instant, so that it keeps its name whatever joins it later."""
        return event_id("episode", self.events[0].ship, self.from_us)

    @property
    def from_us(self) -> int:
        return self.first.from_us

    @property
    def to_us(self) -> int:
        return max(one.to_us for one in self.events)

    @property
    def first(self) -> Happened:
        """The event that began first."""
        return self.events[0]

    @property
    def largest(self) -> Happened:
        """The event with the largest peak [kN]; of equal ones the one timed best, the earlier peak, then by line.

        A surge and the peak-load that it made share one peak, which the surge times to its ten seconds only.
        """
        return min(self.events, key=lambda one: (-one.peak_kn, one.peak_within_s, one.peak_us, *one.order))

    @property
    def lines(self) -> tuple[str, ...]:
        """The lines in the order in which they were first in it."""
        return tuple(dict.fromkeys(line for one in self.events for line in (one.line, *sorted(one.lines))))

    @property
    def kinds(self) -> dict[str, int]:
        """How many events of each kind, by name."""
        kinds = [one.kind for one in self.events]
        return {kind: kinds.count(kind) for kind in sorted(set(kinds))}


def episodes(events: Iterable[Happened], *, gap_s: float) -> list[Episode]:
    """Episodes in order of time and ship, of events in any order, each given once.

    An event belongs to the one before it where it begins within `gap_s` of the latest instant to which those before
    hold it open. Events of one line alone are no episode.
    """
    by_ship: dict[str, list[Happened]] = {}
    for one in events:
        by_ship.setdefault(one.ship, []).append(one)
    found = [episode for own in by_ship.values() for episode in _of_ship(sorted(own, key=lambda e: e.order), gap_s)]
    return sorted(found, key=lambda episode: (episode.from_us, episode.first.ship))


def _of_ship(ordered: Sequence[Happened], gap_s: float) -> list[Episode]:
    groups: list[list[Happened]] = []
    open_until_us = 0
    for one in ordered:
        if groups and one.from_us - open_until_us <= gap_s * 1e6:
            groups[-1].append(one)
            open_until_us = max(open_until_us, one.open_until_us)
        else:
            groups.append([one])
            open_until_us = one.open_until_us
    made = [Episode(tuple(group)) for group in groups]
    return [episode for episode in made if len(episode.lines) > 1]
