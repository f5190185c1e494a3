"""Only what nobody writes to any more is taken out of the inbox, so that no line is lost after it."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipeline.night.inbox import let_go, look_again, look_at, open_for_writing
from pipeline.night.intake import Inbox
from pipeline.nightly import run_ingest
from tests.cli.command import tautlog
from tests.night.berth import Berth, log_text, make_berth, record

DAY = "2026-03-02"
LOGGER = """
import sys, time
from datetime import datetime, timedelta, UTC

path, lines, pause_s = sys.argv[1], int(sys.argv[2]), float(sys.argv[3])
at = datetime(2026, 3, 2, 6, tzinfo=UTC)
with open(path, "w") as log:
    log.write("at,hook,kn\\n")
    log.flush()
    print("writing", flush=True)
    for i in range(lines):
        log.write(f"{(at + timedelta(seconds=i)).isoformat()},H1,{100 + i}\\n")
        log.flush()
        time.sleep(pause_s)
"""


@pytest.fixture
def berth(tmp_path: Path) -> Berth:
    return make_berth(tmp_path / "b")


def set_settle(berth: Berth, settle_s: float) -> None:
    berth.edit("site.toml", "settle_s = 0\n", f"settle_s = {settle_s}\n")


def written(path: Path, age_s: float) -> Path:
    """A file last written so long ago; negative: by a clock that is ahead."""
    path.write_bytes(b"x")
    at_ns = time.time_ns() - round(age_s * 1e9)
    os.utime(path, ns=(at_ns, at_ns))
    return path


def test_what_a_slow_logger_writes_while_nights_run_ends_stored_once(berth: Berth) -> None:
    set_settle(berth, 0.05)
    log = berth.root / "inbox" / "hooks_live.csv"
    with subprocess.Popen([sys.executable, "-c", LOGGER, str(log), "60", "0.1"], stdout=subprocess.PIPE) as logger:
        assert logger.stdout is not None
        logger.stdout.readline()
        receipts, nights = [], 0
        while logger.poll() is None:
            receipts = berth.night().receipts
            if logger.poll() is None:
                # It pauses for longer than settle_s: that it holds the file open is all there is to go by.
                assert receipts == []
                nights += 1
    assert nights >= 2
    time.sleep(0.1)
    (receipt,) = receipts or berth.night().receipts
    assert (receipt.lines, receipt.stored, receipt.quarantined) == (61, 60, 0)
    raw = (berth.root / "raw" / receipt.sha256).read_text()
    assert [row.rpartition(",")[2] for row in raw.split()[1:]] == [str(100 + i) for i in range(60)]
    assert berth.waiting() == []
    assert [row["stored"] for row in berth.receipts()] == [60]
    assert berth.findings() == []
    assert berth.audit() == []


def test_a_file_held_open_stays_without_a_wait_and_is_told_once(berth: Berth) -> None:
    log = berth.root / "inbox" / "hooks_1.csv"
    with log.open("wb") as writer:
        writer.write(log_text(record(f"{DAY}T06:00")))
        writer.flush()
        first = tautlog("nightly", berth.root, "--json")
        assert first.code == 1
        assert [(f["kind"], f["subject"], f["severity"]) for f in first.json["findings"]] == [
            ("unsettled", "hooks_1.csv", "info")
        ]
        second = tautlog("nightly", berth.root, "--json")
        assert (second.code, second.json["run_id"]) == (0, None)
        assert berth.findings() == [("unsettled", "hooks_1.csv")]
    assert len(berth.night().receipts) == 1
    assert berth.findings() == []


def test_a_file_just_written_is_waited_for(berth: Berth) -> None:
    set_settle(berth, 0.7)
    berth.deliver("hooks_1.csv", record(f"{DAY}T06:00"))
    written_ns = (berth.root / "inbox" / "hooks_1.csv").stat().st_mtime_ns
    assert [receipt.stored for receipt in berth.night().receipts] == [40]
    assert time.time_ns() - written_ns >= 0.7e9


def test_a_file_that_would_take_long_to_settle_stays_and_the_run_goes_on(berth: Berth) -> None:
    set_settle(berth, 600)
    berth.deliver("hooks_1.csv", record(f"{DAY}T06:00"))
    berth.deliver("hooks_2.csv", record(f"{DAY}T07:00"))
    old_ns = time.time_ns() - 601 * 10**9
    os.utime(berth.root / "inbox" / "hooks_2.csv", ns=(old_ns, old_ns))
    assert [receipt.file for receipt in berth.night().receipts] == ["hooks_2.csv"]
    assert berth.waiting() == ["hooks_1.csv"]
    assert berth.findings() == [("unsettled", "hooks_1.csv")]
    os.utime(berth.root / "inbox" / "hooks_1.csv", ns=(old_ns, old_ns))
    assert [receipt.file for receipt in berth.night().receipts] == ["hooks_1.csv"]
    assert berth.findings() == []


def test_a_file_named_by_hand_is_taken_as_it_is(berth: Berth, tmp_path: Path) -> None:
    set_settle(berth, 600)
    log = tmp_path / "hooks_1.csv"
    log.write_bytes(log_text(record(f"{DAY}T06:00")))
    with log.open("ab"):
        assert [receipt.stored for receipt in run_ingest(berth.root, [log]).receipts] == [40]
    assert log.exists()


def test_files_are_told_apart_by_when_they_were_written(tmp_path: Path) -> None:
    old, new = written(tmp_path / "old", 10), written(tmp_path / "new", 1)
    ahead, gone = written(tmp_path / "ahead", -3600), tmp_path / "gone"
    seen = look_at([old, new, ahead, gone], 2.0)
    assert (seen.settled, seen.unsettled) == ([old], [])
    assert seen.fresh.keys() == {new, ahead}
    assert seen.fresh[new].wait_s == pytest.approx(1.0, abs=0.5)
    assert seen.fresh[ahead].wait_s == 2.0  # it proves nothing of when it was written
    assert look_at([new], 60).unsettled == [new]
    assert look_at([new, ahead], 0).settled == [new, ahead]


def test_of_files_just_written_those_settle_that_stand_still(tmp_path: Path) -> None:
    still, grows, touched, goes = (written(tmp_path / name, 0) for name in ("still", "grows", "touched", "goes"))
    seen = look_at([still, grows, touched, goes], 0.2)
    grows.write_bytes(b"longer")
    written(touched, -5)
    goes.unlink()
    started_s = time.monotonic()
    again = look_again(seen)
    assert time.monotonic() - started_s >= max(found.wait_s for found in seen.fresh.values())
    assert (again.settled, again.unsettled) == ([still], [grows, touched])


def test_nothing_fresh_is_nothing_to_wait_for(tmp_path: Path) -> None:
    seen = look_at([written(tmp_path / "old", 3)], 2.0)
    started_s = time.monotonic()
    again = look_again(seen)
    assert (again.settled, again.unsettled) == ([], [])
    assert time.monotonic() - started_s < 0.1


def test_whoever_has_a_file_open_for_writing_is_seen_and_who_reads_it_is_not(tmp_path: Path) -> None:
    path = written(tmp_path / "log", 0)
    assert not open_for_writing(path)
    with path.open("rb"):
        assert not open_for_writing(path)
    with path.open("ab"):
        assert open_for_writing(path)
    assert not open_for_writing(path)
    assert not open_for_writing(tmp_path / "gone")


def test_a_writer_that_opens_while_we_look_is_not_kept_waiting_and_we_live_on(tmp_path: Path) -> None:
    path = written(tmp_path / "log", 0)
    opener = "import sys\nfor _ in range(3000):\n    open(sys.argv[1], 'ab').close()\n"
    with subprocess.Popen([sys.executable, "-c", opener, str(path)]) as writer:
        seen = 0
        while writer.poll() is None:
            seen += open_for_writing(path)
    assert writer.returncode == 0
    assert not open_for_writing(path)


def test_a_file_that_was_opened_again_before_it_left_stays(berth: Berth, monkeypatch: pytest.MonkeyPatch) -> None:
    data = berth.deliver("hooks_1.csv", record(f"{DAY}T06:00"))
    log = berth.root / "inbox" / "hooks_1.csv"

    def reopened_first(files: list[Inbox]) -> None:
        with log.open("ab") as late:
            let_go(files)
            late.write(b"2026-03-02T07:00:00Z,H1,77.5\n")

    monkeypatch.setattr("pipeline.nightly.let_go", reopened_first)
    assert len(berth.night().receipts) == 1
    monkeypatch.undo()
    assert log.read_bytes() == data + b"2026-03-02T07:00:00Z,H1,77.5\n"
    (receipt,) = berth.night().receipts
    assert (receipt.stored, receipt.duplicate) == (1, 40)
    assert berth.audit() == []
