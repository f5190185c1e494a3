"""How figures are written: units, digits, both clocks; nothing that is small is made a nought."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.incident.record import Figure
from pipeline.incident.words import Clocks, duration_text, number_text, told
from schemas.times import rfc3339_us

BERLIN = Clocks(ZoneInfo("Europe/Berlin"))


def figure(value: float | int | str | bool | None, unit: str, **more: object) -> Figure:
    return Figure("A-1.1", "key", "what", value, unit, "how", **more)  # type: ignore[arg-type]


def test_a_load_is_told_in_kilonewtons_and_in_tonnes_of_force() -> None:
    # 1 tf = 9.80665 kN exactly (NIST SP 811, appendix B.8): 980.665 kN are 100 tf.
    shown = told(figure(980.665, "kN"), BERLIN)
    assert (shown["text"], shown["alt"], shown["exact"]) == ("980.7 kN", "100.0 tf", "980.665 kN")


def test_a_lower_bound_says_so_and_an_interval_keeps_its_unit() -> None:
    shown = told(figure(905.04, "kN", low=904.0, high=906.25, at_least=True), BERLIN)
    assert (shown["text"], shown["interval"]) == ("at least 905.0 kN", "904.0 kN to 906.2 kN")


def test_what_is_not_known_is_never_a_nought() -> None:
    shown = told(figure(None, "kN", not_known="no readings"), BERLIN)
    assert (shown["known"], shown["text"], shown["alt"], shown["why"]) == (False, "not known", "", "no readings")


def test_false_and_nought_are_known_values() -> None:
    assert told(figure(False, "1"), BERLIN)["text"] == "no"
    assert told(figure(0.0, "kN"), BERLIN)["text"] == "0.0 kN"
    assert told(figure(0, "1"), BERLIN)["text"] == "0"


@pytest.mark.parametrize(
    ("at", "utc", "local"),
    [
        # The two passes of the hour that comes twice in Berlin: 01:00 UTC on the last Sunday of October
        # (Directive 2000/84/EC).
        ("2026-10-25T00:31:12.4Z", "2026-10-25 00:31:12.400 UTC", "2026-10-25 02:31:12 CEST (+02:00)"),
        ("2026-10-25T01:31:12.4Z", "2026-10-25 01:31:12.400 UTC", "2026-10-25 02:31:12 CET (+01:00)"),
    ],
)
def test_an_instant_is_told_by_both_clocks_with_the_offset_that_tells_repeated_hours_apart(
    at: str, utc: str, local: str
) -> None:
    shown = told(figure(rfc3339_us(at), "us UTC"), BERLIN)
    assert (shown["text"], shown["alt"], shown["exact"]) == (utc, local, at)


def test_the_clock_on_the_wall_is_told_with_each_instant_at_which_it_is_set_anew() -> None:
    # Summer time in Berlin ended on 25 October 2026 at 01:00 UTC, from two hours ahead to one (Directive 2000/84/EC).
    day = rfc3339_us("2026-10-24T20:10:00Z")
    assert BERLIN.steps(day, day + 86_400_000_000) == [(day, 7200.0), (rfc3339_us("2026-10-25T01:00:00Z"), 3600.0)]
    assert Clocks(ZoneInfo("UTC")).steps(day, day + 86_400_000_000) == [(day, 0.0)]


def test_an_interval_of_instants_over_midnight_tells_its_days() -> None:
    low, high = rfc3339_us("2026-10-24T23:59:59Z"), rfc3339_us("2026-10-25T00:00:01Z")
    shown = told(figure(high, "us UTC", low=low, high=high), BERLIN)
    assert shown["interval"] == "2026-10-24 23:59:59.000 to 2026-10-25 00:00:01.000"
    shown = told(figure(high, "us UTC", low=high - 1000, high=high), BERLIN)
    assert shown["interval"] == "00:00:00.999 to 00:00:01.000"


@given(st.floats(-1e12, 1e12), st.sampled_from(["kN", "%", "s", "m", "1", "severity index", "kN m"]))
def test_no_figure_but_nought_is_shown_as_nought_and_what_is_shown_is_near_it(value: float, unit: str) -> None:
    shown = float(number_text(value, unit))
    assert (shown == 0) == (value == 0)
    assert abs(shown - value) <= max(0.51, abs(value) * 6e-3)


def test_a_length_of_time_is_told_in_its_two_largest_units() -> None:
    told_us = [duration_text(us) for us in (500_000, 90_000_000, 3_661_000_000, 93_600_000_000)]
    assert told_us == ["0.5 s", "1 min 30 s", "1 h 1 min", "1 d 2 h"]
