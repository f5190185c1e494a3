"""Delimited logs: what each line becomes, wide and long, with every kind of dirt."""

from __future__ import annotations

import gzip
import tempfile
import tracemalloc
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from pipeline.errors import DataError, RegisterError
from pipeline.readers import read_log, units_of
from tests.readers.logs import BERLIN, channels, long, read, wide

T0 = "2026-03-01T00:00:00Z"
KNOWN = channels(a="p1", b="p1", c_brake="p2")
HOW = wide({"A": "a", "B": "b"}, text={"separator": ";", "decimal": ",", "missing": ("", "---", "9999,9")})


def log(*rows: str, header: str = "at;A;B", end: str = "\n") -> bytes:
    return "".join(line + end for line in (header, *rows)).encode()


def test_rows_give_the_numbers_as_written_by_place() -> None:
    out = read(log(f"{T0};1,5;-2", "2026-03-01T00:00:00.1+00:00;,5;1e3"), HOW, KNOWN)
    assert out.of("a") == [1.5, 0.5]
    assert out.of("b") == [-2.0, 1000.0]
    assert (out.lines, out.header, out.good) == (3, 1, 2)


def test_channels_of_several_places_come_apart_with_the_same_line_numbers() -> None:
    how = wide({"A": "a", "C": "c-brake"}, words={"OPEN": 0, "SET": 1})
    out = read(b"at,A,C\n2026-03-01T00:00:00Z,1,SET\n", how, KNOWN)
    assert {(line, place): value for (line, _, place, _), value in out.readings.items()} == {(2, "p1"): 1, (2, "p2"): 1}


def test_a_sentinel_is_a_missing_reading_and_a_good_row() -> None:
    out = read(log(f"{T0};---; 9999,9 ", f"{T0};;9999,90"), HOW, KNOWN)
    assert out.of("a") == ["missing", "missing"]
    assert out.of("b") == ["missing", 9999.9]
    assert (out.good, out.bad_cells) == (2, [])


def test_padded_numbers_are_numbers() -> None:
    assert read(log(f" {T0} ;  12,3 ;\t4 "), HOW, KNOWN).of("a") == [12.3]


def test_a_bad_cell_in_a_good_row_is_quarantined_by_itself() -> None:
    out = read(log(f"{T0};l2,5;2", f"{T0};1.5;---"), HOW, KNOWN)
    assert out.bad_cells == [(2, "A", "a", "l2,5"), (3, "A", "a", "1.5")]
    assert out.of("a") == ["missing", "missing"]
    assert out.of("b") == [2.0, "missing"]


def test_a_row_without_a_readable_cell_is_quarantined() -> None:
    out = read(log(f"{T0};x;nan"), HOW, KNOWN)
    assert out.quarantined == [(2, f"{T0};x;nan".encode(), "no-readable-cell")]
    assert out.bad_cells == []


def test_an_empty_cell_is_bad_unless_the_layout_calls_it_missing() -> None:
    out = read(b"at,A,B\n2026-03-01T00:00:00Z,,1\n", wide({"A": "a", "B": "b"}), KNOWN)
    assert out.bad_cells == [(2, "A", "a", "")]


def test_words_stand_for_numbers_and_numbers_stay_readable() -> None:
    how = wide({"C": "c-brake"}, words={"OPEN": 0, "SET": 1})
    out = read(b"at,C\n%b,SET\n%b, OPEN \n%b,1\n%b,Set\n" % ((T0.encode(),) * 4), how, KNOWN)
    assert out.of("c-brake") == [1.0, 0.0, 1.0]
    assert out.reasons() == {5: "no-readable-cell"}


def test_a_row_of_another_width_is_quarantined_also_for_one_separator_too_many() -> None:
    out = read(log(f"{T0};1", f"{T0};1;2;", f"{T0};1;2;3", f"{T0};1;2"), HOW, KNOWN)
    assert out.reasons() == {2: "field-count", 3: "field-count", 4: "field-count"}
    assert out.good == 1


def test_separators_at_the_end_of_header_and_rows_alike_are_harmless() -> None:
    assert read(log(f"{T0};1;2;", header="at;A;B;"), HOW, KNOWN).of("b") == [2.0]


