"""Where along a line's end its abrasion lies: contact bands, as riggings and crops move them. Pure.

A band is the piece of rope that lay on the chock, `position_m` from that end's eye (the rigging's `outboard_m`). A crop
of x metres brings every band of that end x metres nearer the eye, and takes those along that lay wholly within them;
the chock then lies on other rope. Turning end for end moves no band: the riggings say which end is outboard.

Where it is not known which band took a life, each that may have takes all of it: too much rather than too little. So
the bands of a day on which the contact moved both hold that day, and the sum of bands may be more than what is posted.
Limits: the length of the whole line is not known, so a crop of one end moves no band of the other.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from itertools import islice, pairwise, takewhile

from pipeline.wear.lives import EXACT
from schemas.registers import Rigging, Service
from schemas.times import DAY_US, day_of, day_start_us

_LATER_US = 2**62


@dataclass(frozen=True, slots=True)
class Band:
    """A contact band: metres from the eye as it is now (None: not known, so no crop takes it), first day, life used."""

    position_m: float | None
    since: date
    life: Decimal


@dataclass(frozen=True, slots=True)
class Contact:
    """The rope on the chock over [from_us, to_us), `position_m` from the eye (None: not known)."""

    from_us: int
    to_us: int
    position_m: float | None


@dataclass(frozen=True, slots=True)
class Crop:
    """Metres cut off an end at an instant."""

    at_us: int
    removed_m: float


@dataclass(frozen=True, slots=True)
class End:
    """One end of a line: when its rope lay where on the chock, what was cropped, and how wide a band counts [m].

    `contacts` are in order of time and do not overlap, as a line is rigged once at any instant; `crops` are in order.
    """

    contacts: tuple[Contact, ...]
    crops: tuple[Crop, ...]
    width_m: float


def end_of(riggings: Iterable[Rigging], services: Iterable[Service], zone: str, *, width_m: float) -> End:
    """An end of one line, from its riggings and services. Crops whose detail cannot be read take nothing away."""
    contacts = [
        Contact(row.from_us, _LATER_US if row.to_us is None else row.to_us, row.outboard_m)
        for row in riggings
        if row.outboard_end == zone
    ]
    cropped = [(row.at_us, row.cropped) for row in services]
    crops = [Crop(at_us, crop[1]) for at_us, crop in cropped if crop is not None and crop[0] == zone]
    return End(
        tuple(sorted(contacts, key=lambda one: one.from_us)),
        tuple(sorted(crops, key=lambda one: one.at_us)),
        width_m,
    )


def bands_now(lives: Mapping[date, Decimal], end: End) -> tuple[Band, ...]:
    """The bands still on the rope after all days and crops, most worn first. `lives`: abrasion by day, 0 or more."""
    return bands_before(lives, end, [date.max])[date.max]


def bands_before(lives: Mapping[date, Decimal], end: End, days: Iterable[date]) -> dict[date, tuple[Band, ...]]:
    """The bands as they were when each of `days` began, most worn first; by what the ledger knows now.

    Where any contact that took a life has no position, the end has one band for all of it, which no crop takes.
    """
    placed = _all_placed(lives, end)
    steps = sorted(lives)
    bands: list[Band] = []
    found: dict[date, tuple[Band, ...]] = {}
    done, since_us = 0, -_LATER_US
    for day in sorted(set(days)):
        while done < len(steps) and steps[done] < day:
            one = steps[done]
            bands = _cropped(bands, _crops(end, since_us, day_start_us(one)), end) if placed else bands
            bands = _worn(bands, one, lives[one], end) if placed else _unplaced(bands, one, lives[one])
            since_us, done = day_start_us(one) + DAY_US, done + 1
        until_us = _LATER_US if day == date.max else day_start_us(day)
        now = _cropped(bands, _crops(end, since_us, until_us), end) if placed else bands
        found[day] = tuple(sorted(now, key=lambda band: band.life, reverse=True))
    return found


def worst(bands: Sequence[Band]) -> Decimal:
    """Life used of the most worn band; 0 without any."""
    return max((band.life for band in bands), default=Decimal(0))


def _all_placed(lives: Mapping[date, Decimal], end: End) -> bool:
    for day, life in lives.items():
        if life == 0:
            continue
        touching = _touching(end, day)
        if not touching or any(one.position_m is None for one in touching):
            return False
    return True


def _worn(bands: list[Band], day: date, life: Decimal, end: End) -> list[Band]:
    """The bands after a day: each that lay on the chock that day takes the day's life, once."""
    crops = [crop for crop in end.crops if day_of(crop.at_us) == day]
    if life == 0:
        return _cropped(bands, crops, end) if crops else bands
    taken: set[int] = set()
    touching = _touching(end, day)
    edges_us = [day_start_us(day), *(crop.at_us for crop in crops), day_start_us(day) + DAY_US]
    for at, (begin_us, stop_us) in enumerate(pairwise(edges_us)):
        if at > 0:
            bands, taken = _cropped_with(bands, taken, crops[at - 1], end.width_m)
        for contact in touching:
            # A rigging that ends on the day's first instant has its sheet of that day.
            there = contact.from_us < stop_us and (contact.to_us > begin_us or contact.to_us == begin_us == edges_us[0])
            if there and contact.position_m is not None:
                where = _band_at(bands, contact.position_m, end.width_m)
                if where is None:
                    taken.add(len(bands))
                    bands = [*bands, Band(contact.position_m, day, life)]
                elif where not in taken:
                    taken.add(where)
                    old = bands[where]
                    # Spelt out: `replace` takes ten times as long, and this is done for every day of every account.
                    worn = Band(old.position_m, old.since, EXACT.add(old.life, life))
                    bands = [*bands[:where], worn, *bands[where + 1 :]]
    return bands


