"""An event as its page shows it: plain mappings with every text and figure ready."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from pipeline.events.calls import calls
from pipeline.ledger.queries import event_object, lines_of
from pipeline.ledger.rows import Event
from pipeline.render_events import cautions, sentence
from pipeline.reports import drawing
from pipeline.reports.event_facts import facts
from pipeline.reports.figures import Figure, Instant, Trace, command, instant, kn
from pipeline.reports.limits import OF_KIND, limits_of
from pipeline.reports.windows import Windows
from pipeline.site import Site
from pipeline.tracing.trace import Walker
from schemas.registers import Rigging

LEAST_MARGIN_US: Final = 120_000_000
MOST_MARGIN_US: Final = 1_800_000_000
"""How much is drawn before and after a happening: as long as it lasted, but at least two minutes, for what led to it,
and at most half an hour. House rule."""


@dataclass(frozen=True)
class Told:
    """What events are told from: the site as the newest run read it, its windows, and the way back to raw files."""

    site: Site
    windows: Windows
    walker: Walker


def window_of(from_us: int, to_us: int) -> tuple[int, int]:
    """What is drawn of a happening: [first, end) with what came before and after it."""
    margin_us = min(max(to_us - from_us, LEAST_MARGIN_US), MOST_MARGIN_US)
    return from_us - margin_us, to_us + margin_us + 1


def involved_in(event: Event) -> set[str]:
    """The lines that an event names besides its own: those that pulsed, shared its hook, or took up its load."""
    payload = event.payload
    others = payload.get("others") or {}
    return {
        *(one["line"] for one in payload.get("lines", ())),
        *payload.get("hook_lines", ()),
        *(one["line"] for one in others.get("neighbours", ()) if one.get("took_up")),
        *lines_of(event),
    } - {event.line}


def event_view(told: Told, event: Event) -> dict[str, Any]:
    """One event: what happened, where it stands, its own figures, what is drawn, and the way back to raw rows."""
    shown = event_object(event)
    window = window_of(event.from_us, event.to_us)
    riggings = drawing.rigged_in(told.site, told.site.lines[event.line].ship, *window)
    own = next((row for row in riggings if _is_of(row, event)), None)
    trace = trace_of(event)
    return {
        **head(event, trace),
        "facts": facts(doubted(told.site, event, shown), trace),
        "tails": [
            {**tail, "peak_pct": Figure(tail["peak_pct"], trace, "%", 1)} for tail in event.payload.get("tails", ())
        ],
        "pulses": [_pulse(one, trace) for one in event.payload.get("lines", ())],
        "evidence": _evidence(event.payload.get("evidence")),
        "neighbours": [_neighbour(one, trace) for one in (event.payload.get("others") or {}).get("neighbours", ())],
        "limits": _limits(told.site, own, event) if own is not None else [],
        "call": call_of(told.site, event),
        "window": window,
        "traces": drawing.tensions(
            told.windows,
            riggings,
            window,
            own={event.line},
            involved=involved_in(event),
            keep_us={event.line: [event.from_us, event.peak_us, event.to_us]},
        ),
        "payouts": drawing.payouts(told.windows, told.site, [event.place], window),
        "raw": raw_rows(told.walker.event(event)),
        "cautions": cautions({event.kind}),
    }


def doubted(site: Site, event: Event, shown: Mapping[str, Any]) -> dict[str, Any]:
    """An event with what its gauge's calibration adds to its own reasons to doubt it; alike where that adds nothing."""
    why = uncalibrated(site, event.channel, event.peak_us)
    own = shown.get("doubtful")
    return dict(shown) if why is None else {**shown, "doubtful": why if own is None else f"{own}; {why}"}


def uncalibrated(site: Site, channel: str, at_us: int) -> str | None:
    """That a tension channel had no calibration registered at an instant, or one that was overdue; else None."""
    if site.channels[channel].quantity != "tension":
        return None
    held = [row for row in site.calibrations_of(channel) if row.from_us <= at_us]
    if not held:
        return f"{channel}: no calibration is registered"
    due_us = held[-1].overdue_from_us
    return None if due_us is None or at_us < due_us else f"{channel}: its calibration was due on {held[-1].due}"


