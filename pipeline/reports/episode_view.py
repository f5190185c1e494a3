"""Episodes, and a line's notes of a day, as their pages show them: plain mappings with every figure ready."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, Final

from pipeline.ledger.rows import Event
from pipeline.render_events import cautions
from pipeline.reports import drawing
from pipeline.reports.chosen import severity
from pipeline.reports.event_view import Told, call_of, head, raw_rows, trace_of, window_of
from pipeline.reports.figures import Figure, Instant, command, kn
from schemas.times import DAY_US, day_start_us, rfc3339_us

EVENTS_TOLD: Final = 300
RAW_TOLD: Final = 60
NOTES_TOLD: Final = 800
"""So many events of an episode are told on its page, so many walked back to raw rows there (three rows each), and so
many notes of a line's day: some 800 bytes of the page each, a raw row more. House rule."""
_RANK: Final = {"alarm": 0, "warning": 1}


def foremost(events: Sequence[Event], most: int) -> list[Event]:
    """The gravest events, and of equally grave ones those of the highest peak; in order of time."""
    ranked = sorted(events, key=lambda one: (_RANK.get(severity(one), 2), -one.peak_kn, one.event))[:most]
    return sorted(ranked, key=lambda one: (one.from_us, one.line, one.kind))


def episode_view(told: Told, episode: Mapping[str, Any], events: Sequence[Event]) -> dict[str, Any]:
    """One episode as `episodes --json` has it, with its events in order of time, walked back to raw rows.

    A tail that shares an event is told on the event's own page.
    """
    window = window_of(rfc3339_us(episode["from_at"]), rfc3339_us(episode["to_at"]))
    lines = [line for line in episode["lines"] if told.site.lines[line].part == "main"]
    largest = episode["largest"]
    trace = command("trace", largest["event"])
    keep_us: dict[str, list[int]] = {}
    for event in events:
        keep_us.setdefault(event.line, []).append(event.peak_us)
    return {
        "episode": episode["episode"],
        "ship": episode["ship"],
        "from": Instant(episode["from_at"], 3),
        "to": Instant(episode["to_at"], 3),
        "severity": episode["severity"],
        "sentence": episode["sentence"],
        "lines": list(episode["lines"]),
        "kinds": [
            {"kind": kind, "count": Figure(count, command("episodes"), "", 0)}
            for kind, count in episode["kinds"].items()
        ],
        "first": dict(episode["first"]),
        "largest": {
            "event": largest["event"],
            "line": largest["line"],
            "peak": kn(largest["peak_kn"], trace),
            "peak_at": Instant(largest["peak_at"], 3),
            "peak_pct": Figure(largest["peak_pct"], trace, "%", 1),
            "peak_pct_of": largest["peak_pct_of"],
        },
        "call": call_of(told.site, events[0]),
        "events": [head(event, trace_of(event)) for event in foremost(events, EVENTS_TOLD)],
        "left_out": max(len(events) - EVENTS_TOLD, 0),
        "raw": [
            {"event": event.event, "kind": event.kind, "line": event.line, "rows": raw_rows(told.walker.event(event))}
            for event in foremost(events, RAW_TOLD)
        ],
        "raw_left_out": max(len(events) - RAW_TOLD, 0),
        "window": window,
        "traces": drawing.tensions(
            told.windows,
            drawing.rigged_in(told.site, episode["ship"], *window),
            window,
            own=[largest["line"]],
            involved=lines,
            keep_us=keep_us,
        ),
        "cautions": cautions(set(episode["kinds"])),
    }


def notes_view(told: Told, line: str, day: date, notes: Sequence[Event]) -> dict[str, Any]:
    """A line's notes of one UTC day, with the day's tension; drawn from the lowest and highest of each ten seconds."""
    window = (day_start_us(day), day_start_us(day) + DAY_US)
    riggings = [row for row in drawing.rigged_in(told.site, told.site.lines[line].ship, *window) if row.line == line]
    return {
        "line": line,
        "day": day.isoformat(),
        "events": [head(event, trace_of(event)) for event in notes[:NOTES_TOLD]],
        "left_out": max(len(notes) - NOTES_TOLD, 0),
        "window": window,
        "traces": drawing.tensions(told.windows, riggings, window, own=[line], involved=(), keep_us={}),
        "cautions": cautions({event.kind for event in notes}),
    }
