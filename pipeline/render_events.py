"""Text of events: one table, and for each the sentence that tells a watchkeeper what happened."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from typing import Any

from pipeline.text import join, table

Row = Mapping[str, Any]


def events_text(answer: Row) -> str:
    """Events, by time, each with the sentence of what happened; notes only where they are asked for."""
    if not answer["events"]:
        return "No events."
    asked = answer.get("severity") == "note"
    shown = [event for event in answer["events"] if asked or event.get("severity") != "note"]
    left_out = Counter(event["kind"] for event in answer["events"]) - Counter(event["kind"] for event in shown)
    rows = [
        [
            event["event"],
            event.get("severity", "-"),
            _kind(event),
            event["line"],
            event["place"],
            event["from_at"],
            f"{event['peak_kn']:.1f}",
            _percent(event),
            sentence(event),
        ]
        for event in shown
    ]
    head = ["event", "severity", "kind", "line", "place", "from (UTC)", "peak kN", "percent", "what happened"]
    return join(
        table(head, rows) if rows else "No event above a note.",
        f"Not shown, with --severity note: {_counted(left_out)}." if left_out else "",
        *cautions({event["kind"] for event in shown}),
    )


def _kind(event: Row) -> str:
    """The kind, and of a load-loss its class."""
    return f"{event['kind']} {event['class']}" if event["kind"] == "load-loss" else str(event["kind"])


def sentence(event: Row) -> str:
    """What happened, in one sentence."""
    outside = event.get("phase", "all fast")
    told = SENTENCES[event["kind"]](event)
    return told if outside == "all fast" else f"{told} (while {outside})"


def cautions(kinds: set[str]) -> list[str]:
    """What must be read beside events of these kinds."""
    inspect = kinds & {"peak-load", "brake-render", "snap-load", "load-loss"}
    found = []
    if inspect:
        words = [_NOT_ALL.get(kind, kind) for kind in sorted(inspect)]
        found.append(f"After {_listed(words)} the line is inspected before it is used again.")
    if "brake-held" in kinds:
        found.append(
            "A brake that holds above its setting leaves the line to part: it is checked and tested by the winch "
            "maker's procedure. It is not tested by what it held."
        )
    if "load-loss" in kinds:
        found.append(
            "A load that was lost at once may be a parted line: verify on deck, keep clear. The last load before it is "
            "the highest that was recorded; what the line bore was that or more."
        )
    return found


_NOT_ALL = {"load-loss": "load-loss (unless it is classed let-go or instrument)"}


def _counted(kinds: Counter[str]) -> str:
    told = ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items()))
    return f"{told}, each a note"


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"


def _percent(event: Row) -> str:
    return "-" if event["peak_pct"] is None else f"{event['peak_pct']:.1f} % of {event['peak_pct_of']}"


def _peak(event: Row) -> str:
    bound = "at least " if event.get("peak_at_least") else ""
    return f"{bound}{event['peak_kn']:.0f} kN"


def _peak_load(event: Row) -> str:
    return (
        f"loaded to {_peak(event)}, {event['peak_pct']:.1f} % of {event['peak_pct_of']} "
        f"(limit {event['level_pct']:g} %), at {event['peak_at']}{_DOUBTS[event.get('doubtful')]}"
    )


_DOUBTS = {
    None: "",
    "spike": "; its neighbours do not bear that reading out, as with a spike of the gauge: look at both gauge and line",
    "peak": "; the highest reading looks like a spike of the gauge, others above the limit do not",
    "crest": "; that highest reading is the crest of the blow, read once, or a spike of the gauge",
}


def _brake_render(event: Row) -> str:
    if event.get("basis") == "tension alone":
        return _told_by_tension(event)
    bound = "at least " if event.get("peak_at_least") else ""
    text = (
        f"brake let go at {bound}{event['breakout_kn']:.0f} kN and paid out {event['payout_m']:.2f} m "
        f"at {event['render_kn']:.0f} kN"
    )
    if event.get("doubtful") is not None:
        return f"{text}{_at_drum(event)}; its gauge stuck or spiked then: at what load it let go is not known"
    if event["verdict"] is None:
        return f"{text}{_at_drum(event)}; its setting is not registered"
    return f"{text}{_at_drum(event)}; it was set to {event['brake_set_kn']:.0f} kN: {event['verdict']}"


def _told_by_tension(event: Row) -> str:
    """A rendering without payout: how sure it is, in words too."""
    sure = "high" if event["confidence"] >= 0.8 else "medium"
    text = (
        f"brake seems to have let out line above about {event['breakout_kn']:.0f} kN{_at_drum(event)}: crests cut, and "
        f"{event['lost_kn']:.0f} kN lost to its neighbours; told from tension alone, confidence {sure} "
        f"({event['confidence']:.2f}, on our simulator)"
    )
    if event["verdict"] is None:
        return text + "; its setting is not registered"
    return f"{text}; it was set to {event['brake_set_kn']:.0f} kN: {event['verdict']}"


def _brake_held(event: Row) -> str:
    out = {
        "measured": "let out no line",
        "missing": "whether it let out line is not known: payout is missing",
        "no channel": "whether it let out line is not known: payout is not recorded",
    }[event["payout_told"]]
    return (
        f"brake held at {_peak(event)}{_at_drum(event)}, {event['held_pct_of_set']:.0f} % of the "
        f"{event['brake_set_kn']:.0f} kN it was set to, and {out}: it ought to have let go"
    )


def _at_drum(event: Row) -> str:
    """Which load it is, where it was not measured at the drum."""
    if event.get("measured_at", "drum") == "drum":
        return ""
    drum_kn = event["drum_kn"]
    return " (at the hook; the drum's is not reckoned)" if drum_kn is None else f" (hook; {drum_kn:.0f} kN at the drum)"


def _slack(event: Row) -> str:
    times = "" if event["times"] == 1 else f", {event['times']} times in a row"
    lasted = f"for {_lasted(event['lasted_s'])}" if event["lasted_s"] >= 1 else "for a moment"
    return f"hung slack {lasted}{times}, down to {event['lowest_kn']:.1f} kN{_worked(event)}"


def _snap_load(event: Row) -> str:
    return (
        f"came out of slack with a blow: from {event['slack_kn']:.0f} kN up to {_peak(event)} at {event['peak_at']}, "
        f"rising by {event['rate_kn_s']:.0f} kN or more in a second{_DOUBTS[event.get('doubtful')]}{_worked(event)}"
    )


def _sustained_load(event: Row) -> str:
    return (
        f"stood above {event['level_pct']:g} % of {event['peak_pct_of']} nearly all the time for "
        f"{_lasted(event['bins'] * 600)}, at {event['mean_kn']:.0f} kN in the mean, up to {_peak(event)}"
    )


def _pretension_loss(event: Row) -> str:
    return (
        f"carried {event['mean_kn']:.0f} kN in the mean for {_lasted(event['bins'] * 600)}; "
        f"{event['planned_kn']:.0f} kN were planned ({event['planned_by']}): its neighbours carry its part"
    )


def _load_loss(event: Row) -> str:
    bound = "at least " if event.get("peak_at_least") else ""
    whose = (
        f"one line of {_listed(event['hook_lines'])} on this hook lost its load"
        if event["of_share"]
        else f"lost its load of {bound}{event['last_loaded_kn']:.0f} kN"
    )
    back = "and it has not come back" if event["back_at"] is None else f"and came back at {event['back_at']}"
    word = event["class"]
    why = "" if word == "undetermined" else f" ({'; '.join(event['evidence'][word]['for'])})"
    if word == "instrument":
        reading = f"its reading fell from {bound}{event['last_loaded_kn']:.0f} kN within {event['fall_s']:g} s, {back}"
        return f"{reading}: {_LOST[word]}{why}{_worked(event)}"
    return (
        f"{whose} within {event['fall_s']:g} s, {back}; highest recorded just before {_peak(event)}, "
        f"{event['highest_recorded_is']}; {_LOST[word]}{why}{_worked(event)}"
    )


_LOST = {
    "parted": "parted: verify on deck, keep clear",
    "released": "released, its hook opened under load: verify on deck, keep clear",
    "let-go": "let go under load",
    "instrument": "its gauge dropped out",
    "undetermined": "possible parting: verify on deck, keep clear",
}


def _surge(event: Row) -> str:
    lines = event["lines"]
    moves = ", ".join(f"{line['line']} {line['change_kn']:+.0f} kN" for line in lines)
    return (
        f"{len(lines)} lines pulsed as when a ship passes, first {event['first_line']}: {moves}; "
        f"this one rose to {_peak(event)}, {_percent(event)}"
    )


def _lasted(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


def _worked(event: Row) -> str:
    return f"; its winch was under power ({', '.join(event['tending'])})" if event["tending"] else ""


SENTENCES: dict[str, Callable[[Row], str]] = {
    "peak-load": _peak_load,
    "brake-render": _brake_render,
    "load-loss": _load_loss,
    "snap-load": _snap_load,
    "slack": _slack,
    "sustained-load": _sustained_load,
    "pretension-loss": _pretension_loss,
    "brake-held": _brake_held,
    "surge": _surge,
}
