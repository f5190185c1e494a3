"""Samples come back as they were written: every reading, to the bit, whatever the file's order and encodings."""

import math
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from random import Random

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.errors import StoreError
from pipeline.readers import PlaceRows
from pipeline.store.days import live as live_of
from pipeline.store.days import part_table, raw_lines, read_readings
from pipeline.store.depot import Depot
from pipeline.store.files import digest_of
from pipeline.store.samples import Part, SampleWriter
from pipeline.store.scaled import AS_FLOAT, scaled_exactly, smallest_scale, unscaled
from schemas.times import DAY_US, day_of
from tests.store.makers import (
    CUTS,
    DECIMALS,
    MIDNIGHT_US,
    NUMBERS,
    PLACE_OF,
    SECOND_US,
    UNITS,
    Line,
    as_told,
    bits,
    live,
    raw_files,
    read_back,
    write,
)


@contextmanager
def a_store() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        yield Path(folder)


@settings(deadline=None)
@given(raw_files(), CUTS)
@example([Line(2, MIDNIGHT_US, {"gauge": 1.5}), Line(3, MIDNIGHT_US + 1, {"gauge": 0.1 + 0.2})], [1])
@example([Line(2, MIDNIGHT_US, {"gauge": -0.0}), Line(3, MIDNIGHT_US + 1, {"gauge": 1e300})], [])
@example([Line(2, MIDNIGHT_US, {"pin": 1.5, "air": 3.0}), Line(3, MIDNIGHT_US + 1, {"air": 4.0, "pin": 2.5})], [1])
def test_live_readings_come_back_to_the_bit_however_the_file_is_cut(lines: list[Line], cuts: list[int]) -> None:
    with a_store() as store:
        parts = write(store, lines, cuts=cuts)
        assert as_told(read_back(store, parts)) == live(lines)


@settings(deadline=None, max_examples=40)
@given(raw_files(), CUTS)
def test_every_reading_keeps_its_line_of_the_raw_file(lines: list[Line], cuts: list[int]) -> None:
    with a_store() as store:
        parts = write(store, lines, cuts=cuts)
        for channel in UNITS:
            own = [line for line in lines if channel in line.raw]
            beside = [part for part in parts if part.place == PLACE_OF[channel]]
            for at_us in {line.at_us for line in own}:
                found = [
                    (line_no, bits([value])) for _, line_no, value in raw_lines(Depot(store), beside, channel, at_us)
                ]
                assert sorted(found) == sorted(
                    (line.line_no, bits([value]))
                    for line in own
                    if line.at_us == at_us
                    for name, _, value in line.readings()
                    if name == channel
                )


@settings(deadline=None)
@given(raw_files(), CUTS)
def test_a_part_is_one_day_of_one_place_and_says_what_it_holds(lines: list[Line], cuts: list[int]) -> None:
    with a_store() as store:
        parts = write(store, lines, cuts=cuts)
        files = {str(path.relative_to(store)) for path in store.rglob("*") if path.is_file()}
        assert files == {part.part for part in parts}
        for part in parts:
            assert part.digest == digest_of(store / part.part)
            readings = read_readings(Depot(store), [part])
            assert part.channels == tuple(sorted(name for name, r in readings.items() if r.at_us.size > 0))
            assert day_of(part.first_us) == day_of(part.last_us) == part.day
            at_us = part_table(Depot(store), part)["at"].cast("int64").to_pylist()
            assert (at_us[0], at_us[-1], len(at_us)) == (part.first_us, part.last_us, part.rows)
            assert at_us == sorted(at_us)
        for place in set(PLACE_OF.values()):
            own = [line for line in lines if any(PLACE_OF[name] == place for name in line.raw)]
            assert sum(part.rows for part in parts if part.place == place) == len(own)
            assert {part.day for part in parts if part.place == place} == {day_of(line.at_us) for line in own}


