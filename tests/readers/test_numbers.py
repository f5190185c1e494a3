"""What text is a number, and that the compiled loop gives the nearest double to every bit."""

from __future__ import annotations

import math
import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.readers.number_kernel import read_column
from pipeline.readers.numbers import CellRules, bare, cell_rules, number_in
from tests.extent import examples


@pytest.mark.parametrize(
    ("text", "value"),
    [("0", 0.0), ("-0,5", -0.5), ("+3,", 3.0), (",5", 0.5), ("1e3", 1000.0), ("2E-3", 0.002), ("007", 7.0)],
)
def test_plain_decimal_text_is_a_number(text: str, value: float) -> None:
    assert number_in(text, ",") == value


@pytest.mark.parametrize(
    "text", ["", ",", "-", "1.5", "1,2,3", "1 000", "1_0", "nan", "inf", "1e400", "0x10", "1e", "e5", "--1", "\u0663"]
)
def test_anything_else_is_none(text: str) -> None:
    assert number_in(text, ",") is None


def test_a_cell_is_compared_without_white_space_and_quotes_around_it() -> None:
    assert {bare(text) for text in ("a", " a ", '"a"', ' " a" ', '""a""', "\u00a0a\t")} == {"a"}
    assert [bare(text) for text in ("", '""', '"', '"a', 'a"b"')] == ["", "", '"', '"a', 'a"b"']


def test_a_sentinel_comes_before_a_word_and_a_word_before_a_number() -> None:
    rules = cell_rules(("9999,9", " --- "), {"OPEN": 0, "1": 5, "---": 7}, ",")
    assert rules.read("OPEN") == 0
    assert rules.read("1") == 5
    assert rules.read("2") == 2
    assert rules.read("open") is None
    assert rules.read("9999,90") == 9999.9
    assert [math.isnan(rules.read(text) or 0) for text in ("9999,9", " ---", '"---"')] == [True] * 3


def column(cells: list[str], rules: CellRules) -> tuple[list[float], set[int]]:
    """What the loop makes of bare cells, and the rows it leaves to the plain rules."""
    texts = [cell.encode() for cell in cells]
    ends = np.cumsum([len(text) + 1 for text in texts], dtype=np.int64) - 1
    starts = ends - [len(text) for text in texts]
    packed = rules.packed()
    out, odd = np.empty(len(cells)), np.empty(len(cells), np.int32)
    buffer = np.frombuffer(b";".join(texts) + b";", np.uint8)
    known = (packed.letters, packed.bounds, packed.values, packed.lengths)
    left = read_column(buffer, starts.astype(np.int32), ends.astype(np.int32), ord(rules.decimal), known, out, odd)
    return out.tolist(), set(odd[:left].tolist())


DIGITS = st.text("0123456789", min_size=1, max_size=25)
WRITTEN = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.floats(-1e6, 1e6).map(repr),
    st.floats(-500, 500).map(lambda x: f"{x:.3f}"),
    st.builds(lambda a, b, e: f"{a}.{b}e{e}", DIGITS, DIGITS, st.integers(-70, 45)),
    # Half way between two doubles, and next to it: where rounding must be to even.
    st.builds(
        lambda m, s, d: f"{((2 * m + 1) << s) + d}",
        st.integers(2**52, 2**53 - 1),
        st.integers(0, 7),
        st.integers(-1, 1),
    ),
    st.builds(lambda m, d: f"{(2 * m + 1) * 5**3 + d}e-3", st.integers(2**52, 2**53 - 1), st.integers(-1, 1)),
)


def test_digits_that_overflow_64_bits_are_left_even_where_they_come_out_at_nothing() -> None:
    cells = [str(2**64), str(2**64) + "0", f"0.{2**64}", f"{2**64}e-5", str(2**64 - 1), str(2**65)]
    values, odd = column(cells, cell_rules((), None, "."))
    assert all(row in odd or values[row] == float(cell) for row, cell in enumerate(cells))
    assert {0, 1, 2, 3, 5} <= odd


@settings(max_examples=examples(300), deadline=None)
@given(st.lists(WRITTEN, min_size=1, max_size=40))
def test_the_loop_rounds_as_python_does_or_leaves_the_cell(cells: list[str]) -> None:
    values, odd = column(cells, cell_rules((), None, "."))
    for row, (cell, value) in enumerate(zip(cells, values, strict=True)):
        if row not in odd:
            assert struct.pack("<d", value) == struct.pack("<d", float(cell)), cell


def test_the_loop_decides_all_numbers_of_up_to_nineteen_digits_itself() -> None:
    rng = np.random.default_rng(8)
    cells = [repr(x) for x in rng.normal(0, 300, 20_000).tolist()] + [repr(x) for x in rng.random(5000).tolist()]
    values, odd = column(cells, cell_rules(("", "---"), {"OPEN": 0}, "."))
    assert odd == set()
    assert values == [float(cell) for cell in cells]


@settings(max_examples=examples(200), deadline=None)
@given(st.lists(st.text(st.sampled_from('0123456789,.eE+-SET "é'), max_size=9).map(bare), min_size=1, max_size=40))
def test_the_loop_accepts_nothing_that_the_rules_refuse(cells: list[str]) -> None:
    rules = cell_rules(("", "9,9", "é"), {"SET": 1, "12": 4}, ",")
    values, odd = column(cells, rules)
    for row, (cell, value) in enumerate(zip(cells, values, strict=True)):
        wanted = rules.read(cell)
        if row not in odd:
            assert wanted is not None
            assert math.isnan(value) if math.isnan(wanted) else value == wanted
