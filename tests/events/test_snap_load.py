"""Snap-load: the definition to the sample, and the same events wherever the record is cut."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.events.snap_load import SnapLoad, join, snap_loads
from pipeline.events.tension import Peak, Tension
from schemas.registers import Policy
from tests.events.tension_records import EDGE_US, LEVEL, LIMIT_KN, POLICY, RULES, Record, borders, level_at, records
from tests.extent import examples
from tests.independent.reference_tension import highest, snaps


def events(parts: Sequence[Tension], policy: Policy = POLICY) -> list[SnapLoad]:
    return join([one for part in parts for one in snap_loads(part, LEVEL, policy, LIMIT_KN)])


def test_a_blow_out_of_slack_has_its_rate_its_peak_and_its_end() -> None:
    record = Record.of(
        [(0, 80), (1, 5), (1.5, 12), (2, 60), (2.5, 260), (3, 410), (3.5, 410), (4, 100), (5, 19), (6, 80)]
    )
    # Near-slack is below 20 kN: last at 1.5 s. From 60 kN at 2 s on it rises by 400 kN a second, and so from 20 kN at
    # 1.9 s on; 150 kN is passed at 2 + 0.5 * 90 / 200 = 2.225 s: 0.325 s. The parabola through 60, 260 and 410 kN is 60
    # + 450 t - 100 t^2 from 2 s on: 20 kN at t = -0.0872, 150 kN at t = 0.2098; 0.2970 s. Three fifths of the one and
    # two of the other are 0.3138 s.
    (event,) = events([record.whole()])
    assert (event.from_us, event.to_us, event.slack_kn) == (1_500_000, 4_000_000, 12.0)
    assert (event.past_us, event.past_kn, event.peak) == (2_500_000, 260.0, Peak(3_000_000, 410.0))
    assert event.rise_s == pytest.approx(0.6 * 0.325 + 0.4 * (np.sqrt(2185) - np.sqrt(1665)) / 20)
    assert event.rate_kn_s == pytest.approx(130 / event.rise_s)


def test_straight_lines_take_a_round_crest_too_long_and_with_two_fifths_of_its_parabola_less() -> None:
    # Read once a second of 300 kN * sin(pi t / 3.2 s), out of slack at 0 s: 20 kN at 0.068 s, 150 kN at 0.533 s.
    crest = [(at_s, max(300 * float(np.sin(np.pi * (at_s - 0.8) / 3.2)), 3.0)) for at_s in (0.0, 1.0, 2.0, 3.0, 5.0)]
    (event,) = events([Record.of([(-1, 3), *crest, (6, 80)]).whole()])
    assert event.rise_s == pytest.approx(0.465, abs=0.06)


def test_a_single_near_slack_reading_between_two_loads_is_a_dip_of_the_gauge_and_no_blow() -> None:
    assert events([Record.of([(0, 300), (1, 5), (2, 300), (3, 80)]).whole()]) == []
    assert len(events([Record.of([(0, 300), (1, 5), (1.1, 5), (2, 300), (3, 80)]).whole()])) == 1
    assert len(events([Record.of([(0, 149), (1, 5), (2, 300), (3, 80)]).whole()])) == 1
    assert len(events([Record.of([(0, 300), (1.6, 5), (2.6, 300), (3, 80)]).whole()])) == 1


def test_a_crest_that_is_marked_as_a_spike_is_the_peak_of_its_blow_and_the_event_says_so() -> None:
    tension = Record.of([(0, 5), (1, 160), (2, 520), (3, 90), (4, 5), (5, 900), (6, 5)]).whole()
    marked = np.isin(tension.at_us, [2_000_000, 5_000_000])
    (event,) = events([replace(tension, spiky=marked, usable=~marked)])
    # The spike at 5 s comes after the line was slack again.
    assert (event.peak, event.peak_spike, event.to_us) == (Peak(2_000_000, 520.0), True, 3_000_000)
    (event,) = events([replace(tension, spiky=marked & (tension.kn > 600), usable=~marked)])
    assert (event.peak, event.peak_spike) == (Peak(1_000_000, 160.0), False)


def test_a_spike_right_after_the_last_reading_of_a_blow_is_its_crest_unless_a_gap_lies_between() -> None:
    for at_s, peak in ((2, Peak(2_000_000, 520.0)), (12, Peak(1_000_000, 160.0))):
        tension = Record.of([(0, 5), (1, 160), (at_s, 520), (at_s + 1, 5)]).whole()
        marked = tension.kn == 520
        (event,) = events([replace(tension, spiky=marked, usable=~marked)])
        assert (event.peak, event.to_us) == (peak, peak.at_us)


def test_out_of_slack_a_rise_is_not_taken_to_begin_before_the_last_near_slack_reading() -> None:
    # 40 kN after 1 s, then 10 kN a second: continued backwards 20 kN would be 2 s before; it left at 0.5 s instead.
    (event,) = events([Record.of([(0, 0), (1, 40), (1.5, 45), (1.6, 200)]).whole()], POLICY)
    # 150 kN is passed at 1.5 + 0.1 * 105 / 155 s.
    assert event.rise_s == pytest.approx(1.0 + 0.1 * 105 / 155)


@pytest.mark.parametrize(
    ("past_kn", "after_s", "count"),
    [
        (150.0, 1.0, 0),  # not past 15 %
        (150.1, 1.0, 1),
        (210.0, 2.0, 1),  # exactly 100 kN/s, on the straight line from 10 kN
        (209.9, 2.0, 0),
        (910.0, 9.0, 1),  # the same after a pause of the logger: where it rose is not known, but so fast it did
        (909.0, 9.0, 0),
    ],
)
def test_the_rise_must_be_far_enough_fast_enough_and_soon_enough(past_kn: float, after_s: float, count: int) -> None:
    assert len(events([Record.of([(0, 10), (after_s, past_kn), (after_s + 1, 90)]).whole()])) == count


def test_a_rise_over_two_seconds_is_none_however_fast_it_may_be() -> None:
    policy = POLICY.model_copy(update={"snap_rate_pct_per_s": 1.0})
    assert len(events([Record.of([(0, 20 - 1e-9), (1, 80), (2, 151)]).whole()], policy)) == 1
    assert events([Record.of([(0, 20 - 1e-9), (1, 80), (2, 100), (3, 151)]).whole()], policy) == []


def test_the_rate_is_that_to_the_first_sample_past_and_a_later_one_does_not_mend_it() -> None:
    # 151 kN is past after 1.95 s, at 96 kN/s from 60 kN on; that 900 kN come at 2.0 s makes no blow of it.
    assert events([Record.of([(0, 10), (1, 60), (1.95, 151), (2, 900)]).whole()]) == []


def test_the_peak_is_looked_for_ten_seconds_long_and_not_across_a_gap() -> None:
    rise: list[tuple[float, float]] = [(0, 10), (1, 300), (6, 200)]
    (event,) = events([Record.of([*rise, (11, 500), (11.000001, 900)]).whole()])
    assert (event.peak, event.to_us) == (Peak(11_000_000, 500.0), 11_000_000)
    (event,) = events([Record.of([(0, 10), (1, 300), (11.000001, 900)]).whole()])
    assert event.to_us == 1_000_000


def test_each_wave_that_snaps_is_an_event() -> None:
    wave: list[tuple[float, float]] = [(0, 15), (0.5, 100), (1, 400), (2, 300), (3, 60), (4, 15)]
    record = Record.of([(at + 8 * turn, kn) for turn in range(3) for at, kn in wave])
    assert [one.from_us for one in events([record.whole()])] == [0, 8_000_000, 16_000_000]


@pytest.mark.parametrize("begins_s", [0.0, 0.2, 0.4, 0.6, 0.8])
def test_a_straight_rise_is_timed_the_same_whatever_the_rate_and_the_instants_of_the_readings(begins_s: float) -> None:
    """From 1 % to 26 % of 1000 kN at 160 kN/s."""

    def tension(at_s: float) -> float:
        return 10.0 + min(max(0.0, at_s - begins_s) * 160.0, 250.0)

    fast = Record.of([(tick / 10, tension(tick / 10)) for tick in range(40)])
    slow = Record.of([(at, tension(at)) for at in (0.0, 1.0, 2.0, 3.0)])
    (one,), (other,) = events([fast.whole()]), events([slow.whole()])
    assert one.rate_kn_s == pytest.approx(160.0)
    assert other.rate_kn_s == pytest.approx(160.0, rel=0.25)


def test_a_blow_that_is_over_between_two_readings_is_not_seen() -> None:
    assert events([Record.of([(0, 10), (1, 15), (2, 90)]).whole()]) == []


def test_snap_loads_survive_json() -> None:
    found = events([Record.of([(0, 1 / 3), (0.3, 200.1)]).whole()])
    assert len(found) == 1
    assert [SnapLoad.from_payload(json.loads(json.dumps(one.to_payload()))) for one in found] == found


@settings(max_examples=examples(500), deadline=None)
@given(
    record=records(steps=(1, 1, 2, 2, 5, 5, 5, 10, 15, 20, 50, 101)),
    cuts=borders,
    max_gap_s=st.sampled_from([0.5, 10.0]),
    peak_s=st.sampled_from([0.0, 2.0, 10.0]),
)
def test_events_equal_the_definition_wherever_the_record_is_cut(
    record: Record, cuts: list[int], max_gap_s: float, peak_s: float
) -> None:
    policy = POLICY.model_copy(update={"max_gap_s": max_gap_s, "snap_peak_s": peak_s})
    limits = {"max_gap_us": round(max_gap_s * 1e6), "snap_peak_us": round(peak_s * 1e6)}
    rules = RULES.__class__(**{**vars(RULES), **limits})
    expected = [
        (samples[0][0], samples[-1][0], samples[1][0], rate, Peak(*highest(samples[1:])))
        for samples, rate in snaps(record.samples(), level_at, rules)
    ]
    for parts in ([record.whole()], list(record.parts(cuts, EDGE_US))):
        found = events(parts, policy)
        assert [(one.from_us, one.to_us, one.past_us, one.rate_kn_s, one.peak) for one in found] == expected
