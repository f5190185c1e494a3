"""Views of happenings as tables and charts: what their templates lay out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.ledger.rows import Event
from pipeline.reports.chosen import anchor
from pipeline.reports.figures import Instant, Link, Trace
from pipeline.reports.page import page_path
from pipeline.reports.tables import Cell, Column, Row, Table
from pipeline.reports.traces_drawn import charts_of

SHA_DIGITS = 12
LEADING = {"surge": ("own", "involved")}
"""Which lines of an event are drawn in its upper chart, where not its own alone."""
RAW_COLUMNS = (
    Column("sample"),
    Column("at"),
    Column("channel"),
    Column("raw file"),
    Column("SHA-256", note="its first digits; in full below", whole=True),
    Column("line of the file", whole=True),
    Column("reading", trace=Trace("the raw file, at the line named")),
    Column("zero", trace=Trace("calibrations.csv")),
    Column("gain", trace=Trace("calibrations.csv")),
    Column("share", trace=Trace("rigging.csv")),
    Column("load of the line", note="(reading - zero) * gain * share / 100"),
)


def event_page(view: Mapping[str, Any], event: Event) -> dict[str, Any]:
    """What `event.html.j2` lays out of an `event_view`."""
    charts = charts_of(
        view["traces"],
        view["payouts"],
        view["window"],
        events=[event],
        limits=view["limits"],
        leading=LEADING.get(event.kind, ("own",)),
    )
    return {
        **{name: view[name] for name in view if name not in ("traces", "payouts", "raw")},
        "charts": charts,
        "line_link": line_link(event.line),
        "tails": [{**tail, "link": line_link(tail["line"])} for tail in view["tails"]],
        "limits": _limits(view["limits"]),
        "pulses": _pulses(view["pulses"]),
        "evidence": view["evidence"],
        "neighbours": _neighbours(view["neighbours"]),
        "raw": raw_table([("", row) for row in view["raw"]]),
        "raw_files": raw_files(view["raw"]),
    }


def episode_page(view: Mapping[str, Any], events: Sequence[Event], paths: Mapping[str, str]) -> dict[str, Any]:
    """What `episode.html.j2` lays out of an `episode_view`. `paths`: of those events that have a page of their own."""
    charts = charts_of(view["traces"], (), view["window"], events=events, leading=("own", "involved"))
    held = [(f"{one['kind']} of {one['line']}", row) for one in view["raw"] for row in one["rows"]]
    return {
        **{name: view[name] for name in view if name not in ("traces", "raw", "events", "lines")},
        "lines": [line_link(line) for line in view["lines"]],
        "charts": charts,
        "events": happened_table("events", "Events of this episode, by time", view["events"], paths),
        "raw": raw_table(held),
        "raw_files": raw_files([row for _, row in held]),
    }


def notes_page(view: Mapping[str, Any], window: tuple[int, int], last_reading: Instant | None) -> dict[str, Any]:
    """What `notes.html.j2` lays out of a `notes_view`. `last_reading`: nothing was read after it; of `silent_from`."""
    return {
        "line_link": line_link(view["line"]),
        "day": view["day"],
        "charts": charts_of(view["traces"], (), window, events=()),
        "events": happened_table("notes", "Notes, by time", view["events"], {}),
        "left_out": view["left_out"],
        "last_reading": last_reading,
        "cautions": view["cautions"],
    }


def happened_table(name: str, caption: str, heads: Sequence[Mapping[str, Any]], paths: Mapping[str, str]) -> Table:
    """Events of one page, each with its anchor, its sentence, and the command that walks it back."""
    columns = (
        Column("from"),
        Column("severity"),
        Column("kind"),
        Column("line"),
        Column("peak", unit="kN", trace=Trace("tautlog events SITE")),
        Column("of its limit base", note="percent of ship design MBL, or of break force where that is unknown"),
        Column("what happened", wide=True),
        Column("back to raw rows", wide=True),
    )
    return Table(name, caption, columns, [_happened(one, paths) for one in heads])


def _happened(one: Mapping[str, Any], paths: Mapping[str, str]) -> Row:
    path = paths.get(one["event"], "")
    kind: Cell = Link(kind_text(one), path) if path else kind_text(one)
    pct: Cell = [one["peak_pct"], f"of {one['peak_pct_of']}"]
    cells = (one["from"], one["severity"], kind, line_link(one["line"]), one["peak"], pct, one["sentence"])
    mark = one["severity"] if one["severity"] in ("alarm", "warning") else ""
    return Row([*cells, one["trace"].words], id=f"e-{one['event']}", mark=mark)


def kind_text(one: Mapping[str, Any]) -> str:
    """The kind; of a loss of load with its class."""
    return f"{one['kind']} {one['class']}" if one["class"] else str(one["kind"])


def line_link(line: str) -> Link:
    return Link(line, page_path("lines", line))


def raw_table(rows: Sequence[tuple[str, Mapping[str, Any]]]) -> Table:
    """Raw rows under samples, each with the file's SHA-256 and the line in it; the text says of which event it is."""
    caption = "Raw rows under the samples: (reading - zero) * gain * share is the load of the line"
    columns = RAW_COLUMNS if not any(of for of, _ in rows) else (Column("event"), *RAW_COLUMNS)
    return Table("raw", caption, columns, [_raw(of, row) for of, row in rows], empty="no raw row is stored any more")


