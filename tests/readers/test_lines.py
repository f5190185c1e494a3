"""A stream is cut at line ends, in its own encoding, wherever the reads fall."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import RegisterError
from pipeline.readers.lines import MAX_LINE_BYTES, LongLine, TextPiece, encoding_of, text_pieces
from pipeline.readers.streams import ByteStream
from tests.readers.logs import channels, read, wide

HOW = wide({"A": "a"})
KNOWN = channels(a="p")
ENCODINGS = ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "shift_jis", "cp037"]


def pieces_of(data: bytes, encoding: str, piece_bytes: int) -> list[TextPiece | LongLine]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log"
        path.write_bytes(data)
        with ByteStream(path, "log") as stream:
            return list(text_pieces(stream, encoding, piece_bytes))


@given(
    st.lists(st.text(st.sampled_from("ab;,\r\u010a\u0a0dé\\"), max_size=6), max_size=8),
    st.sampled_from(["\n", "\r\n"]),
    st.booleans(),
    st.sampled_from(ENCODINGS),
    st.integers(1, 40),
)
def test_the_lines_are_the_same_at_every_size_of_piece(
    lines: list[str], end: str, ended: bool, encoding: str, piece_bytes: int
) -> None:
    lines = [line.encode(encoding, "ignore").decode(encoding).rstrip("\r") for line in lines]
    text = end.join(lines) + (end if ended else "")
    got: list[str] = []
    for piece in pieces_of(text.encode(encoding), encoding, piece_bytes):
        assert isinstance(piece, TextPiece)
        assert piece.first_line_no == len(got) + 1
        assert not piece.doubtful
        got += piece.buffer.decode().split("\n")[:-1]
        assert piece.lines == len(got) - piece.first_line_no + 1
    wanted = text.split("\n")
    if wanted[-1] == "":
        wanted.pop()
    assert got == wanted


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "utf-16-le", "utf-16-be", "shift_jis"])
def test_a_line_keeps_its_own_bytes_without_its_end(encoding: str) -> None:
    texts = ["é;1", "", "2"]
    data = "".join(f"{text}\r\n" for text in texts).encode(encoding, "replace")
    (piece,) = pieces_of(data, encoding, 1000)
    assert isinstance(piece, TextPiece)
    starts = [0]
    for line in piece.buffer.split(b"\n")[:-1]:
        starts.append(starts[-1] + len(line) + 1)
    raws = [piece.raw(k, starts[k], starts[k + 1] - len("\r\n")) for k in range(3)]
    assert raws == [text.encode(encoding, "replace") for text in texts]


def test_a_byte_order_mark_tells_the_order_of_utf16_and_is_no_part_of_the_text() -> None:
    for encoding, mark in (("utf-16-le", b"\xff\xfe"), ("utf-16-be", b"\xfe\xff")):
        out = read(
            mark + "at,A\n2026-03-01T00:00:00Z,1\n".encode(encoding),
            wide({"A": "a"}, text={"encoding": "utf-16"}),
            KNOWN,
        )
        assert out.of("a") == [1.0]
    marked = b"\xef\xbb\xbfat,A\n2026-03-01T00:00:00Z,1\n"
    assert read(marked, HOW, KNOWN).of("a") == [1.0]
    # Two exports one after another: the second header has a mark too.
    assert read(marked + marked, HOW, KNOWN).header == 2


def test_encodings_without_bytes_for_line_ends_are_refused() -> None:
    with pytest.raises(RegisterError, match="cannot be cut at line ends"):
        encoding_of("utf-7", b"")


def test_a_file_without_bytes_or_with_a_mark_alone_has_no_lines() -> None:
    assert read(b"", HOW, KNOWN).lines == 0
    assert read(b"\xef\xbb\xbf", HOW, KNOWN).lines == 0


@pytest.mark.parametrize("piece_bytes", [1 << 14, 1 << 20, 1 << 22])
def test_a_line_of_more_than_a_mebibyte_is_quarantined_with_its_first_mebibyte(piece_bytes: int) -> None:
    good = b"2026-03-01T00:00:00Z,1\n"
    longest = b"2026-03-01T00:00:01Z," + b"0" * (MAX_LINE_BYTES - 22) + b"2"
    assert len(longest) == MAX_LINE_BYTES
    longer = longest + b"5"
    out = read(b"at,A\n" + good + longest + b"\r\n" + longer + b"\n" + good, HOW, KNOWN, piece_bytes=piece_bytes)
    assert out.of("a") == [1.0, 2.0, 1.0]
    assert out.quarantined == [(4, longer[:MAX_LINE_BYTES], "too-long")]
    assert out.balances()


@pytest.mark.parametrize("piece_bytes", [1 << 14, 1 << 23])
def test_a_long_line_at_the_end_of_a_utf16_file_is_one_line(piece_bytes: int) -> None:
    how = wide({"A": "a"}, text={"encoding": "utf-16"})
    text = "at,A\n2026-03-01T00:00:00Z,1\n" + "\u0a0a" * MAX_LINE_BYTES
    out = read(text.encode("utf-16"), how, KNOWN, piece_bytes=piece_bytes)
    assert out.reasons() == {3: "too-long"}
    assert out.balances()
    assert out.lines == 3


def test_the_header_may_be_cut_by_pieces_anywhere() -> None:
    data = b"made by nobody\n\nat,A\n2026-03-01T00:00:00Z,1\n"
    how = wide({"A": "a"}, text={"header_line": 3})
    for piece_bytes in range(1, len(data) + 1):
        out = read(data, how, KNOWN, piece_bytes=piece_bytes)
        assert (out.header, out.blank, out.of("a")) == (3, 0, [1.0])
