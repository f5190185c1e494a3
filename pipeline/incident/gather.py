"""Reads what an incident is reckoned from: the published snapshot, and the store's files about the instant. No more.

Readings are read an hour and a half to each side of the instant (more where the window asks for it), within the call;
the call outside of that is told by the ten-second bins of its day sheets and by its events.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from pipeline.errors import DataError
from pipeline.events.calls import Call, Fast, calls, fast_of
from pipeline.events.tension import SlackLevel
from pipeline.incident.lines import CLOCK_HALF_S, Berthed, Coarse, LineRecord, Reading, Told
from pipeline.incident.raw_lines import RawLines, parts_by_place, reading_of
from pipeline.ledger import index
from pipeline.ledger.account import known_line
from pipeline.ledger.database import Ledger
from pipeline.ledger.rows import Event, SheetRef
from pipeline.night.clock_day import loggers_of
from pipeline.night.look import line_tension_kn
from pipeline.night.plan import limit_base_kn
from pipeline.quality import usable
from pipeline.site import Site
from pipeline.store.samples import store_part
from pipeline.store.sheets import read_flags, read_traces
from pipeline.store.traced import read_traced
from schemas.registers import Channel, Rigging
from schemas.times import day_of, day_start_us, us_to_rfc3339

MARGIN_US = 600_000_000
"""Of the call, ten minutes before its first line and after its last are read too: a clock may be off."""
BIN_US = 10_000_000


def gather(ledger: Ledger, site: Site, line: str, at_us: int, window_us: int) -> Berthed:
    """All about one line's call at an instant. Raises RegisterError for an unknown line, DataError where it was not
    rigged about then, is a tail, or nothing of it was recorded about then."""
    known_line(site, line)
    call, fast, spans = _call(site, line, at_us)
    horizon_us = index.horizon_us(ledger) or at_us
    until_us = min(call.to_us or horizon_us, horizon_us)
    half_us = max(round(CLOCK_HALF_S * 1e6), window_us)
    from_us = max(at_us - half_us, call.from_us - MARGIN_US)
    to_us = min(at_us + half_us, (call.to_us or until_us) + MARGIN_US)
    about = [
        row for row in spans if row.from_us < at_us + half_us and (row.to_us is None or row.to_us > at_us - half_us)
    ]
    nearest = _nearest(about, at_us)
    places = sorted({site.channels[row.channel].place for row in nearest.values()})
    air = [c for c in site.channels.values() if c.quantity in ("wind", "temperature")]
    readings, names = _readings(ledger, site, {*places, *(c.place for c in air)}, from_us, to_us)
    flags = _flags(ledger, site, places, from_us, to_us)
    loggers = loggers_of(site)
    lines = {
        row.line: line_record(site, row, readings[row.channel], flags.get(row.channel, []), loggers, spans)
        for row in nearest.values()
        if row.channel in readings
    }
    if line not in lines:
        raise DataError(
            f"nothing of {line} was recorded about {us_to_rfc3339(at_us)}",
            expected=f"readings of its channel within {half_us / 6e7:.0f} minutes",
            next_step="see `tautlog receipts` for what there is, and rigging.csv for its channel",
        )
    own = {row.channel for row in nearest.values()}
    ship_lines = {row.line for row in spans}
    parts_rows = index.parts(ledger, [(place, day) for place in places for day in _days(call.from_us, until_us)])
    used = {part.sha256 for part in parts_rows}
    receipts = index.receipts(ledger)
    told = _events(index.events(ledger).values(), ship_lines, call, until_us)
    raw = RawLines(ledger, site, names, readings, from_us, to_us)
    told = tuple(replace(one, raw=walked) for one, walked in zip(told, raw.of_events(told), strict=True))
    return Berthed(
        site=site,
        line=line,
        at_us=at_us,
        window_us=window_us,
        call=call,
        fast=fast,
        until_us=until_us,
        from_us=from_us,
        to_us=to_us,
        lines=dict(sorted(lines.items())),
        beside={name: one for name, one in readings.items() if name not in own},
        coarse=_coarse(ledger, site, spans, call, until_us),
        events=told,
        loggers=loggers,
        names=names,
        spans=tuple(spans),
        quarantined={s: receipts[s].quarantined + receipts[s].cells_quarantined for s in sorted(used) if s in receipts},
        conflicts={},
    )


def raw_lines_of(ledger: Ledger, berthed: Berthed) -> RawLines:
    """What looks raw lines up, with the readings about the loss at hand."""
    near = {record.channel: record.reading for record in berthed.lines.values()} | dict(berthed.beside)
    return RawLines(ledger, berthed.site, berthed.names, near, berthed.from_us, berthed.to_us)


def _call(site: Site, line: str, at_us: int) -> tuple[Call, Fast, list[Rigging]]:
    if site.lines[line].part != "main":
        raise DataError(
            f"{line} is a tail", expected="a main line", next_step="name the main line that it is made fast to"
        )
    ship_of = {name: row.ship for name, row in site.lines.items()}
    for call in calls(site.riggings, ship_of):
        mains = [
            r
            for r in site.riggings
            if ship_of[r.line] == call.ship and call.has(r) and site.lines[r.line].part == "main"
        ]
        end_us = call.to_us
        if (
            any(row.line == line for row in mains)
            and call.from_us - MARGIN_US <= at_us
            and (end_us is None or at_us <= end_us + MARGIN_US)
        ):
            return call, fast_of(call, site.riggings, ship_of, gap_h=site.policy.mooring_gap_h), mains
    raise DataError(
        f"{line} was in no call at {us_to_rfc3339(at_us)}",
        expected="an instant at which rigging.csv has its ship alongside",
        next_step="check --line and --at; times without an offset are none",
    )


def _nearest(rows: Iterable[Rigging], at_us: int) -> dict[str, Rigging]:
    """Of each line the rigging that holds the instant, else the nearest to it."""

    def off(row: Rigging) -> int:
        return max(row.from_us - at_us, at_us - row.to_us + 1 if row.to_us is not None else 0, 0)

    found: dict[str, Rigging] = {}
    for row in sorted(rows, key=lambda row: (off(row), row.from_us)):
        found.setdefault(row.line, row)
    return found


def _days(from_us: int, to_us: int) -> list[date]:
    first, last = day_of(from_us).toordinal(), day_of(to_us).toordinal()
    return [date.fromordinal(number) for number in range(first, last + 1)]


def _readings(
    ledger: Ledger, site: Site, places: Iterable[str], from_us: int, to_us: int
) -> tuple[dict[str, Reading], dict[str, str]]:
    names = {sha256: receipt.file for sha256, receipt in index.receipts(ledger).items()}
    keys = [(place, day) for place in sorted(places) for day in _days(from_us, to_us)]
    found = {}
    for parts in parts_by_place(index.parts(ledger, keys)).values():
        for channel, one in read_traced(site.store, [store_part(part) for part in parts], from_us, to_us).items():
            found[channel] = reading_of(channel, one, names)
    return found, names


Runs = list[tuple[int, int, int, str]]


def _flags(ledger: Ledger, site: Site, places: Sequence[str], from_us: int, to_us: int) -> dict[str, Runs]:
    """Runs of readings that did not pass, by channel: first, last, flag, checks."""
    found: dict[str, Runs] = {}
    for file in index.flags(ledger, [(place, day) for place in places for day in _days(from_us, to_us)]).values():
        for row in read_flags(site.store, file.path):
            found.setdefault(row["channel"], []).append((row["first"], row["last"], row["flag"], row["checks"]))
    return found


def line_record(
    site: Site, row: Rigging, reading: Reading, runs: Runs, loggers: Mapping[str, str], spans: Sequence[Rigging]
) -> LineRecord:
    """One line's readings as tensions. `runs`: of its channel's readings that did not pass; `spans`: riggings of
    the call's main lines."""
    channel = site.channels[row.channel]
    share = row.share_pct / 100.0
    flag = np.ones(reading.at_us.size, np.int8)
    clipped = np.zeros(reading.at_us.size, np.bool_)
    for first_us, last_us, code, checks in runs:
        begin, end = np.searchsorted(reading.at_us, [first_us, last_us + 1])
        flag[begin:end] = code
        clipped[begin:end] |= "clipped" in checks.split()
    calibrations = site.calibrations_of(row.channel)
    kn = line_tension_kn(reading.at_us, reading.value, calibrations, share)
    rigged = (reading.at_us >= row.from_us) & (True if row.to_us is None else reading.at_us < row.to_us)
    limit_kn = limit_base_kn(site, row.line)
    middle_us = int(reading.at_us[reading.at_us.size // 2]) if reading.at_us.size else row.from_us
    level = SlackLevel.of(site.policy, limit_kn, calibrations, channel.capacity, share)
    setting = site.brake_setting(channel.place, middle_us)
    filter_s, known = _filter(channel)
    return LineRecord(
        line=row.line,
        rigging=row,
        tails=tuple(
            sorted(
                {
                    r.line
                    for r in site.riggings
                    if r.channel == row.channel and site.lines[r.line].part == "tail" and _overlap(r, row)
                }
            )
        ),
        place=channel.place,
        logger=loggers.get(row.channel, f"(not named) {row.channel}"),
        kind=channel.kind,
        rate_hz=channel.rate_hz,
        capacity_kn=channel.capacity,
        filter_s=filter_s,
        filter_known=known,
        limit_kn=limit_kn,
        break_force_kn=site.break_force_kn(row.line),
        brake_set_kn=None if setting is None else setting.brake_set_kn,
        floor_kn=float(level.kn[np.searchsorted(level.from_us, middle_us, side="right") - 1]),
        reading=reading,
        kn=kn,
        usable=usable(flag) & ~np.isnan(kn) & rigged,
        clipped=clipped,
        suspect=flag == 3,
        on_channel=tuple(sorted({r.line for r in spans if r.channel == row.channel and _overlap(r, row)})),
    )


def _overlap(one: Rigging, other: Rigging) -> bool:
    return (other.to_us is None or one.from_us < other.to_us) and (one.to_us is None or other.from_us < one.to_us)


def _filter(channel: Channel) -> tuple[float, bool]:
    """Over how long a reading is a mean [s], and whether a register says so."""
    if channel.filter_s is not None:
        return channel.filter_s, True
    return (1.0 / channel.rate_hz, True) if channel.recorded != "instant" else (0.0, False)


def _coarse(ledger: Ledger, site: Site, spans: Sequence[Rigging], call: Call, until_us: int) -> dict[str, Coarse]:
    """The call's ten-second bins of every main line."""
    days = _days(call.from_us, until_us)
    refs: dict[tuple[str, date], list[SheetRef]] = {}
    for ref in index.sheets(ledger, [(channel, day) for channel in {r.channel for r in spans} for day in days]):
        refs.setdefault((ref.channel, ref.day), []).append(ref)
    out = {}
    for line in sorted({row.line for row in spans}):
        pieces = []
        for row in (one for one in spans if one.line == line):
            for day in days:
                for ref in refs.get((row.channel, day), ()):
                    end_us = row.to_us if row.to_us is not None else ref.to_us
                    if row.from_us <= ref.from_us and ref.to_us <= max(end_us, ref.from_us) and ref.from_us < ref.to_us:
                        trace = read_traces(site.store, ref.path, [ref.sheet])[ref.sheet]
                        bins_us = day_start_us(day) + trace.bins * BIN_US
                        pieces.append((bins_us, trace.mean_kn, trace.low_kn, trace.high_kn))
        if pieces:
            at, mean, low, high = (np.concatenate(column) for column in zip(*pieces, strict=True))
            order = np.argsort(at, kind="stable")
            out[line] = Coarse(at[order], mean[order], low[order], high[order])
    return out


def _events(found: Iterable[Event], lines: set[str], call: Call, until_us: int) -> tuple[Told, ...]:
    """Events of the call's lines, in order of time."""
    end_us = (call.to_us or until_us) + MARGIN_US
    own = [
        Told(
            event.event,
            event.kind,
            event.line,
            event.channel,
            event.place,
            event.from_us,
            event.to_us,
            event.peak_kn,
            event.peak_us,
            event.peak_pct,
            event.payload,
        )
        for event in found
        if event.line in lines and event.to_us >= call.from_us - MARGIN_US and event.from_us <= end_us
    ]
    return tuple(sorted(own, key=lambda one: (one.from_us, one.line, one.kind, one.event)))
