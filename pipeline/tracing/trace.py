"""From an entry, an event or a cycle back to the raw file and the line in it."""

import re
from collections.abc import Mapping
from typing import Any

import numpy as np

from pipeline.errors import DataError
from pipeline.events import surge
from pipeline.ledger import index, queries
from pipeline.ledger.account import last_site
from pipeline.ledger.basis import basis_of
from pipeline.ledger.database import Ledger
from pipeline.ledger.removed import Removed, removed_files
from pipeline.ledger.rows import Entry, Event, SheetRef
from pipeline.ledger.words import CAUTION
from pipeline.night.intake import LiveParts
from pipeline.night.look import line_tension_kn
from pipeline.site import Site
from pipeline.store.days import raw_lines, read_readings
from pipeline.store.samples import store_part
from pipeline.tracing.cycles import TimedCycle, timed_cycles
from pipeline.tracing.series import Series
from pipeline.wear.fatigue import damage
from schemas.registers import Rigging
from schemas.times import DAY_US, day_of, day_start_us, us_to_rfc3339

SHOWN_CYCLES = 5
"""How many of an entry's cycles are walked back: those that took most."""

OF_WHOLE_BINS = ("sustained-load", "pretension-loss")
WITH_PAYOUT = ("brake-render", "load-loss")


def trace_json(ledger: Ledger, ref: str) -> dict[str, Any]:
    """The answer of `tautlog trace`: what the reference is, what it rests on, and the raw lines under it.

    An entry is walked back through its heaviest cycles, an event through its first, peak and last sample.
    Raises DataError for a reference that names nothing.
    """
    site = last_site(ledger)
    walker = Walker(ledger, site)
    entry = queries.entry(ledger, ref)
    if entry is not None:
        return {"trace": walker.entry(entry)}
    event = queries.event(ledger, ref)
    if event is not None:
        return {"trace": walker.event(event)}
    cycle = re.fullmatch(r"(.+)/([ab])/(-?\d+)/(-?\d+)", ref)
    if cycle is not None and cycle[1] in site.lines:
        return {"trace": walker.cycle(cycle[1], cycle[2], int(cycle[3]), int(cycle[4]))}
    raise _unknown(ref)


def _unknown(ref: str) -> DataError:
    return DataError(
        f"nothing is called {ref!r}",
        expected="an entry as `statement` prints it, an event as `events`, or a cycle as `cycles` does",
    )


def _holds(rigging: Rigging, at_us: int) -> bool:
    return rigging.from_us <= at_us and (rigging.to_us is None or at_us < rigging.to_us)


def _sheet_object(sheet: SheetRef, removed: Mapping[str, Removed]) -> dict[str, Any]:
    path = f"store/{sheet.path}"
    found = {"sheet": sheet.sheet, "path": path, "sha256": sheet.digest, "run": sheet.run}
    if path not in removed:
        return found
    gone = removed[path]
    return {**found, "file_is": f"taken away by decision in run {gone.run}: {gone.reason}"}


