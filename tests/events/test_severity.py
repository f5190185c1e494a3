"""The bands of severity, at their edges."""

from __future__ import annotations

import pytest

from pipeline.events import severity
from pipeline.events.calls import Phase
from pipeline.events.loss_class import CLASSES, UNDETERMINED
from schemas.registers import Policy

POLICY = Policy()


@pytest.mark.parametrize(
    ("phase", "pct", "band"),
    [
        ("all fast", 70.0, "warning"),
        ("all fast", 70.1, "alarm"),
        ("making fast", 90.0, "note"),
        ("letting go", 90.0, "note"),
    ],
)
def test_a_peak_is_an_alarm_above_seventy_percent_and_a_note_outside_all_fast(
    phase: Phase, pct: float, band: str
) -> None:
    assert severity.of_peak_load(phase, pct, POLICY) == band


@pytest.mark.parametrize(
    ("phase", "verdict", "payout_m", "band"),
    [
        ("all fast", "as set", 0.99, "warning"),
        ("all fast", None, 0.2, "warning"),
        ("all fast", "late", 0.2, "alarm"),
        ("all fast", "early", 1.0, "alarm"),
        ("letting go", "late", 5.0, "note"),
    ],
)
def test_a_brake_that_held_too_long_or_let_out_a_metre_is_an_alarm(
    phase: Phase, verdict: str | None, payout_m: float, band: str
) -> None:
    assert severity.of_brake_render(phase, verdict, payout_m, POLICY) == band


def test_slack_is_a_warning_from_a_minute_on() -> None:
    assert (severity.of_slack(59_999_999, POLICY), severity.of_slack(60_000_000, POLICY)) == ("note", "warning")


def test_a_snap_load_is_an_alarm_above_half_of_ship_design_mbl() -> None:
    assert (severity.of_snap_load(50.0, POLICY), severity.of_snap_load(50.1, POLICY)) == ("warning", "alarm")


def test_a_load_sustained_for_three_hours_is_an_alarm() -> None:
    three_h_us = 3 * 3_600_000_000
    assert severity.of_sustained_load(three_h_us - 1, POLICY) == "warning"
    assert severity.of_sustained_load(three_h_us, POLICY) == "alarm"


def test_lost_pretension_is_a_warning() -> None:
    assert severity.of_pretension_loss() == "warning"


def test_a_loss_of_load_is_an_alarm_unless_its_line_was_let_go_or_its_gauge_failed() -> None:
    bands = {word: severity.of_load_loss(word) for word in (*CLASSES, UNDETERMINED)}
    assert bands == {
        "parted": "alarm", "released": "alarm", "undetermined": "alarm", "instrument": "warning", "let-go": "note",
    }  # fmt: skip


@pytest.mark.parametrize(("rate_hz", "band"), [(10.0, "note"), (2.0, "note"), (1.0, "warning"), (0.2, "warning")])
def test_a_peak_load_of_spikes_is_a_note_but_not_of_a_logger_slow_enough_to_take_a_blow_for_one(
    rate_hz: float, band: str
) -> None:
    assert severity.of_peak_load("all fast", 95.0, POLICY, spike=True, rate_hz=rate_hz) == band
    assert severity.of_peak_load("letting go", 95.0, POLICY, spike=True, rate_hz=rate_hz) == "note"
    assert severity.of_peak_load("all fast", 95.0, POLICY, spike=False, rate_hz=rate_hz) == "alarm"
