"""NMEA 0183 sentences: what each line becomes."""

from __future__ import annotations

import pytest

from pipeline.errors import RegisterError
from pipeline.readers import units_of
from pipeline.readers.sentence_rules import checksum
from tests.readers.logs import channels, read, sentences

KNOWN = channels(
    b1_tension="hook 1", b2_tension="hook 2", out_payout="hook 1", air_temperature="mast", b1_brake="hook 1"
)
HOW = sentences({"BREAST1": "b1-tension", "BREAST2": "b2-tension"})
T0 = "2026-03-01T00:00:00Z"


def line(body: str, stamp: str = T0, wrong: int = 0) -> bytes:
    return f"{stamp} ${body}*{checksum(body.encode()) ^ wrong:02X}\n".encode()


def test_a_force_is_type_n_in_newtons_as_written() -> None:
    out = read(line("YXXDR,N,412300,N,BREAST1"), HOW, KNOWN)
    assert out.of("b1-tension") == [412300.0]
    assert units_of(HOW, KNOWN) == {"b1-tension": "N", "b2-tension": "N"}


def test_type_f_is_frequency_and_not_ours() -> None:
    out = read(line("YXXDR,F,412300,N,BREAST1") + line("YXXDR,F,50,H,BREAST1"), HOW, KNOWN)
    assert (out.ignored, out.good) == (2, 0)
    assert len(out.notes.texts) == 2
    assert "type 'F', unit 'H'" in " ".join(out.notes.texts)


def test_a_sentence_may_hold_several_readings_and_others() -> None:
    out = read(line("YXXDR,N,-5,N,BREAST2,A,171,D,PITCH,N,7.25,N,BREAST1"), HOW, KNOWN)
    assert (out.of("b1-tension"), out.of("b2-tension"), out.good) == ([7.25], [-5.0], 1)


def test_readings_of_one_place_in_different_sentences_leave_the_others_absent() -> None:
    how = sentences({"BREAST1": "b1-tension", "OUT": "out-payout"})
    out = read(
        line("YXXDR,N,1,N,BREAST1") + line("YXXDR,D,2,M,OUT") + line("YXXDR,D,3,M,OUT,N,4,N,BREAST1"), how, KNOWN
    )
    assert (out.of("b1-tension"), out.of("out-payout"), out.good) == ([1.0, 4.0], [2.0, 3.0], 3)


def test_other_quantities_are_read_in_the_units_that_sentences_give_them() -> None:
    how = sentences({"AIR": "air-temperature", "OUT": "out-payout", "BRAKE": "b1-brake"})
    out = read(line("YXXDR,C,19.5,C,AIR,D,3.2,M,OUT,S,1,,BRAKE"), how, KNOWN)
    assert (out.of("air-temperature"), out.of("out-payout"), out.of("b1-brake")) == ([19.5], [3.2], [1.0])
    assert units_of(how, KNOWN) == {"air-temperature": "degC", "out-payout": "m", "b1-brake": "1"}


def test_a_wrong_or_missing_checksum_is_quarantined_with_the_bytes() -> None:
    bad = line("YXXDR,N,1,N,BREAST1", wrong=1)
    missing = f"{T0} $YXXDR,N,1,N,BREAST1\n".encode()
    torn = line("YXXDR,N,1,N,BREAST1").replace(b"*", b"") + b"no sentence\n"
    out = read(bad + missing + torn, HOW, KNOWN)
    assert set(out.reasons().values()) == {"checksum"}
    assert out.quarantined[0][1] == bad[:-1]
    assert out.lines == len(out.quarantined) == 4


def test_a_sound_sentence_that_holds_nothing_of_ours_is_ignored_whatever_its_stamp() -> None:
    out = read(line("GPVTG,260.06,T,,M,0.40,N,0.75,K,A") + line("YXXDR,N,1,N,STERN9", stamp="--"), HOW, KNOWN)
    assert (out.ignored, out.quarantined) == (2, [])


def test_a_stamp_that_is_no_time_quarantines_a_sentence_of_ours() -> None:
    out = read(line("YXXDR,N,1,N,BREAST1", stamp="00:00:01") + line("YXXDR,N,1,N,BREAST1", stamp=""), HOW, KNOWN)
    assert set(out.reasons().values()) == {"unreadable-time"}


def test_an_empty_value_is_a_missing_reading_and_text_is_a_bad_one() -> None:
    how = sentences({"BREAST1": "b1-tension", "BREAST2": "b2-tension"}, missing=("999999",))
    out = read(
        line("YXXDR,N,,N,BREAST1")
        + line("YXXDR,N,999999,N,BREAST1")
        + line("YXXDR,N,x,N,BREAST1,N,2,N,BREAST2")
        + line("YXXDR,N,x,N,BREAST1"),
        how,
        KNOWN,
    )
    assert out.of("b1-tension") == ["missing"] * 3
    assert out.bad_cells == [(3, "BREAST1", "b1-tension", "x")]
    assert out.reasons() == {4: "no-readable-cell"}


def test_fields_that_make_no_whole_groups_are_quarantined() -> None:
    out = read(line("YXXDR,N,1,N,BREAST1,N") + line("YXXDR,A,1,D,PITCH,N"), HOW, KNOWN)
    assert out.reasons() == {1: "field-count"}
    assert out.ignored == 1


def test_a_transducer_named_twice_gives_its_first_reading_and_a_bad_cell() -> None:
    out = read(line("YXXDR,N,1,N,BREAST1,N,2,N,BREAST1"), HOW, KNOWN)
    assert out.of("b1-tension") == [1.0]
    assert out.bad_cells == [(1, "BREAST1", "b1-tension", "2")]


def test_stamps_may_be_set_off_by_blanks_commas_or_tabs_and_lines_end_either_way() -> None:
    body = "YXXDR,N,1,N,BREAST1"
    sentence = f"${body}*{checksum(body.encode()):02x}"
    data = "".join(f"{T0}{gap}{sentence}\r\n" for gap in ("", ",", "; ", "\t", "  "))
    assert read(data.encode(), HOW, KNOWN).of("b1-tension") == [1.0] * 5


def test_the_last_sentence_counts_only_when_its_line_is_ended() -> None:
    ours, other = line("YXXDR,N,1,N,BREAST1"), line("GPVTG,1")
    assert read(ours + ours[:-1], HOW, KNOWN).reasons() == {2: "unterminated"}
    assert read(ours + other[:-1], HOW, KNOWN).ignored == 1
    ends_bare = sentences({"BREAST1": "b1-tension"}, final_newline=False)
    assert read(ours + ours[:-1], ends_bare, KNOWN).good == 2


def test_a_log_of_sentences_has_no_header_unless_the_layout_gives_one() -> None:
    ours = line("YXXDR,N,1,N,BREAST1")
    assert read(ours, HOW, KNOWN).header == 0
    out = read(b"made by nobody\n" + ours, sentences({"BREAST1": "b1-tension"}, header_line=1), KNOWN)
    assert (out.header, out.good) == (1, 1)


def test_blank_lines_are_blank() -> None:
    assert read(b"\n , \r\n", HOW, KNOWN).blank == 2


def test_a_quantity_that_no_sentence_gives_is_a_register_error() -> None:
    known = channels(mast_wind="mast")
    with pytest.raises(RegisterError, match="cannot measure channel 'mast-wind'"):
        read(line("YXXDR,N,1,N,W"), sentences({"W": "mast-wind"}), known)
