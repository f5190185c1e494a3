"""Scenarios: the same from the same seed, mechanics that hold, truth at every rate, every kind, quiet days quiet."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from sample_logs import model
from sample_logs.scenarios import BerthLine, Scenario, kernel, make
from sample_logs.scenarios.berth import SLACK_KN, Berth, draw_berth
from sample_logs.scenarios.causes import findings
from sample_logs.scenarios.faults import Fault, Faults
from sample_logs.scenarios.making import truth_of
from sample_logs.scenarios.plan import Plan
from sample_logs.scenarios.run import Record, action_table, holds_table, line_table, ship_figures
from sample_logs.scenarios.sea import Sea
from sample_logs.scenarios.sensors import brake_test_at
from sample_logs.scenarios.streams import Streams
from sample_logs.scenarios.truth import all_truth, series_of
from sample_logs.scenarios.winches import with_more_brakes

KINDS = (
    "peak-load load",
    "peak-load spike",
    "slack",
    "snap-load",
    "sustained-load",
    "pretension-loss",
    "surge",
    "load-loss parted",
    "load-loss released",
    "load-loss let-go",
    "load-loss instrument",
    "load-loss undetermined",
    "brake-render payout",
    "brake-render no payout",
    "brake-held",
    "tending auto-tension",
    "tending heaving-in",
    "tending veering",
    "tending clutch-in",
    "zero-drift",
    "zero-step",
    "stuck",
    "spikes",
    "clipped",
    "wrong-unit",
    "wrong-scale",
    "swapped",
    "rigging-time",
    "clock-offset",
    "calibration-overdue",
)


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    """One call of happenings, at 10 Hz."""
    return make(0, family="tune", rate_hz=10.0)


def test_the_same_seed_makes_the_same_scenario(scenario: Scenario) -> None:
    again = make(0, family="tune", rate_hz=10.0)
    assert again.truth == scenario.truth
    assert again.context == scenario.context
    assert again.registers == scenario.registers
    assert again.recorded.keys() == scenario.recorded.keys()
    for channel, recorded in scenario.recorded.items():
        assert np.array_equal(recorded.at_us, again.recorded[channel].at_us)
        assert np.array_equal(recorded.values, again.recorded[channel].values)


def test_families_share_no_scenario() -> None:
    assert draw_berth(Streams("tune", 0)("berth"), rough=True) != draw_berth(Streams("report", 0)("berth"), rough=True)


@pytest.mark.parametrize("rate_hz", [2.0, 1.0])
def test_a_slower_record_is_the_same_one_sampled_slower(scenario: Scenario, rate_hz: float) -> None:
    slow = make(0, family="tune", rate_hz=rate_hz)
    assert slow.truth == scenario.truth
    for line in scenario.berth.lines:
        fast, few = scenario.recorded[line.channel], slow.recorded[line.channel]
        index = np.searchsorted(fast.at_us, few.at_us)
        assert np.array_equal(fast.at_us[index], few.at_us)
        assert np.array_equal(fast.values[index], few.values)
        assert len(few.at_us) == pytest.approx(len(fast.at_us) * rate_hz / 10.0, abs=2)


def test_what_cannot_be_made_is_refused() -> None:
    with pytest.raises(ValueError, match="family"):
        make(0, family="other", rate_hz=1.0)
    with pytest.raises(ValueError, match="rate_hz"):
        make(0, family="tune", rate_hz=5.0)
    with pytest.raises(ValueError, match="seed"):
        make(-1, family="tune", rate_hz=1.0)


def test_a_line_stretches_as_in_the_model_of_the_demo() -> None:
    for elongation_m in (-0.1, 0.05, 0.4, 1.2):
        for tail_m in (0.0, 11.0):
            rope = (elongation_m, 45.0, 52_000.0, tail_m, 0.06, 170.0)
            assert kernel.line_tension_kn(*rope) == pytest.approx(model.line_tension_kn(*rope), rel=1e-12)


def _moored(berth: Berth, steps: int, push_kn: float, lost: int, at: int) -> Record:
    """All lines fast from the first step under a steady push off the berth, one of them gone from a step on."""
    count = len(berth.lines)
    off = [at if row == lost else steps for row in range(count)]
    plan = Plan("quiet", 0, steps, 0, steps, [0] * count, off, [0] * count, off)
    slow = np.zeros((steps, 5))
    slow[:, 1], slow[:, 3] = push_kn, berth.deck_m
    wave = np.zeros((steps, 4))
    tension = np.zeros((steps, count), dtype=np.float32)
    main, state, ships = np.zeros((steps, count)), np.zeros((steps, count), dtype=np.uint8), np.zeros((steps, 3))
    table, bounds = action_table(plan, count)
    never = holds_table(berth, Streams("tune", 0)) * 0.0 + 1e9
    figures = ship_figures(berth)
    lines = line_table(berth, plan)
    kernel.step_through(lines, never, table, bounds, figures, wave, slow, SLACK_KN, tension, main, state, ships)
    sea = Sea(wave, slow, np.zeros(steps))
    return Record(tension.T.copy(), main.T.copy(), state.T.copy(), ships.T.copy(), sea)


def _pull(line: BerthLine, ship: NDArray[np.float64], deck_m: float) -> NDArray[np.float64]:
    """Unit vector along and across the quay from a fairlead, where it is now, to its hook."""
    surge_m, sway_m, yaw = (float(value) for value in ship)
    px, py = line.fairlead
    way = np.array([line.hook[0] - (surge_m - yaw * py + px), line.hook[1] - (sway_m + yaw * px + py)])
    return np.asarray(way / np.sqrt(way @ way + (line.hook[2] - deck_m) ** 2))


def test_after_a_parting_the_lines_left_balance_the_push_and_take_up_what_was_lost() -> None:
    berth = draw_berth(Streams("tune", 4)("berth"), rough=False)
    lost = next(row for row, line in enumerate(berth.lines) if line.role == "breast")
    # Far more than the pretension draws in, so that the ship lies off her fenders before and after.
    push_kn = 0.35 * berth.ship_design_mbl_kn * len(berth.lines)
    record = _moored(berth, 40_000, push_kn, lost, 20_000)
    for step in (19_999, 39_999):
        ship = record.ship[:, step]
        assert ship[1] - abs(ship[2]) * 0.25 * berth.length_m > 0.0, "the ship has left her fenders"
        pull = np.zeros(2)
        for row, line in enumerate(berth.lines):
            pull += float(record.tension_kn[row, step]) * _pull(line, ship, berth.deck_m)
        assert -pull[1] == pytest.approx(push_kn, rel=0.005)
        assert abs(pull[0]) < 0.005 * push_kn
    assert (record.tension_kn[lost, 20_000:] == 0.0).all()
    neighbour = next(
        row for row, line in enumerate(berth.lines)
        if row != lost and (line.role, line.end) == ("breast", berth.lines[lost].end)
    )  # fmt: skip
    assert record.tension_kn[neighbour, 39_999] > 1.1 * record.tension_kn[neighbour, 19_999]


def test_no_brake_bears_more_than_it_holds() -> None:
    berth, plan, record, _, _ = truth_of(0, "tune")
    for row, line in enumerate(berth.lines):
        held = record.fast[row] & ~record.powered[row] & ~record.slipped[row]
        # The friction of one grip differs by 3 % at most; a step of 0.1 s adds some kN before the drum turns.
        assert record.tension_kn[row][held].max() < 1.04 * line.holds_kn + 25.0
    assert len(plan.losses) > 0


def test_a_quiet_day_is_quiet_and_a_hole_in_it_is_found() -> None:
    berth, plan, record, faults, truth = truth_of(2, "quiet")
    assert truth == []
    assert len(faults.listed) == 0
    assert {one.kind for one in all_truth(berth, plan, record, faults)} <= {"tending", "brake"}
    level = series_of(berth, plan, record, faults, 0).level("slack_pct")
    record.tension_kn[0, 100_000:100_050] = 0.4 * level
    found = [one for one in all_truth(berth, plan, record, faults) if one.kind not in ("tending", "brake")]
    assert [one.kind for one in found] == ["slack"]


def test_every_kind_occurs() -> None:
    seen: Counter[str] = Counter()
    for seed in range(14):
        seen += Counter(one.name for one in truth_of(seed, "tune")[4] if not one.borderline)
        if all(seen[kind] > 0 for kind in KINDS):
            break
    assert [kind for kind in KINDS if seen[kind] == 0] == []


def test_truth_lies_in_the_record_and_is_told_by_its_own_clock(scenario: Scenario) -> None:
    for one in scenario.truth:
        assert one.from_us <= one.to_us
        if one.channel in scenario.recorded:
            at_us = scenario.recorded[one.channel].at_us
            assert one.from_us >= at_us[0] - 3_600_000_000
            assert one.to_us <= at_us[-1] + 3_600_000_000
    offsets = [one for one in scenario.truth if one.kind == "clock-offset"]
    for one in offsets:
        for channel in str(one.detail["channels"]).split(", "):
            true_us = scenario.recorded["AIR-temperature"].at_us[0]
            first_s = (int(scenario.recorded[channel].at_us[0]) - int(true_us)) / 1e6
            assert first_s == pytest.approx(float(str(one.detail["offset_s"])), abs=1.5)


def test_more_winches_tell_of_their_brakes_and_no_soft_line_leaves_its_hook() -> None:
    for seed in range(20):
        before = draw_berth(Streams("tune", seed)("berth"), rough=True)
        after = with_more_brakes(Streams("tune", seed)("brakes"), before)
        assert after == with_more_brakes(Streams("tune", seed)("brakes"), before)
        assert len({line.place for line in after.lines}) == len({line.place for line in before.lines})
        for one, other in zip(before.lines, after.lines, strict=True):
            if one != other:
                assert {"payout", "brake"} <= set(other.tells)
                assert (one.share, other.device, "payout" in one.tells) == (1.0, "winch", False)
                assert one.device == "winch" or one.role in ("breast", "spring")
                assert other.brake_set_kn is not None


def test_a_brake_tested_while_a_wrong_register_has_a_line_on_it_has_no_verdict_that_counts() -> None:
    berth, plan, record, _, _ = truth_of(8, "tune")
    row = next(row for row, line in enumerate(berth.lines) if brake_test_at(plan, line) is not None)
    channel = berth.lines[row].channel

    def masked(minutes: int) -> object:
        early = Faults([Fault("rigging-time", channel, 0, plan.steps, -minutes * 600.0, word="from")])
        told = all_truth(berth, plan, record, early)
        (brake,) = (one for one in told if one.kind == "brake" and one.channel == channel)
        return brake.detail.get("masked")

    assert masked(60) == "rigging-time"
    assert masked(1) is None


def test_a_time_that_no_load_contradicts_is_near_and_one_that_a_load_does_is_sure() -> None:
    # A call of "tune" in which a line hangs slack before it is let go, and its registered `to` is 22 minutes early.
    berth, plan, record, faults, truth = truth_of(47, "tune")
    early = next(one for one in faults.listed if one.kind == "rigging-time" and one.word == "to")
    row = next(row for row, line in enumerate(berth.lines) if line.channel == early.channel)
    [lost] = [one for one in truth if one.kind == "rigging-time" and one.channel == early.channel]
    beyond = plan.to_step[row] + round(early.size) + 6600
    assert record.tension_kn[row, beyond : plan.to_step[row]].max() < 0.003 * berth.ship_design_mbl_kn
    assert lost.borderline
    assert float(str(lost.detail["borne_kn"])) < 0.003 * berth.ship_design_mbl_kn
    # Had it borne its load until it was let go, it would be sure.
    kn = record.tension_kn.copy()
    kn[row, : plan.to_step[row]] = 0.05 * berth.ship_design_mbl_kn
    again = findings(berth, plan, replace(record, tension_kn=kn), faults)
    [borne] = [one for one in again if one.kind == "rigging-time" and one.channel == early.channel]
    assert float(str(borne.detail["borne_kn"])) == pytest.approx(0.05 * berth.ship_design_mbl_kn)
    assert "masked" in borne.detail or not borne.borderline


def test_a_ship_that_passes_before_all_lines_are_fast_by_a_wrong_register_counts_neither_way() -> None:
    *_, faults, truth = truth_of(269, "tune")
    (surge,) = [one for one in truth if one.kind == "surge" and one.detail.get("masked") == "rigging-time"]
    assert surge.borderline
    wrong = [fault for fault in faults.listed if fault.kind == "rigging-time" and fault.word == "from"]
    assert any(fault.size > 0.0 for fault in wrong)
