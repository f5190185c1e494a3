"""What comes, what comes again, and what never should have come."""

import gzip
import hashlib
from pathlib import Path

import pytest

from pipeline.errors import RegisterError
from pipeline.nightly import run_ingest
from tests.night.berth import LAYOUT, Berth, make_berth, record


@pytest.fixture
def berth(tmp_path: Path) -> Berth:
    """One line's first day posted by decree."""
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    berth.night(through="2026-03-02")
    return berth


def published(berth: Berth) -> str:
    return (berth.root / "published" / "current").readlink().name


def test_a_night_with_nothing_new_commits_no_run_and_posts_nothing(berth: Berth) -> None:
    before = (berth.runs(), published(berth), berth.live())
    night = berth.night(through="2026-03-02")
    assert night.run_id is None
    assert (night.receipts, night.days, night.entries_posted, night.events) == ([], [], 0, [])
    assert (berth.runs(), published(berth), berth.live()) == before
    assert night.clean
    assert berth.audit() == []


def test_a_register_that_says_the_same_in_other_bytes_is_archived_and_posts_nothing(berth: Berth) -> None:
    berth.write("ships.csv", (berth.root / "ships.csv").read_text() + "S2,900,invented for the test\n")
    night = berth.night()
    assert night.run_id is not None
    assert night.entries_posted == 0
    assert berth.night().run_id is None
    assert berth.audit() == []


def test_the_same_bytes_again_give_no_new_receipt(berth: Berth) -> None:
    sheets = berth.sheets()
    data = berth.delivered["hooks_1.csv"]
    (berth.root / "inbox" / "hooks_copy.csv").write_bytes(data)
    night = berth.night()
    assert night.receipts == []
    assert [(found.kind, found.subject) for found in night.findings] == [("delivered-again", "hooks_copy.csv")]
    assert night.entries_posted == 0
    assert berth.waiting() == []
    assert len(berth.receipts()) == 1
    assert berth.sheets() == sheets
    (berth.root / "inbox" / "hooks_copy.csv").write_bytes(data)
    assert berth.night().run_id is None  # what was noted once is not news
    assert berth.audit() == []


