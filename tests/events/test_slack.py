"""Slack: the definition to the sample, and the same events wherever the record is cut."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.events.slack import Loaded, SlackRuns, join, runs_of
from pipeline.events.tension import Peak, SlackLevel, Tension
from schemas.registers import Calibration, Policy
from tests.events.tension_records import EDGE_US, LEVEL, POLICY, RULES, Record, borders, level_at, records
from tests.extent import examples
from tests.independent.reference_tension import highest, slacks


def events(parts: Sequence[Tension], policy: Policy = POLICY) -> list[SlackRuns]:
    pieces: list[SlackRuns] = []
    loaded: list[Loaded] = []
    for part in parts:
        found, between = runs_of(part, LEVEL, policy, part.least_kn())
        pieces += found
        loaded += [] if between is None else [between]
    return join(pieces, loaded, policy)


def told(found: Sequence[SlackRuns]) -> list[tuple[int, int, float, Peak, int]]:
    return [(one.first_us, one.last_us, one.lowest.kn, one.highest, one.runs) for one in found]


def test_a_line_goes_slack_between_two_loads() -> None:
    record = Record.of([(0, 100), (1, 9.9), (2, 3), (3, 9.5), (4, 10), (5, 100)])
    (event,) = events([record.whole()])
    assert (event.first_us, event.last_us, event.runs) == (1_000_000, 3_000_000, 1)
    assert (event.lowest, event.highest) == (Peak(2_000_000, 3.0), Peak(1_000_000, 9.9))


@pytest.mark.parametrize("kn", [[5, 5, 100], [100, 5, 5], [5, 5, 5]])
def test_a_line_made_fast_or_let_go_slack_is_none(kn: list[float]) -> None:
    assert events([Record.of(list(enumerate(kn))).whole()]) == []


def test_runs_exactly_the_join_apart_are_two_and_a_microsecond_less_makes_them_one() -> None:
    first: list[tuple[float, float]] = [(0, 100), (1, 5), (2, 100)]
    assert len(events([Record.of([*first, (11, 5), (12, 100)]).whole()])) == 2
    (event,) = events([Record.of([*first, (10.999999, 5), (12, 100)]).whole()])
    assert event.runs == 2


def test_a_gap_ends_a_run_and_the_load_may_come_before_or_after_any_gap() -> None:
    record = Record.of([(0, 100), (50, 5), (51, 5), (61.000001, 5), (62, 5), (300, 100)])
    policy = POLICY.model_copy(update={"slack_join_s": 1.0})
    assert [(one.first_us, one.last_us) for one in events([record.whole()], policy)] == [
        (50_000_000, 51_000_000),
        (61_000_001, 62_000_000),
    ]


def test_the_level_is_twice_what_the_zero_is_uncertain_by_where_that_is_more() -> None:
    rows = [
        Calibration(channel="c", **{"from": datetime(2026, 3, day, tzinfo=UTC)}, uncertainty_pct=pct)  # type: ignore[arg-type]
        for day, pct in ((1, None), (2, 1.0), (3, 0.1))
    ]
    level = SlackLevel.of(Policy(), 1000.0, rows, 1500.0, 0.5)
    # 1 % of 1000 kN; then 2 x 1 % of 1500 kN x half; then 2 x 0.1 % of it is less than the 1 %.
    assert level.kn.tolist() == [10.0, 10.0, 15.0, 10.0]
    assert level.from_us.tolist()[1:] == [row.from_us for row in rows]
    assert SlackLevel.of(Policy(), 1000.0, rows, None, 0.5).kn.tolist() == [10.0] * 4


def test_slack_runs_survive_json() -> None:
    record = Record.of([(0, 100), (1, 0.1 + 0.2), (2, 1 / 3), (3, 100), (30, 5)])
    found, _ = runs_of(record.whole(), LEVEL, POLICY, 0.0)
    assert len(found) == 2
    assert [SlackRuns.from_payload(json.loads(json.dumps(one.to_payload()))) for one in found] == found


@settings(max_examples=examples(300), deadline=None)
@given(
    record=records(),
    cuts=borders,
    join_s=st.sampled_from([0.0, 1.0, 10.0, 15.0]),
    max_gap_s=st.sampled_from([1.0, 10.0]),
)
def test_events_equal_the_definition_wherever_the_record_is_cut(
    record: Record, cuts: list[int], join_s: float, max_gap_s: float
) -> None:
    policy = POLICY.model_copy(update={"slack_join_s": join_s, "max_gap_s": max_gap_s})
    rules = RULES.__class__(**{**vars(RULES), "join_us": round(join_s * 1e6), "max_gap_us": round(max_gap_s * 1e6)})
    expected = []
    for samples, runs in slacks(record.samples(), level_at, rules):
        ends = (samples[0][0], samples[-1][0])
        expected.append((*ends, min(kn for _, kn in samples), Peak(*highest(samples)), runs))
    assert told(events([record.whole()], policy)) == expected
    assert told(events(list(record.parts(cuts, EDGE_US)), policy)) == expected


def test_a_line_that_is_never_slack_is_known_to_be_loaded_without_going_through_it() -> None:
    record = Record.of([(0, 100), (1, 50), (2, 60)])
    assert runs_of(record.whole(), LEVEL, POLICY, 50.0) == ([], Loaded(0, 2_000_000))
