"""The raw files hold what truth/files.csv says, by a plain count that shares nothing with their writers."""

from __future__ import annotations

import csv
import gzip
import hashlib
import re
from collections import Counter
from itertools import pairwise
from pathlib import Path

import pynmea2
import pytest
import zstandard

import sample_logs

ROOT = Path(sample_logs.__file__).parent
MAX_BYTES = 8_000_000
PLACES = {"W04", "W05", "W08", "W10"}
SENTINELS = {"", "---", "9999,9"}
COMMA_NUMBER = re.compile(r"-?\d+,\d+")
HOOK_TIME = re.compile(r"(\d\d)\.(\d\d)\.(\d{4}) (\d\d):([0-5]\d):([0-5]\d)\.\d\d")
KINDS = ("header", "blank", "ignored", "stored", "duplicate", "quarantined")


def content(path: Path) -> bytes:
    raw = path.read_bytes()
    if path.suffix == ".gz":
        return gzip.decompress(raw)
    if path.suffix == ".zst":
        return zstandard.ZstdDecompressor().decompressobj().decompress(raw)
    return raw


def truth_rows() -> list[dict[str, str]]:
    with (ROOT / "truth" / "files.csv").open(encoding="utf-8", newline="") as text:
        return list(csv.DictReader(text))


def raw_files() -> list[Path]:
    return sorted(path for path in (ROOT / "raw").glob("night*/*") if path.is_file())


class HookCount:
    """Counts wide hook files in the order delivered; remembers rows, so that duplicates show."""

    def __init__(self) -> None:
        self.seen: dict[tuple[str, str, int], set[tuple[str, ...]]] = {}

    def count(self, name: str, data: bytes) -> Counter[str]:
        lines = data.replace(b"\r\n", b"\n").split(b"\n")
        whole = lines.pop() == b""
        if not whole:
            torn = data.rsplit(b"\n", 1)[1]
        found: Counter[str] = Counter(lines=len(lines) + (not whole), quarantined=0 if whole else 1)
        assert whole or len(torn) > 0
        group = name.split("_")[1]
        hours = {line[11:13] for line in lines[4:]}
        lone = hours == {b"01"} and "1025" in name and not self._steps_back(lines[4:])
        previous, fold = "", 0
        for number, line in enumerate(lines, start=1):
            kind, bad = self._kind(number, line, lines[3])
            if kind == "row":
                stamp = line[:22].decode()
                fold = 1 if stamp < previous and stamp[:10] == previous[:10] else fold
                previous = stamp
                kind = "quarantined" if lone else self._new((group, stamp, fold), line)
            found[kind] += 1
            found["cells_quarantined"] += bad
        return found

    @staticmethod
    def _steps_back(lines: list[bytes]) -> bool:
        stamps = [line[11:22] for line in lines if line[:1].isdigit()]
        return any(later < earlier for earlier, later in pairwise(stamps))

    @staticmethod
    def _kind(number: int, line: bytes, header: bytes) -> tuple[str, int]:
        if number <= 4 or line == header:
            return "header", 0
        if not line.strip(b" ;"):
            return "blank", 0
        fields = line.decode().split(";")
        match = HOOK_TIME.fullmatch(fields[0])
        if len(fields) != header.count(b";") + 1 or match is None or int(match[4]) > 23:
            return "quarantined", 0
        readable = [cell in SENTINELS or COMMA_NUMBER.fullmatch(cell) is not None for cell in fields[1:]]
        return ("row", readable.count(False)) if any(readable) else ("quarantined", 0)

    def _new(self, key: tuple[str, str, int], line: bytes) -> str:
        cells = tuple(line.decode().split(";")[1:])
        before = self.seen.setdefault(key, set())
        kind = "duplicate" if cells in before else "stored"
        before.add(cells)
        return kind


def count_winches(data: bytes) -> Counter[str]:
    lines = data.split(b"\n")
    found: Counter[str] = Counter(lines=len(lines), header=1)
    last = dict.fromkeys(PLACES, "")
    for line in lines[1:]:
        try:
            fields = line.decode("utf-8").split(",")
        except UnicodeDecodeError:
            found["quarantined"] += 1
            continue
        if len(fields) != 7 or not fields[0].endswith("+01:00"):
            found["quarantined"] += 1
        elif fields[1] not in PLACES:
            found["ignored"] += 1
        else:
            assert fields[0] > last[fields[1]], "times of a winch only grow, so no row is a duplicate"
            last[fields[1]] = fields[0]
            found["stored"] += 1
            found["cells_quarantined"] += re.fullmatch(r"-?\d+\.\d", fields[2]) is None
    return found


