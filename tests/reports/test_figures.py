"""Figures as pages write them: short for people, whole for machines, escaped in any case."""

from __future__ import annotations

from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.reports.figures import Figure, Instant, Link, Trace, command, exact_text, hours, number_text, share
from pipeline.reports.writing import shown

TRACE = Trace("tautlog status SITE")
LISBON = ZoneInfo("Europe/Lisbon")


def html(thing: object, *, known: frozenset[str] = frozenset(), root: str = "") -> str:
    return str(shown(thing, known, root, LISBON))


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (905.2, 0, "905"),
        (12345.678, 1, "12\u202f345.7"),
        (-0.04, 1, "0.0"),
        (-0.06, 1, "-0.1"),
        (0, None, "0"),
        (Decimal("0E-30"), None, "0"),
        (Decimal("0.120141042972964797596120541007"), None, "0.1201"),
        (Decimal("0.000061588218368751314729846075"), None, "6.159e-5"),
        (1.798, None, "1.798"),
    ],
)
def test_a_number_is_short_for_people(value: float | Decimal, digits: int | None, text: str) -> None:
    assert number_text(value, digits) == text


@given(st.decimals(allow_nan=False, allow_infinity=False, places=30, min_value=0, max_value=10))
def test_the_value_keeps_every_digit(life: Decimal) -> None:
    made = html(Figure(life, TRACE))
    assert f'value="{exact_text(life)}"' in made
    assert Decimal(exact_text(life)) == life


def test_a_figure_that_is_not_known_says_why_and_is_no_number() -> None:
    made = html(Figure(None, TRACE, why="never observed"))
    assert "never observed" in made
    assert "<data" not in made


def test_a_duration_in_hours_keeps_its_seconds_and_a_share_its_fraction() -> None:
    assert 'value="195660" data-unit="s"' in html(hours(195660, TRACE))
    assert ">54.4</data>" in html(hours(195660, TRACE))  # 195660 / 3600 = 54.35, by hand; to even of 54.35 in binary
    assert 'value="0.5" data-unit="1"' in html(share(0.5, TRACE))
    assert ">50.0</data>" in html(share(0.5, TRACE))


def test_a_lower_bound_says_so() -> None:
    assert "at least" in html(Figure(1500.0, TRACE, "kN", 0, at_least=True))


def test_a_link_leads_only_to_a_page_there_is() -> None:
    link = Link("L<1", "lines/L1.html#a")
    assert html(link) == "L&lt;1"
    assert html(link, known=frozenset({"lines/L1.html"}), root="../") == '<a href="../lines/L1.html#a">L&lt;1</a>'


def test_an_instant_has_both_clocks_and_its_offset() -> None:
    # Lisbon keeps UTC + 1 in summer time, until 01:00 UTC on 25 October 2026 (Directive 2000/84/EC).
    made = html(Instant("2026-10-25T00:30:00Z"))
    assert 'datetime="2026-10-25T00:30:00Z"' in made
    assert 'data-local="2026-10-25 01:30:00 +01:00"' in made
    assert 'data-local="2026-10-25 01:30:00 +00:00"' in html(Instant("2026-10-25T01:30:00Z"))


def test_words_of_a_command_are_quoted_as_a_shell_needs_them() -> None:
    assert command("statement", "L 1; rm").words == "tautlog statement SITE 'L 1; rm'"


def test_text_is_escaped_and_turns_no_writing_around() -> None:
    assert html("<b>\u202e\x00&") == "&lt;b&gt;\ufffd\ufffd&amp;"
