"""The compiled loops read what the plain rules read, bit for bit, however the file is cut; every line
balances."""

from __future__ import annotations

import struct
from dataclasses import replace
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import TautlogError
from pipeline.readers.sentence_rules import checksum
from schemas.registers import Channel, Layout
from tests.extent import examples
from tests.readers.logs import Outcome, channels, long, read, sentences, wide

PIECE_SIZES = (1, 3, 17, 64, 257, 1 << 20)

NUMBERS = st.one_of(
    st.floats(-1e3, 1e3, width=32).map(lambda x: f"{x:.2f}"),
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.integers(-(10**20), 10**20).map(str),
    st.sampled_from(
        ["0", "1", "-0.0", "+3", ".5", "5.", "1e5", "2E-3", "9007199254740993", "0.1e-400", "1e400", "00012.50"]
    ),
)
DIRT = st.one_of(
    st.sampled_from(
        ["", " ", "---", "9999.9", "9999.90", " 9999.9 ", "OPEN", "SET", "open", "nan", "inf", "1_0", "1,5", "1 2"]
    ),
    st.sampled_from(
        ['"12.5"', '" 3"', '""', '"', '""4""', "\u00a07", "7\u00a0", "µ", "\u0663", "1\x002", "\t8\r", "ok\r"]
    ),
    st.text(st.characters(codec="cp1252", exclude_characters="\n"), max_size=5),
)
STAMPS = st.one_of(
    st.integers(0, 3600 * 24 * 10).map(
        lambda s: f"2026-03-{1 + s // 86400:02d}T{s // 3600 % 24:02d}:{s // 60 % 60:02d}:{s % 60:02d}"
    ),
    st.sampled_from(["1990-12-31T23:59:60", "0001-01-01T00:00:00", "2026-02-30T00:00:00", "2026-03-01 01:02:03"]),
).flatmap(
    lambda s: st.sampled_from(["Z", "z", "+01:00", "-23:59", ".5Z", ".1234567+00:00", "", "+0100", ".Z"]).map(
        lambda z: s + z
    )
)
LOCAL = st.one_of(
    st.integers(0, 90).map(lambda m: f"25.10.2026 {1 + (m + 50) // 60:02d}:{(m + 50) % 60:02d}:00"),
    st.integers(0, 90).map(lambda m: f"25.10.2026 {1 + (m + 50) // 60:02d}:{(m + 50) % 60:02d}:00"),
    st.integers(0, 9).map(lambda s: f"25.10.2026 02:59:5{s}"),
    st.integers(0, 3 * 3600).map(lambda s: f"29.03.2026 {1 + s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d},{s % 10}"),
    st.sampled_from(["1.1.2026 0:0:0", "31.02.2026 00:00:00", "01.01.0001 00:00:00,5", "31.12.9999 23:59:59"]),
)
MESSY = st.one_of(NUMBERS, NUMBERS, NUMBERS, DIRT)


@st.composite
def files(
    draw: st.DrawFn, times: st.SearchStrategy[str], width: int, header: str, key: bool
) -> tuple[bytes, dict[str, object]]:
    """A delimited file, more or less dirty, and the [text] rules that it was written by."""
    separator = draw(st.sampled_from([";", "|", "\t"]))
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-be"]))
    end = draw(st.sampled_from(["\n", "\r\n"]))
    preamble = draw(
        st.lists(
            st.sampled_from(
                ["", "made by nobody", ";;", '"'],
            ),
            max_size=3,
        )
    )
    keys = st.sampled_from(["w1", "w2", " w1 ", '"w2"', "w3", "w9", "wé"])
    lines = [*preamble, header.replace(";", separator)]
    for _ in range(draw(st.integers(0, 12))):
        kind = draw(st.integers(0, 19))
        if kind == 0:
            lines.append(draw(st.sampled_from(["", " ", separator * 2, f" {separator}\u00a0", lines[len(preamble)]])))
            continue
        fields = [draw(times), *([draw(keys)] if key else [])]
        fields += [draw(MESSY) for _ in range(width)]
        if kind == 1:
            fields = fields[: draw(st.integers(1, len(fields)))]
        elif kind == 2:
            fields.append("")
        lines.append(separator.join(fields))
    text = end.join(lines) + draw(st.sampled_from([end, end, ""]))
    data = text.encode(encoding, "replace")
    if draw(st.integers(0, 4)) == 0 and data:
        at = draw(st.integers(0, len(data) - 1))
        data = data[:at] + draw(st.sampled_from([b"\xff", b"\x81", b"\xd8", b"\0"])) + data[at:]
    rules: dict[str, object] = {
        "encoding": encoding,
        "separator": separator,
        "header_line": len(preamble) + 1,
        "missing": draw(st.sampled_from([(), ("---", "9999.9"), ("", '"---"', "n/a", "\u00b5")])),
        "final_newline": draw(st.booleans()),
    }
    return data, rules


def same_however_read(data: bytes, how: Layout, known: dict[str, Channel], pieces: list[int]) -> Outcome | str:
    """Read with the loops and without, whole and in pieces; all must agree, and balance."""
    wanted = _read(data, how, known, 1 << 20, exact=True)
    for piece_bytes in pieces:
        assert _read(data, how, known, piece_bytes, exact=False) == wanted
    assert _read(data, how, known, pieces[0], exact=True) == wanted
    if isinstance(wanted, Outcome):
        assert wanted.balances()
        assert wanted.lines == _count_lines(data, how)
    return wanted