def count_sentences(data: bytes) -> Counter[str]:
    lines = data.split(b"\n")
    assert lines.pop() == b""
    found: Counter[str] = Counter(lines=len(lines))
    last = ""
    for raw in lines:
        line = raw.decode("ascii")
        match = re.fullmatch(r"(\S+Z) \$(.*)\*([0-9A-F]{2})", line)
        if not line:
            found["blank"] += 1
        elif match is None or pynmea2.NMEASentence.checksum(match[2]) != int(match[3], 16):
            found["quarantined"] += 1
        elif ",SPRING1" in match[2]:
            assert match[1] > last, "times only grow, so no sentence is a duplicate"
            last = match[1]
            found["stored"] += 1
        else:
            found["ignored"] += 1
    return found


def test_a_plain_count_of_every_raw_file_agrees_with_the_truth() -> None:
    hooks, digests = HookCount(), set()
    for row in truth_rows():
        data = content(ROOT / "raw" / row["night"] / row["file"])
        digest = hashlib.sha256(data).hexdigest()
        if row["lines"] == "":
            assert row["layout"] == "" or digest in digests
            continue
        digests.add(digest)
        assert digest == row["content_sha256"]
        if row["layout"].startswith("quay-hooks"):
            found = hooks.count(row["file"], data)
        else:
            found = count_winches(data) if row["layout"] == "ship-winches" else count_sentences(data)
        told = {name: int(row[name]) for name in ("lines", *KINDS, "cells_quarantined")}
        assert told == {name: found[name] for name in told}, row["file"]
        assert told["lines"] == sum(told[kind] for kind in KINDS)


def test_every_kind_of_dirt_occurs() -> None:
    rows = truth_rows()
    for kind in (*KINDS, "cells_quarantined"):
        assert sum(int(row[kind] or 0) for row in rows) > 0, kind
    assert {row["layout"] for row in rows} == {
        "",
        "quay-hooks-north",
        "quay-hooks-south",
        "ship-winches",
        "fairlead-cells",
    }
    assert sum("very same bytes" in row["dirt"] for row in rows) == 1


def test_every_delivered_file_is_in_the_truth() -> None:
    told = {(row["night"], row["file"]) for row in truth_rows()}
    assert told == {(path.parent.name, path.name) for path in raw_files()}


def test_every_xdr_sentence_is_read_by_pynmea2_as_forces_in_newton() -> None:
    # Outside check 48: NMEA 0183 XDR, transducer type N (force), unit N.
    for path in (ROOT / "raw").glob("night*/cells_*"):
        lines = content(path).decode("ascii").splitlines()
        xdr = [line.split(" ", 1)[1] for line in lines if ",SPRING1," in line][::997]
        assert xdr
        for sentence in xdr:
            message = pynmea2.parse(sentence, check=True)
            quadruples = [message.data[k : k + 4] for k in range(0, len(message.data), 4)]
            assert [(kind, unit, name) for kind, _, unit, name in quadruples] == [
                ("N", "N", "SPRING1"),
                ("N", "N", "SPRING2"),
            ]


def test_the_raw_logs_stay_small() -> None:
    assert sum(path.stat().st_size for path in raw_files()) < MAX_BYTES


def test_the_repeated_local_hour_is_in_the_logs_of_both_hook_groups() -> None:
    for name in ("pins_north_20261025_01.csv.zst", "pins_south_20261025.csv.zst"):
        stamps = [line[:22] for line in content(ROOT / "raw" / "night2" / name).split(b"\n")[4:-1]]
        back = [k for k in range(1, len(stamps)) if stamps[k] < stamps[k - 1]]
        assert len(back) == 1
        assert stamps[back[0]] == b"25.10.2026 01:00:00.00"


def test_the_generator_makes_the_delivered_logs_again(made: Path) -> None:
    for path in raw_files():
        name = path.name.removesuffix(".gz").removesuffix(".zst")
        again = (made / "raw" / path.parent.name / name).read_bytes()
        assert hashlib.sha256(again).digest() == hashlib.sha256(content(path)).digest(), path.name
    for name in ("events.csv", "files.csv"):
        assert (made / "truth" / name).read_bytes() == (ROOT / "truth" / name).read_bytes()


@pytest.mark.parametrize("suffix", [".gz", ".zst"])
def test_compressed_files_carry_no_time_and_no_name(suffix: str) -> None:
    from sample_logs.make_logs import pack

    assert pack(b"abc\n" * 1000, suffix) == pack(b"abc\n" * 1000, suffix)
    if suffix == ".gz":
        assert pack(b"abc", ".gz")[3:8] == bytes(5), "no flags and no time in the header (RFC 1952)"
