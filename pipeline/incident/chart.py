"""Traces of all lines on one axis of time: the data that the page draws and zooms, and a still picture of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.incident import svg
from pipeline.incident.record import Incident, Trace
from pipeline.incident.words import Clocks, minute_text

MARKED = (
    "peak-load",
    "brake-render",
    "brake-held",
    "slack",
    "snap-load",
    "load-loss",
    "take-up",
    "hook-opened",
    "gap",
    "in-bounds",
)
"""Kinds of happenings that are marked on the traces; the others are in the table alone."""
WIDTH, LANE, LEFT, RIGHT, TOP, FOOT = 900.0, 54.0, 84.0, 8.0, 20.0, 22.0
LABEL = 46.0
"""How far apart numbers of marks in one lane stand at least."""
STEPS_S = (1, 2, 5, 10, 30, 60, 120, 300, 600, 1800, 3600, 7200, 14400, 28800, 86400, 172800)


@dataclass(frozen=True)
class Lane:
    """One channel to draw: of the window, and of the whole call."""

    name: str
    line: str | None
    of: str
    unit: str
    lost: bool
    corrected: bool
    window: Trace | None
    call: Trace | None


def lanes(incident: Incident) -> list[Lane]:
    """The lost line's tension, then its role's, then the others', as the record has them; then all else by place."""
    order = {line.line: i for i, line in enumerate(incident.part_a.load.lines)}
    lost = {one.line for one in incident.part_a.sequence if one.kind == "load-loss" and one.in_window}
    lost |= {line.line for line in incident.part_a.berth if line.lost}
    found: dict[tuple[str | None, str, str], dict[bool, Trace]] = {}
    for trace in incident.part_a.traces:
        found.setdefault((trace.line, trace.channel, trace.of), {})[trace.whole_call] = trace
    made = [
        Lane(
            name=line if line is not None and of == "tension" else channel,
            line=line,
            of=of,
            unit=next(iter(pair.values())).unit,
            lost=line in lost,
            corrected=all(trace.corrected for trace in pair.values()),
            window=pair.get(False),
            call=pair.get(True),
        )
        for (line, channel, of), pair in found.items()
    ]
    return sorted(made, key=lambda lane: (lane.of != "tension", order.get(lane.line or "", len(order)), lane.name))


def marks(incident: Incident, anchors: Mapping[str, str]) -> list[dict[str, Any]]:
    """Happenings to mark: seconds after the instant asked for, from the earliest to the latest they may have begun."""
    zero_us = incident.asked.at_us

    def seconds(at_us: int) -> float:
        return round((at_us - zero_us) / 1e6, 3)

    return [
        {
            "t": seconds(one.from_us),
            "low": seconds(one.from_us if one.low_us is None else one.low_us),
            "high": seconds(one.from_us if one.high_us is None else one.high_us),
            "line": one.line,
            "kind": one.kind.replace("-", " "),
            "loss": one.kind == "load-loss",
            "number": one.number,
            "anchor": anchors[one.number],
        }
        for one in incident.part_a.sequence
        if one.kind in MARKED and one.from_us is not None
    ]


def data(incident: Incident, anchors: Mapping[str, str], clocks: Clocks) -> dict[str, Any]:
    """What the page's own script draws: seconds after the instant asked for, and values; both rounded for drawing."""
    zero_us, call = incident.asked.at_us, incident.call
    ends = (min(call.from_us, call.window_from_us), max(call.to_us or call.until_us, call.window_to_us))
    return {
        "zero_ms": zero_us / 1000,
        "local": [[(at_us - zero_us) / 1e6, ahead_s] for at_us, ahead_s in clocks.steps(*ends)],
        "window": [(call.window_from_us - zero_us) / 1e6, (call.window_to_us - zero_us) / 1e6],
        "call": [(call.from_us - zero_us) / 1e6, ((call.to_us or call.until_us) - zero_us) / 1e6],
        "lanes": [
            {
                "name": lane.name,
                "line": lane.line,
                "of": lane.of,
                "unit": lane.unit,
                "lost": lane.lost,
                "corrected": lane.corrected,
                "window": _series(lane.window, zero_us),
                "call": _series(lane.call, zero_us),
            }
            for lane in lanes(incident)
        ],
        "marks": marks(incident, anchors),
    }


def _series(trace: Trace | None, zero_us: int) -> dict[str, list[Any]] | None:
    """Milliseconds after zero, the first as it is, the others as steps; and values in the digits that are drawn."""
    if trace is None:
        return None
    values = [None if value is None else float(f"{value:.5g}") for value in trace.value]
    last = len(values) - 1
    # Of a run of equal readings, as those of a brake's state, the first and the last draw the same line.
    turns = [i for i in range(len(values)) if i in (0, last) or not values[i - 1] == values[i] == values[i + 1]]
    at_ms = [round((trace.at_us[i] - zero_us) / 1000) for i in turns]
    return {
        "t": [at - before for before, at in zip([0, *at_ms], at_ms, strict=False)],
        "v": [values[i] for i in turns],
    }


