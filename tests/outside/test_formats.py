"""Formats against what stands outside: NMEA 0183 sentences and RFC 3339 times (checks 48, 49, 50)."""

from __future__ import annotations

from datetime import UTC, datetime

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.readers.sentence_rules import checksum
from schemas.times import us_to_datetime
from tests.readers.logs import Outcome, channels, read, sentences, wide

KNOWN = channels(b1_tension="hook 1", a="p")
BREAST = sentences({"BREAST1": "b1-tension"})


def read_sentence(sentence: str) -> Outcome:
    return read(f"2026-03-01T00:00:00Z {sentence}\n".encode(), BREAST, KNOWN)


# Check 48. Source: NMEA 0183 v4.11 update: force is transducer type N with unit N, negative is compression; F is
# frequency with unit H.
def test_force_is_transducer_type_n_and_f_is_frequency() -> None:
    for value in (412300, -250):
        body = f"YXXDR,N,{value},N,BREAST1"
        assert read_sentence(f"${body}*{checksum(body.encode()):02X}").of("b1-tension") == [float(value)]
    for body in ("YXXDR,F,412300,N,BREAST1", "YXXDR,F,50,H,BREAST1"):
        out = read_sentence(f"${body}*{checksum(body.encode()):02X}")
        assert (out.ignored, out.good) == (1, 0)


# Check 49. Source: each confirmed by pynmea2 1.19.0, below; NMEA 0183: exclusive or of all between $ and *.
CHECKSUMS = [
    ("HCXDR,A,171,D,PITCH,A,-37,D,ROLL,G,367,,MAGX,G,2420,,MAGY,G,-8984,,MAGZ", 0x41),
    ("YXXDR,N,412300,N,BREAST1", 0x69),
    ("GPVTG,260.06,T,,M,0.40,N,0.75,K,A", 0x39),
    ("SDDBT,12.3,f,3.7,M,2.0,F", 0x30),  # printed as *35 in one tutorial, which is wrong
]


@pytest.mark.parametrize(("body", "wanted"), CHECKSUMS)
def test_checksums_are_those_of_pynmea2(body: str, wanted: int) -> None:
    assert checksum(body.encode()) == wanted == pynmea2.NMEASentence.checksum(body)


@pytest.mark.parametrize(("body", "wanted"), CHECKSUMS)
def test_the_right_checksum_is_taken_and_a_wrong_one_quarantined(body: str, wanted: int) -> None:
    right = read_sentence(f"${body}*{wanted:02X}")
    assert right.quarantined == []
    assert right.good == (1 if "BREAST1" in body else 0)
    assert read_sentence("$SDDBT,12.3,f,3.7,M,2.0,F*35").reasons() == {1: "checksum"}
    assert read_sentence(f"${body}*{wanted ^ 5:02X}").reasons() == {1: "checksum"}


NAMES = st.sampled_from(["BREAST1", "BREAST2", "PITCH", "AIR"])
GROUPS = st.tuples(
    st.sampled_from("NACDF"), st.floats(-1e6, 1e6).map(lambda x: f"{x:.2f}"), st.sampled_from("NDCMH"), NAMES
)


@given(st.lists(GROUPS, min_size=1, max_size=4, unique_by=lambda group: group[3]), st.sampled_from(["YX", "II", "HC"]))
def test_transducers_of_a_sentence_are_those_that_pynmea2_finds(
    groups: list[tuple[str, str, str, str]], talker: str
) -> None:
    sentence = str(pynmea2.XDR(talker, "XDR", [field for group in groups for field in group]))
    parsed = pynmea2.parse(sentence, check=True)
    found = [parsed.get_transducer(n) for n in range(parsed.num_transducers)]
    wanted = [float(t.value) for t in found if (t.id, t.type, t.units) == ("BREAST1", "N", "N")]
    assert read_sentence(sentence).of("b1-tension") == wanted


# Check 50. Source: RFC 3339, section 5.8 (Examples).
@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000, UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, 0, UTC)),
        # A leap second: microseconds of UTC cannot name it, so it is the next second's instant.
        ("1990-12-31T23:59:60Z", datetime(1991, 1, 1, 0, 0, 0, 0, UTC)),
        ("1990-12-31T15:59:60-08:00", datetime(1991, 1, 1, 0, 0, 0, 0, UTC)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870_000, UTC)),
    ],
)
@pytest.mark.parametrize("exact", [True, False])
def test_the_examples_of_rfc_3339_are_read(text: str, wanted: datetime, exact: bool) -> None:
    out = read(f"at,A\n{text},1\n".encode(), wide({"A": "a"}), KNOWN, exact=exact)
    assert [us_to_datetime(at_us) for at_us in out.times().values()] == [wanted]


# Source: RFC 3339, section 5.6 (grammar): an offset is not optional; T and Z may be lower case, T may be a blank.
def test_the_grammar_of_rfc_3339_is_kept() -> None:
    good = ["1996-12-19t16:39:57z", "1996-12-19 16:39:57Z", "1996-12-19T16:39:57.000000001+00:00"]
    bad = ["1996-12-19T16:39:57", "1996-12-19T16:39Z", "96-12-19T16:39:57Z", "1996-12-19T16:39:57+0000", "1996-12-19"]
    data = "at,A\n" + "".join(f"{text},1\n" for text in good + bad)
    out = read(data.encode(), wide({"A": "a"}), KNOWN)
    assert set(out.times().values()) == {851_013_597_000_000}
    assert (out.good, set(out.reasons().values())) == (3, {"unreadable-time"})
    assert len(out.quarantined) == len(bad)