def head(event: Event, trace: Trace) -> dict[str, Any]:
    """What every event has, as lists and pages show it."""
    shown = event_object(event)
    return {
        "event": event.event,
        "kind": event.kind,
        "class": event.payload.get("class") if event.kind == "load-loss" else None,
        "severity": event.payload.get("severity", "warning"),
        "line": event.line,
        "channel": event.channel,
        "place": event.place,
        "phase": event.payload.get("phase"),
        "from": Instant(shown["from_at"], 3),
        "to": Instant(shown["to_at"], 3),
        "peak_at": Instant(shown["peak_at"], 3),
        "peak": kn(event.peak_kn, trace, at_least=bool(event.payload.get("peak_at_least"))),
        "peak_pct": Figure(event.peak_pct, trace, "%", 1),
        "peak_pct_of": event.payload.get("peak_pct_of"),
        "run": event.run,
        "sentence": sentence(shown),
        "trace": trace,
    }


def trace_of(event: Event) -> Trace:
    """Where the figures of an event come from: the command that walks it back to raw files."""
    return command("trace", event.event)


def call_of(site: Site, event: Event) -> dict[str, Any] | None:
    """The call in which an event lies; None where no rigging of its ship's lines holds its first instant."""
    ship_of = {name: line.ship for name, line in site.lines.items()}
    ship = ship_of[event.line]
    for call in calls(site.riggings, ship_of):
        if call.ship == ship and call.from_us <= event.from_us and (call.to_us is None or event.from_us <= call.to_us):
            return {"ship": ship, "from": instant(call.from_us), "to": instant(call.to_us)}
    return None


def raw_rows(walked: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The raw rows under an event's samples: `what`, instant, file with SHA-256 and line number, and the reading as it
    stands there; of tension also how the line's load comes of it."""
    rows = []
    for sample in walked["samples"]:
        channel = sample["channel"]
        unit = "kN" if channel == walked["channel"] else "m"  # beside tension only payout is walked back
        for raw in sample["raw"] or [None]:
            trace = Trace("" if raw is None else f"{raw['file'] or raw['sha256']}, line {raw['line']}")
            missing = raw is None or raw["value"] != raw["value"]
            rows.append(
                {
                    "what": sample["what"],
                    "at": Instant(sample["at"], 6),
                    "channel": channel,
                    "raw": raw,
                    "reading": None if missing else Figure(raw["value"], trace, unit, 2),
                    "felt": _felt(sample, trace),
                }
            )
    return rows


def _felt(sample: Mapping[str, Any], trace: Trace) -> dict[str, Any] | None:
    if "line_kn" not in sample:
        return None
    return {
        "line": Figure(sample["line_kn"], trace, "kN", 2),
        "zero": Figure(sample["zero_kn"], Trace("calibrations.csv"), "kN", 2),
        "gain": Figure(sample["gain"], Trace("calibrations.csv"), "", 4),
        "share": Figure(sample["share_pct"], Trace("rigging.csv"), "%", 1),
        "is": sample["line_kn_is"],
    }


def _is_of(row: Rigging, event: Event) -> bool:
    return (
        (row.line, row.channel) == (event.line, event.channel)
        and row.from_us <= event.to_us
        and (row.to_us is None or row.to_us >= event.from_us)
    )


def _limits(site: Site, own: Rigging, event: Event) -> list[dict[str, Any]]:
    """All limits of the line at the event; those drawn are of its kind."""
    drawn = OF_KIND.get(event.kind, ())
    return [{**row, "drawn": row["name"] in drawn} for row in limits_of(site, own, event.from_us)]


def _pulse(one: Mapping[str, Any], trace: Trace) -> dict[str, Any]:
    figures = {key: kn(one[f"{key}_kn"], trace) for key in ("change", "rise", "fall", "peak")}
    pct = Figure(one.get("peak_pct"), trace, "%", 1)
    return {"line": one["line"], "role": one["role"], "from": instant(one["from_at"]), **figures, "peak_pct": pct}


def _evidence(evidence: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """What speaks for and against each class of a loss of load, and what is open."""
    if evidence is None:
        return []
    rows: list[dict[str, Any]] = [
        {"class": word, "for": list(found["for"]), "against": list(found["against"])}
        for word, found in evidence.items()
        if isinstance(found, Mapping)
    ]
    return [*rows, {"class": "open", "for": list(evidence.get("open", ())), "against": []}]


def _neighbour(one: Mapping[str, Any], trace: Trace) -> dict[str, Any]:
    figures = {key: kn(one[f"{key}_kn"], trace) for key in ("before", "after", "usual")}
    return {"line": one["line"], "took_up": one["took_up"], **figures}