def _read(data: bytes, how: Layout, known: dict[str, Channel], piece_bytes: int, *, exact: bool) -> Outcome | str:
    try:
        out = read(data, how, known, zone=ZoneInfo("Europe/Berlin"), piece_bytes=piece_bytes, exact=exact)
    except TautlogError as error:  # the same error is the same answer
        return f"{type(error).__name__}: {error}"
    # Bit for bit: -0.0 is not 0.0.
    bits: dict[tuple[int, int, str, str], float | str] = {
        key: value if isinstance(value, str) else struct.pack("<d", value).hex() for key, value in out.readings.items()
    }
    return replace(out, readings=bits)


def _count_lines(data: bytes, how: Layout) -> int:
    feed = "\n".encode("utf-16-be" if how.text.encoding == "utf-16-be" else "utf-16-le")
    if not how.text.encoding.startswith("utf-16"):
        return data.count(b"\n") + (not data.endswith(b"\n") and len(data.removeprefix(b"\xef\xbb\xbf")) > 0)
    bare = data.removeprefix(b"\xff\xfe") if how.text.encoding == "utf-16" else data
    feeds = [at for at in range(0, len(bare) - 1, 2) if bare[at : at + 2] == feed]
    return len(feeds) + (len(bare) > (feeds[-1] + 2 if feeds else 0))


WIDE = channels(a="p1", b="p1", c_brake="p2")
LONG = channels(w1_tension="w1", w1_brake="w1", w2_tension="deck", w3_tension="deck", **{"wé_brake": "w4"})


@settings(max_examples=examples(250), deadline=None)
@given(st.data(), st.lists(st.sampled_from(PIECE_SIZES), min_size=2, max_size=2))
def test_a_wide_log_reads_the_same_with_and_without_the_loops(data: st.DataObject, pieces: list[int]) -> None:
    raw, text = data.draw(files(STAMPS, 4, "at;A;B;x;Brake", False))
    how = wide({"A": "a", "B": "b", "Brake": "c-brake"}, text=text, words={"OPEN": 0, "SET": 1})
    same_however_read(raw, how, WIDE, pieces)


@settings(max_examples=examples(150), deadline=None)
@given(st.data(), st.lists(st.sampled_from(PIECE_SIZES), min_size=2, max_size=2))
def test_a_long_log_reads_the_same_with_and_without_the_loops(data: st.DataObject, pieces: list[int]) -> None:
    raw, text = data.draw(files(STAMPS, 2, "at;winch;Load;Brake", True))
    how = long({"Load": "{key}-tension", "Brake": "{key}-brake"}, text=text)
    same_however_read(raw, how, LONG, pieces)


@settings(max_examples=examples(200), deadline=None)
@given(st.data(), st.booleans(), st.lists(st.sampled_from(PIECE_SIZES), min_size=2, max_size=2))
def test_local_times_settle_the_same_wherever_the_pieces_end(
    data: st.DataObject, folded: bool, pieces: list[int]
) -> None:
    raw, text = data.draw(files(LOCAL, 1, "at;winch;Load", True))
    time: dict[str, object] = {"format": "%d.%m.%Y %H:%M:%S", "zone": "site", **({"fold": 1} if folded else {})}
    how = long({"Load": "{key}-tension"}, text=text, time=time)
    same_however_read(raw, how, LONG, pieces)


NAMES = st.sampled_from(["BREAST1", "BREAST1", "BREAST2", "BREAST2", "AIR", "PITCH", " BREAST1"])
VALUES = st.one_of(NUMBERS, DIRT.filter(lambda text: not set("\n,*$!") & set(text)))
SOUND = st.tuples(st.just("N"), NUMBERS, st.just("N"), NAMES)
GROUPS = st.tuples(st.sampled_from(["N", "F", "C", "A", ""]), VALUES, st.sampled_from(["N", "C", "H", ""]), NAMES)


@st.composite
def sentence_lines(draw: st.DrawFn) -> str:
    """A stamped sentence, sound or with one thing wrong."""
    wrong = draw(st.integers(0, 7))
    groups = draw(st.lists(st.one_of(SOUND, SOUND, GROUPS) if wrong == 0 else SOUND, min_size=1, max_size=3))
    address = draw(st.sampled_from(["IIXDR", "PXXDR", "GPVTG", "YXXDRX", "XDR"])) if wrong == 1 else "YXXDR"
    body = ",".join([address, *(field for group in groups for field in group)]) + ("," if wrong == 2 else "")
    sound = f"*{checksum(body.encode()) ^ (wrong == 3):02X}"
    stop = draw(st.sampled_from([sound.lower(), f"{sound} ", "", "*", f"{sound}x"])) if wrong == 4 else sound
    stamp = draw(STAMPS) if wrong == 5 else "2026-03-01T00:00:00.25Z"
    mark = draw(st.sampled_from(["!", "", "$$"])) if wrong == 6 else "$"
    return stamp + draw(st.sampled_from(["", " ", ",", "; \t"])) + mark + body + stop


@settings(max_examples=examples(250), deadline=None)
@given(
    st.lists(st.one_of(sentence_lines(), sentence_lines(), st.sampled_from(["", " , ", "#", "é"])), max_size=10),
    st.sampled_from(["\n", "\r\n"]),
    st.booleans(),
    st.lists(st.sampled_from(PIECE_SIZES), min_size=2, max_size=2),
)
def test_sentences_read_the_same_with_and_without_the_loops(
    lines: list[str], end: str, ended: bool, pieces: list[int]
) -> None:
    raw = (end.join(lines) + (end if ended else "")).encode()
    how = sentences({"BREAST1": "b1-tension", "BREAST2": "b2-tension", "AIR": "air-temperature"}, missing=("---",))
    known = channels(b1_tension="hook 1", b2_tension="hook 1", air_temperature="mast")
    same_however_read(raw, how, known, pieces)