def test_blank_lines_hold_white_space_or_separators_only() -> None:
    out = read(log("", " ", ";;", "; \t;", f"{T0};1;2"), HOW, KNOWN)
    assert (out.blank, out.good, out.quarantined) == (4, 1, [])


def test_the_header_repeated_is_header() -> None:
    data = log(f"{T0};1;2") * 2
    out = read(data, HOW, KNOWN)
    assert (out.header, out.good) == (2, 2)


def test_an_unreadable_time_is_quarantined_with_its_bytes() -> None:
    out = read(log("2026-03-01T00:00:00;1;2", "yesterday;1;2", ";1;2"), HOW, KNOWN)
    assert out.reasons() == dict.fromkeys((2, 3, 4), "unreadable-time")
    assert out.quarantined[1][1] == b"yesterday;1;2"


def test_carriage_returns_before_line_feeds_are_no_part_of_a_line() -> None:
    out = read(log(f"{T0};1;2", "x;1;2", end="\r\n"), HOW, KNOWN)
    assert out.of("b") == [2.0]
    assert out.quarantined == [(3, b"x;1;2", "unreadable-time")]


def test_a_quote_is_taken_off_a_cell_but_hides_no_separator() -> None:
    out = read(log(f'"{T0}";"1,5";2', f'{T0};"1;2";3', header='"at";"A";B'), HOW, KNOWN)
    assert out.of("a") == [1.5]
    assert out.reasons() == {3: "field-count"}


def test_nul_bytes_spoil_the_cell_that_holds_them() -> None:
    out = read(log(f"{T0};1\0;2", "\0" * 40), HOW, KNOWN)
    assert out.bad_cells == [(2, "A", "a", "1\0")]
    assert out.reasons() == {3: "field-count"}


def test_bytes_that_are_no_text_are_quarantined_as_they_are() -> None:
    out = read(log(f"{T0};1;2") + b"2026-03-01T00:00:01Z;1;\xff2\n" + f"{T0};3;4\n".encode(), HOW, KNOWN)
    assert out.quarantined == [(3, b"2026-03-01T00:00:01Z;1;\xff2", "undecodable")]
    assert out.of("a") == [1.0, 3.0]


def test_the_last_line_counts_only_when_it_is_ended_or_the_layout_says_so() -> None:
    data = log(f"{T0};1;2") + f"{T0};3;4".encode()
    out = read(data, HOW, KNOWN)
    assert out.quarantined == [(3, f"{T0};3;4".encode(), "unterminated")]
    never_ended = wide({"A": "a", "B": "b"}, text={"separator": ";", "decimal": ",", "final_newline": False})
    assert read(data, never_ended, KNOWN).of("a") == [1.0, 3.0]


def test_a_last_line_that_is_blank_or_header_is_not_unterminated() -> None:
    for last in (b" ;", b"at;A;B"):
        out = read(log(f"{T0};1;2") + last, HOW, KNOWN)
        assert out.quarantined == []
        assert out.blank + out.header == 2


def test_a_file_that_ends_within_its_preamble_or_header_is_all_header() -> None:
    how = wide({"A": "a"}, text={"header_line": 3})
    for data, lines in ((b"one\ntwo\n", 2), (b"one\n\nat", 3), (b"one\n\nat,A", 3), (b"x", 1), (b"", 0)):
        out = read(data, how, KNOWN)
        assert (out.lines, out.header) == (lines, lines)


def test_preamble_may_be_in_another_encoding() -> None:
    how = wide({"A": "a"}, text={"header_line": 2})
    assert read(b"\xb0\xff\nat,A\n2026-03-01T00:00:00Z,1\n", how, KNOWN).of("a") == [1.0]


def test_words_and_names_are_read_in_the_files_encoding() -> None:
    how = wide({"Kraft µ": "a", "Bremse": "c-brake"}, text={"encoding": "cp1252"}, words={"geöffnet": 0})
    data = f"at,Kraft µ,Bremse\n{T0},1,geöffnet\n{T0},2,ge?\n".encode("cp1252")
    out = read(data, how, KNOWN)
    assert out.of("c-brake") == [0.0, "missing"]
    assert out.bad_cells == [(3, "Bremse", "c-brake", "ge?")]


