"""When all lines of a call are fast, from the riggings alone."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from pipeline.events.calls import Fast, calls, fast_of
from schemas.registers import Rigging
from schemas.times import rfc3339_us

HOUR_US = 3_600_000_000
SHIPS = {f"L{number}": "S" for number in range(40)} | {"B1": "other"}


def at(day_hour: str) -> str:
    return f"2026-03-{day_hour}:00Z"


def rigging(line: str, start: str, stop: str | None) -> Rigging:
    row = {"line": line, "channel": f"c{line}", "from": at(start), "to": None if stop is None else at(stop)}
    return Rigging.model_validate(row | {"outboard_end": "a", "share_pct": 100})


def fast(*rows: Rigging) -> Fast:
    (call,) = (one for one in calls(rows, SHIPS) if one.ship == "S")
    return fast_of(call, rows, SHIPS, gap_h=2)


def us(day_hour: str) -> int:
    return rfc3339_us(at(day_hour))


CALL = (
    rigging("L1", "02T08:00", "04T16:00"),
    rigging("L2", "02T08:30", "04T15:30"),
    rigging("L3", "02T09:10", "04T16:20"),
)


def test_all_are_fast_from_the_last_made_fast_to_the_first_let_go() -> None:
    assert fast(*CALL) == Fast(us("02T09:10"), us("04T15:30"))


def test_a_line_put_out_or_taken_in_while_alongside_ends_neither() -> None:
    storm = rigging("L4", "03T02:00", "03T20:00")
    assert fast(*CALL, storm) == Fast(us("02T09:10"), us("04T15:30"))


def test_a_line_changed_while_alongside_ends_neither() -> None:
    changed = (rigging("L1", "02T08:00", "03T10:00"), rigging("L5", "03T10:20", "04T16:00"), *CALL[1:])
    assert fast(*changed) == Fast(us("02T09:10"), us("04T15:30"))


def test_a_ship_that_lies_there_still_has_not_begun_to_let_go() -> None:
    assert fast(*CALL, rigging("L4", "02T09:20", None)) == Fast(us("02T09:20"), None)


def test_another_ships_lines_do_not_count() -> None:
    assert fast(*CALL, rigging("B1", "02T10:00", "02T11:00")) == Fast(us("02T09:10"), us("04T15:30"))


def test_a_line_made_fast_again_before_the_last_is_let_go_comes_before_letting_go() -> None:
    again = rigging("L6", "04T15:45", "04T16:10")
    assert fast(*CALL, again) == Fast(us("02T09:10"), us("04T16:00"))


def test_phases_are_told_by_what_a_happening_touches() -> None:
    one = Fast(100, 200)
    assert [one.phase(*span) for span in ((0, 99), (0, 100), (150, 160), (199, 300), (200, 300))] == [
        "making fast",
        "all fast",
        "all fast",
        "all fast",
        "letting go",
    ]
    assert [one.holds(*span) for span in ((99, 150), (100, 200), (150, 201))] == [False, True, False]
    assert Fast(100, None).phase(10**15, 10**15) == "all fast"


@given(st.lists(st.tuples(st.integers(0, 60), st.integers(1, 60)), min_size=1, max_size=12))
def test_every_rigging_has_one_call_and_its_phases_are_in_order(spans: list[tuple[int, int]]) -> None:
    rows = [
        rigging(
            f"L{number}",
            f"{2 + start // 24:02d}T{start % 24:02d}:00",
            f"{2 + (start + length) // 24:02d}T{(start + length) % 24:02d}:00",
        )
        for number, (start, length) in enumerate(spans)
    ]
    made = calls(rows, SHIPS)
    for row in rows:
        assert sum(call.has(row) for call in made) == 1
    for call in made:
        found = fast_of(call, rows, SHIPS, gap_h=2)
        assert found.first_let_go_us is not None
        assert call.to_us is not None
        assert call.from_us <= found.all_fast_us <= found.first_let_go_us <= max(call.to_us, found.all_fast_us)
