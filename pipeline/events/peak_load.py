"""Peak-load: excursions of a main line above a percentage of ship design MBL, those close together as one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Protocol

KIND: Final = "peak-load"


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
    """One event: its first and last instant above the level, its peak, and how many excursions it joins."""

    first_us: int
    last_us: int
    peak_kn: float
    peak_us: int
    at_least: bool
    excursions: int


@dataclass(frozen=True)
class Piece:
    """An excursion as one day holds it. `runs_in`, `runs_on`: it reaches the day's first, or last, sample of the
    rigging, so that it may go on in the day before, or after."""

    excursion: Excursion
    runs_in: bool
    runs_on: bool


def whole(pieces: Sequence[Piece], *, max_gap_s: float) -> list[Excursion]:
    """Excursions in time order, those that midnights cut made one again. `pieces`: of one rigging, in any order."""
    gap_us = round(max_gap_s * 1e6)
    made: list[Piece] = []
    for piece in sorted(pieces, key=lambda one: one.excursion.first_us):
        if made and made[-1].runs_on and piece.runs_in:
            before, after = made[-1].excursion, piece.excursion
            if after.first_us - before.last_us <= gap_us:
                joined = replace(_joined(_alone(before), after), excursions=1)
                made[-1] = Piece(joined, made[-1].runs_in, piece.runs_on)
                continue
        made.append(piece)
    return [piece.excursion for piece in made]


def cluster(excursions: Sequence[Excursion], *, cluster_gap_s: float) -> list[PeakLoad]:
    """Events in time order: excursions less than `cluster_gap_s` apart (next first - last above) are one.

    The excursions of one line, in any order, of any number of days, made `whole`.
    """
    gap_us = round(cluster_gap_s * 1e6)
    events: list[PeakLoad] = []
    for excursion in sorted(excursions, key=lambda one: (one.first_us, one.last_us)):
        if events and excursion.first_us - events[-1].last_us < gap_us:
            events[-1] = _joined(events[-1], excursion)
        else:
            events.append(_alone(excursion))
    return events


def _alone(excursion: Excursion) -> PeakLoad:
    return PeakLoad(excursion.first_us, excursion.last_us, excursion.peak_kn, excursion.peak_us, excursion.at_least, 1)


def _joined(event: PeakLoad, later: Excursion) -> PeakLoad:
    higher = later.peak_kn > event.peak_kn
    return PeakLoad(
        event.first_us,
        max(event.last_us, later.last_us),
        later.peak_kn if higher else event.peak_kn,
        later.peak_us if higher else event.peak_us,
        event.at_least or later.at_least,
        event.excursions + 1,
    )