BOUND = st.one_of(st.none(), st.integers(-300, 300).map(lambda i: MIDNIGHT_US + i * SECOND_US // 2))


@settings(deadline=None, max_examples=60)
@given(raw_files(), CUTS, BOUND, BOUND)
def test_bounds_give_the_readings_inside_them_only(
    lines: list[Line], cuts: list[int], from_us: int | None, to_us: int | None
) -> None:
    with a_store() as store:
        parts = write(store, lines, cuts=cuts)
        inside = [
            line
            for line in lines
            if (from_us is None or line.at_us >= from_us) and (to_us is None or line.at_us < to_us)
        ]
        assert as_told(read_back(store, parts, from_us=from_us, to_us=to_us)) == live(inside)


@pytest.mark.parametrize("cuts", [(), (1, 2, 3)])
def test_bounds_hold_the_first_instant_and_not_the_last(cuts: tuple[int, ...]) -> None:
    # As one row group or four, and as files of their own.
    a, b, c, d = (Line(2 + i, MIDNIGHT_US + i, {"gauge": float(i)}) for i in range(4))
    with a_store() as store:
        for parts in (
            write(store, [a, b, c, d], cuts=cuts),
            [part for line in (a, b, c, d) for part in write(store, [line], name=str(line.line_no))],
        ):
            for bounds, inside in (
                ({"from_us": b.at_us, "to_us": d.at_us}, [b, c]),
                ({"from_us": d.at_us, "to_us": None}, [d]),
                ({"from_us": None, "to_us": b.at_us}, [a]),
                ({"from_us": d.at_us + 1, "to_us": None}, []),
                ({"from_us": None, "to_us": a.at_us}, []),
                ({"from_us": c.at_us, "to_us": b.at_us}, []),
            ):
                assert as_told(read_back(store, parts, **bounds)) == live(inside)


@settings(deadline=None, max_examples=30)
@given(st.lists(raw_files(most=10), min_size=2, max_size=4), st.randoms())
def test_live_is_the_larger_value_of_all_files_in_whatever_order_they_came(
    files: list[list[Line]], order: Random
) -> None:
    with a_store() as store:
        parts = [part for i, lines in enumerate(files) for part in write(store, lines, name=f"{i}.csv")]
        expected = live([line for lines in files for line in lines])
        for _ in range(3):
            order.shuffle(parts)
            assert as_told(read_back(store, parts)) == expected


@pytest.mark.parametrize(
    ("values", "expected", "conflicts"),
    [
        ((1.0, 2.0), 2.0, 1),
        ((-7.0, -9.0), -7.0, 1),
        ((math.nan, -9.0), -9.0, 1),
        ((math.nan, math.nan), math.nan, 0),
        ((3.0, 3.0, 3.0), 3.0, 0),
        ((0.0, -0.0), 0.0, 0),
    ],
)
def test_of_readings_at_one_instant_the_larger_signed_value_is_live_and_a_value_beats_a_missing_one(
    values: tuple[float, ...], expected: float, conflicts: int
) -> None:
    for told in (values, values[::-1]):
        pieces = [(np.array([5], np.int64), np.array([value])) for value in told]
        found = live_of(pieces)
        assert found.at_us.tolist() == [5]
        assert found.value[0] == expected or (math.isnan(found.value[0]) and math.isnan(expected))
        assert found.conflicts == conflicts


@settings(deadline=None)
@given(st.lists(NUMBERS, max_size=40))
@example([0.1 * i for i in range(300)] + [1e-5])
def test_a_scaled_column_gives_every_double_back_or_is_not_scaled(values: list[float]) -> None:
    column = np.array(values, np.float64)
    scale = smallest_scale(column)
    if scale == AS_FLOAT:
        assert all(scaled_exactly(column, s) is None for s in range(10))
        return
    integers = scaled_exactly(column, scale)
    assert integers is not None
    assert bits(unscaled(integers.astype(np.int32), scale)) == bits(column + 0.0)
    assert all(scaled_exactly(column, s) is None for s in range(scale))


@settings(deadline=None)
@given(st.lists(DECIMALS, min_size=1, max_size=20))
def test_decimals_as_loggers_write_them_are_always_scaled(values: list[float]) -> None:
    assert smallest_scale(np.array(values)) in range(5)


def many_days(days: int) -> list[Line]:
    return [Line(2 + i, MIDNIGHT_US + i * DAY_US // 4, {"gauge": float(i)}) for i in range(4 * days)]


def test_a_place_has_one_file_open_however_many_days_a_log_spans() -> None:
    with a_store() as store, SampleWriter(Depot(store), "ab" * 32, UNITS) as writer:
        for line in many_days(50):
            one = np.array([line.at_us], np.int64)
            values = {"gauge": np.array([line.raw["gauge"]])}
            writer.add(PlaceRows("winch-2", one, np.array([line.line_no], np.int64), values, {}))
            assert len(list(store.rglob(".*.draft"))) == 1
        assert len(writer.close()) == 50
        assert list(store.rglob(".*.draft")) == []


def test_what_an_unreadable_file_left_is_taken_away() -> None:
    with a_store() as store:
        kept = write(store, many_days(2), name="kept.csv")

        def unreadable() -> None:
            with SampleWriter(Depot(store), "cd" * 32, UNITS) as writer:
                at_us = np.array([MIDNIGHT_US, MIDNIGHT_US + DAY_US], np.int64)
                writer.add(PlaceRows("winch-2", at_us, at_us, {"gauge": np.array([1.0, 2.0])}, {}))
                raise LookupError("the rest of the file cannot be read")

        with pytest.raises(LookupError):
            unreadable()
        files = {str(path.relative_to(store)) for path in store.rglob("*") if path.is_file()}
        assert files == {part.part for part in kept}


def test_rows_that_share_an_instant_are_noticed_over_the_borders_of_pieces() -> None:
    def tied(*pieces: Sequence[int]) -> bool:
        with a_store() as store, SampleWriter(Depot(store), "ab" * 32, UNITS) as writer:
            for piece in pieces:
                at_us = MIDNIGHT_US + np.array(piece, np.int64)
                writer.add(PlaceRows("winch-2", at_us, at_us, {"gauge": np.ones(at_us.size)}, {}))
            writer.close()
            return writer.tied

    assert not tied([1, 2], [3])
    assert not tied([2, 1], [3])
    assert tied([1, 2], [2, 3])
    assert tied([2, 1, 2])


def test_a_piece_that_steps_back_in_time_begins_another_part() -> None:
    lines = [Line(2 + i, MIDNIGHT_US + us, {"gauge": 1.0}) for i, us in enumerate([5, 6, 6, 7, 6, 8])]
    with a_store() as store:
        parts = write(store, lines, cuts=[2, 4])
        assert [(part.first_us - MIDNIGHT_US, part.last_us - MIDNIGHT_US) for part in parts] == [(5, 7), (6, 8)]


def one_part(store: Path) -> Part:
    [part] = write(store, [Line(2 + i, MIDNIGHT_US + i, {"gauge": i * 0.37}) for i in range(500)])
    return part


def test_a_part_that_is_gone_or_torn_is_told_with_its_name() -> None:
    with a_store() as store:
        part = one_part(store)
        path = store / part.part
        whole = path.read_bytes()
        for torn in (b"", whole[:8], whole[: len(whole) // 2], whole[:-1], whole[: len(whole) - 9] + b"x" * 9):
            path.write_bytes(torn)
            for bounds in ({}, {"from_us": MIDNIGHT_US, "to_us": MIDNIGHT_US + 9}):
                with pytest.raises(StoreError, match=path.name):
                    read_readings(Depot(store), [part], **bounds)
        path.unlink()
        with pytest.raises(StoreError, match=path.name):
            read_readings(Depot(store), [part])