def test_without_a_header_line_columns_are_numbered_and_rows_may_be_wider() -> None:
    how = wide({"2": "a"}, text={"header_line": 0}, time={"column": "1"})
    out = read(f"{T0},1\n{T0},2,more\n{T0}\n".encode(), how, KNOWN)
    assert out.of("a") == [1.0, 2.0]
    assert out.reasons() == {3: "field-count"}
    assert out.header == 0


# ------------------------------------------------------------------------------------- long logs

WINCHES = channels(
    w1_tension="w1", w1_payout="w1", w1_brake="w1", w2_tension="deck", w2_brake="deck", w3_tension="deck"
)
WINCH_LOG = long({"kN": "{key}-tension", "m": "{key}-payout", "brake": "{key}-brake"}, text={"missing": ("",)})


def winch_log(*rows: str) -> bytes:
    return "".join(f"{row}\n" for row in ("at,winch,kN,m,brake", *rows)).encode()


def test_a_key_names_the_place_of_a_row_and_keys_may_come_in_turn_or_in_blocks() -> None:
    rows = [f"2026-03-01T00:00:{s:02d}Z,{w},{s}.5,1,0" for s in range(30) for w in ("w1", "w2")]
    in_turn = read(winch_log(*rows), WINCH_LOG, WINCHES)
    blocks = read(winch_log(*sorted(rows, key=lambda row: row.split(",")[1])), WINCH_LOG, WINCHES)
    assert in_turn.of("w1-tension") == [s + 0.5 for s in range(30)]
    assert in_turn.of("w2-brake") == [0.0] * 30
    assert sorted(in_turn.readings.values()) == sorted(blocks.readings.values())


def test_rows_of_an_unregistered_key_are_ignored_and_counted() -> None:
    out = read(winch_log(f"{T0},w1,1,2,0", f"{T0},w8,1,2,0", f"{T0},w8,x,,", f"{T0},,1,2,0"), WINCH_LOG, WINCHES)
    assert (out.ignored, out.good) == (3, 1)
    assert out.notes.unknown_keys.by_name == {"w8": 2, "": 1}


def test_a_row_of_an_unregistered_key_that_is_not_sound_is_quarantined() -> None:
    out = read(winch_log(f"{T0},w8,1,2", "yesterday,w8,1,2,0"), WINCH_LOG, WINCHES)
    assert out.reasons() == {2: "field-count", 3: "unreadable-time"}


def test_of_a_key_only_the_registered_channels_are_read() -> None:
    out = read(winch_log(f"{T0},w3,5,rubbish,rubbish", f"{T0},w3,bad,1,1"), WINCH_LOG, WINCHES)
    assert out.of("w3-tension") == [5.0]
    assert out.reasons() == {3: "no-readable-cell"}
    assert out.bad_cells == []
    assert out.notes.unread_channels == {"w3-payout": 2, "w3-brake": 2}


def test_keys_of_one_place_share_its_rows_and_say_which_row_holds_none() -> None:
    with_two = winch_log(f"{T0},w2,1,,0", f"{T0},w3,2,,", f"{T0},w2,,,1")
    out = read(with_two, WINCH_LOG, WINCHES)
    assert out.of("w2-tension") == [1.0, "missing"]
    assert out.of("w3-tension") == [2.0]
    assert out.good == 3


def test_a_key_is_the_same_in_quotes_and_white_space() -> None:
    out = read(winch_log(f"{T0},w1,1,2,0", f'{T0}, "w1" ,3,4,0'), WINCH_LOG, WINCHES)
    assert out.of("w1-tension") == [1.0, 3.0]


def test_a_channel_without_key_is_fed_by_every_row_of_a_key_column() -> None:
    how = long({"value": "{key}"}, key="channel")
    out = read(f"at,channel,value\n{T0},a,1\n{T0},b,2\n{T0},zz,2\n".encode(), how, KNOWN)
    assert (out.of("a"), out.of("b"), out.ignored) == ([1.0], [2.0], 1)


