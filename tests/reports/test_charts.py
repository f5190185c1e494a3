"""Charts as data: no two series look alike, levels follow the reader's unit, and only peaks are marked as such."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.ledger.rows import Event
from pipeline.reports.charts import Axis, Chart, Series, chart_json, look
from pipeline.reports.drawing import Drawn, Part
from pipeline.reports.traces_drawn import charts_of

WINDOW = (0, 60_000_000)


def trace(line: str, part: Part = "own") -> Drawn:
    at_us, kn = np.array([0, 1_000_000], np.int64), np.array([1.0, 2.0])
    return Drawn((line,), "H1-tension", "", part, "tension", "kN", at_us, kn, 2, coarse=False)


def happened(kind: str) -> Event:
    return Event(event="e", kind=kind, line="L1", channel="H1-tension", place="H1", from_us=0, to_us=1, peak_us=1,
                 peak_kn=2.0, peak_pct=0.1, payload={}, run=1)  # fmt: skip


def test_each_of_two_dozen_series_has_a_colour_and_dash_of_its_own() -> None:
    series = [Series("line", f"L{nth}", [0, 1], [0, 1]) for nth in range(24)]
    drawn = chart_json(Chart("c", "t", "a", Axis("x"), Axis("y"), series))["series"]
    assert len({(one["colour"], one["dash"]) for one in drawn}) == 24


def test_neighbours_among_series_differ_in_colour_and_in_dash() -> None:
    for nth in range(31):
        (colour, dash), (next_colour, next_dash) = look(nth), look(nth + 1)
        assert colour != next_colour
        assert nth % 8 == 7 or dash != next_dash


def test_a_series_keeps_the_colour_and_dash_that_were_given() -> None:
    given = Series("line", "L1", [0], [0], colour="alarm", dash="dotted")
    [drawn] = chart_json(Chart("c", "t", "a", Axis("x"), Axis("y"), [given]))["series"]
    assert (drawn["colour"], drawn["dash"]) == ("alarm", "dotted")


def test_lines_of_the_upper_and_of_the_lower_chart_never_look_alike() -> None:
    traces = [trace(f"L{nth}", "involved" if nth < 6 else "beside") for nth in range(12)]
    charts = charts_of(traces, (), WINDOW, events=(), leading=("own", "involved"))
    looks = [(one["colour"], one["dash"]) for chart in charts for one in chart_json(chart)["series"]]
    assert len(charts) == 2
    assert len(set(looks)) == len(looks) == 12


def test_the_words_at_a_level_leave_its_value_to_the_unit_that_the_reader_chose() -> None:
    limits = [{"name": "alarm", "kn": 910.0, "drawn": True}, {"name": "slack", "kn": 13.0, "drawn": False}]
    [chart] = charts_of([trace("L1")], (), WINDOW, events=(), limits=limits)
    [level] = chart_json(chart)["levels"]
    assert (level["words"], level["at"], level["valued"]) == ("alarm", 910.0, True)


def test_a_slack_line_has_no_peak_to_mark_and_an_overload_has() -> None:
    def marked(*kinds: str) -> list[list[float]]:
        events = [replace(happened(kind), event=kind) for kind in kinds]
        [chart] = charts_of([trace("L1")], (), WINDOW, events=events)
        return [list(one.y) for one in chart.series if one.kind == "points"]  # type: ignore[arg-type]

    assert marked("slack") == marked("pretension-loss") == []
    assert marked("peak-load") == marked("peak-load", "slack") == [[2.0]]
