"""Times as logs write them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import RegisterError
from pipeline.readers.clock import MOST_US, TimeFormat, time_format
from pipeline.readers.clock_kernel import program_of, read_times
from pipeline.readers.numbers import bare
from tests.extent import examples

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def us(text: str) -> int:
    return (datetime.fromisoformat(text).replace(tzinfo=UTC) - EPOCH) // timedelta(microseconds=1)


@pytest.mark.parametrize(
    ("form", "text", "wanted"),
    [
        ("%d.%m.%Y %H:%M:%S%.f", "10.03.2026 01:02:03.25", "2026-03-10T01:02:03.250"),
        ("%d.%m.%Y %H:%M:%S%.f", "1.3.2026 1:2:3", "2026-03-01T01:02:03"),
        ("%d.%m.%Y %H:%M:%S%.f", "10.03.2026  01:02:03.1234569", "2026-03-10T01:02:03.123456"),
        ("%Y%m%d%H%M%S%3f", "20260310010203045", "2026-03-10T01:02:03.045"),
        ("%Y-%m-%d %H:%M:%S,%f", "2026-03-10 01:02:03,5", "2026-03-10T01:02:03.500"),
        ("%m/%d/%y %I:%M %p", "03/10/26 12:05 am", "2026-03-10T00:05:00"),
        ("%m/%d/%y %I:%M %p", "03/10/26 12:05 PM", "2026-03-10T12:05:00"),
        ("%d-%b-%Y %H:%M", "10-MAR-2026 23:59", "2026-03-10T23:59:00"),
        ("%a %e %B %Y %T", "Tue  3 March 2026 04:05:06", "2026-03-03T04:05:06"),
        ("%Y-%jT%R", "2026-069T04:05", "2026-03-10T04:05:00"),
        ("%F %T%z", "2026-03-10 01:00:00+0130", "2026-03-09T23:30:00"),
        ("epoch_s", "1773104523.25", "2026-03-10T01:02:03.250"),
        ("epoch_ms", "1773104523250", "2026-03-10T01:02:03.250"),
        ("epoch_s", "-1", "1969-12-31T23:59:59"),
        ("epoch_s", "1.773104523e9", "2026-03-10T01:02:03"),
    ],
)
def test_a_time_is_read_by_its_format(form: str, text: str, wanted: str) -> None:
    assert time_format(form).read(text) == us(wanted)


@pytest.mark.parametrize(
    ("form", "text"),
    [
        ("%d.%m.%Y %H:%M:%S", "31.02.2026 00:00:00"),
        ("%d.%m.%Y %H:%M:%S", "10.03.2026 24:00:00"),
        ("%d.%m.%Y %H:%M:%S", "10.03.2026 00:00:60"),
        ("%d.%m.%Y %H:%M:%S", "10.03.26 00:00:00"),
        ("%d.%m.%Y %H:%M:%S", "10.03.2026 00:00:00.5"),
        ("%d.%m.%Y %H:%M:%S", ""),
        ("%m/%d/%y %I:%M %p", "03/10/26 13:05 pm"),
        ("rfc3339", "2026-03-10T01:02:03"),
        ("rfc3339", "0001-01-01T00:00:00+00:01"),
        ("epoch_s", "1e30"),
        ("epoch_s", "nan"),
        ("%Y-%j %R", "2026-366 00:00"),
    ],
)
def test_what_is_no_such_time_is_none(form: str, text: str) -> None:
    assert time_format(form).read(text) is None


@pytest.mark.parametrize(
    ("beyond", "wanted"), [("05", 0), ("0500", 0), ("0501", 1), ("0499", 0), ("15", 2), ("149", 1), ("25", 2)]
)
def test_a_count_of_seconds_gives_the_nearest_microsecond_ties_to_even(beyond: str, wanted: int) -> None:
    form = time_format("epoch_s")
    cell = f"1.00000{beyond}"
    assert form.read(cell) == 1_000_000 + wanted
    assert loop([cell], form) == ([1_000_000 + wanted], set())


@pytest.mark.parametrize(
    ("form", "message"),
    [
        ("%Y-%m-%d %H:%M:%Q", "unknown directive '%Q'"),
        ("%Y-%m-%d", "names no instant"),
        ("%d.%m. %H:%M", "names no instant"),
        ("%Y-%m-%d %I:%M", "names no instant"),
        ("%Y-%m-%d %d %H", "gives the day twice"),
    ],
)
def test_a_format_that_cannot_be_used_is_a_register_error(form: str, message: str) -> None:
    with pytest.raises(RegisterError, match=message):
        time_format(form)


def loop(cells: list[str], form: TimeFormat) -> tuple[list[int], set[int]]:
    """What the loop makes of bare cells, and the rows it leaves to the plain rules."""
    program = program_of(form)
    assert program is not None
    texts = [cell.encode() for cell in cells]
    ends = np.cumsum([len(text) + 1 for text in texts], dtype=np.int64) - 1
    starts = ends - [len(text) for text in texts]
    out, odd = np.zeros(len(cells), np.int64), np.empty(len(cells), np.int32)
    buffer = np.frombuffer(b";".join(texts) + b";", np.uint8)
    left = read_times(buffer, starts.astype(np.int32), ends.astype(np.int32), program, out, odd)
    return out.tolist(), set(odd[:left].tolist())


FORMATS = [
    "rfc3339",
    "epoch_s",
    "epoch_ms",
    "%d.%m.%Y %H:%M:%S%.f",
    "%Y-%m-%dT%H:%M:%S%.f%z",
    "%m/%d/%y %I:%M %p",
    "%b %e %Y %H:%M:%S",
    "%Y%m%d%H%M%S%f",
    "%d.%m.%Y %H:%M:%S%.f.",
]
MOMENTS = st.datetimes(datetime(1900, 1, 1), datetime(9999, 12, 31))


def written(at: datetime, form: str) -> str:
    """A time in one of the formats above."""
    if form == "rfc3339":
        return at.isoformat(sep="T" if at.second % 2 else " ") + ("Z" if at.minute % 2 else "-03:30")
    if form.startswith("epoch"):
        seconds = (at.replace(tzinfo=UTC) - EPOCH) / timedelta(seconds=1 if form == "epoch_s" else 0.001)
        return f"{seconds:.7f}"
    text = form.replace("%.f", f".{at.microsecond:06d}".rstrip("0").rstrip(".")).replace("%e", f"{at.day:2d}")
    text = text.replace("%z", "+01:00").replace("%Y", f"{at.year:04d}")
    return at.strftime(text)


@settings(max_examples=examples(300), deadline=None)
@given(st.sampled_from(FORMATS), st.lists(MOMENTS, min_size=1, max_size=10), st.data())
def test_the_loop_reads_times_as_the_rules_do_or_leaves_them(
    form: str, moments: list[datetime], data: st.DataObject
) -> None:
    cells = [written(at, form) for at in moments]
    for _ in range(data.draw(st.integers(0, 3))):  # spoil some
        row = data.draw(st.integers(0, len(cells) - 1))
        at = data.draw(st.integers(0, len(cells[row])))
        cut = at + data.draw(st.integers(0, 1))
        cells[row] = bare(
            cells[row][:at] + data.draw(st.sampled_from(["", "0", "9", " ", ".", "x", ":"])) + cells[row][cut:]
        )
    rules = time_format(form)
    values, odd = loop(cells, rules)
    for row, (cell, value) in enumerate(zip(cells, values, strict=True)):
        if row not in odd:
            assert value == rules.read(cell), cell


@pytest.mark.parametrize("form", FORMATS)
def test_the_loop_decides_every_sound_time_itself(form: str) -> None:
    rng = np.random.default_rng(4)
    moments = [datetime(2026, 3, 1) + timedelta(microseconds=int(n)) for n in rng.integers(0, 10**14, 500)]
    cells = [written(at, form) for at in moments]
    values, odd = loop(cells, time_format(form))
    assert odd == set()
    assert values == [time_format(form).read(cell) for cell in cells]


def test_the_calendar_ends_where_dates_end() -> None:
    form = time_format("%Y-%m-%d %H:%M:%S%.f")
    assert form.read("9999-12-31 23:59:59.9999999") == MOST_US
    assert form.read("0000-01-01 00:00:00") is None
    assert loop(["9999-12-31 23:59:59.9999999"], form)[0] == [MOST_US]