# ------------------------------------------------------------------------------------- machine


def test_memory_stays_flat_however_long_the_file_is() -> None:
    rows = "".join(f"2026-03-01T00:{n // 60:02d}:{n % 60:02d}Z,{n}.5,{n},SET\n" for n in range(3600))
    how = wide({"A": "a", "B": "b", "C": "c-brake"}, words={"SET": 1})
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.csv"
        path.write_text("at,A,B,C\n" + rows * 60)
        assert path.stat().st_size > 7_000_000
        tracemalloc.start()
        good = sum(piece.good for piece in read_log(path, how, KNOWN, BERLIN, piece_bytes=1 << 17))
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert good == 3600 * 60
    assert peak < 3_000_000


def test_files_are_read_at_once_by_several_threads() -> None:
    logs = [log(*(f"2026-03-01T00:00:{s:02d}Z;{n},{s};{s}" for s in range(60))) for n in range(8)]
    with ThreadPoolExecutor(4) as pool:
        outcomes = list(pool.map(lambda data: read(data, HOW, KNOWN, piece_bytes=97), logs))
    assert outcomes == [read(data, HOW, KNOWN) for data in logs]


# ------------------------------------------------------------------------------------- errors


def test_a_missing_column_is_an_error_that_names_file_columns_and_the_nearest() -> None:
    how = wide({"Load 1": "a"}, text={"header_line": 2})
    with pytest.raises(DataError) as caught:
        read(b"\nat,Load_1,B\n2026-03-01T00:00:00Z,1,2\n", how, KNOWN, name="quay.csv")
    text = str(caught.value)
    assert text.startswith("quay.csv:2: [[value]] column 'Load 1' of layout 'made-up' is not in the header")
    assert "columns 'at', 'Load_1', 'B'" in text
    assert "is it 'Load_1'?" in text
    assert caught.value.exit_code == 65


def test_a_header_alone_is_looked_at_too() -> None:
    with pytest.raises(DataError, match="'A' of layout 'made-up' is not in the header"):
        read(b"at;B\n", HOW, KNOWN)


def test_a_column_that_stands_twice_is_an_error_only_when_it_is_asked_for() -> None:
    with pytest.raises(DataError, match="stands in the header 2 times"):
        read(log(f"{T0};1;2;3", header="at;A;A;B"), HOW, KNOWN)
    assert read(log(f"{T0};1;2;3;4", header="at;A;x;x;B"), HOW, KNOWN).of("b") == [4.0]


def test_a_header_in_another_encoding_is_an_error() -> None:
    with pytest.raises(DataError, match="header line is no text in utf-8"):
        read("at;A;B;°\n".encode("cp1252") + f"{T0};1;2;3\n".encode(), HOW, KNOWN)


def test_a_wide_layout_that_feeds_an_unregistered_channel_is_a_register_error() -> None:
    with pytest.raises(RegisterError, match=r"feeds the channel 'c-break', which.*did you mean 'c-brake'") as caught:
        read(b"at,A\n2026-03-01T00:00:00Z,1\n", wide({"A": "c-break"}), KNOWN)
    assert caught.value.exit_code == 78


def test_units_are_told_for_every_channel_that_a_layout_can_feed() -> None:
    assert units_of(WINCH_LOG, WINCHES) == {
        "w1-tension": "kN",
        "w1-payout": "kN",
        "w1-brake": "1",
        "w2-tension": "kN",
        "w2-brake": "1",
        "w3-tension": "kN",
    }
    assert units_of(HOW, KNOWN) == {"a": "kN", "b": "kN"}


def test_the_copy_of_a_file_is_read_under_the_files_own_name(tmp_path: Path) -> None:
    copy = tmp_path / "0123abcd"
    copy.write_bytes(gzip.compress(log(f"{T0};1;2")))
    pieces = list(read_log(copy, HOW, KNOWN, BERLIN, name="quay.csv.gz"))
    assert sum(piece.good for piece in pieces) == 1
    copy.write_bytes(log(header="x"))
    with pytest.raises(DataError, match=r"^quay\.csv:1"):
        list(read_log(copy, HOW, KNOWN, BERLIN, name="quay.csv"))
