"""What only its kind of event has, in words: each key of `events --json` with its label, unit and digits. Literal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any, Final

from pipeline.reports.figures import Figure, Instant, Trace

FIGURES: Final[Mapping[str, tuple[str, str, int]]] = {
    "level_pct": ("limit", "%", 1),
    "excursions": ("times above the limit", "", 0),
    "breakout_kn": ("load at which the brake let go", "kN", 0),
    "breakout_pct_of_set": ("break-out against setting", "%", 1),
    "breakout_first_layer_kn": ("break-out, reckoned for the first layer", "kN", 0),
    "brake_set_kn": ("brake set to", "kN", 0),
    "held_pct_of_set": ("held, against setting", "%", 1),
    "drum_kn": ("least load at the drum", "kN", 0),
    "capstan": ("friction from hook to drum, e^(mu*theta)", "", 3),
    "layer": ("layer on the drum", "", 0),
    "render_kn": ("load while paying out (median)", "kN", 0),
    "payout_m": ("paid out", "m", 2),
    "lost_kn": ("lost to its neighbours", "kN", 0),
    "confidence": ("confidence, on our simulator", "", 2),
    "crests": ("crests cut", "", 0),
    "slips": ("slips", "", 0),
    "runs": ("runs above the setting", "", 0),
    "lasted_s": ("hung slack for", "s", 1),
    "times": ("times in a row", "", 0),
    "lowest_kn": ("lowest", "kN", 0),
    "slack_kn": ("slack load it rose from", "kN", 0),
    "rate_kn_s": ("rise in a second, at least", "kN/s", 1),
    "rise_s": ("rose within", "s", 2),
    "bins": ("ten-minute bins", "", 0),
    "mean_kn": ("mean load", "kN", 0),
    "lowest_mean_kn": ("lowest ten-minute mean", "kN", 0),
    "planned_kn": ("planned pretension", "kN", 0),
    "last_loaded_kn": ("last reading under load", "kN", 0),
    "unloaded_kn": ("first reading without it", "kN", 0),
    "highest_recorded_kn": ("highest recorded just before", "kN", 0),
    "mean_before_kn": ("mean of the minute before", "kN", 0),
    "fall_s": ("fell within", "s", 3),
    "back_kn": ("load when it came back", "kN", 0),
    "peak_within_s": ("peak is known to within", "s", 0),
}
"""A key that is not here is shown by its own name, so that nothing of an event is left out."""

WORDS: Final[Mapping[str, str]] = {
    "basis": "told from",
    "verdict": "verdict on the setting",
    "measured_at": "measured at",
    "payout_told": "payout",
    "confidence_is": "what the confidence is",
    "planned_by": "planned by",
    "highest_recorded_is": "what the highest is",
    "doubtful": "reasons to doubt it",
    "class": "class",
    "of_share": "lines share the hook",
    "hook_lines": "lines on the hook",
    "tending": "winch under power",
    "phase": "phase of the call",
    "first_line": "first line",
    "greatest_line": "line with the greatest change",
    "ship": "ship",
    "breakout_at": "let go at",
    "lowest_at": "lowest at",
    "back_at": "came back at",
    "gone_kn": "readings while it was gone, from and to",
    "beside": "beside it at the fall: from, to",
    "later": "beside it later",
}
INSTANTS: Final = ("breakout_at", "lowest_at", "back_at")
_OF_ALL = ("event", "kind", "line", "channel", "place", "from_at", "to_at", "peak_kn", "peak_at", "peak_pct", "run")
_IN_HEAD = ("peak_pct_of", "peak_at_least", "breakout_at_least", "severity", "phase")
_IN_TABLES = ("tails", "lines", "evidence", "others", "last_loaded", "first_unloaded")
APART: Final = frozenset((*_OF_ALL, *_IN_HEAD, *_IN_TABLES))
"""Shown elsewhere on the page: in its head, or in a table of their own."""


def facts(event: Mapping[str, Any], trace: Trace) -> list[dict[str, Any]]:
    """Key, label and cell of each figure and word that only its kind has, in the order of the tables above."""
    order = {name: i for i, name in enumerate([*FIGURES, *WORDS])}
    keys = sorted((key for key in event if key not in APART), key=lambda key: (order.get(key, len(order)), key))
    least = bool(event.get("breakout_at_least"))
    found = [{"key": key, "label": label(key), "cell": cell(key, event[key], trace)} for key in keys]
    for one in found:
        if one["key"] == "breakout_kn" and least:
            one["cell"] = replace(one["cell"], at_least=True)
    return found


def label(key: str) -> str:
    """What a key is called."""
    return FIGURES[key][0] if key in FIGURES else WORDS.get(key, key)


def cell(key: str, value: Any, trace: Trace) -> Any:
    """A value as a figure, several figures, an instant, or text."""
    unit, digits = FIGURES[key][1:] if key in FIGURES else _by_name(key)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if value is None:
        return None  # what the kind does not have here, such as an instant at which a load came back
    if isinstance(value, int | float):
        return Figure(value, trace, unit, digits)
    if isinstance(value, list) and value and all(isinstance(one, int | float) for one in value):
        return [Figure(one, trace, unit, digits) for one in value]
    if isinstance(value, str):
        return Instant(value, 3) if key in INSTANTS else value
    return "; ".join(_texts(value)) or "none"


def _by_name(key: str) -> tuple[str, int | None]:
    """Unit and digits of a key by its ending, as names carry units."""
    ends = {"_kn": ("kN", 0), "_pct": ("%", 1), "_s": ("s", 2), "_m": ("m", 2), "_kn_s": ("kN/s", 1)}
    return next((found for end, found in sorted(ends.items(), reverse=True) if key.endswith(end)), ("", 6))


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, Mapping):
        for key, one in value.items():
            yield f"{key}: {', '.join(_texts(one))}"
    elif isinstance(value, list | tuple):
        for one in value:
            yield from _texts(one)
    else:
        yield str(value)
