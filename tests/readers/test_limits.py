"""Files made to harm: bombs, endless lines, keys and line ends without number. Refused or read, in flat memory."""

from __future__ import annotations

import gzip
import itertools
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import zstandard

from ops.fuzz_recipes import RECIPES, ZONE
from pipeline.errors import DataError, RegisterError
from pipeline.readers import ReadNotes, local_times, read_log
from pipeline.readers.lines import TextPiece, encoding_of, text_pieces
from pipeline.readers.pieces import LONGEST_NAME, MOST_NAMES, NameCounts
from pipeline.readers.streams import BOMB_RATIO, MOST_WINDOW_BYTES, ByteStream
from tests.readers.logs import channels, long, read, sentences, wide

HOW = wide({"A": "a"})
KNOWN = channels(a="p")


def unpacked(path: Path, bomb_bytes: int) -> int:
    """How many bytes come out of a file."""
    with ByteStream(path, path.name, bomb_bytes=bomb_bytes) as stream:
        return sum(map(len, iter(lambda: stream.read(1 << 20), b"")))


def nested_zst(size: int) -> bytes:
    """Zeros, packed frame by frame: far more than a thousand times smaller."""
    return zstandard.ZstdCompressor().compress(bytes(size // 8)) * 8


@pytest.mark.parametrize(
    ("name", "pack"), [("bomb.gz", gzip.compress), ("bomb.zst", lambda data: nested_zst(len(data)))]
)
def test_what_unpacks_without_end_is_refused(tmp_path: Path, name: str, pack: Callable[[bytes], bytes]) -> None:
    path = tmp_path / name
    path.write_bytes(pack(bytes(64 << 20)))
    with pytest.raises(DataError, match=r"bomb\.\w+: a compressed file that unpacks without end.*next: withhold it"):
        unpacked(path, 32 << 20)


def test_a_small_file_may_swell_as_it_likes_and_a_large_one_within_reason(tmp_path: Path) -> None:
    zeros, log = tmp_path / "zeros.gz", tmp_path / "log.gz"
    zeros.write_bytes(gzip.compress(bytes(16 << 20)))
    assert unpacked(zeros, 32 << 20) == 16 << 20
    log.write_bytes(gzip.compress(b"".join(b"%d,%d\n" % (n, pow(7, n, 1_000_003)) for n in range(100_000))))
    assert unpacked(log, 1 << 10) > 1 << 20


def test_a_log_of_channels_that_all_stand_still_is_no_bomb(tmp_path: Path) -> None:
    log = tmp_path / "still.zst"
    row = b";0.00" * 60 + b"\n"
    rows = b"".join(
        b"2026-03-01T%02d:%02d:%02d.%dZ" % (n // 36000, n // 600 % 60, n // 10 % 60, n % 10) + row
        for n in range(100_000)
    )
    log.write_bytes(zstandard.ZstdCompressor(level=9).compress(rows))
    assert 50 < len(rows) / log.stat().st_size < BOMB_RATIO
    assert unpacked(log, 1 << 20) == len(rows)


def test_a_zstandard_frame_may_not_ask_for_a_window_that_takes_the_memory() -> None:
    header = b"\x28\xb5\x2f\xfd\x00"  # a frame with a window descriptor: 2^(10 + exponent) bytes
    for exponent, refused in ((17, False), (18, True), (31, True)):
        frame = header + bytes([exponent << 3]) + b"\x01\x00\x00"  # one last raw block of nothing
        assert (1 << 10 + exponent > MOST_WINDOW_BYTES) == refused
        if refused:
            with pytest.raises(DataError, match="not a sound Zstandard stream"):
                read(frame, HOW, KNOWN, name="x.zst")
        else:
            assert read(frame, HOW, KNOWN, name="x.zst").lines == 0


def test_keys_without_number_leave_notes_of_some_and_rows_of_the_known_ones() -> None:
    how = long({"Load": "{key}-tension"})
    known = channels(w1_tension="w1")
    rows = [f"2026-03-01T00:00:00Z,k{n:05d},1\n" for n in range(9000)]
    rows += [f"2026-03-01T00:00:01Z,{'x' * 500}{n},1\n" for n in range(50)]
    rows += ["2026-03-01T00:00:02Z,w1,5\n"] * 3
    log = ("at,winch,Load\n" + "".join(rows)).encode()
    outs = [read(log, how, known, piece_bytes=size, exact=exact) for size, exact in ((1 << 20, False), (40_000, True))]
    assert outs[0] == outs[1]
    notes = outs[0].notes.unknown_keys
    assert (outs[0].good, outs[0].ignored, outs[0].balances()) == (3, 9050, True)
    assert notes.by_name == {f"k{n:05d}": 1 for n in range(MOST_NAMES)}
    assert notes.others == 9050 - MOST_NAMES


def test_a_known_key_is_found_after_thousands_of_others_however_long_it_is() -> None:
    name = "w" * 200
    known = channels(**{f"{name}_tension": "w1"})
    rows = "".join(f"2026-03-01T00:00:00Z,{n},1\n" for n in range(5000))
    log = f"at,winch,Load\n{rows}2026-03-01T00:00:01Z,{name},7\n".encode()
    assert read(log, long({"Load": "{key}-tension"}), known).of(f"{name}-tension") == [7.0]


def test_counts_of_names_do_not_depend_on_the_order_they_come_in() -> None:
    names = [f"n{n * 37 % 500:03d}" for n in range(1500)]
    one, other = NameCounts(), NameCounts()
    for name in names:
        one.add(name)
    for name in sorted(names, reverse=True):
        other.add(name)
    assert one == other
    assert sum(one.by_name.values()) + one.others == 1500
    long_name = NameCounts()
    long_name.add("é" * 5000)
    assert next(iter(long_name.by_name)) == "é" * LONGEST_NAME + "... (5000 characters)"


def test_forms_of_transducers_without_number_leave_few_notes() -> None:
    from pipeline.readers.sentence_rules import checksum

    bodies = [f"YXXDR,N,1,{'u' * 200}{n},B1".encode() for n in range(300)]
    log = b"".join(b"2026-03-01T00:00:00Z$%b*%02X\n" % (body, checksum(body)) for body in bodies)
    out = read(log, sentences({"B1": "b1-tension"}), channels(b1_tension="h"))
    assert (out.ignored, out.lines) == (300, 300)
    assert len(out.notes.texts) <= MOST_NAMES + 1
    assert max(map(len, out.notes.texts)) < 400


def test_rows_that_wait_for_a_repeated_hour_do_not_fill_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(local_times, "MOST_WAITING_BYTES", 2000)
    how = wide({"A": "a"}, time={"format": "%d.%m.%Y %H:%M:%S", "zone": "site"})
    rows = b"".join(b"25.10.2026 02:%02d:00,1\n" % (n % 60) for n in range(59))
    assert read(b"at,A\n" + rows, how, KNOWN, piece_bytes=100).lines == 60
    with pytest.raises(DataError, match=r"made\.log:\d+: more than .* rows wait for a repeated local hour"):
        read(b"at,A\n" + rows * 3, how, KNOWN, piece_bytes=100)


@pytest.mark.parametrize("name", ["unicode_escape", "raw_unicode_escape", "idna", "punycode", "utf-7", "hz"])
def test_encodings_in_which_a_line_end_is_no_line_end_are_refused(name: str) -> None:
    with pytest.raises(RegisterError, match="cannot be cut at line ends"):
        encoding_of(name, b"")


def test_a_column_number_without_end_is_refused() -> None:
    for name in ("99999999999", "9" * 5000):
        how = wide({name: "a"}, text={"header_line": 0}, time={"column": "1"})
        with pytest.raises(DataError, match="columns are numbered"):
            read(b"2026-03-01T00:00:00Z,1\n", how, KNOWN)


def test_digits_without_end_behind_a_second_are_cut_off() -> None:
    how = wide({"A": "a"}, time={"format": "%d.%m.%Y %H:%M:%S%.f"})
    log = b"at,A\n25.10.2026 12:00:00.25" + b"1" * 9000 + b",1\n"
    assert read(log, how, KNOWN) == read(log, how, KNOWN, exact=True)
    assert [at % 1_000_000 for at in read(log, how, KNOWN).times().values()] == [251_111]


def peak_bytes(path: Path, recipe: str) -> tuple[int, int]:
    """Lines told, and the most memory [bytes] that Python and NumPy held."""
    how = RECIPES[recipe]
    tracemalloc.start()
    try:
        lines = sum(piece.lines for piece in read_log(path, how.layout, how.channels, ZONE, notes=ReadNotes()))
        return lines, tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


HEAD = b"at;A;B;C\n"


def repeated(path: Path, part: bytes, times: int) -> Path:
    with path.open("wb") as file:
        file.write(HEAD)
        for _ in range(times):
            file.write(part)
    return path


@pytest.mark.parametrize("part", [b"\n", b";", b"\0", b"\r\n"], ids=repr)
def test_memory_is_bounded_however_long_or_empty_the_lines_are(tmp_path: Path, part: bytes) -> None:
    path = repeated(tmp_path / "dense.log", part * ((1 << 18) // len(part)), 128)
    lines, peak = peak_bytes(path, "wide-utf8")
    assert lines >= 1
    assert peak < 160 << 20  # half a million lines of a piece, told apart


@pytest.mark.parametrize(("encoding", "line"), [("utf-8", "x\n"), ("utf-16-le", "\n"), ("cp1252", "\r\n")])
def test_pieces_of_very_short_lines_are_cut_smaller_and_lose_none(tmp_path: Path, encoding: str, line: str) -> None:
    # What is kept of each line, with its reason, takes hundreds of times such a line.
    path = tmp_path / "dense.log"
    end = ("y" * 3_000_000 + "\n").encode(encoding)
    path.write_bytes(line.encode(encoding) * 1_500_000 + end + line.encode(encoding))
    with ByteStream(path, path.name) as stream:
        parts = [part for part in text_pieces(stream, encoding, 8 << 20) if isinstance(part, TextPiece)]
    assert max(part.lines for part in parts) <= 8 << 20 >> 4
    assert sum(part.lines for part in parts) == 1_500_002
    assert [part.first_line_no for part in parts] == [1, *(np.cumsum([part.lines for part in parts])[:-1] + 1)]
    assert b"".join(part.data for part in parts) == path.read_bytes()


def test_a_line_of_gigabytes_is_skipped_in_flat_memory(tmp_path: Path) -> None:
    path = tmp_path / "hole.log"
    with path.open("wb") as file:
        file.write(HEAD + b"2026-03-01T00:00:00Z;")
        file.truncate(300 << 20)  # a hole: reads as NUL, takes no room
        file.seek(0, 2)
        file.write(b"\n2026-03-01T00:00:00Z;1;2;3\n")
    lines, peak = peak_bytes(path, "wide-utf8")
    assert lines == 3
    assert peak < 64 << 20


STAMP = b"2026-03-01T00:00:00Z;"
NASTY: dict[str, tuple[str, Callable[[int], bytes]]] = {
    "quotes": ("wide-utf8", lambda n: HEAD + STAMP + b'"' * n + b";2;3\n"),
    "separators": ("wide-utf8", lambda n: HEAD + b";" * n + b"x\n"),
    "digits": ("wide-utf8", lambda n: HEAD + STAMP + b"0." + b"7" * n + b"x;2;3\n"),
    "fraction": ("wide-utf8", lambda n: HEAD + STAMP[:-2] + b"." + b"1" * n + b"Z;1;2;3\n"),
    "count": ("wide-headless", lambda n: b"1774999999" + b"0" * n + b"e-%d|1|2|3\n" % (n - 3)),
    "commas": ("sentences-utf8", lambda n: b"2026-03-01T00:00:00Z$YXXDR" + b"," * n + b"*00\n"),
    "zig-zag": (
        "long-dst",
        lambda n: (
            b"at;winch;A;B;x\n"
            + b"".join(
                b"25.10.2026 %02d:%02d:00;w1;1;2;3\n" % ((2, i * 13 % 60) if i % 999 else (9, 0))
                for i in range(n // 28)
            )
        ),
    ),
}


@pytest.mark.parametrize("name", NASTY)
def test_time_grows_with_the_length_of_a_nasty_file_and_no_faster(tmp_path: Path, name: str) -> None:
    recipe, make = NASTY[name]
    how = RECIPES[recipe]

    def seconds(size: int) -> float:
        path = tmp_path / f"{size}.log"
        path.write_bytes(make(size))
        begun = time.process_time()
        for _ in itertools.repeat(None, 3):
            list(read_log(path, how.layout, how.channels, ZONE))
        return time.process_time() - begun

    seconds(1000)
    small, large = seconds(120_000), seconds(960_000)
    # Eight times the length: 64 times the time if it grew with the square. A floor against the clock's own grain.
    assert large < 24 * max(small, 0.01)