def raw_files(rows: Sequence[Mapping[str, Any]]) -> Table:
    """The raw files under some rows, each once, with all of its SHA-256."""
    files = sorted({(row["raw"]["file"] or "", row["raw"]["sha256"]) for row in rows if row["raw"] is not None})
    columns = (Column("raw file"), Column("SHA-256", wide=True))
    return Table("raw-files", "Those raw files, by their SHA-256", columns, [Row(list(one)) for one in files], few=True)


def _raw(of: str, row: Mapping[str, Any]) -> Row:
    raw, felt = row["raw"], row["felt"] or {}
    named: tuple[Cell, ...] = (
        (None, None, None) if raw is None else (raw["file"] or "", raw["sha256"][:SHA_DIGITS], str(raw["line"]))
    )
    cells = (row["what"], row["at"], row["channel"], *named, row["reading"] or "missing")
    worked = tuple(felt.get(name) for name in ("zero", "gain", "share", "line"))
    return Row([*((of,) if of else ()), *cells, *worked])


def _limits(limits: Sequence[Mapping[str, Any]]) -> Table:
    rows = [Row([row["name"], row["figure"], row["how"]]) for row in limits]
    columns = (Column("limit"), Column("load", unit="kN"), Column("what it is", wide=True))
    return Table("limits", "Limits of this line then, lowest first", columns, rows, few=True)


def _pulses(pulses: Sequence[Mapping[str, Any]]) -> Table:
    columns = (
        Column("line"),
        Column("role"),
        Column("from"),
        *(Column(name, unit="kN") for name in ("change", "rise", "fall", "peak")),
        Column("peak", unit="%"),
    )
    rows = [
        Row(
            [
                line_link(one["line"]),
                one["role"],
                one["from"],
                one["change"],
                one["rise"],
                one["fall"],
                one["peak"],
                one["peak_pct"],
            ]
        )
        for one in pulses
    ]
    return Table("pulses", "Lines that pulsed", columns, rows, few=True)


def _neighbours(neighbours: Sequence[Mapping[str, Any]]) -> Table:
    columns = (
        Column("line"),
        Column("took up load"),
        Column("before", unit="kN", note="mean of three minutes before"),
        Column("after", unit="kN", note="mean of three minutes after"),
        Column("usual change", unit="kN"),
    )
    rows = [
        Row([line_link(one["line"]), "yes" if one["took_up"] else "no", one["before"], one["after"], one["usual"]])
        for one in neighbours
    ]
    return Table("neighbours", "What its neighbours did", columns, rows, few=True)


__all__ = [
    "anchor",
    "episode_page",
    "event_page",
    "happened_table",
    "kind_text",
    "line_link",
    "notes_page",
    "raw_table",
]
