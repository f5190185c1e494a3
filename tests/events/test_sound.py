"""Readings that a gauge made up: which they are, and that it is the same wherever the record is cut."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.events.sound import sound, spikes, stuck
from pipeline.events.tension import Tension
from tests.events.tension_records import LEVEL, POLICY, Record, borders, level_at, records
from tests.extent import examples
from tests.independent.reference_tension import made_up_us

CALM: list[tuple[float, float]] = [(0, 100), (30, 100), (60, 100), (70, 90)]
"""Loaded for more than a minute, without a gap over ten seconds at its end. Slack is below 10 kN."""
EDGE_US = 2_000_000_000


def left_out(tension: Tension) -> list[float]:
    firm = sound(tension, LEVEL, POLICY, tension.least_kn())
    return [round(float(at_us) / 1e6, 3) for at_us in tension.at_us[tension.usable & ~firm.usable]]


def marked(record: Record, *at: int) -> Tension:
    """The whole record, of which the check for spikes marked readings by their number."""
    tension = record.whole()
    of_check = np.zeros(tension.kn.size, np.bool_)
    of_check[list(at)] = True
    return replace(tension, spiky=spikes(tension.kn, tension.usable, of_check))


def test_a_marked_reading_that_sticks_out_from_both_its_neighbours_is_a_spike() -> None:
    record = Record.of([(0, 100), (1, 110), (2, 500), (3, 120), (4, 100)])
    assert left_out(marked(record, 1, 2, 3)) == [2.0]  # the check marks the neighbours of a large one too
    assert left_out(record.whole()) == []


@pytest.mark.parametrize(("after_kn", "spike"), [(300, True), (299.9, True), (301, False), (600, False)])
def test_the_crest_of_a_blow_is_no_spike_though_the_check_marks_it(after_kn: float, spike: bool) -> None:
    # 400 kN above the reading before; a spike is at least half of that above the one after.
    record = Record.of([(0, 100), (1, 500), (2, after_kn), (3, 100)])
    assert (left_out(marked(record, 1)) == [1.0]) == spike


def test_a_single_reading_below_zero_between_two_loads_is_no_load_for_no_line_pushes() -> None:
    assert left_out(Record.of([(0, 40), (1, -10.1), (2, 40)]).whole()) == [1.0]
    assert left_out(Record.of([(0, 40), (1, -10.0), (2, 40)]).whole()) == []
    assert left_out(Record.of([(0, 40), (1, -20), (2, -21), (3, 40)]).whole()) == []
    assert left_out(Record.of([(0, 40), (1, -20), (2, 9), (3, 40)]).whole()) == []


def test_a_gauge_that_dropped_out_is_gone_in_one_step_and_back_in_one() -> None:
    gone = [(70 + k, 0.5) for k in range(1, 5)]
    assert left_out(Record.of([*CALM, *gone, (75, 90)]).whole()) == [71.0, 72.0, 73.0, 74.0]
    assert left_out(Record.of([*CALM, *gone[:3], (74, 90)]).whole()) == []  # three readings are too few
    assert left_out(Record.of([*CALM, *gone, (75, 12), (76, 90)]).whole()) == []  # it comes back by degrees
    assert left_out(Record.of([*CALM[:-1], (70, 12), *gone, (75, 90)]).whole()) == []  # it fell by degrees
    assert left_out(Record.of([*CALM, *gone[:3], (74, 0.6), (75, 90)]).whole()) == []  # a line hung on it
    assert left_out(Record.of([*CALM[:2], (65, 5), (66, 60), (70, 90), *gone, (75, 90)]).whole()) == []  # slack before
    long = [(70 + k * 9.0, 0.5) for k in range(1, 203)]
    assert left_out(Record.of([*CALM, *long, (70 + 203 * 9.0, 90)]).whole()) == []  # over half an hour


def test_a_gauge_that_stuck_is_left_out_from_the_first_of_the_very_same_readings_on() -> None:
    value = np.array([70.0, 90.0, 90.0, np.nan, 90.0, 90.0, 91.0, 90.0])
    marked = np.zeros(8, np.bool_)
    assert stuck(value, marked).tolist() == [False] * 8
    marked[5] = True  # the check looks back only
    assert np.flatnonzero(stuck(value, marked)).tolist() == [1, 2, 4, 5]
    tension = Record.of([(at, kn) for at, kn in enumerate([70, 90, 90, 90, 80])]).whole()
    assert left_out(replace(tension, still=stuck(tension.kn, tension.kn == 90))) == [1.0, 2.0, 3.0]


def test_a_record_without_slack_or_spikes_is_not_gone_through() -> None:
    tension = Record.of([(0, 100), (1, 90)]).whole()
    assert sound(tension, LEVEL, POLICY, 90.0) is tension


@settings(max_examples=examples(400), deadline=None)
@given(
    record=records(steps=(1, 2, 5, 5, 10, 10, 101)),
    cuts=borders,
    seed=st.integers(0, 2**32 - 1),
    deep=st.booleans(),
    max_gap_s=st.sampled_from([0.5, 10.0]),
)
def test_what_is_left_out_equals_the_rules_wherever_the_record_is_cut(
    record: Record, cuts: list[int], seed: int, deep: bool, max_gap_s: float
) -> None:
    rng = np.random.default_rng(seed)
    if deep:
        kn = tuple(value if value != 5.0 else -20.0 for value in record.kn)
        record = replace(record, kn=kn)
    of_check = rng.uniform(size=len(record.kn)) < 0.3
    marked_us = frozenset(np.array(record.at_us, np.int64)[of_check].tolist())
    expected = sorted(made_up_us(record.samples(), marked_us, level_at, round(max_gap_s * 1e6)))
    policy = POLICY.model_copy(update={"max_gap_s": max_gap_s})
    for parts in ([record.whole()], list(record.parts(cuts, EDGE_US))):
        found = []
        for part in parts:
            marks = np.isin(part.at_us, list(marked_us))
            part = replace(part, spiky=spikes(part.kn, part.usable, marks))
            firm = sound(part, LEVEL, policy, part.least_kn())
            out = part.usable & ~firm.usable
            found += part.at_us[part.begin : part.end][out[part.begin : part.end]].tolist()
        assert sorted(found) == expected
