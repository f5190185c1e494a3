"""Local clock times: zones by zone data, repeated hours by the order of the file."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.readers.folds import passes
from pipeline.readers.zones import ZoneClock
from tests.extent import examples
from tests.readers.logs import BERLIN, Outcome, channels, long, read, wide

SECOND = 1_000_000
MINUTE = 60 * SECOND
HOUR = 3600 * SECOND
EPOCH = datetime(1970, 1, 1)
ZONES = [
    *("UTC", "Europe/Berlin", "America/St_Johns", "Australia/Lord_Howe", "Africa/Casablanca", "Pacific/Apia"),
    *("America/Sao_Paulo", "Asia/Kathmandu", "Europe/Dublin", "Antarctica/Troll"),
]


def us(at: datetime) -> int:
    return (at - EPOCH) // timedelta(microseconds=1)


def instants_of(local: datetime, zone: ZoneInfo) -> list[int]:
    """Every instant at which the zone's clock shows this time, found by going there and back again."""
    found = set()
    for fold in (0, 1):
        utc = local.replace(tzinfo=zone, fold=fold).astimezone(UTC)
        if utc.astimezone(zone).replace(tzinfo=None) == local:
            found.add(us(utc.replace(tzinfo=None)))
    return sorted(found)


NEAR_CHANGES = st.builds(
    lambda year, month, day, s: datetime(year, month, 1) + timedelta(days=day, seconds=s),
    st.integers(1971, 2037),
    st.sampled_from([2, 3, 4, 5, 9, 10, 11, 12]),
    st.integers(0, 30),
    st.integers(0, 86_399),
)


@settings(max_examples=examples(300), deadline=None)
@given(st.sampled_from(ZONES), st.lists(NEAR_CHANGES, min_size=1, max_size=8), st.booleans())
def test_a_local_time_is_each_instant_at_which_the_clock_shows_it(
    name: str, times: list[datetime], close: bool
) -> None:
    if close:
        times = [times[0] + timedelta(minutes=20 * n) for n in range(12)]
    zone = ZoneInfo(name)
    placed = ZoneClock(zone).place(np.array([us(at) for at in times]))
    for row, local in enumerate(times):
        wanted = instants_of(local, zone)
        never = placed.never is not None and bool(placed.never[row])
        later = 0 if placed.later_us is None else int(placed.later_us[row])
        first = int(placed.first_us[row])
        assert ([] if never else [first, first + later] if later else [first]) == wanted


def test_stamps_at_the_ends_of_the_calendar_are_placed_or_refused_but_never_crash() -> None:
    how = wide({"A": "a"}, time={"format": "%Y-%m-%d %H:%M", "zone": "Asia/Kathmandu"})
    out = read(
        b"at,A\n0001-01-01 00:00,1\n0001-01-02 00:00,1\n9999-12-31 23:59,1\n2026-01-01 05:45,1\n", how, channels(a="p")
    )
    assert out.reasons() == {2: "unreadable-time"}
    assert out.times()[5] == us(datetime(2026, 1, 1))


# ------------------------------------------------------------------------------------- passes of a run

BEGIN = us(datetime(2026, 10, 25, 2))


def run(*minutes: float) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.array([BEGIN + round(m * MINUTE) for m in minutes], np.int64)


def settled(minutes: list[float], before: float | None = None, after: float | None = None) -> list[int] | None:
    edge = [None if m is None else BEGIN + round(m * MINUTE) for m in (before, after)]
    found = passes(run(*minutes), HOUR, edge[0], edge[1])
    return None if found is None else found[0].tolist()


def test_the_step_back_divides_the_passes() -> None:
    assert settled([10, 50, 59, 0, 30]) == [0, 0, 0, 1, 1]


def test_a_step_back_across_an_outage_divides_them_too() -> None:
    assert settled([10, 40, 15, 30], before=-10, after=60) == [0, 0, 1, 1]


def test_without_a_step_the_neighbours_tell() -> None:
    assert settled([10, 20], before=-5) == [0, 0]
    assert settled([10, 20], after=70) == [1, 1]
    assert settled([10, 20]) is None


def test_a_neighbour_on_the_wrong_side_tells_nothing() -> None:
    assert settled([10, 20], before=90) is None
    assert settled([10, 20], after=-90) is None


