"""A repeated local hour that a file's own order leaves open, settled by what other files say of the same place.

House rule: a pass is right when the rows, dated by it, either are stored already to the last reading, or join on to
stored readings of their place within `max_gap_s` without falling among any; and when that is so of one pass only.
"""

import numpy as np
from numpy.typing import NDArray

from pipeline.night.intake import Delivery, LiveParts
from pipeline.readers import read_log, units_of
from pipeline.site import Site
from pipeline.store.days import Readings, read_readings
from pipeline.units import to_canonical
from schemas.times import day_of

Ints = NDArray[np.int64]
Dated = dict[tuple[str, str], Readings]
"""The undecided readings of a file by (place, channel), as one pass dates them."""


def fold_by_neighbours(site: Site, live: LiveParts, delivery: Delivery) -> int | None:
    """The pass (0 first, 1 second) that other files leave for a file's undecided rows; None: still open."""
    sure = _lines_dated(site, delivery)
    fits = []
    for fold in (0, 1):
        verdicts = {
            _verdict(site, place, channel, readings, delivery.sha256, live)
            for (place, channel), readings in _undecided(site, delivery, fold, sure).items()
        }
        fits.append("joins" in verdicts and "clashes" not in verdicts)
    return fits.index(True) if fits.count(True) == 1 else None


def _lines_dated(site: Site, delivery: Delivery) -> set[int]:
    """Lines of the file whose instants its own order tells."""
    path = site.raw.local(delivery.sha256)
    pieces = read_log(path, delivery.layout, site.channels, site.zone, name=delivery.name)
    return {line for piece in pieces for rows in piece.rows for line in rows.line_no.tolist()}


def _undecided(site: Site, delivery: Delivery, fold: int, sure: set[int]) -> Dated:
    """Readings of all other lines, dated by one pass, in canonical units."""
    time_rules = delivery.layout.time.model_copy(update={"fold": fold})
    layout = delivery.layout.model_copy(update={"time": time_rules})
    units = {channel: to_canonical(unit) for channel, unit in units_of(layout, site.channels).items()}
    found: dict[tuple[str, str], list[tuple[Ints, NDArray[np.float64]]]] = {}
    for piece in read_log(site.raw.local(delivery.sha256), layout, site.channels, site.zone, name=delivery.name):
        for rows in piece.rows:
            open_ = ~np.isin(rows.line_no, list(sure))
            for channel, raw in rows.values.items():
                here = open_ & ~rows.absent[channel] if channel in rows.absent else open_
                value = raw[here] * units[channel].factor + units[channel].offset
                found.setdefault((rows.place, channel), []).append((rows.at_us[here], value))
    return {key: _sorted(pieces) for key, pieces in found.items() if any(at.size for at, _ in pieces)}


def _sorted(pieces: list[tuple[Ints, NDArray[np.float64]]]) -> Readings:
    at_us = np.concatenate([at for at, _ in pieces])
    order = np.argsort(at_us, kind="stable")
    return Readings(at_us[order], np.concatenate([value for _, value in pieces])[order])


def _verdict(site: Site, place: str, channel: str, own: Readings, sha256: str, live: LiveParts) -> str:
    """How one channel's undecided readings lie among what other files hold: `joins`, `clashes` or `apart`."""
    gap_us = round(site.policy.max_gap_s * 1e6)
    first_us, last_us = int(own.at_us[0]), int(own.at_us[-1])
    days = {day_of(first_us - gap_us), day_of(first_us), day_of(last_us), day_of(last_us + gap_us)}
    parts = [part for day in sorted(days) for part in live.of(place, day) if part.sha256 != sha256]
    stored = read_readings(site.store, parts, from_us=first_us - gap_us, to_us=last_us + gap_us + 1).get(channel)
    if stored is None or stored.at_us.size == 0:
        return "apart"
    among = stored.between(first_us, last_us + 1)
    if among.at_us.size == 0:
        return "joins"
    same = np.array_equal(among.at_us, own.at_us) and np.array_equal(among.value, own.value, equal_nan=True)
    return "joins" if same else "clashes"
