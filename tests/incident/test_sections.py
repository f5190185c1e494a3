"""Sections of an incident on loads that are set down by hand over a site's own registers: shares, forces, series."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.compare.price import Lives
from pipeline.incident.drawing import thin
from pipeline.incident.gather import gather
from pipeline.incident.knobs_of_wear import scaled
from pipeline.incident.lines import Berthed
from pipeline.incident.numbering import DIGITS, Context, Numbers, rounded
from pipeline.incident.rates import MEASURED, error_rates
from pipeline.incident.record import Figure
from pipeline.incident.sharing import residual_of, sharing_of
from pipeline.incident.times import times_of
from pipeline.ledger.account import last_site
from pipeline.ledger.database import Ledger
from sample_logs.scenarios.incident import IncidentCase
from schemas.registers import Policy


@pytest.fixture(scope="module")
def berthed(case: IncidentCase, ledger: Ledger) -> Berthed:
    lost = case.losses[0]
    return gather(ledger, last_site(ledger), lost.line, lost.unloaded_us, 900_000_000)


def with_loads(berthed: Berthed, before: dict[str, float], after: dict[str, float]) -> Context:
    """Steady loads before and after the loss of the line asked for, which falls from its own to nothing; all clocks one
    and the same, so that the instant is one for all."""
    lines = {}
    for name, record in berthed.lines.items():
        kn = np.where(record.at_us < berthed.at_us, before[name], after[name])
        lines[name] = replace(record, logger="one", filter_s=0.0, kn=kn, usable=np.ones(kn.size, np.bool_))
    moved = replace(berthed, lines=lines)
    times = times_of(lines, berthed.line, berthed.at_us, Policy())
    return Context(moved, times, Numbers())


def test_shares_are_parts_of_the_sum_of_the_role_before_and_after(berthed: Berthed) -> None:
    names = sorted(berthed.lines)
    before = {name: 100.0 + 10.0 * k for k, name in enumerate(names)}
    after = {**{name: kn + 25.0 for name, kn in before.items()}, berthed.line: 0.0}
    context = with_loads(berthed, before, after)
    assert context.times.chosen is not None
    told = {share.line: share for share in sharing_of(context)}
    for name, share in told.items():
        alike = [other for other in told if told[other].role == share.role]
        assert share.before.value == pytest.approx(before[name])
        assert share.after.value == pytest.approx(after[name])
        assert share.take_up.value == pytest.approx(after[name] - before[name])
        assert share.before_pct.value == pytest.approx(100.0 * before[name] / sum(before[o] for o in alike))
        assert share.after_pct.value == pytest.approx(100.0 * after[name] / sum(after[o] for o in alike))


def test_what_nobody_took_up_is_the_force_that_the_lost_line_gave_up(berthed: Berthed) -> None:
    before = dict.fromkeys(berthed.lines, 200.0)
    context = with_loads(berthed, before, {**before, berthed.line: 0.0})
    residual = residual_of(context)
    assert residual.possible, residual.why
    row = context.own.rigging
    assert None not in (row.lead_deg, row.lead_down_deg, row.chock_ahead_m, row.chock_athwart_m)
    level = 200.0 * math.cos(math.radians(float(row.lead_down_deg or 0)))
    ahead = -level * math.cos(math.radians(float(row.lead_deg or 0)))
    athwart = -level * math.sin(math.radians(float(row.lead_deg or 0)))
    moment = float(row.chock_ahead_m or 0) * athwart - float(row.chock_athwart_m or 0) * ahead
    assert residual.ahead.value == pytest.approx(ahead)
    assert residual.athwart.value == pytest.approx(athwart)
    assert residual.moment.value == pytest.approx(moment)


def test_without_a_registered_lead_no_balance_of_forces_is_possible(berthed: Berthed) -> None:
    before = dict.fromkeys(berthed.lines, 200.0)
    context = with_loads(berthed, before, {**before, berthed.line: 0.0})
    spans = tuple(row.model_copy(update={"lead_deg": None}) for row in context.berthed.spans)
    residual = residual_of(replace(context, berthed=replace(context.berthed, spans=spans)))
    assert not residual.possible
    assert "rigging.csv has no lead_deg" in residual.why
    assert residual.ahead.value is None
    assert residual.ahead.not_known == f"not possible: {residual.why}"


@given(
    values=st.lists(st.floats(-1e6, 1e6, allow_nan=False), min_size=1, max_size=400),
    most=st.integers(4, 60),
    gap_at=st.integers(0, 400),
)
def test_a_thinned_series_keeps_its_ends_its_extremes_and_its_gaps(values: list[float], most: int, gap_at: int) -> None:
    kn = np.array(values)
    at_us = np.arange(kn.size, dtype=np.int64) * 100_000
    at_us[gap_at:] += 60_000_000
    thinned_us, thinned = thin(at_us, kn, most, gap_us=10_000_000)
    there = np.isfinite(thinned)
    assert there.sum() <= max(most, 4)
    assert thinned[there].max() == kn.max()
    assert thinned[there].min() == kn.min()
    assert thinned_us[0] == at_us[0]
    assert thinned_us[there][-1] == at_us[-1]
    assert np.all(np.diff(thinned_us) > 0)
    assert np.count_nonzero(~there) == (1 if 0 < gap_at < kn.size else 0)


@given(st.floats(-1e12, 1e12, allow_nan=False))
def test_a_figure_keeps_nine_digits_and_is_the_same_however_often_it_is_rounded(value: float) -> None:
    once = rounded(value)
    assert rounded(once) == once
    assert once == pytest.approx(value, rel=10.0 ** (1 - DIGITS), abs=0.0)


def test_the_opening_does_not_move_with_a_constant_of_wear() -> None:
    from decimal import Decimal

    from schemas.registers import FatigueCurve, Spec

    spec = Spec(
        id="rope",
        material="wire",
        construction="6x36",
        diameter_mm=40,
        mass_kg_per_m=6,
        break_force_kn=1000,
        fatigue=FatigueCurve(a=3, b=0, m=4, source="house rule"),
    )
    total = Figure("B-1.1", "life", "total", 0.9, "severity index", "by hand")
    base, twice = (Lives(fatigue=Decimal(life), creep=None, abrasion=None) for life in ("0.05", "0.10"))
    assert scaled(total, 0.8, base, twice, spec) == pytest.approx(0.8 + 2 * 0.1)
    assert scaled(total, 0.8, Lives(Decimal(0), None, None), twice, spec) is None


def test_error_rates_are_percents_with_where_they_were_measured() -> None:
    rows = error_rates(Numbers())
    assert len(rows) == len(MEASURED) == len({(row.kind, row.rate_hz) for row in rows})
    for row in rows:
        assert row.recall is None or 0.0 <= row.recall <= 100.0
        assert row.precision is None or 0.0 <= row.precision <= 100.0
        assert row.command
        assert row.measured_on