def still(incident: Incident, span: tuple[int, int], *, style: bool) -> str:
    """Tension of every line in a stretch of the window [us], on one scale; happenings marked. `style`: for the PDF."""
    from_us, to_us = span
    drawn = [lane for lane in lanes(incident) if lane.of == "tension"]
    top_kn = max((_highest(lane.window) for lane in drawn), default=1.0) * 1.05
    height = TOP + LANE * len(drawn) + FOOT
    span_us = max(to_us - from_us, 1)

    def x(at_us: float) -> float:
        return LEFT + (at_us - from_us) / span_us * (WIDTH - LEFT - RIGHT)

    def body() -> Iterator[str]:
        yield from _axis(from_us, to_us, x, height)
        for i, lane in enumerate(drawn):
            base = TOP + LANE * (i + 1)
            yield from _lane(lane, span, x, base, top_kn)
        yield from _marked(incident, drawn, x, from_us, to_us)

    times = f"{minute_text(from_us)} to {minute_text(to_us)} UTC"
    label = f"Tension of {len(drawn)} lines from {times}, each in a lane, all on one scale of 0 to {top_kn:.0f} kN"
    return svg.svg(WIDTH, height, body(), label=label, style=style)


def _highest(trace: Trace | None) -> float:
    return max((value for value in trace.value if value is not None), default=1.0) if trace is not None else 1.0


def _axis(from_us: int, to_us: int, x: Any, height: float) -> Iterator[str]:
    step_us = next((s for s in STEPS_S if (to_us - from_us) / 1e6 / s <= 9), STEPS_S[-1]) * 1_000_000
    for at_us in range(-(-from_us // step_us) * step_us, to_us + 1, step_us):
        yield svg.line(x(at_us), TOP, x(at_us), height - FOOT, "c-grid")
        words = minute_text(at_us, seconds=step_us < 60_000_000)
        yield svg.text(x(at_us), height - FOOT + 13, words, "c-small", anchor="middle")
    yield svg.text(2, height - FOOT + 13, "UTC", "c-small")


def _lane(lane: Lane, span: tuple[int, int], x: Any, base: float, top_kn: float) -> Iterator[str]:
    usable = LANE - 8
    yield svg.line(LEFT, base, WIDTH - RIGHT, base, "c-frame")
    yield svg.text(2, base - usable / 2, lane.name, "c-strong")
    yield svg.text(2, base - usable / 2 + 11, "lost its load" if lane.lost else "", "c-small")
    yield svg.text(LEFT - 3, base - usable + 6, f"{top_kn / 1.05:.0f} kN", "c-small", anchor="end")
    trace = lane.window
    if trace is None or not trace.at_us:
        yield svg.text(LEFT + 6, base - 6, "not recorded", "c-small")
        return
    from_us, to_us = span
    points = [
        None if value is None else (x(at_us), base - value / top_kn * usable)
        for at_us, value in zip(trace.at_us, trace.value, strict=True)
        if from_us <= at_us <= to_us
    ]
    yield svg.path(svg.outline(points), "c-line c-lost" if lane.lost else "c-line")
    if not lane.corrected:
        yield svg.text(WIDTH - RIGHT, base - usable + 6, "by its own clock, not corrected", "c-small", anchor="end")


def _marked(incident: Incident, drawn: Sequence[Lane], x: Any, from_us: int, to_us: int) -> Iterator[str]:
    rows = {lane.line: i for i, lane in enumerate(drawn)}
    bottom = TOP + LANE * len(drawn)
    ends: dict[float, float] = {}
    for one in incident.part_a.sequence:
        if one.kind not in MARKED or one.from_us is None or not from_us <= one.from_us <= to_us:
            continue
        at, whole = x(one.from_us), one.kind == "load-loss" or one.line not in rows
        low, high = (x(one.from_us if us is None else us) for us in (one.low_us, one.high_us))
        y = TOP if whole else TOP + LANE * rows[one.line]
        if one.kind == "load-loss":
            yield svg.rect(low, TOP, max(high - low, 1.5), bottom - TOP, "c-band")
        yield svg.line(at, y, at, bottom if whole else y + LANE, "c-mark")
        if at - ends.get(y, -LABEL) >= LABEL:  # where marks crowd, the table has the numbers left out here
            ends[y] = at
            yield svg.text(at + 2, (TOP - 6) if whole else y + 9, one.number, "c-small")