def test_between_two_neighbours_the_side_without_a_gap_tells() -> None:
    assert settled([0.1, 20], before=0, after=65) == [0, 0]
    assert settled([40, 59.9], before=-5, after=60) == [1, 1]
    assert settled([0, 59], before=-1, after=60) is None


def test_disorder_of_a_few_seconds_is_no_step_back() -> None:
    assert settled([10, 10.2, 10.1, 20], before=9) == [0, 0, 0, 0]


def test_rows_that_come_late_are_no_step_back() -> None:
    assert settled([40, 35, 36, 40.5, 59, 0, 10]) == [0, 0, 0, 0, 0, 1, 1]
    assert settled([59, 0, 40, 35, 40.5, 50]) == [0, 1, 1, 1, 1, 1]


def test_rows_of_the_second_pass_that_come_early_belong_to_it() -> None:
    assert settled([59.8, 0, 59.9, 0.1, 0.2]) == [0, 1, 0, 1, 1]


def test_a_late_row_of_a_slow_log_is_no_step_back() -> None:
    assert settled([30, 34, 38, 34, 42, 46], before=26) == [0] * 6


@pytest.mark.parametrize("minutes", [[50, 10, 50, 10], [50, 20, 50.1, 55], [30, 20, 30, 40, 30, 20, 10, 0]])
def test_steps_that_contradict_each_other_leave_the_run_open(minutes: list[float]) -> None:
    assert settled(minutes, before=-1) is None


# ------------------------------------------------------------------------------------- whole logs

WIDE = wide({"A": "a"}, time={"format": "%d.%m.%Y %H:%M:%S%.f", "zone": "site"})
LONG = long({"A": "{key}-tension"}, time={"format": "%d.%m.%Y %H:%M:%S%.f", "zone": "site"})
KNOWN = channels(a="p", w1_tension="w1", w2_tension="w2", w3_tension="w3")


def shown(at_us: int) -> str:
    """What a clock in Berlin shows."""
    local = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=at_us)).astimezone(BERLIN)
    return local.strftime("%d.%m.%Y %H:%M:%S.%f")


def wide_log(instants: list[int]) -> bytes:
    return ("at,A\n" + "".join(f"{shown(at)},1\n" for at in instants)).encode()


def long_log(rows: list[tuple[str, int]]) -> bytes:
    return ("at,winch,A\n" + "".join(f"{shown(at)},{key},1\n" for key, at in rows)).encode()


def wrong(out: Outcome, instants: list[int]) -> dict[int, int]:
    """Rows dated otherwise than they were written."""
    return {line: at for line, at in out.times().items() if at != instants[line - 2]}


CHANGE = us(datetime(2026, 10, 25, 1))  # 03:00 summer time becomes 02:00
RECORDS = st.builds(
    lambda start, step, count: [CHANGE + start * MINUTE + n * step for n in range(count)],
    st.integers(-150, 90),
    st.sampled_from([7 * SECOND + 250_000, 37 * SECOND, 4 * MINUTE, 10 * MINUTE]),
    st.integers(1, 60),
)


@settings(max_examples=examples(150), deadline=None)
@given(RECORDS, st.integers(0, 60), st.integers(0, 60), st.sampled_from([40, 300, 1 << 20]))
def test_a_record_without_gaps_is_never_dated_wrong_however_it_is_cut(
    instants: list[int], begin: int, end: int, piece_bytes: int
) -> None:
    part = instants[min(begin, end) : max(begin, end)]
    out = read(wide_log(part), WIDE, KNOWN, piece_bytes=piece_bytes)
    assert out.balances()
    assert wrong(out, part) == {}
    inside_one_pass = any(part and CHANGE + a <= part[0] and part[-1] < CHANGE + b for a, b in ((-HOUR, 0), (0, HOUR)))
    assert out.reasons() == (dict.fromkeys(range(2, 2 + len(part)), "ambiguous-hour") if inside_one_pass else {})


