"""Which lines of a raw file bring something new, by brute force over every reading."""

import math
import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.store.depot import Depot
from pipeline.store.repeats import count_new_rows
from pipeline.store.samples import Part
from tests.store.makers import CUTS, MIDNIGHT_US, SECOND_US, UNITS, Line, raw_files, write

FEW = st.sampled_from([0.0, -0.0, 1.5, math.nan, 0.1 + 0.2])
FILES = raw_files(numbers=FEW, instants=st.integers(-4, 4).map(lambda i: MIDNIGHT_US + i * SECOND_US), most=15)


def new_lines(lines: list[Line], earlier: list[list[Line]]) -> int:
    """Lines with a reading (channel, instant, value; missing is a value too) told by no line before."""
    known = {key(reading) for file in earlier for line in file for reading in line.readings()}
    count = 0
    for line in lines:
        told = {key(reading) for reading in line.readings()}
        count += not told <= known
        known |= told
    return count


def key(reading: tuple[str, int, float]) -> tuple[str, int, str]:
    channel, at_us, value = reading
    return channel, at_us, value.hex()


@settings(deadline=None)
@given(FILES, CUTS, st.lists(FILES, max_size=3))
def test_lines_that_bring_a_reading_new_or_different_are_counted(
    lines: list[Line], cuts: list[int], earlier: list[list[Line]]
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder)
        before = [part for i, file in enumerate(earlier) for part in write(store, file, name=f"{i}.csv")]
        parts = write(store, lines, cuts=cuts, name="new.csv")
        assert count_new_rows(Depot(store), parts, before) == new_lines(lines, earlier)


@settings(deadline=None)
@given(FILES, CUTS)
def test_a_file_again_brings_nothing_new_however_it_is_cut(lines: list[Line], cuts: list[int]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder)
        first = write(store, lines, name="first.csv")
        assert count_new_rows(Depot(store), write(store, lines[::-1], cuts=cuts, name="again.csv"), first) == 0


def test_the_same_load_in_another_unit_repeats_it(tmp_path: Path) -> None:
    def told(raw: float, unit: str) -> list[Part]:
        lines = [Line(2, MIDNIGHT_US, {"pin": raw})]
        return write(tmp_path, lines, name=unit, units={**UNITS, "pin": unit})

    assert count_new_rows(Depot(tmp_path), told(1.0, "tf"), told(9.80665, "kN")) == 0
    assert count_new_rows(Depot(tmp_path), told(1.0, "tf"), told(9.8, "kN")) == 1


def test_a_file_without_readings_brings_nothing(tmp_path: Path) -> None:
    assert count_new_rows(Depot(tmp_path), [], []) == 0
