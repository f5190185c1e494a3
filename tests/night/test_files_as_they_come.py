"""Files grown, corrected, rewritten, packed, overlapping, renamed, late, withdrawn: each does what the design says."""

import gzip
import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.errors import StoreError
from pipeline.ledger import index
from pipeline.ledger.rows import Finding
from tests.cli.command import tautlog
from tests.extent import few, is_long
from tests.night.berth import Berth, felt, lives, log_text, make_berth, record, values

DAY = "2026-03-02"
ROWS = record(f"{DAY}T06:00")
TEXT = log_text(ROWS)
CUT = TEXT.index(b"\n", len(TEXT) // 2) - 3  # in the middle of a number
HEAD = b"at,hook,kn\n"


def sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


@pytest.fixture
def berth(tmp_path: Path) -> Berth:
    return make_berth(tmp_path / "b")


def counts(berth: Berth) -> dict[str, tuple[int, int, int]]:
    """Of each raw file, newest receipt: rows stored, duplicate, quarantined."""
    return {r["file"]: (r["stored"], r["duplicate"], r["quarantined"]) for r in berth.receipts()}


def reasons(berth: Berth) -> dict[str, str]:
    return {r["file"]: r["reason"] for r in berth.receipts()}


def open_findings(berth: Berth) -> dict[str, Finding]:
    return {found.kind: found for found in berth.ask(index.findings).values()}


def as_if_whole(berth: Berth) -> None:
    """The live books are those of a site that got the whole log in one piece."""
    whole = berth.emptied()
    whole.deliver("hooks_whole.csv", TEXT)
    whole.night(through=DAY)
    assert berth.live() == whole.live()
    assert berth.audit() == []
    if is_long():  # in every run `test_corrections` asks what a fresh site makes of everything delivered in one night
        assert berth.live() == berth.anew().live()


# ------------------------------------------------------------------------------------------- grown


def test_a_file_that_comes_again_longer_says_so_and_settles_where_the_shorter_broke_off(berth: Berth) -> None:
    short = berth.deliver("hooks_1.csv", TEXT[:CUT])
    berth.night()
    assert open_findings(berth).keys() == {"quarantine"}
    before = berth.receipts()[0]
    assert before["quarantined"] == 1
    berth.deliver("hooks_1.csv", TEXT)
    night = berth.night(through=DAY)
    assert [receipt.reason for receipt in night.receipts] == [f"continues {sha(short)[:12]}"]
    assert berth.findings() == []
    closed = berth.rows("SELECT kind, reason FROM findings WHERE op = 'close'")
    assert closed == [("quarantine", f"came again longer, as {sha(TEXT)[:12]}")]
    assert berth.receipts()[0] == before
    stored, duplicate, quarantined = before["stored"], night.receipts[0].duplicate, night.receipts[0].quarantined
    assert (duplicate, night.receipts[0].stored, quarantined) == (stored, 40 - stored, 0)
    assert berth.night().run_id is None
    berth.delivered = {"hooks_short.csv": short, "hooks_whole.csv": TEXT}
    as_if_whole(berth)


def test_a_file_that_grows_night_by_night_continues_the_longest_there_is(berth: Berth) -> None:
    ends = [i + 1 for i, byte in enumerate(TEXT) if byte == 10][5::5]
    for number, end in enumerate(ends):
        berth.deliver(f"hooks_{number}.csv", TEXT[:end])
        berth.night(through=DAY)
    told = reasons(berth)
    assert [told[f"hooks_{i}.csv"] for i in range(len(ends))] == [
        "",
        *(f"continues {sha(TEXT[:end])[:12]}" for end in ends[:-1]),
    ]
    assert [stored for stored, _, _ in counts(berth).values()] == [5] * len(ends)
    as_if_whole(berth)


def test_what_else_was_wrong_with_the_shorter_file_stays_told(berth: Berth) -> None:
    bad = TEXT.replace(b",H1,", b",H1;", 1)
    berth.deliver("hooks_1.csv", bad[:CUT])
    berth.night()
    berth.deliver("hooks_1.csv", bad)
    (receipt,) = berth.night().receipts
    assert receipt.reason.startswith("continues ")
    assert berth.findings() == [("quarantine", "hooks_1.csv")] * 2


def test_a_file_without_rows_is_nobodys_beginning(berth: Berth) -> None:
    berth.deliver("hooks_0.csv", b"")
    berth.deliver("hooks_1.csv", HEAD)
    berth.night()
    berth.deliver("hooks_2.csv", TEXT)
    berth.night()
    assert reasons(berth)["hooks_2.csv"] == ""


def test_a_grown_file_read_again_still_says_what_it_continues(berth: Berth) -> None:
    short = berth.deliver("hooks_1.csv", TEXT[:CUT])
    berth.night()
    berth.deliver("hooks_2.csv", TEXT)
    berth.night(through=DAY)
    assert tautlog("nightly", berth.root, "--reprocess", "once more").code == 1  # a row of the shorter is quarantined
    assert reasons(berth)["hooks_2.csv"] == f"reprocess: once more; continues {sha(short)[:12]}"
    assert berth.findings() == []
    as_if_whole(berth)


# ------------------------------------------------------------------------------------------- corrected, rewritten


def test_a_corrected_tail_is_a_conflict_and_wins_where_it_is_larger_or_the_first_is_withdrawn(berth: Berth) -> None:
    wrong = [*ROWS[:30], *((at, hook, float(kn) + (9 if i % 2 else -9)) for i, (at, hook, kn) in enumerate(ROWS[30:]))]
    first = berth.deliver("hooks_1.csv", wrong)
    berth.night(through=DAY)
    second = berth.deliver("hooks_1b.csv", ROWS)
    berth.night()
    assert counts(berth) == {"hooks_1.csv": (40, 0, 0), "hooks_1b.csv": (10, 30, 0)}
    conflict = open_findings(berth)["conflict"]
    assert conflict.subject == "H1"
    assert conflict.evidence == {
        "instants": 10,
        "files": [
            {"sha256": digest, "file": name, "instants": 10}
            for digest, name in sorted([(sha(first), "hooks_1.csv"), (sha(second), "hooks_1b.csv")])
        ],
    }
    told = " ".join(tautlog("findings", berth.root).out.split())
    assert f"hooks_1.csv ({sha(first)[:12]})" in told
    assert f"hooks_1b.csv ({sha(second)[:12]})" in told
    larger = [
        (at, hook, max(float(kn), float(other))) for (at, hook, kn), (_, _, other) in zip(ROWS, wrong, strict=True)
    ]
    assert {day: life for (_, day), life in berth.posted().items()} == lives(felt(larger, begins=f"{DAY}T00:00"))
    berth.write("withdrawn.csv", f"sha256,reason\n{sha(first)},its tail was corrected\n")
    berth.night()
    assert berth.findings() == []
    assert {day: life for (_, day), life in berth.posted().items()} == lives(felt(ROWS, begins=f"{DAY}T00:00"))
    as_if_whole(berth)


def test_only_files_that_take_part_in_a_conflict_are_named(berth: Berth) -> None:
    berth.deliver("hooks_a.csv", values(f"{DAY}T06:00", [100.0, 200.0, 300.0]))
    berth.deliver("hooks_b.csv", values(f"{DAY}T06:00", [100.0, 201.0, "---"]))
    berth.deliver("hooks_c.csv", values(f"{DAY}T06:00", [100.0]))
    berth.deliver("hooks_d.csv", values(f"{DAY}T09:00", [1.0, 2.0]))
    berth.deliver("hooks_e.csv", values(f"{DAY}T06:00", [100.0, 201.0]) + values(f"{DAY}T06:00", [50.0], hook="H2"))
    berth.night()
    conflict = open_findings(berth)["conflict"]
    assert conflict.evidence["instants"] == 2
    named = {file["file"]: file["instants"] for file in conflict.evidence["files"]}
    assert named == {"hooks_a.csv": 2, "hooks_b.csv": 2, "hooks_e.csv": 1}


def test_a_file_rewritten_under_its_name_is_another_file(berth: Berth) -> None:
    berth.deliver("hooks_1.csv", log_text(ROWS[:25]))
    berth.night()
    berth.deliver("hooks_1.csv", log_text(ROWS[25:]))
    (receipt,) = berth.night(through=DAY).receipts
    assert (receipt.stored, receipt.duplicate, receipt.reason) == (15, 0, "")
    assert len(berth.receipts()) == 2
    berth.delivered = {"hooks_1.csv": log_text(ROWS[:25]), "hooks_2.csv": log_text(ROWS[25:])}
    as_if_whole(berth)


# ------------------------------------------------------------------------------------------- the same in other bytes

OTHER_BYTES: dict[str, tuple[str, Callable[[bytes], bytes]]] = {
    "packed": ("hooks_2.csv.gz", lambda data: gzip.compress(data, mtime=0)),
    "with other line ends": ("hooks_2.csv", lambda data: data.replace(b"\n", b"\r\n")),
    "in another order": ("hooks_2.csv", lambda data: HEAD + b"".join(reversed(data[len(HEAD) :].splitlines(True)))),
    "with a mark at its head": ("hooks_2.csv", lambda data: b"\xef\xbb\xbf" + data),
    "with blank lines": ("hooks_2.csv", lambda data: data.replace(b"\n", b"\n\n")),
}


@pytest.mark.parametrize(("name", "bent"), few(OTHER_BYTES.values(), 2), ids=OTHER_BYTES)
def test_the_same_readings_in_other_bytes_are_duplicates_whichever_comes_first(
    berth: Berth, name: str, bent: Callable[[bytes], bytes]
) -> None:
    berth.deliver("hooks_1.csv", TEXT)
    berth.night(through=DAY)
    berth.deliver(name, bent(TEXT))
    night = berth.night()
    assert counts(berth) == {"hooks_1.csv": (40, 0, 0), name: (0, 40, 0)}
    assert (night.entries_posted, night.findings) == (0, [])
    other = berth.emptied()
    other.deliver(name, bent(TEXT))
    other.night(through=DAY)
    other.deliver("hooks_1.csv", TEXT)
    other.night()
    assert counts(other) == {name: (40, 0, 0), "hooks_1.csv": (0, 40, 0)}
    assert other.live() == berth.live()
    as_if_whole(berth)


def test_exports_that_overlap_count_each_reading_once(berth: Berth) -> None:
    for number, (begin, end) in enumerate([(10, 30), (0, 15), (25, 40), (5, 35)]):
        berth.deliver(f"hooks_{number}.csv", ROWS[begin:end])
        berth.night(through=DAY)
    assert [(stored, duplicate) for stored, duplicate, _ in counts(berth).values()] == [
        (20, 0),
        (10, 5),
        (10, 5),
        (0, 30),
    ]
    assert berth.findings() == []
    as_if_whole(berth)


# ------------------------------------------------------------------------------------------- again, late, withdrawn


def test_a_file_that_came_again_is_told_once_and_no_longer_when_it_is_gone(berth: Berth) -> None:
    berth.deliver("hooks_1.csv", TEXT)
    berth.night(through=DAY)
    berth.deliver("hooks_renamed.csv", TEXT)
    night = berth.night()
    assert [(found.kind, found.subject) for found in night.findings] == [("delivered-again", "hooks_renamed.csv")]
    assert (night.receipts, berth.waiting()) == ([], [])
    night = berth.night()
    assert night.clean
    assert berth.findings() == []
    assert berth.rows("SELECT kind, reason FROM findings WHERE op = 'close'") == [("delivered-again", "no longer so")]
    assert berth.night().run_id is None
    del berth.delivered["hooks_renamed.csv"]
    as_if_whole(berth)


def test_a_file_that_cannot_be_taken_out_is_an_error_once_and_one_finding_from_then_on(
    berth: Berth, monkeypatch: pytest.MonkeyPatch
) -> None:
    berth.deliver("hooks_1.csv", TEXT)
    unlink = Path.unlink

    def refused(path: Path, missing_ok: bool = False) -> None:
        if path.parent.name == "inbox":
            raise PermissionError(1, "Operation not permitted", str(path))
        unlink(path, missing_ok)

    monkeypatch.setattr(Path, "unlink", refused)
    with pytest.raises(StoreError, match="cannot be taken out of the inbox"):
        berth.night(through=DAY)
    assert len(berth.receipts()) == 1  # what came is safe all the same
    told = tautlog("nightly", berth.root, "--json")
    assert told.code == 1
    assert [found["kind"] for found in told.json["findings"]] == ["delivered-again"]
    for _ in range(2):
        later = tautlog("nightly", berth.root, "--json")
        assert (later.code, later.json["run_id"], later.json["findings"]) == (0, None, [])
    assert berth.findings() == [("delivered-again", "hooks_1.csv")]
    monkeypatch.undo()
    assert berth.night().clean
    assert berth.waiting() == []
    berth.night()
    assert berth.findings() == []


@pytest.mark.parametrize("late", few(["2026-04-04", "2026-03-03"], 1), ids=["a month", "a day"])
def test_a_file_that_comes_late_ends_as_if_it_had_come_in_time(berth: Berth, late: str) -> None:
    berth.deliver(f"hooks_{late}.csv", record(f"{late}T06:00"))
    berth.night(through=late)
    berth.deliver("hooks_1.csv", TEXT)
    berth.night()
    punctual = berth.emptied()
    for name in ("hooks_1.csv", f"hooks_{late}.csv"):
        punctual.deliver(name, berth.delivered[name])
        punctual.night(through=late)
    assert berth.live() == punctual.live()
    assert berth.audit() == []


def test_a_withdrawn_file_that_comes_again_stays_withdrawn(berth: Berth) -> None:
    berth.deliver("hooks_1.csv", TEXT)
    berth.night(through=DAY)
    berth.write("withdrawn.csv", f"sha256,reason\n{sha(TEXT)},another berth's log\n")
    berth.night()
    berth.deliver("hooks_again.csv", TEXT)
    night = berth.night()
    assert [found.kind for found in night.findings] == ["delivered-again"]
    assert berth.posted() == {}
    assert berth.audit() == []
