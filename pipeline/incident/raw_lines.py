"""Raw lines under instants anywhere in the history, read from the store: each place's day once, and not kept."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any, Final, Literal, Protocol

import numpy as np

from pipeline.incident.figure import Ref
from pipeline.incident.lines import Reading, Walked
from pipeline.ledger import index
from pipeline.ledger.database import Ledger
from pipeline.ledger.rows import Part
from pipeline.night.look import line_tension_kn
from pipeline.site import Site
from pipeline.store.samples import store_part
from pipeline.store.traced import TracedReadings, read_traced
from schemas.times import DAY_US, day_of, day_start_us, rfc3339_us

BIN_US: Final = 10_000_000
LOOK_BACK_US: Final = 600_000_000
"""How far before an instant the reading is looked for that stood at it: house rule."""
WITH_PAYOUT: Final = ("brake-render", "brake-held", "load-loss")


@dataclass(frozen=True)
class Want:
    """One reading of a channel in [from_us, to_us): its first, its last, or that whose tension of `line` is nearest to
    `kn` (the first of equal ones)."""

    channel: str
    from_us: int
    to_us: int
    which: Literal["first", "last", "like"] = "first"
    line: str = ""
    kn: float = 0.0


class Eventful(Protocol):
    """An event, as the ledger or a call has it."""

    @property
    def kind(self) -> str: ...
    @property
    def line(self) -> str: ...
    @property
    def channel(self) -> str: ...
    @property
    def place(self) -> str: ...
    @property
    def from_us(self) -> int: ...
    @property
    def to_us(self) -> int: ...
    @property
    def peak_us(self) -> int: ...
    @property
    def peak_kn(self) -> float: ...
    @property
    def payload(self) -> Mapping[str, Any]: ...


class RawLines:
    """Looks raw lines up. `near`: readings that were read already, all there are of [from_us, to_us), by channel."""

    def __init__(
        self,
        ledger: Ledger,
        site: Site,
        names: Mapping[str, str],
        near: Mapping[str, Reading],
        from_us: int,
        to_us: int,
    ) -> None:
        self._ledger, self._site, self._names = ledger, site, names
        self._near, self._near_us = near, (from_us, to_us)

    def of(self, wants: Sequence[Want]) -> list[tuple[Ref, ...]]:
        """The raw line under each, in the order asked for; empty where there is no such reading on the day on which
        the stretch begins (of a last one: ends)."""
        found: list[tuple[Ref, ...]] = [() for _ in wants]
        by_day: dict[tuple[str, date], list[int]] = {}
        for number, want in enumerate(wants):
            if self._near_us[0] <= want.from_us and want.to_us <= self._near_us[1] and want.channel in self._near:
                found[number] = self._pick(want, self._near[want.channel])
            elif want.from_us < want.to_us:
                day = day_of(want.to_us - 1 if want.which == "last" else want.from_us)
                by_day.setdefault((self._site.channels[want.channel].place, day), []).append(number)
        for (place, day), numbers in sorted(by_day.items()):
            begin_us = day_start_us(day)
            from_us = max(min(wants[number].from_us for number in numbers), begin_us)
            to_us = min(max(wants[number].to_us for number in numbers), begin_us + DAY_US)
            readings = read_traced(self._site.store, self._parts.get((place, day), []), from_us, to_us)
            for number in numbers:
                if wants[number].channel in readings:
                    reading = reading_of(wants[number].channel, readings[wants[number].channel], self._names)
                    found[number] = self._pick(wants[number], reading)
        return found

    def _pick(self, want: Want, reading: Reading) -> tuple[Ref, ...]:
        begin, end = np.searchsorted(reading.at_us, [want.from_us, want.to_us]).tolist()
        if begin == end:
            return ()
        if want.which == "like":
            near = self._tension_kn(want, reading, begin, end)
            return () if np.all(np.isnan(near)) else (reading.ref(begin + int(np.nanargmin(np.abs(near - want.kn)))),)
        return (reading.ref(begin if want.which == "first" else end - 1),)

    def _tension_kn(self, want: Want, reading: Reading, begin: int, end: int) -> np.ndarray:
        shares = [row.share_pct for row in self._site.riggings if row.line == want.line and _holds(row, want)]
        return line_tension_kn(
            reading.at_us[begin:end],
            reading.value[begin:end],
            self._site.calibrations_of(want.channel),
            (shares[0] if shares else 100.0) / 100.0,
        )

    @cached_property
    def _parts(self) -> dict[tuple[str, date], list[Any]]:
        found: dict[tuple[str, date], list[Any]] = {}
        for part in index.parts(self._ledger):
            found.setdefault((part.place, part.day), []).append(store_part(part))
        return found

    def of_events(self, events: Sequence[Eventful]) -> list[Walked]:
        """The raw lines of each event: at its ends and its peak, where it broke out, and what was paid out."""
        wants: list[Want] = []
        spans = []
        for event in events:
            own = [_ends(event), [_peak(event)], _breakout(event), self._payout(event)]
            spans.append([(len(wants) + sum(map(len, own[:k])), len(some)) for k, some in enumerate(own)])
            wants += [want for some in own for want in some]
        found = self.of(wants)
        out = []
        for pieces in spans:
            ends, peak, breakout, payout = (_joined(found[at : at + count]) for at, count in pieces)
            out.append(Walked(_joined([ends[:1], peak, ends[1:], payout]), peak or ends, breakout or ends, payout))
        return out

    def _payout(self, event: Eventful) -> list[Want]:
        """What the payout of its place stood at when it began and when it ended."""
        if event.kind not in WITH_PAYOUT:
            return []
        channels = [c.channel for c in self._site.channels.values() if (c.place, c.quantity) == (event.place, "payout")]
        spans = [span for us in (event.from_us, event.to_us) for span in by_day(us - LOOK_BACK_US, us + 1)]
        return [Want(channel, *span, "last") for channel in channels for span in spans]


def by_day(from_us: int, to_us: int) -> list[tuple[int, int]]:
    """A stretch cut at midnight (UTC): where the last day has no reading in it, the day before may."""
    midnight_us = day_start_us(day_of(to_us - 1))
    return [(from_us, to_us)] if midnight_us <= from_us else [(from_us, midnight_us), (midnight_us, to_us)]


def reading_of(channel: str, one: TracedReadings, names: Mapping[str, str]) -> Reading:
    """Live readings of a channel, with the names of their raw files."""
    return Reading(channel, one.at_us, one.value, one.raw_line, one.file, one.files, names)


def parts_by_place(parts: Iterable[Part]) -> dict[str, list[Part]]:
    found: dict[str, list[Part]] = {}
    for part in parts:
        found.setdefault(part.place, []).append(part)
    return found


def _ends(event: Eventful) -> list[Want]:
    """First and last reading of what it lasted."""
    whole = (event.channel, event.from_us, max(event.to_us, event.from_us) + 1)
    return [Want(*whole, "first"), Want(*whole, "last")]


def _peak(event: Eventful) -> Want:
    """The reading of its peak; of one told by bins that within the bin which gives the line that tension."""
    wide_us = BIN_US if "peak_within_s" in event.payload else 1
    return Want(event.channel, event.peak_us, event.peak_us + wide_us, "like", event.line, event.peak_kn)


def _breakout(event: Eventful) -> list[Want]:
    at, kn = event.payload.get("breakout_at"), event.payload.get("breakout_kn")
    if not isinstance(at, str) or not isinstance(kn, float) or event.payload.get("basis") != "payout":
        return []  # by tension alone it is the level of many crests
    us = rfc3339_us(at)
    return [Want(event.channel, us, us + 1)]


def _joined(found: Iterable[tuple[Ref, ...]]) -> tuple[Ref, ...]:
    """Raw lines in the order given, each once."""
    return tuple(dict.fromkeys(ref for some in found for ref in some))


def _holds(row: Any, want: Want) -> bool:
    return bool(
        row.channel == want.channel and row.from_us < want.to_us and (row.to_us is None or want.from_us < row.to_us)
    )
