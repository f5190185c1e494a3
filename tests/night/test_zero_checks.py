"""Zero checks and loads of a channel's day where its register, or its zero, is wrong."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.night.channel_day import gauge_facts
from pipeline.night.plan import GaugePlan
from pipeline.quality import Flagged, check_bit
from pipeline.store.days import Readings

S = 1_000_000
MINUTE, HOUR = 60 * S, 3600 * S
SPREAD_KN = 0.3
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
RIGGED = GaugePlan("hook", ((HOUR, 2 * HOUR),), ((0, 0.0),), 1000.0)
"""A line is registered from one hour to two, of four that are recorded at 2 Hz."""
AT_US = np.arange(0, 4 * HOUR, S // 2, dtype=np.int64)


def noise(seed: int = 1) -> Floats:
    """What a gauge without a load reads about its zero."""
    return np.round(np.random.default_rng(seed).normal(0.0, SPREAD_KN, AT_US.size), 1)


def loaded(from_us: int, to_us: int, kn: float = 80.0) -> Floats:
    """A line's load in a sea of eight seconds, nothing outside of [from, to)."""
    sea = kn + 0.1 * kn * np.sin(2 * np.pi * AT_US / (8.1 * S))
    return np.where((from_us <= AT_US) & (to_us > AT_US), sea, 0.0)


def facts(value: Floats, *, plan: GaugePlan = RIGGED, fail: Bools | None = None, check: str = "gross-range") -> Any:
    """What a day shows; where `fail` is true the readings are flagged 4 by a check."""
    bad = np.zeros(value.size, np.bool_) if fail is None else fail
    flags = np.where(bad, 4, 1).astype(np.int8)
    checks = np.where(bad, check_bit(check), 0).astype(np.uint8)
    return gauge_facts(Readings(AT_US, value), Flagged(flags, checks), plan, 0, 300.0, 0.25)


def test_where_a_line_is_let_go_an_hour_later_than_registered_the_rest_is_the_zero_check() -> None:
    moved = np.where(AT_US >= 90 * MINUTE, -25.0, 0.0)
    before, after = facts(noise() + moved + loaded(HOUR, 3 * HOUR))["checks"]
    assert (before["still"], after["still"]) == (True, True)
    assert after["from_us"] >= 3 * HOUR
    assert abs(before["reading_kn"]) < 0.1
    assert abs(after["reading_kn"] + 25.0) < 0.1


def test_a_line_that_lies_there_all_the_time_leaves_no_zero_check() -> None:
    checks = facts(noise() + loaded(HOUR, 4 * HOUR))["checks"]
    assert [check["still"] for check in checks] == [True, False]


def test_a_load_in_a_calm_is_not_taken_for_the_part_without_one() -> None:
    # The sea calms by half before the line is let go, and it is not registered any more.
    calm = noise() + loaded(HOUR, 3 * HOUR) + loaded(3 * HOUR, 4 * HOUR, 40.0)
    assert [check["still"] for check in facts(calm)["checks"]] == [True, False]


def test_the_longest_stretch_under_load_does_not_hide_a_shorter_one_without() -> None:
    # Between them the winch's brake was open for five minutes, and nothing counts.
    open_ = (AT_US >= 3 * HOUR) & (AT_US < 3 * HOUR + 5 * MINUTE)
    found = facts(noise() - 20.0 + loaded(HOUR, 3 * HOUR), fail=open_, check="brake-open")["checks"]
    assert [(round(check["reading_kn"]), check["still"]) for check in found] == [(-20, True), (-20, True)]
    assert found[1]["from_us"] > 3 * HOUR


def test_readings_below_what_any_load_can_be_are_a_zero_that_moved() -> None:
    below = AT_US >= 2 * HOUR
    before, after = facts(noise() + loaded(HOUR, 2 * HOUR) - 300.0 * below, fail=below)["checks"]
    assert before["still"]
    assert after["still"]
    assert abs(after["reading_kn"] + 300.0) < 0.1


def test_a_code_for_a_fault_is_no_zero() -> None:
    gone = AT_US >= 2 * HOUR
    value = np.where(gone, -9999.0, noise() + loaded(HOUR, 2 * HOUR))
    assert [check["still"] for check in facts(value, fail=gone)["checks"]] == [True, False]


def test_what_is_read_while_the_brake_is_open_is_no_zero_however_far_off() -> None:
    gone = AT_US >= 2 * HOUR
    value = noise() + loaded(HOUR, 2 * HOUR) - 300.0 * gone
    assert len(facts(value, fail=gone, check="brake-open")["checks"]) == 1


def test_a_line_that_hangs_slack_is_not_hidden_by_a_zero_that_drifts() -> None:
    # The day begins under load: one check, after it, of a zero that rises 6 kN an hour. A slack line of 2 kN hangs
    # there for twenty minutes after the load went; against the zero of later it seems to weigh next to nothing.
    hours = AT_US / HOUR
    hangs = np.where((AT_US >= 100 * MINUTE) & (AT_US < 2 * HOUR), 2.0, 0.0)
    value = noise() + 6.0 * hours + loaded(0, 100 * MINUTE) + hangs
    plan = replace(RIGGED, taken=((0, 2 * HOUR),))
    [load] = _cut(value, plan, 150 * MINUTE)["loads"]
    assert load["to_us"] == 100 * MINUTE
    assert load["after_kn"] > 1.0


def _cut(value: Floats, plan: GaugePlan, to_us: int) -> Any:
    """As `facts`, of readings up to an instant."""
    there = to_us > AT_US
    flagged = Flagged(np.ones(there.sum(), np.int8), np.zeros(there.sum(), np.uint8))
    return gauge_facts(Readings(AT_US[there], value[there]), flagged, plan, 0, 300.0, 0.25)