def test_the_same_bytes_twice_in_one_night_are_read_once(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    data = berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    (berth.root / "inbox" / "hooks_2.csv").write_bytes(data)
    night = berth.night()
    assert [(receipt.file, receipt.stored, receipt.duplicate) for receipt in night.receipts] == [("hooks_1.csv", 40, 0)]
    assert berth.waiting() == []


def test_rows_that_another_file_brought_are_duplicates_and_change_nothing(berth: Berth) -> None:
    live = berth.live()
    rows = record("2026-03-02T06:00")
    berth.deliver("hooks_2.csv.gz", gzip.compress(b"at,hook,kn\n" + berth.delivered["hooks_1.csv"][11:], mtime=0))
    berth.deliver("hooks_3.csv", rows[10:30])
    night = berth.night()
    assert [(r.file, r.stored, r.duplicate) for r in night.receipts] == [
        ("hooks_2.csv.gz", 0, 40),
        ("hooks_3.csv", 0, 20),
    ]
    assert night.entries_posted == 0
    assert berth.live() == live
    assert berth.audit() == []


def test_the_inbox_keeps_what_could_not_be_read_and_gives_away_the_rest(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    log = berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    inbox = berth.root / "inbox"
    (inbox / "photo.jpg").write_bytes(b"\xff\xd8\xff")
    (inbox / "hooks_torn.csv.gz").write_bytes(b"no gzip at all")
    (inbox / "hooks_other.csv").write_bytes(b"when,what\n1,2\n")
    (inbox / ".hooks_2.csv.part").write_bytes(log[:50])
    night = berth.night()
    assert berth.waiting() == [".hooks_2.csv.part", "hooks_other.csv", "hooks_torn.csv.gz", "photo.jpg"]
    assert sorted((found.kind, found.subject) for found in night.findings) == [
        ("no-layout", "photo.jpg"),
        ("unreadable-file", "hooks_other.csv"),
        ("unreadable-file", "hooks_torn.csv.gz"),
    ]
    assert not night.clean
    raw = {path.name: path.read_bytes() for path in (berth.root / "raw").iterdir()}
    assert raw == {hashlib.sha256(log).hexdigest(): log}
    assert berth.audit() == []
    again = berth.night()
    assert again.run_id is None
    assert len(again.findings) == 3  # still so, and still told
    (inbox / "hooks_other.csv").unlink()
    (inbox / "photo.jpg").unlink()
    berth.night()
    assert berth.findings() == [("unreadable-file", "hooks_torn.csv.gz")]
    assert berth.audit() == []


def test_a_file_that_breaks_off_in_its_middle_leaves_nothing_behind(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    packed = bytearray(
        gzip.compress(b"".join(berth.deliver(f"hooks_{i}.csv", record("2026-03-02T06:00")) for i in (1, 2)))
    )
    packed[-6] ^= 1  # the checksum at its end: every line has been read by then
    (berth.root / "inbox" / "hooks_1.csv").unlink()
    (berth.root / "inbox" / "hooks_2.csv").write_bytes(b"at,hook,kn\n2026-03-02T07:00:00Z,H1,1.0\n")
    (berth.root / "inbox" / "hooks_3.csv.gz").write_bytes(packed)
    berth.night()
    assert berth.waiting() == ["hooks_3.csv.gz"]
    assert berth.findings() == [("unreadable-file", "hooks_3.csv.gz")]
    assert berth.audit() == []


def test_a_named_file_that_cannot_be_read_leaves_nothing_behind_and_stays(berth: Berth, tmp_path: Path) -> None:
    torn = tmp_path / "hooks_torn.csv.gz"
    torn.write_bytes(b"no gzip at all")
    assert [found.kind for found in run_ingest(berth.root, [torn]).findings] == ["unreadable-file"]
    assert torn.read_bytes() == b"no gzip at all"
    assert berth.audit() == []


def test_a_named_file_is_copied_and_left_as_it_was(berth: Berth, tmp_path: Path) -> None:
    log = tmp_path / "hooks_9.csv"
    log.write_bytes(b"at,hook,kn\n2026-03-02T07:00:00Z,H1,90.5\n")
    mode = log.stat().st_mode
    (receipt,) = run_ingest(berth.root, [log]).receipts
    assert receipt.stored == 1
    assert log.stat().st_mode == mode
    assert (berth.root / "raw" / receipt.sha256).read_bytes() == log.read_bytes()


def test_two_layouts_for_one_file_are_an_error_and_nothing_is_committed(berth: Berth) -> None:
    runs = berth.runs()
    berth.write("layouts/other.toml", LAYOUT.replace('"hooks"', '"other"').replace("hooks_*.csv*", "*_2.csv"))
    berth.deliver("hooks_1b.csv", record("2026-03-03T06:00"))
    berth.deliver("hooks_2.csv", record("2026-03-04T06:00"))
    with pytest.raises(RegisterError, match=r"hooks_2\.csv: two layouts match.*hooks.*other.*expected one"):
        berth.night()
    assert berth.runs() == runs
    assert berth.waiting() == ["hooks_1b.csv", "hooks_2.csv"]
    assert berth.audit() == []
    (berth.root / "layouts" / "other.toml").unlink()
    assert [receipt.file for receipt in berth.night().receipts] == ["hooks_1b.csv", "hooks_2.csv"]
    assert berth.audit() == []


def test_a_file_whose_name_is_no_text_does_not_stop_the_night(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    odd = bytes(berth.root / "inbox") + b"/hooks_\xff.csv"
    Path(odd.decode("utf-8", "surrogateescape")).write_bytes(b"at,hook,kn\n2026-03-02T07:00:00Z,H1,90.5\n")
    night = berth.night()
    assert sorted(receipt.file for receipt in night.receipts) == ["hooks_1.csv", "hooks_\\xff.csv"]
    assert berth.waiting() == []
    assert berth.audit() == []


def test_ingest_then_nightly_ends_as_nightly_alone(berth: Berth) -> None:
    berth.deliver("hooks_2.csv", record("2026-03-03T06:00"))
    run_ingest(berth.root, [])
    assert berth.waiting() == []
    night = berth.night()
    assert night.receipts == []
    assert night.days != []
    assert berth.live() == berth.anew().live()
    assert berth.audit() == []
