"""Compressed logs are read as streams; what is cut off or damaged is said."""

from __future__ import annotations

import gzip
import tempfile
import tracemalloc
from pathlib import Path

import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import DataError
from pipeline.readers.streams import ByteStream
from tests.readers.logs import channels, read, wide

ROWS = b"".join(b"2026-03-01T00:00:%02dZ,%d.5\n" % (s, s) for s in range(60))
LOG = b"at,A\n" + ROWS
HOW = wide({"A": "a"})
KNOWN = channels(a="p")


def zst(data: bytes) -> bytes:
    return zstandard.ZstdCompressor().compress(data)


def test_gz_and_zst_read_as_the_plain_file() -> None:
    plain = read(LOG, HOW, KNOWN)
    assert read(gzip.compress(LOG), HOW, KNOWN, name="x.log.gz") == plain
    assert read(zst(LOG), HOW, KNOWN, name="x.log.zst") == plain
    assert plain.good == 60


def test_members_and_frames_one_after_another_are_one_file() -> None:
    cut = len(LOG) // 2 + 3
    plain = read(LOG, HOW, KNOWN)
    assert read(gzip.compress(LOG[:cut]) + gzip.compress(LOG[cut:]), HOW, KNOWN, name="x.gz") == plain
    padded = gzip.compress(LOG[:cut]) + bytes(100) + gzip.compress(LOG[cut:]) + bytes(700_000)
    assert read(padded, HOW, KNOWN, name="x.gz") == plain
    skippable = b"\x50\x2a\x4d\x18\x04\0\0\0abcd"
    assert read(skippable + zst(LOG[:cut]) + zst(LOG[cut:]), HOW, KNOWN, name="x.zst") == plain


@pytest.mark.parametrize("name", ["x.gz", "x.zst"])
@pytest.mark.parametrize("final_newline", [True, False])
def test_a_stream_cut_off_ends_the_data_there_and_its_last_line_is_unterminated(name: str, final_newline: bool) -> None:
    # Numbers without repetition, so that much of the text comes out before the cut.
    rows = b"".join(b"2026-03-01T%02d:%02d:00Z,%d\n" % (n // 60, n % 60, pow(7, n, 1_000_003)) for n in range(1440))
    log = b"at,A\n" + rows
    packed = gzip.compress(log) if name == "x.gz" else zstandard.ZstdCompressor(level=1).compress(log)
    how = wide({"A": "a"}, text={"final_newline": final_newline})
    whole = read(log, how, KNOWN)
    out = read(packed[: len(packed) * 2 // 3], how, KNOWN, name=name)
    assert out.balances()
    assert 0 < out.good < 1440 or name == "x.zst"
    assert out.readings.items() <= whole.readings.items()
    assert set(out.reasons().values()) <= {"unterminated"}
    assert len(out.notes.texts) == 1
    assert "ends early" in out.notes.texts[0]


def test_an_empty_compressed_file_has_no_lines_and_is_noted() -> None:
    for name in ("x.gz", "x.zst"):
        out = read(b"", HOW, KNOWN, name=name)
        assert (out.lines, len(out.notes.texts)) == (0, 1)


def test_damaged_bytes_are_an_error_that_names_the_file() -> None:
    damaged = bytearray(gzip.compress(LOG))
    damaged[-6] ^= 1  # the CRC
    with pytest.raises(DataError, match=r"x\.gz: not a sound gzip stream"):
        read(bytes(damaged), HOW, KNOWN, name="x.gz")
    with pytest.raises(DataError, match=r"x\.zst: not a sound Zstandard stream"):
        read(b"at,A\n" + ROWS, HOW, KNOWN, name="x.zst")
    with pytest.raises(DataError, match="not a sound gzip stream"):
        read(gzip.compress(LOG) + b"rubbish", HOW, KNOWN, name="x.gz")


@given(st.lists(st.integers(1, 40), max_size=30))
def test_reads_of_any_size_give_all_the_bytes(sizes: list[int]) -> None:
    data = bytes(range(256)) * 2
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bytes.gz"
        path.write_bytes(gzip.compress(data))
        with ByteStream(path, path.name) as stream:
            got = [stream.read(size) for size in sizes]
            assert [len(part) for part in got] == [
                min(n, max(0, len(data) - sum(sizes[:i]))) for i, n in enumerate(sizes)
            ]
            while part := stream.read(1000):
                got.append(part)
    assert b"".join(got) == data


@pytest.mark.parametrize("name", ["bomb.gz", "bomb.zst"])
def test_a_stream_that_swells_a_thousandfold_is_read_in_flat_memory(name: str) -> None:
    zeros = b"at,A\n" + bytes(200 << 20)
    bomb = gzip.compress(zeros) if name == "bomb.gz" else zst(zeros)
    del zeros
    tracemalloc.start()
    try:
        out = read(bomb, HOW, KNOWN, name=name)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert (out.lines, out.header, out.reasons()) == (2, 1, {2: "too-long"})
    assert peak < 40 << 20
