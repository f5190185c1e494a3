"""Charts of traces: the lines that a page is about above, those beside them below, payout last; all zoom together."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import count
from typing import Any

from pipeline.ledger.rows import Event
from pipeline.reports.charts import Axis, Chart, Mark, Series, look, ms
from pipeline.reports.drawing import Drawn
from pipeline.reports.figures import number_text
from schemas.times import us_to_rfc3339

NO_PEAK = ("slack", "pretension-loss")
"""Kinds of which the largest reading is no peak to mark: what is told of them is that a line hung slack or low."""
TOGETHER = "window"
"""Charts of one page share their zoom under this name."""


def charts_of(
    traces: Sequence[Drawn],
    payouts: Sequence[Drawn],
    window: tuple[int, int],
    *,
    events: Sequence[Event],
    limits: Sequence[Any] = (),
    leading: Sequence[str] = ("own",),
) -> list[Chart]:
    """The charts of a window. `leading`: the parts drawn in the upper chart; `limits`: as `limits_of` gives them."""
    above = [trace for trace in traces if trace.part in leading]
    below = [trace for trace in traces if trace.part not in leading]
    levels = [Mark(row["kn"], row["name"], "alarm", valued=True) for row in limits if row.get("drawn")]
    made = []
    if above:
        named = ", ".join(trace.name for trace in above)
        made.append(_chart("tension", f"Tension of {named}", above, window, events=events, levels=levels))
    if below:
        made.append(
            _chart("others", "Tension of the other lines of the call", below, window, events=(), after=len(above))
        )
    if payouts:
        made.append(_chart("payout", "Payout of its winch", payouts, window, events=()))
    return made


def _chart(
    name: str,
    title: str,
    traces: Sequence[Drawn],
    window: tuple[int, int],
    *,
    events: Sequence[Event],
    levels: Sequence[Mark] = (),
    after: int = 0,
) -> Chart:
    """`after`: so many lines are drawn in the chart above, none of which one here may look like."""
    unit = traces[0].unit
    series = [
        Series(
            "line", trace.name, *_points(trace), colour=colour, dash=dash, width=1.0 if trace.part == "beside" else 1.7
        )
        for trace, (colour, dash) in zip(traces, map(look, count(after)), strict=False)
    ]
    peaks = sorted((event.peak_us, event.peak_kn) for event in events if event.kind not in NO_PEAK)
    if peaks:
        of = "peak" if len(peaks) == 1 else "peaks of the events"
        series.append(Series("points", of, [_ms(us) for us, _ in peaks], [kn for _, kn in peaks], colour="alarm"))
    return Chart(
        id=f"chart-{name}",
        title=title,
        alt=_alt(title, traces, window, unit),
        x=Axis("time", "at"),
        y=Axis("tension" if unit == "kN" else "payout", unit=unit),
        series=series,
        levels=levels,
        height=320 if name == "tension" else 260 if name == "others" else 150,
        link=TOGETHER,
        from_x=ms(window[0]),
        to_x=ms(window[1]),
        notes=_notes(traces),
    )


def _points(trace: Drawn) -> tuple[list[float | int], list[float | None]]:
    return [_ms(us) for us in trace.at_us.tolist()], [kn if kn == kn else None for kn in trace.value.tolist()]


def _ms(us: int) -> float | int:
    """Milliseconds, whole where they are: most loggers stamp no finer, and a page is shorter for it."""
    return us // 1000 if us % 1000 == 0 else ms(us)


def _notes(traces: Sequence[Drawn]) -> list[str]:
    drawn, of = sum(trace.points for trace in traces), sum(trace.of for trace in traces)
    coarse = any(trace.coarse for trace in traces)
    what = "lowest and highest of ten seconds" if coarse else "samples"
    if drawn == of:
        return [f"All {of} {what} are drawn; a gap is a gap."]
    return [f"{drawn} of {of} {what} are drawn, of each stretch the lowest and the highest; a gap is a gap."]


def _alt(title: str, traces: Sequence[Drawn], window: tuple[int, int], unit: str) -> str:
    """What the chart shows, in a sentence."""
    highest = max((max((v for v in trace.value.tolist() if v == v), default=0.0), trace.name) for trace in traces)
    digits = 0 if unit == "kN" else 2
    return (
        f"{title} from {us_to_rfc3339(window[0])} to {us_to_rfc3339(window[1] - 1)}; "
        f"the highest is {number_text(highest[0], digits)} {unit}, {highest[1]}."
    )