class Walker:
    """Follows references in one ledger; whoever has many to follow makes one."""

    def __init__(self, ledger: Ledger, site: Site, live: LiveParts | None = None) -> None:
        self._ledger, self._site = ledger, site
        self._live = LiveParts(store_part(part) for part in index.parts(ledger)) if live is None else live
        self._files = {sha256: receipt.file for sha256, receipt in index.receipts(ledger).items()}

    def entry(self, entry: Entry) -> dict[str, Any]:
        start_us = day_start_us(entry.day)
        series = Series(self._ledger, self._site)
        found, _ = timed_cycles(self._ledger, series, entry.line, entry.zone, from_us=start_us, to_us=start_us + DAY_US)
        # Creep and abrasion rest on the sheets' time and swings, not on cycles: `explain` shows their items.
        heaviest = sorted(found, key=self._damage, reverse=True)[:SHOWN_CYCLES] if entry.mechanism == "fatigue" else []
        state = index.states(self._ledger, entry.line).get((entry.line, entry.zone, entry.day))
        standing = [] if state is None else state.sheets
        refs = index.all_sheets(self._ledger, {*entry.sheets, *standing})
        basis, reasons = basis_of(self._site, entry.line)
        removed = removed_files(self._ledger)
        reversal = queries.reversal_of(self._ledger, entry.entry)
        return {
            "ref": entry.entry,
            "is": "entry",
            "line": entry.line,
            "zone": entry.zone,
            "day": entry.day.isoformat(),
            "mechanism": entry.mechanism,
            "kind": entry.kind,
            "life": entry.life,
            "reversed_by": None if reversal is None else reversal.entry,
            "reason": entry.reason,
            "run": entry.run,
            "spec": entry.spec,
            "spec_digest": entry.spec_digest,
            "policy_digest": entry.policy_digest,
            "basis": basis,
            "basis_reasons": reasons,
            "sheets": [_sheet_object(refs[name], removed) for name in entry.sheets],
            "sheets_now": [_sheet_object(refs[name], removed) for name in standing],
            "cycles_are": "those of the day as it stands now"
            + ("" if reversal is None else ", not of this entry, which was reversed"),
            "cycles_closed": len(found),
            "heaviest_cycles": [self._cycle(cycle) for cycle in heaviest],
            "caution": CAUTION,
        }

    def event(self, event: Event) -> dict[str, Any]:
        """An event: its figures, and its first, peak and last sample with the raw lines under them."""
        at = {"first": event.from_us, "peak": event.peak_us, "last": event.to_us}
        if event.kind in OF_WHOLE_BINS:
            at = {"peak": event.peak_us}  # their ends are those of ten minutes, and no samples
        elif "peak_within_s" in event.payload:
            at = {"peak": self._in_bin(event)}  # its ends are those of bins
        return {
            "ref": event.event,
            "is": "event",
            "kind": event.kind,
            "line": event.line,
            "channel": event.channel,
            "peak_kn": event.peak_kn,
            "peak_pct": event.peak_pct,
            **event.payload,
            "run": event.run,
            "samples": [
                {"what": what, **self._sample(event.line, channel, us)}
                for what, us in at.items()
                for channel in self._channels(event, what)
            ],
        }

    def _in_bin(self, event: Event) -> int:
        """The sample of a peak told by bins: the first of its bin that gives the line that tension, else its begin."""
        place, end_us = self._site.channels[event.channel].place, event.peak_us + surge.BIN_US
        parts = self._live.of(place, day_of(event.peak_us))
        readings = read_readings(self._site.store, parts, from_us=event.peak_us, to_us=end_us).get(event.channel)
        if readings is None:
            return event.peak_us
        for rigging in self._site.riggings:
            if (rigging.line, rigging.channel) == (event.line, event.channel) and _holds(rigging, event.peak_us):
                used = self._site.calibrations_of(rigging.channel)
                kn = line_tension_kn(readings.at_us, readings.value, used, rigging.share_pct / 100.0)
                return int(next(iter(readings.at_us[kn == event.peak_kn]), event.peak_us))
        return event.peak_us

    def _sample(self, line: str, channel: str, at_us: int) -> dict[str, Any]:
        """A sample of an event; of tension with what the line felt by it."""
        point = self._point(channel, at_us)
        for rigging in self._site.riggings:
            if (rigging.line, rigging.channel) == (line, channel) and _holds(rigging, at_us):
                return {**point, **self._felt(rigging, point["raw"], at_us)}
        return point

    def _felt(self, rigging: Rigging, raw: list[dict[str, Any]], at_us: int) -> dict[str, Any]:
        """How a line's tension comes from the live one of some readings: calibration in force, and share."""
        values = [found["value"] for found in raw if found["value"] == found["value"]]
        if not values:
            return {}
        in_force = [c for c in self._site.calibrations_of(rigging.channel) if c.from_us <= at_us]
        zero_kn, gain = (in_force[-1].zero_kn, in_force[-1].gain) if in_force else (0.0, 1.0)
        line_kn = line_tension_kn(np.array([at_us]), np.array([max(values)]), in_force[-1:], rigging.share_pct / 100.0)
        return {
            "reading_kn": max(values),
            "zero_kn": zero_kn,
            "gain": gain,
            "share_pct": rigging.share_pct,
            "line_kn": float(line_kn[0]),
            "line_kn_is": "(reading_kn - zero_kn) * gain * share_pct / 100",
        }

    def cycle(self, line: str, zone: str, first_us: int, second_us: int) -> dict[str, Any]:
        points = [self._line_point(line, zone, us) for us in (first_us, second_us)]
        if not all(point["raw"] or point["rigging_edge"] for point in points):
            raise _unknown(f"{line}/{zone}/{first_us}/{second_us}")
        return {"ref": f"{line}/{zone}/{first_us}/{second_us}", "is": "cycle", "points": points}

    def _cycle(self, cycle: TimedCycle) -> dict[str, Any]:
        return {
            "cycle": cycle.ref,
            "range_kn": abs(cycle.first_kn - cycle.second_kn),
            "mean_kn": (cycle.first_kn + cycle.second_kn) / 2,
            "life": self._damage(cycle),
            "closed_at": us_to_rfc3339(cycle.closed_us),
            "points": [
                {"kn": kn, **self._line_point(cycle.line, cycle.zone, us)}
                for kn, us in ((cycle.first_kn, cycle.first_us), (cycle.second_kn, cycle.second_us))
            ],
        }

    def _damage(self, cycle: TimedCycle) -> float:
        force = self._site.break_force_kn(cycle.line)
        mean = (cycle.first_kn + cycle.second_kn) / 2
        curve = self._site.spec_of(cycle.line).fatigue
        over_kn = curve.reference_strength * force
        return damage(abs(cycle.first_kn - cycle.second_kn) / over_kn, mean / over_kn, curve)

    def _line_point(self, line: str, zone: str, at_us: int) -> dict[str, Any]:
        """The raw lines under a turning point of a line.

        At a rigging's own beginning and end it may be the 0 kN there that turned: `rigging_edge` says so.
        """
        found = []
        for rigging in self._site.riggings:
            if (rigging.line, rigging.outboard_end) != (line, zone):
                continue
            edge = at_us in (rigging.from_us, rigging.to_us)
            if _holds(rigging, at_us):
                point = self._point(rigging.channel, at_us)
                found.append({**point, **self._felt(rigging, point["raw"], at_us), "rigging_edge": edge})
            elif edge:
                at = us_to_rfc3339(at_us)
                found.append({"at": at, "channel": rigging.channel, "raw": [], "rigging_edge": True})
        nowhere: dict[str, Any] = {"at": us_to_rfc3339(at_us), "channel": None, "raw": [], "rigging_edge": False}
        return next((point for point in found if point["raw"]), found[0] if found else nowhere)

    def _channels(self, event: Event, what: str) -> list[str]:
        """Where an event's sample lies: its tension channel; payout too at the ends of a rendering or loss of load."""
        channels = [event.channel]
        if event.kind in WITH_PAYOUT and what != "peak":
            channels += [
                c.channel for c in self._site.channels.values() if (c.place, c.quantity) == (event.place, "payout")
            ]
        return channels

    def _point(self, channel: str, at_us: int) -> dict[str, Any]:
        parts = self._live.of(self._site.channels[channel].place, day_of(at_us))
        return {
            "at": us_to_rfc3339(at_us),
            "channel": channel,
            "raw": [
                {"sha256": sha256, "file": self._files.get(sha256), "line": line_no, "value": value}
                for sha256, line_no, value in raw_lines(self._site.store, parts, channel, at_us)
            ],
        }