def _unplaced(bands: list[Band], day: date, life: Decimal) -> list[Band]:
    if life == 0:
        return bands
    if not bands:
        return [Band(None, day, life)]
    return [replace(bands[0], life=EXACT.add(bands[0].life, life))]


def _band_at(bands: Sequence[Band], position_m: float, width_m: float) -> int | None:
    """The band that a contact lies on: the most worn of those nearer than the width, or exactly there."""
    near = [
        at
        for at, band in enumerate(bands)
        if band.position_m is not None
        and (band.position_m == position_m or abs(band.position_m - position_m) < width_m)
    ]
    return max(near, key=lambda at: (bands[at].life, -at), default=None)


def _crops(end: End, from_us: int, to_us: int) -> list[Crop]:
    return [crop for crop in end.crops if from_us <= crop.at_us < to_us]


def _cropped(bands: list[Band], crops: Iterable[Crop], end: End) -> list[Band]:
    for crop in crops:
        bands, _ = _cropped_with(bands, set(), crop, end.width_m)
    return bands


def _cropped_with(bands: list[Band], taken: set[int], crop: Crop, width_m: float) -> tuple[list[Band], set[int]]:
    """The bands that a crop leaves, nearer the eye; and which of those in `taken` they are now.

    A band reaches half its width to both sides: one that was cut through is still there, at the eye.
    """
    kept: list[Band] = []
    still: set[int] = set()
    for at, band in enumerate(bands):
        if band.position_m is not None and band.position_m + width_m / 2 <= crop.removed_m:
            continue
        if at in taken:
            still.add(len(kept))
        moved = band.position_m if band.position_m is None else max(0.0, band.position_m - crop.removed_m)
        kept.append(replace(band, position_m=moved))
    return kept, still


def _touching(end: End, day: date) -> list[Contact]:
    """The contacts of a day, and one that ends as it begins."""
    begin_us = day_start_us(day)
    if len(end.contacts) == 1:
        (only,) = end.contacts
        return [only] if only.to_us >= begin_us and only.from_us < begin_us + DAY_US else []
    first = bisect_left(end.contacts, begin_us, key=lambda one: one.to_us)
    return list(takewhile(lambda one: one.from_us < begin_us + DAY_US, islice(end.contacts, first, None)))
