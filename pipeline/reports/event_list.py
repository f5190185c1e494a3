"""The list of events: those above a note one by one, notes by line and day, and how many there are of what by month."""

from __future__ import annotations

from collections import Counter
from typing import Any, Final

from pipeline.ledger.rows import Event
from pipeline.render_events import cautions
from pipeline.reports.chosen import NOTE, Chosen, notes_path, severity
from pipeline.reports.event_view import head, trace_of
from pipeline.reports.figures import Figure, Instant, Link, Trace, command
from pipeline.reports.happening_page import kind_text, line_link
from pipeline.reports.page import page_path
from pipeline.reports.tables import Cell, Column, Row, Table
from schemas.times import day_of

LISTED: Final = 1000
EPISODES: Final = 500
"""So many events above a note, and episodes, are listed, the newest: some 800 bytes of the page each. House rule."""
EVENTS: Final = Trace("tautlog events SITE")


def events_list(chosen: Chosen) -> dict[str, Any]:
    """What `events.html.j2` lays out."""
    above = [one for one in chosen.events.values() if severity(one) != NOTE]
    above.sort(key=lambda one: (-one.from_us, one.line, one.kind))
    return {
        "events": _events(chosen, above[:LISTED]),
        "episodes": _episodes(chosen),
        "notes": _notes(chosen),
        "months": _months(chosen),
        "left_out": max(len(above) - LISTED, 0),
        "episodes_left_out": max(len(chosen.episodes) - EPISODES, 0),
        "cautions": cautions({one.kind for one in above[:LISTED]}),
    }


def _events(chosen: Chosen, events: list[Event]) -> Table:
    columns = (
        Column("from"),
        Column("severity"),
        Column("kind"),
        Column("line"),
        Column("peak", unit="kN", trace=EVENTS),
        Column("percent", note="of ship design MBL, or of break force where that is unknown", trace=EVENTS),
        Column("what happened", wide=True),
        Column("episode"),
    )
    rows = [_event(chosen, event) for event in events]
    caption = "Events above a note, newest first"
    return Table("events", caption, columns, rows, picks=("severity", "kind", "line"), between="from")


def _event(chosen: Chosen, event: Event) -> Row:
    one, episode = head(event, trace_of(event)), chosen.episode_of.get(event.event)
    kind = Link(kind_text(one), chosen.path(event.event), "its page")
    together: Cell = ""
    if episode is not None:
        together = Link(f"{len(episode['lines'])} lines", page_path("episodes", episode["episode"]))
    mark = one["severity"] if one["severity"] != NOTE else ""
    cells = (one["from"], one["severity"], kind, line_link(event.line), one["peak"], one["peak_pct"], one["sentence"])
    return Row([*cells, together], id=f"e-{event.event}", mark=mark)


def _episodes(chosen: Chosen) -> Table:
    columns = (
        Column("from"),
        Column("severity"),
        Column("lines"),
        Column("events"),
        Column("what happened", wide=True),
    )
    trace = command("episodes")
    rows = [
        Row(
            [
                [Instant(one["from_at"]), Link("its page", page_path("episodes", one["episode"]))],
                one["severity"],
                Figure(len(one["lines"]), trace, "", 0),
                Figure(len(one["events"]), trace, "", 0),
                one["sentence"],
            ],
            mark=one["severity"] if one["severity"] in ("alarm", "warning") else "",
        )
        for one in reversed(chosen.episodes[-EPISODES:])
    ]
    return Table("episodes", "Episodes: events of several lines that belong together, newest first", columns, rows)


def _notes(chosen: Chosen) -> Table:
    columns = (Column("day (UTC)"), Column("line"), Column("notes", trace=EVENTS), Column("kinds", wide=True))
    rows = [
        Row(
            [
                Link(day.isoformat(), notes_path(line, day), "its page"),
                line_link(line),
                Figure(len(held), EVENTS, "", 0),
                _counted(held),
            ]
        )
        for (line, day), held in sorted(chosen.notes.items(), key=lambda item: (-item[0][1].toordinal(), item[0][0]))
    ]
    return Table("notes", "Notes of the last days, by line and day", columns, rows)


def _months(chosen: Chosen) -> Table:
    """How many there are in all: what is not listed is counted."""
    counts: dict[tuple[str, str], Counter[str]] = {}
    for one in chosen.events.values():
        counts.setdefault((day_of(one.from_us).strftime("%Y-%m"), one.kind), Counter())[severity(one)] += 1
    columns = (
        Column("month"),
        Column("kind"),
        *(Column(f"{word}s", trace=EVENTS) for word in ("alarm", "warning", "note")),
    )
    rows = [
        Row([month, kind, *(Figure(found[word], EVENTS, "", 0) for word in ("alarm", "warning", "note"))])
        for (month, kind), found in sorted(counts.items(), key=lambda item: (item[0][0], item[0][1]), reverse=True)
    ]
    return Table("months", "All events by month and kind", columns, rows)


def _counted(events: list[Event]) -> str:
    return ", ".join(f"{count} {kind}" for kind, count in sorted(Counter(one.kind for one in events).items()))
