"""Sustained-load and pretension-loss: whole ten minutes of UTC, and the same events wherever days cut the record."""

from __future__ import annotations

import json
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.events import pretension_loss, sustained_load
from pipeline.events.bins import Bin, bins_of, planned_kn
from pipeline.events.tension import Tension
from schemas.registers import Policy
from tests.events.tension_records import EDGE_US, LIMIT_KN, RULES, Record
from tests.extent import examples
from tests.independent.reference_tension import bins as bins_by_definition
from tests.independent.reference_tension import stretches

BIN_S = 600
POLICY = Policy(max_gap_s=120)
SLOW = RULES.__class__(**{**vars(RULES), "max_gap_us": 120_000_000})


def always(from_us: int, to_us: int) -> bool:
    return True


def bins_in(parts: Sequence[Tension], policy: Policy = POLICY) -> list[Bin]:
    return [one for part in parts for one in bins_of(part, policy, LIMIT_KN, None)]


def steady(*kn: float, step_s: float = 10) -> Record:
    """Ten minutes of each tension, one after the other, and one more reading."""
    times = np.arange(0, len(kn) * BIN_S + step_s, step_s)
    return Record.of([(float(at), kn[min(int(at // BIN_S), len(kn) - 1)]) for at in times])


def test_three_successive_bins_above_are_a_sustained_load_and_two_are_none() -> None:
    record = steady(200, 260, 300, 280, 200, 260, 260, 200)
    (event,) = sustained_load.join(bins_in([record.whole()]), POLICY, all_fast=always)
    assert (event.from_us, event.to_us, event.bins) == (600_000_000, 2_400_000_000, 3)
    assert (event.mean_kn, event.peak.kn, event.peak.at_us) == (280.0, 300.0, 1_200_000_000)


def test_exactly_the_level_is_not_above_it() -> None:
    bins = bins_in([steady(250, 250, 250).whole()])
    assert sustained_load.join(bins, POLICY, all_fast=always) == []


@pytest.mark.parametrize(("seconds", "count"), [(60, 1), (70, 0)])
def test_nine_tenths_of_the_observed_time_is_enough(seconds: int, count: int) -> None:
    times = range(0, 3 * BIN_S + 10, 10)
    record = Record.of([(at, 100.0 if at % BIN_S < seconds else 300.0) for at in times])
    assert len(sustained_load.join(bins_in([record.whole()]), POLICY, all_fast=always)) == count


def test_a_bin_of_which_less_than_four_fifths_was_observed_does_not_count() -> None:
    def without(gap_s: int) -> Record:
        times = [at for at in range(0, 3 * BIN_S + 10, 10) if not BIN_S < at - 60 <= BIN_S + gap_s]
        return Record.of([(at, 300.0) for at in times])

    policy = Policy()  # a reading stands for ten seconds
    assert len(sustained_load.join(bins_in([without(120).whole()], policy), policy, all_fast=always)) == 1
    assert sustained_load.join(bins_in([without(130).whole()], policy), policy, all_fast=always) == []


def test_a_bin_that_a_riggings_edge_cuts_does_not_count() -> None:
    record = steady(300, 300, 300, 300)
    assert len(bins_in([record.part(0, 2_400_000_000, 0)])) == 4
    assert [one.number for one in bins_in([record.part(1_000_000, 2_399_000_000, 0)])] == [1, 2]


def test_bins_outside_all_fast_do_not_count() -> None:
    bins = bins_in([steady(300, 300, 300, 300).whole()])

    def after_ten(from_us: int, to_us: int) -> bool:
        return from_us >= 600_000_000

    (event,) = sustained_load.join(bins, POLICY, all_fast=after_ten)
    assert (event.from_us, event.bins) == (600_000_000, 3)


def test_two_bins_below_half_the_planned_pretension_are_a_loss_of_it() -> None:
    record = steady(80, 49.9, 30, 80, 40, 80)
    (event,) = pretension_loss.join(bins_in([record.whole()]), POLICY, all_fast=always)
    assert (event.from_us, event.to_us, event.lowest_kn) == (600_000_000, 1_800_000_000, 30.0)
    assert event.mean_kn == pytest.approx((49.9 + 30) / 2)
    assert pretension_loss.join(bins_in([steady(50, 50, 50).whole()]), POLICY, all_fast=always) == []


def test_the_riggings_own_plan_stands_before_the_policys_share() -> None:
    assert planned_kn(POLICY, 1300.0, None) == 130.0
    assert planned_kn(POLICY, 1300.0, 180.0) == 180.0
    low = bins_of(steady(80, 80).whole(), POLICY, LIMIT_KN, 180.0)
    assert len(pretension_loss.join(low, POLICY, all_fast=always)) == 1


def test_bins_survive_json() -> None:
    found = bins_in([steady(1 / 3, 300.1).whole()])
    assert len(found) == 2
    assert [Bin.from_payload(json.loads(json.dumps(one.to_payload()))) for one in found] == found


@st.composite
def slow_records(draw: st.DrawFn) -> Record:
    """Some hours of readings, seconds to gaps apart, that stay long and low for a while."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    count = draw(st.integers(0, 250))
    at_us = np.cumsum(rng.choice([7_000_001, 30_000_000, 60_000_000, 119_999_999, 130_000_000], count))
    kn = rng.choice([20.0, 49.9, 60.0, 249.0, 251.0, 300.0, 400.1], count)
    stay = rng.uniform(size=count) < draw(st.sampled_from([0.5, 0.93, 0.98]))
    for i in range(1, count):
        if stay[i]:
            kn[i] = kn[i - 1]
    usable = rng.uniform(size=count) > 0.02
    return Record(tuple(at_us.tolist()), tuple(kn.tolist()), tuple(usable.tolist()))


@settings(max_examples=examples(200), deadline=None)
@given(record=slow_records(), cuts=st.lists(st.integers(0, 40).map(lambda number: number * 600_000_000), max_size=6))
def test_events_equal_the_definition_wherever_days_cut_the_record(record: Record, cuts: list[int]) -> None:
    counted = list(bins_by_definition(record.felt(), SLOW))
    long = [(s[0].number, len(s)) for s in stretches([one for one in counted if one.long], 3)]
    low = [(s[0].number, min(b.mean_kn for b in s)) for s in stretches([one for one in counted if one.low], 2)]
    for parts in ([record.whole()], list(record.parts(cuts, EDGE_US))):
        found = bins_in(parts)
        sustained = sustained_load.join(found, POLICY, all_fast=always)
        lost = pretension_loss.join(found, POLICY, all_fast=always)
        assert [(one.from_us // 600_000_000, one.bins) for one in sustained] == long
        assert [(one.from_us // 600_000_000, one.lowest_kn) for one in lost] == low
