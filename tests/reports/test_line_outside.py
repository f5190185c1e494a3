"""Closed cycles, open half cycles and creep, within and outside what constants were fitted to: by hand arithmetic."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import numpy as np
import pytest

from pipeline.compare.history import History
from pipeline.reports.charts import Chart, chart_json
from pipeline.reports.figures import Figure
from pipeline.reports.line_charts import matrix_chart
from pipeline.reports.line_felt import Levels
from pipeline.reports.line_outside import creep_table, cycles_table, half_cycles_of, open_view, outside_of
from pipeline.reports.tables import Table
from schemas.registers import Spec

CLOSED = {"total": 7, "beyond_r": 0, "below_r": 2, "outside_lm": 0, "compressed": 0}
BREAK_KN = 1000.0


def half(low_kn: float, high_kn: float) -> dict[str, Any]:
    return {"low_kn": low_kn, "high_kn": high_kn, "R": (high_kn - low_kn) / BREAK_KN, "life": Decimal("0.001")}


def account(**zones: list[dict[str, Any]]) -> dict[str, Any]:
    return {"zones": {zone: {"pending": {"half_cycles": rows}} for zone, rows in zones.items()}}


def spec(**curve: Any) -> Spec:
    rope = {"id": "rope-1", "material": "hmpe", "construction": "12-strand", "diameter_mm": 44, "mass_kg_per_m": 1.0,
            "break_force_kn": BREAK_KN}  # fmt: skip
    fatigue = {"a": 3.0, "b": 0.0, "m": 5.0, "source": "invented for the demo", **curve}
    return Spec.model_validate({**rope, "fatigue": fatigue})


def answer(**more: Any) -> dict[str, Any]:
    zone = {"fatigue": Decimal("0.002")}
    return {
        "line": "L1", "break_force_kn": BREAK_KN, "outside": {"cycles": CLOSED, "creep_s": dict.fromkeys(
            ("counted", "outside_load", "outside_cold", "outside_hot"), 0.0)},
        "pending": {"zones": {"a": Decimal("0.003"), "b": Decimal(0)}}, "consumed": {"zones": {"a": zone, "b": zone}},
        "not_reckoned": {}, **more,
    }  # fmt: skip


def values(table: Table) -> list[list[Any]]:
    return [[cell.value if isinstance(cell, Figure) else cell for cell in row.cells] for row in table.rows]


def test_open_half_cycles_outside_the_curve_stand_beside_the_closed_ones() -> None:
    # R of 0.905, 0.5 and 0.01 against 0.02 to 0.5: one above, one on the limit and so inside, one below. By hand.
    rows = half_cycles_of(account(a=[half(0.0, 500.0), half(0.0, 905.0)], b=[half(100.0, 110.0)]))
    table = cycles_table(answer(), rows, spec(valid_r=[0.02, 0.5]).fatigue)
    assert [row[1:] for row in values(table)] == [[7, 3], [0, 1], [0, 0], [2, 1], [0, 0]]


def test_the_widest_open_half_cycle_is_named_with_its_loads_and_range() -> None:
    rows = half_cycles_of(account(a=[half(0.0, 500.0)], b=[half(10.0, 915.0)]))
    view = open_view(answer(), rows, spec(valid_r=[0.02, 0.4]))
    assert view is not None
    widest = view["widest"]
    assert (widest["zone"], widest["low"].value, widest["high"].value, widest["r"].value) == ("b", 10.0, 915.0, 0.905)
    assert (view["count"].value, view["beyond_r"].value, view["most_r"].value) == (2, 2, 0.4)
    assert [(zone, pending.value) for zone, pending, _ in view["zones"]] == [("a", Decimal("0.003")), ("b", Decimal(0))]


def test_a_curve_without_a_range_serves_up_to_half_of_strength() -> None:
    rows = half_cycles_of(account(a=[half(0.0, 501.0), half(0.0, 500.0)]))
    assert outside_of(rows, BREAK_KN, spec().fatigue).beyond_r == 1
    view = open_view(answer(), rows, spec())
    assert view is not None
    assert view["most_r"].value == 0.5


def test_nothing_open_is_nothing_to_say() -> None:
    assert open_view(answer(), half_cycles_of(account(a=[], b=[])), spec()) is None


def test_a_limit_that_the_spec_does_not_give_is_said_to_be_looked_at_by_nobody() -> None:
    words = [str(row.cells[0]) for row in cycles_table(answer(), [], spec().fatigue).rows]
    assert [word.endswith("nobody looked") for word in words] == [False, False, True, False, True]


@pytest.mark.parametrize("closed", [[], [12.5]])
def test_open_half_cycles_are_drawn_in_the_matrix_at_their_own_range_and_mean(closed: list[float]) -> None:
    none: list[float] = []
    felt = History(
        np.array(closed), np.array(closed), np.ones(len(closed), np.int64), np.array(none), np.zeros(0, np.int64),
        np.zeros(0, np.int64),
    )  # fmt: skip
    chart = matrix_chart(felt, half_cycles_of(account(a=[half(100.0, 905.0)])))
    assert isinstance(chart, Chart)
    [_, still_open] = chart_json(chart)["series"]
    assert (still_open["x"], still_open["y"], still_open["marker"]) == ([502.5], [805.0], "triangle")


def test_where_creep_takes_no_life_its_time_under_load_is_shown_and_why() -> None:
    # Ten seconds slack in the lowest class, then 20 and 30 s above it.
    levels = Levels([0.0, 5.0, 40.0], [10.0, 20.0, 30.0], 60.0)
    table = creep_table(answer(not_reckoned={"creep": "for polyester it is shown"}), levels)
    [[words, seconds]] = values(table)
    assert "time under load" in words
    assert words.endswith("for polyester it is shown")
    assert seconds == 50.0
    assert len(creep_table(answer(), levels).rows) == 4
