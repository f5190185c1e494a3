"""Series to draw: the window of every channel of the berth, and the call in coarse, with every extreme kept. Pure."""

from __future__ import annotations

from typing import Final, Literal

import numpy as np

from pipeline.incident.lines import Floats, Ints, LineRecord, Reading
from pipeline.incident.numbering import Context
from pipeline.incident.record import TRACE_POINTS, Trace

GAP_US: Final = 10_000_000
STATES: Final = ("brake", "winch-mode", "hook-state")
BIN_US: Final = 10_000_000
UNIT_OF: Final = {
    "tension": "kN",
    "payout": "m",
    "brake": "1",
    "winch-mode": "1",
    "hook-state": "1",
    "temperature": "degC",
    "wind": "m/s",
}
Of = Literal["tension", "payout", "brake", "winch-mode", "hook-state", "wind", "temperature"]


def traces_of(context: Context) -> tuple[Trace, ...]:
    """Tension of every line, the lost one and its neighbours first; what stands beside; the air; then the call."""
    out = [_tension(context, record) for record in context.in_order()]
    out += [_beside(context, reading) for _, reading in sorted(context.berthed.beside.items())]
    out += [_call(context, record) for record in context.in_order() if record.line in context.berthed.coarse]
    return tuple(out)


def _corrected(context: Context, logger: str | None, at_us: Ints) -> tuple[Ints, bool]:
    own = None if logger is None else context.times.fitted(logger)
    if own is None:
        return at_us, logger is None
    near_us = at_us - round(own.offset_s * 1e6)
    off_us = np.rint((own.offset_s + own.drift * (near_us - own.at_us) / 1e6) * 1e6).astype(np.int64)
    return at_us - off_us, True


def _tension(context: Context, record: LineRecord) -> Trace:
    from_us, to_us = (context.raw(record.logger, us) for us in context.window)
    there = record.within(from_us, to_us + 1)
    at_us, value = thin(record.at_us[there], record.kn[there], TRACE_POINTS, gap_us=GAP_US)
    return _of_line(context, record, at_us, value, whole_call=False, readings=int(there.size))


def _beside(context: Context, reading: Reading) -> Trace:
    told = context.berthed.site.channels[reading.channel]
    logger = context.berthed.logger_of(reading.channel)
    from_us, to_us = (context.raw(logger, us) for us in context.window)
    begin, end = np.searchsorted(reading.at_us, [from_us, to_us + 1])
    begin = max(int(begin) - 1, 0)  # a state holds from before the window
    gap_us = 2**62 if told.quantity in STATES else GAP_US if told.quantity == "payout" else 900_000_000
    at_us, value = thin(reading.at_us[begin:end], reading.value[begin:end], TRACE_POINTS, gap_us=gap_us)
    corrected, known = _corrected(context, logger, at_us)
    of: Of = told.quantity
    return Trace(
        line=next((one.line for one in context.in_order() if one.place == told.place), None),
        channel=reading.channel,
        place=told.place,
        logger=logger,
        of=of,
        unit=UNIT_OF[told.quantity],
        whole_call=False,
        corrected=known,
        readings=int(end - begin),
        at_us=tuple(corrected.tolist()),
        value=_plain(value),
    )


def _call(context: Context, record: LineRecord) -> Trace:
    """The call by ten-second bins: lowest and highest of each."""
    coarse = context.berthed.coarse[record.line]
    at_us = np.repeat(coarse.from_us, 2) + np.tile([0, BIN_US // 2], coarse.from_us.size)
    value = np.column_stack((coarse.low_kn, coarse.high_kn)).ravel()
    thinned_us, thinned = thin(at_us, value, TRACE_POINTS, gap_us=3 * BIN_US)
    return _of_line(context, record, thinned_us, thinned, whole_call=True, readings=int(at_us.size))


def _of_line(
    context: Context, record: LineRecord, at_us: Ints, kn: Floats, *, whole_call: bool, readings: int
) -> Trace:
    """The tension of a line, thinned from so many `readings`; `at_us` as stamped."""
    corrected, known = _corrected(context, record.logger, at_us)
    return Trace(
        line=record.line,
        channel=record.channel,
        place=record.place,
        logger=record.logger,
        of="tension",
        unit="kN",
        whole_call=whole_call,
        corrected=known,
        readings=readings,
        at_us=tuple(corrected.tolist()),
        value=_plain(kn),
    )


def thin(at_us: Ints, value: Floats, most: int, *, gap_us: int) -> tuple[Ints, Floats]:
    """At most `most` points (and a NaN in each gap): of each of so many equal stretches of time the lowest and highest.

    Every reading where there are few; always the first and last.
    """
    here = np.isfinite(value)
    at_us, value = at_us[here], value[here]
    if at_us.size > most:
        bins = max((most - 2) // 2, 1)
        span = max(int(at_us[-1] - at_us[0]), 1)
        number = np.minimum((at_us - at_us[0]) * bins // span, bins - 1)
        starts = np.flatnonzero(np.diff(number, prepend=-1))
        ends = [_first_of(value, starts, extreme.reduceat(value, starts)) for extreme in (np.minimum, np.maximum)]
        index = np.unique(np.concatenate([[0], *ends, [at_us.size - 1]]))
        wide = np.diff(at_us) > gap_us
        broken = np.concatenate(([0], np.cumsum(wide)))[index]
        at_us, value = at_us[index], value[index]
        cuts = np.flatnonzero(np.diff(broken) > 0) + 1
    else:
        cuts = np.flatnonzero(np.diff(at_us) > gap_us) + 1
    return np.insert(at_us, cuts, at_us[cuts - 1] + 1), np.insert(value, cuts, np.nan)


def _first_of(value: Floats, starts: Ints, wanted: Floats) -> Ints:
    """Of each stretch the index of the first value that is the wanted one."""
    stretch = np.repeat(np.arange(starts.size), np.diff(starts, append=value.size))
    there = np.flatnonzero(value == wanted[stretch])
    return np.asarray(there[np.flatnonzero(np.diff(stretch[there], prepend=-1))], dtype=np.int64)


def _plain(value: Floats) -> tuple[float | None, ...]:
    return tuple(None if number != number else round(number, 4) for number in value.tolist())
