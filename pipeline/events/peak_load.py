"""Peak-load: excursions of a main line above a percentage of ship design MBL, those close together as one.

By DESIGN's definition, which takes no reading away. Where readings are spikes (`events.sound`), that is told: `spike`,
all that was above the level is; `peak`, the peak is, and other readings above are none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, Protocol

KIND: Final = "peak-load"

Doubt = Literal["spike", "peak"]


class Excursion(Protocol):
    """A maximal run above the level, as a sheet keeps it; cut in two where it runs through a midnight.

    first_us, last_us: first and last sample above; peak_us: the first of equal peaks; at_least: a clipped
    sample stood in it, so that the peak was at least `peak_kn`.
    """

    @property
    def first_us(self) -> int: ...
    @property
    def last_us(self) -> int: ...
    @property
    def peak_kn(self) -> float: ...
    @property
    def peak_us(self) -> int: ...
    @property
    def at_least(self) -> bool: ...


@dataclass(frozen=True)
class PeakLoad:
    """One event: its first and last instant above the level, its peak, and how many excursions it joins.

    `spikes`: all readings above the level are spikes; `peak_spike`: the peak is one.
    """

    first_us: int
    last_us: int
    peak_kn: float
    peak_us: int
    at_least: bool
    excursions: int
    spikes: bool = False
    peak_spike: bool = False

    @property
    def doubt(self) -> Doubt | None:
        """What of it looks like a spike of the gauge; None: nothing."""
        return "spike" if self.spikes else "peak" if self.peak_spike else None


@dataclass(frozen=True)
class Piece:
    """An excursion as one day holds it. `runs_in`, `runs_on`: it reaches the day's first, or last, sample of the
    rigging, so that it may go on in the day before, or after. `spikes`, `peak_spike`: as of an event."""

    excursion: Excursion
    runs_in: bool
    runs_on: bool
    spikes: bool = False
    peak_spike: bool = False


def whole(pieces: Sequence[Piece], *, max_gap_s: float) -> list[PeakLoad]:
    """Excursions in time order, those that midnights cut made one again. `pieces`: of one rigging, in any order."""
    gap_us = round(max_gap_s * 1e6)
    made: list[PeakLoad] = []
    runs_on = False
    for piece in sorted(pieces, key=lambda one: one.excursion.first_us):
        own = replace(_alone(piece.excursion), spikes=piece.spikes, peak_spike=piece.peak_spike)
        if made and runs_on and piece.runs_in and own.first_us - made[-1].last_us <= gap_us:
            made[-1] = replace(_joined(made[-1], own), excursions=1)
        else:
            made.append(own)
        runs_on = piece.runs_on
    return made


def cluster(excursions: Sequence[Excursion], *, cluster_gap_s: float) -> list[PeakLoad]:
    """Events in time order: excursions less than `cluster_gap_s` apart (next first - last above) are one.

    The excursions of one line, in any order, of any number of days, made `whole`.
    """
    gap_us = round(cluster_gap_s * 1e6)
    events: list[PeakLoad] = []
    for excursion in sorted(excursions, key=lambda one: (one.first_us, one.last_us)):
        own = _alone(excursion)
        if events and own.first_us - events[-1].last_us < gap_us:
            events[-1] = _joined(events[-1], own)
        else:
            events.append(own)
    return events


def _alone(one: Excursion) -> PeakLoad:
    if isinstance(one, PeakLoad):
        return one
    return PeakLoad(one.first_us, one.last_us, one.peak_kn, one.peak_us, one.at_least, 1)


def _joined(event: PeakLoad, later: PeakLoad) -> PeakLoad:
    higher = later.peak_kn > event.peak_kn
    return PeakLoad(
        event.first_us,
        max(event.last_us, later.last_us),
        later.peak_kn if higher else event.peak_kn,
        later.peak_us if higher else event.peak_us,
        event.at_least or later.at_least,
        event.excursions + 1,
        event.spikes and later.spikes,
        later.peak_spike if higher else event.peak_spike,
    )
