"""Kept inputs, every one that ever failed among them, and a thousand new ones: nothing crashes, hangs or is lost.

The rules that every reading is held to are `ops/fuzz_oracle.py`'s; `make fuzz` takes a million inputs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any, get_args

import pytest

from ops import fuzz, fuzz_child
from ops.fuzz_child import Tally, what_is_wrong
from ops.fuzz_inputs import Input, corpus_files, corpus_lines, input_of, make_input
from ops.fuzz_oracle import Wrong, check_input, split_lines
from ops.fuzz_recipes import RECIPES
from ops.fuzz_shrink import shrink
from pipeline.readers import Piece, Reason, read_log

KEPT = corpus_files()


@pytest.mark.parametrize("path", KEPT, ids=lambda path: f"{path.parent.name}-{path.name}")
def test_a_kept_input_is_read_whole_in_every_way(path: Path, tmp_path: Path) -> None:
    for number in range(8):
        assert what_is_wrong(input_of(path), tmp_path / "kept", Random(number))[0] is None


def test_the_corpus_has_inputs_for_every_recipe_and_compression() -> None:
    assert {path.parent.name for path in KEPT} == set(RECIPES)
    assert {path.suffix for path in KEPT} >= {".log", ".gz", ".zst"}


def test_a_thousand_inputs_meet_the_reasons_and_break_no_rule(tmp_path: Path) -> None:
    lines, tally = corpus_lines(), Tally()
    for number in range(1000):
        made = make_input(20261025, number, lines)
        wrong, reading = what_is_wrong(made, tmp_path / "made", Random(number))
        assert wrong is None, f"input {number}: {wrong}"
        tally.add(number, made, 0.0, reading)
    assert set(tally.reasons) >= set(get_args(Reason)) - {"too-long"}
    assert tally.errors
    assert tally.good > 500


def test_a_line_of_more_than_a_mebibyte_is_told_as_too_long(tmp_path: Path) -> None:
    long = Input("sentences-utf8", "", b"7" * ((1 << 20) + 1) + b"\nx")
    wrong, reading = what_is_wrong(long, tmp_path / "long", Random(0))
    assert wrong is None
    assert reading is not None
    assert [line[2] for line in reading.quarantined] == ["too-long", "unterminated"]


def test_an_input_is_the_same_whenever_it_is_made() -> None:
    assert make_input(3, 77, {name: [] for name in RECIPES}) == make_input(3, 77, {name: [] for name in RECIPES})


LOG = b"at;A;B;C\n2026-03-01T00:00:00Z;1;2;3\n2026-03-01T00:00:01Z;4;x;6\n\nrubbish\n"


def loses_a_row(piece: Piece) -> Piece:
    return replace(piece, rows=piece.rows[1:])


def loses_a_quarantined_line(piece: Piece) -> Piece:
    return replace(piece, quarantined=piece.quarantined[1:])


def miscounts(piece: Piece) -> Piece:
    return replace(piece, lines=max(0, piece.lines - 1), blank=max(0, piece.blank - 1))


def alters_bytes(piece: Piece) -> Piece:
    return replace(piece, quarantined=tuple(replace(line, raw=line.raw + b"!") for line in piece.quarantined))


def moves_lines(piece: Piece) -> Piece:
    return replace(piece, rows=tuple(replace(rows, line_no=rows.line_no + 1) for rows in piece.rows))


def counts_twice(piece: Piece) -> Piece:
    return replace(piece, quarantined=piece.quarantined * 2, lines=piece.lines + len(piece.quarantined))


@pytest.mark.parametrize(
    "spoil", [loses_a_row, loses_a_quarantined_line, miscounts, alters_bytes, moves_lines, counts_twice]
)
def test_a_reader_that_loses_or_alters_anything_is_caught(spoil: Any, tmp_path: Path) -> None:
    def spoilt(*args: Any, **options: Any) -> Iterator[Piece]:
        return map(spoil, read_log(*args, **options))

    made = Input("wide-utf8", "", LOG)
    check_input(made, tmp_path / "log", Random(0))
    with pytest.raises(Wrong):
        check_input(made, tmp_path / "log", Random(0), reader=spoilt)


def test_a_fast_path_that_differs_in_the_last_bit_is_caught(tmp_path: Path) -> None:
    def differs(*args: Any, exact: bool, **options: Any) -> Iterator[Piece]:
        for piece in read_log(*args, exact=exact, **options):
            for rows in piece.rows:
                for numbers in rows.values.values():
                    numbers *= 1.0 if exact else 1.0 + 2.0**-52
            yield piece

    with pytest.raises(Wrong, match="read exactly"):
        check_input(Input("wide-utf8", "", LOG), tmp_path / "log", Random(1), reader=differs)


def test_an_error_that_nobody_meant_is_a_failure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def raises(*_: Any, **__: Any) -> Iterator[Piece]:
        raise ValueError("out of the blue")

    monkeypatch.setattr(fuzz_child, "check_input", lambda made, path, rng: check_input(made, path, rng, reader=raises))
    wrong, _ = what_is_wrong(Input("wide-utf8", "", LOG), tmp_path / "log", Random(0))
    assert wrong is not None
    assert wrong.startswith("ValueError: out of the blue at test_corpus.py:")


def test_a_failing_input_is_made_small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ops.fuzz_shrink.fails", lambda made: b"bb" in made.data)
    assert shrink(Input("wide-utf8", "", b"aaaa" * 50 + b"bb" + b"c" * 77)).data == b"bb"


def test_lines_are_counted_by_their_ends_alone() -> None:
    assert split_lines(b"", "utf-8") == []
    assert split_lines(b"\xef\xbb\xbf", "utf-8") == []
    assert split_lines(b"a\r\n\rb\n\x85", "cp1252") == [(b"a", True), (b"\rb", True), (b"\x85", False)]
    assert split_lines(b"\xff\xfea\0\n\0\n", "utf-16") == [(b"a\0", True), (b"\n", False)]
    assert split_lines(b"\xfe\xff\0\r\0\n", "utf-16") == [(b"", True)]
    assert split_lines(b"a\nb%", "cp037") == [(b"a\nb", True)]


@pytest.mark.parametrize("how", ["hangs", "dies"])
def test_a_child_that_hangs_or_dies_is_replaced_and_its_input_is_told(
    how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fuzz, "HANG_S", 1.0)
    monkeypatch.setattr(fuzz, "SPAN", 3)
    monkeypatch.setattr(fuzz, "keep", lambda made: None)
    monkeypatch.setattr(fuzz, "work", {"hangs": _hangs_at_four, "dies": _dies_at_four}[how])
    tally = fuzz.Fuzz(1, 8, None).run(1)
    assert (tally.inputs, list(tally.failures)) == (8, [4])
    assert tally.failures[4] == {"hangs": "no answer in 1 s", "dies": "the process ended with -9"}[how]


def _dies_at_four(seed: int, orders: Any, at: Any) -> None:
    import os
    import signal

    _counts_until_four(orders, at, lambda: os.kill(os.getpid(), signal.SIGKILL))


def _hangs_at_four(seed: int, orders: Any, at: Any) -> None:
    import time

    _counts_until_four(orders, at, lambda: time.sleep(100))


def _counts_until_four(orders: Any, at: Any, then: Any) -> None:
    orders.send(None)
    while (span := orders.recv()) is not None:
        tally = Tally()
        for number in range(*span):
            at.value = number
            if number == 4:
                then()
            tally.inputs += 1
        orders.send(tally)
