"""Extremes: whatever detectors pass over by them, they find what they find when they go through everything."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.events.bins import bins_of
from pipeline.events.load_loss import candidates
from pipeline.events.slack import runs_of
from pipeline.events.tension import Extremes, SlackLevel, Tension
from schemas.registers import Policy
from tests.events.tension_records import EDGE_US, LEVEL, LIMIT_KN, POLICY, Record, borders, records
from tests.events.test_bins import slow_records

STEADY_KN = 100.0 / 9.0


def unbounded(tension: Tension) -> Tension:
    """The same samples, of which no stretch says anything."""
    wide = np.full(tension.extremes.from_us.size, np.inf)
    return replace(tension, extremes=Extremes(tension.extremes.from_us, -wide, wide))


RISING = SlackLevel(np.array([-(2**62), 60_000_000], np.int64), np.array([10.0, 60.0]))
"""A slack level that a calibration within the record raises."""


@settings(deadline=None)
@given(records(), borders, st.sampled_from([1.0, 0.5, 0.25]), st.sampled_from([LEVEL, RISING]))
def test_slack_and_losses_are_those_of_all_samples(
    record: Record, borders_us: list[int], share: float, level: SlackLevel
) -> None:
    for part in record.parts(borders_us, EDGE_US):
        all_of_it = unbounded(part)
        assert runs_of(part, level, POLICY, part.least_kn()) == runs_of(all_of_it, level, POLICY, -np.inf)
        found = candidates(part, level, POLICY, LIMIT_KN, share)
        assert found == candidates(all_of_it, level, POLICY, LIMIT_KN, share)
        assert [one.watched_us for one in found] == [
            one.watched_us for one in candidates(all_of_it, level, POLICY, LIMIT_KN, share)
        ]


@settings(deadline=None)
@given(slow_records(), st.lists(st.integers(0, 90).map(lambda minute: minute * 60_000_000), max_size=4))
def test_bins_are_those_of_all_samples(record: Record, borders_us: list[int]) -> None:
    for part in record.parts(borders_us, 0):
        for policy in (Policy(max_gap_s=120), Policy(max_gap_s=120, sustained_time_pct=50, pretension_loss_pct=90)):
            assert bins_of(part, policy, LIMIT_KN, None) == bins_of(unbounded(part), policy, LIMIT_KN, None)


def test_a_bin_whose_mean_rounds_to_below_all_its_samples_is_not_passed_over() -> None:
    # Of a steady tension over ten minutes of tenths of a second the sum of 6000 products comes out a bit too small.
    low_kn = math.nextafter(STEADY_KN, 0.0)
    record = Record.of([(tick / 10, STEADY_KN) for tick in range(6001)])
    (part,) = record.parts([], 0)
    (found,) = bins_of(part, Policy(pretension_loss_pct=100), LIMIT_KN, low_kn)
    assert found.low
    assert STEADY_KN - 1e-9 < found.mean_kn < low_kn < STEADY_KN


@pytest.mark.parametrize(
    ("usable", "ends"),
    [
        ([True, True, True], (0, 2)),
        ([False, True, False], (1, 1)),
        ([True, *[False] * 5000], (0, 0)),
        ([False, False], None),
        ([], None),
    ],
)
def test_the_first_and_the_last_usable_sample_are_told(usable: list[bool], ends: tuple[int, int] | None) -> None:
    record = Record(tuple(1_000_000 * i for i in range(len(usable))), (7.0,) * len(usable), tuple(usable))
    assert record.whole().usable_ends() == ends


@given(records(), borders)
def test_the_least_tension_is_that_of_the_slice_and_its_edges(record: Record, borders_us: list[int]) -> None:
    for part in record.parts(borders_us, EDGE_US):
        assert part.least_kn() == min(part.kn[part.usable].tolist(), default=np.inf)
