"""Section A-1: how far the clocks of the loggers are apart, how that is known, what it was checked against. Pure."""

from __future__ import annotations

from typing import Final

import numpy as np

from pipeline.incident.lines import Reading
from pipeline.incident.numbering import Context, rounded
from pipeline.incident.record import Clock, ClockInstant, ClockWindow, Figure, Ref

SECTION: Final = "A-1"
SAME_PLACE_S: Final = 5.0
"""A hook's state and its load are told within this of each other where both are of one happening: house rule."""
METHOD: Final = (
    "from shared motion: in windows of five minutes the lag at which channels of two loggers explain each other best "
    "(sum of squared correlations of uncorrelated channels, waves of 3 to 20 s; slow motion where there are none), all "
    "pairs and windows in one robust fit of an offset and a drift for each logger; interval by leaving out each window "
    "in turn (jackknife), Student's t"
)
BY_MOTION: Final = "from shared motion"
TOLD_ONCE: Final = "from shared motion, by the method told in A-1"
ALONE: Final = "its channels share too little motion with the others', or for too short, to tell"


def clocks_of(context: Context) -> tuple[Clock, ...]:
    """The clock of every logger of the call's tension channels and of what stands beside them, the reference first."""
    channels: dict[str, set[str]] = {}
    for record in context.berthed.lines.values():
        channels.setdefault(record.logger, set()).add(record.channel)
    for channel in context.berthed.beside:
        channels.setdefault(context.berthed.logger_of(channel), set()).add(channel)
    reference = context.times.reference
    ordered = sorted(channels, key=lambda name: (name != reference, name))
    return tuple(_clock(context, name, tuple(sorted(channels[name]))) for name in ordered)


def _clock(context: Context, logger: str, channels: tuple[str, ...]) -> Clock:
    times, numbers = context.times, context.numbers
    fitted = times.fitted(logger)
    is_reference = logger == times.reference
    windows = tuple(
        ClockWindow(
            one.middle_us,
            rounded((1 if one.second == logger else -1) * one.lag_s + (0.0 if fitted is None else fitted.offset_s)),
            0.5,
            one.shared,
            one.weight > 0.0,
        )
        for one in times.clocks.windows
        if {one.first, one.second} == {logger, times.reference}
    )
    how = (
        "the reference: all corrected times are on its clock, which was not held against UTC"
        if is_reference
        else TOLD_ONCE
    )
    offset = _offset(context, logger, is_reference, how)
    drift = numbers.figure(
        SECTION,
        f"clock.{logger}.drift",
        f"drift of {logger} against {times.reference}",
        None if fitted is None else fitted.drift * 3600.0,
        "s/h",
        how,
        low=None if fitted is None or is_reference else (fitted.drift - 2.0 * fitted.drift_standard) * 3600.0,
        high=None if fitted is None or is_reference else (fitted.drift + 2.0 * fitted.drift_standard) * 3600.0,
        not_known=ALONE,
        refs=() if fitted is None else _ends(context, logger),
        of_lines=None if fitted is None else _readings(context, logger),
    )
    return Clock(
        logger=logger,
        channels=channels,
        is_reference=is_reference,
        offset=offset,
        drift=drift,
        standard_s=None if fitted is None else fitted.standard_s,
        method=ALONE if fitted is None else how if is_reference else BY_MOTION,
        windows=windows,
        instants=() if is_reference else _instants(context, logger, fitted is not None),
    )


def _offset(context: Context, logger: str, is_reference: bool, how: str) -> Figure:
    fitted = context.times.fitted(logger)
    return context.numbers.figure(
        SECTION,
        f"clock.{logger}.offset",
        f"how far {logger} is ahead of {context.times.reference} at the loss",
        None if fitted is None else fitted.offset_s,
        "s",
        how,
        low=None if fitted is None or is_reference else fitted.low_s,
        high=None if fitted is None or is_reference else fitted.high_s,
        not_known=ALONE,
        refs=() if fitted is None else _ends(context, logger),
        of_lines=None if fitted is None else _readings(context, logger),
    )


def _ends(context: Context, logger: str) -> tuple[Ref, ...]:
    """Raw lines of the first and last reading of one channel of the logger, and of the reference."""
    found = []
    for name in dict.fromkeys((logger, context.times.reference)):
        for record in context.berthed.lines.values():
            there = np.flatnonzero(record.usable)
            if record.logger == name and there.size:
                found += [record.reading.ref(int(there[0])), record.reading.ref(int(there[-1]))]
                break
    return tuple(found)


def _readings(context: Context, logger: str) -> int:
    return sum(int(one.usable.sum()) for one in context.berthed.lines.values() if one.logger == logger)


def _instants(context: Context, logger: str, known: bool) -> tuple[ClockInstant, ...]:
    """Happenings that both this logger and the reference's stamped: a line's load lost, its hook's state or payout told
    by another logger. They check an offset; none rests on them."""
    found = []
    times = context.times
    for name, losses in times.losses.items():
        record = context.berthed.lines[name]
        for channel, reading in sorted(context.berthed.beside.items()):
            told = context.berthed.site.channels[channel]
            loggers = {record.logger, context.berthed.logger_of(channel)}
            if told.place != record.place or told.quantity != "hook-state" or loggers != {logger, times.reference}:
                continue
            ahead = 1.0 if record.logger == times.reference else -1.0
            for loss in losses:
                opened = _opened(reading, loss.best_us, context)
                if opened is None:
                    continue
                low_s, high_s = sorted(ahead * (us - loss.best_us) / 1e6 for us in opened)
                low_s, high_s = low_s - SAME_PLACE_S, high_s + SAME_PLACE_S
                own = times.fitted(logger)
                found.append(
                    ClockInstant(
                        what="the hook opened, and its load was gone",
                        line=name,
                        reference_raw_us=loss.best_us if ahead > 0 else opened[1],
                        raw_us=opened[1] if ahead > 0 else loss.best_us,
                        low_s=low_s,
                        high_s=high_s,
                        used=False,
                        agrees=None if own is None or not known else low_s <= own.offset_s <= high_s,
                    )
                )
    return tuple(found)


def _opened(reading: Reading, near_us: int, context: Context) -> tuple[int, int] | None:
    """Between which two readings a hook opened, within the widest offset looked for of an instant."""
    closed = reading.value >= 0.5
    for k in range(1, reading.at_us.size):
        if closed[k - 1] and not closed[k]:
            most_us = context.berthed.site.policy.clock_most_s * 1e6
            if abs(int(reading.at_us[k]) - near_us) <= most_us:
                return int(reading.at_us[k - 1]), int(reading.at_us[k])
    return None
