"""RFC 3339 times to integer microseconds."""

from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.times import DAY_US, day_of, day_start_us, instant_us, rfc3339_us, us_to_datetime, us_to_rfc3339

MICROSECONDS = st.integers(day_start_us(date(1900, 1, 1)), day_start_us(date(2200, 1, 1)))


def test_the_examples_of_the_standard() -> None:
    # Source: RFC 3339, section 5.8 (check 50).
    assert rfc3339_us("1985-04-12T23:20:50.52Z") == rfc3339_us("1985-04-12T23:20:50Z") + 520_000
    assert rfc3339_us("1996-12-19T16:39:57-08:00") == rfc3339_us("1996-12-20T00:39:57Z")
    assert rfc3339_us("1990-12-31T23:59:60Z") == rfc3339_us("1990-12-31T15:59:60-08:00")
    assert rfc3339_us("1990-12-31T23:59:60Z") == rfc3339_us("1991-01-01T00:00:00Z")
    assert rfc3339_us("1937-01-01T12:00:27.87+00:20") == rfc3339_us("1937-01-01T11:40:27.87Z")


@pytest.mark.parametrize(
    "text",
    [
        "2026-03-01T06:30:00",
        "2026-03-01",
        "2026-03-01T06:30Z",
        "2026-02-29T06:30:00Z",
        "2026-03-01T24:00:00Z",
        "2026-03-01T06:30:61Z",
        "2026-03-01T06:30:00.Z",
        "2026-03-01T06:30:00+0100",
        "2026-03-01T06:30:00+24:00",
        "\uff12026-03-01T06:30:00Z",
        " 2026-03-01T06:30:00Z",
        "1767222000",
        "",
    ],
)
def test_what_names_no_instant_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"RFC 3339|no such"):
        rfc3339_us(text)


def test_lower_case_letters_and_a_space_are_taken_and_digits_beyond_microseconds_cut_off() -> None:
    assert rfc3339_us("2026-03-01t06:30:00.1234569z") == rfc3339_us("2026-03-01 06:30:00.123456Z")


@given(MICROSECONDS)
def test_an_instant_written_and_read_is_the_same(at_us: int) -> None:
    assert rfc3339_us(us_to_rfc3339(at_us)) == at_us
    assert instant_us(us_to_datetime(at_us)) == at_us


@given(MICROSECONDS)
def test_an_instant_lies_in_its_day(at_us: int) -> None:
    assert 0 <= at_us - day_start_us(day_of(at_us)) < DAY_US
    assert day_of(at_us) == us_to_datetime(at_us).date()


def test_a_time_without_an_offset_is_no_instant() -> None:
    with pytest.raises(ValueError, match="without an offset"):
        instant_us(datetime(2026, 3, 1))
    assert instant_us(datetime(1970, 1, 1, 0, 0, 1, tzinfo=UTC)) == 1_000_000