@settings(max_examples=examples(100), deadline=None)
@given(st.lists(RECORDS, min_size=1, max_size=3), st.booleans(), st.sampled_from([40, 300, 1 << 20]))
def test_winches_are_settled_each_by_its_own_rows_in_turn_or_in_blocks(
    records: list[list[int]], in_turn: bool, piece_bytes: int
) -> None:
    rows = [(f"w{k + 1}", at) for k, record in enumerate(records) for at in record]
    if in_turn:
        rows.sort(key=lambda row: row[1])
    out = read(long_log(rows), LONG, KNOWN, piece_bytes=piece_bytes)
    assert out.balances()
    assert wrong(out, [at for _, at in rows]) == {}
    for k, record in enumerate(records):
        inside = any(CHANGE + a <= record[0] and record[-1] < CHANGE + b for a, b in ((-HOUR, 0), (0, HOUR)))
        assert len(out.of(f"w{k + 1}-tension")) == (0 if inside else len(record))


def test_a_winch_that_falls_silent_in_the_repeated_hour_keeps_no_other_waiting() -> None:
    rows = [("w1", CHANGE + n * MINUTE) for n in range(-90, 90)] + [
        ("w2", CHANGE - 70 * MINUTE),
        ("w2", CHANGE - 50 * MINUTE),
    ]
    rows.sort(key=lambda row: row[1])
    out = read(long_log(rows), LONG, KNOWN, piece_bytes=100)
    assert wrong(out, [at for _, at in rows]) == {}
    assert out.quarantined == []


def test_the_layouts_fold_settles_what_the_file_leaves_open() -> None:
    inside = [CHANGE + n * MINUTE for n in range(5, 20)]
    assert set(read(wide_log(inside), WIDE, KNOWN).reasons().values()) == {"ambiguous-hour"}
    for fold in (0, 1):
        how = WIDE.model_copy(update={"time": WIDE.time.model_copy(update={"fold": fold})})
        out = read(wide_log(inside), how, KNOWN)
        assert [at for _, at in sorted(out.times().items())] == [at - (1 - fold) * HOUR for at in inside]
        assert out.notes.settled_rows == {"layout": 15}


def test_a_time_that_the_clock_skipped_is_quarantined() -> None:
    out = read(
        b"at,A\n29.03.2026 01:59:59,1\n29.03.2026 02:00:00,2\n29.03.2026 02:59:59,3\n29.03.2026 03:00:00,4\n",
        WIDE,
        KNOWN,
    )
    assert out.reasons() == {3: "nonexistent-time", 4: "nonexistent-time"}
    assert out.of("a") == [1.0, 4.0]
    assert [at for _, at in sorted(out.times().items())] == [
        us(datetime(2026, 3, 29, 0, 59, 59)),
        us(datetime(2026, 3, 29, 1)),
    ]


def test_bad_cells_of_rows_that_wait_are_kept_or_fall_with_their_row() -> None:
    log = b"at,A,B\n25.10.2026 02:10:00,1,x\n25.10.2026 02:20:00,y,x\n25.10.2026 02:30:00,1,2\n"
    how = wide({"A": "a", "B": "b"}, time={"format": "%d.%m.%Y %H:%M:%S", "zone": "site"})
    known = channels(a="p", b="q")
    for piece_bytes in (30, 1000):
        out = read(log, how, known, piece_bytes=piece_bytes)
        assert out.reasons() == dict.fromkeys((2, 3, 4), "ambiguous-hour")
        assert out.bad_cells == []
        out = read(log + b"25.10.2026 03:00:00,1,2\n", how, known, piece_bytes=piece_bytes)
        assert out.reasons() == {3: "no-readable-cell"}
        assert out.bad_cells == [(2, "B", "b", "x")]
        assert out.of("b") == ["missing", 2.0, 2.0]


@pytest.mark.parametrize("zone", ["Europe/Berlin", "UTC", "site"])
def test_the_layouts_zone_is_the_one_that_counts(zone: str) -> None:
    how = wide({"A": "a"}, time={"format": "%Y-%m-%d %H:%M", "zone": zone})
    out = read(b"at,A\n2026-07-01 12:00,1\n", how, KNOWN, zone=ZoneInfo("America/New_York"))
    hour = {"Europe/Berlin": 10, "UTC": 12, "site": 16}[zone]
    assert list(out.times().values()) == [us(datetime(2026, 7, 1, hour))]
