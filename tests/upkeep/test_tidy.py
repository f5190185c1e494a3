"""Retention: what was superseded may go by decision, is recorded, and every figure stays what it was."""

from __future__ import annotations

import signal
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from pipeline.audit import audit_site, rebuild_site
from pipeline.backup import back_up, restore
from pipeline.errors import SiteBusy, StoreError
from pipeline.ledger.database import set_aside
from pipeline.lock import hold
from pipeline.tidy import tidy_site
from tests.cli.command import tautlog
from tests.night.berth import Berth, values

REPOSITORY = Path(__file__).resolve().parents[2]
TODAY = datetime.now(UTC).date()
LATER = TODAY + timedelta(days=2)
"""The nights of these tests run today (or just after midnight): nothing is superseded before it, all before LATER."""
KILLED_BEFORE_UNLINK = """
import os, signal, sys
from datetime import date
from pathlib import Path
from pipeline.tidy import tidy_site

def hook(event, args):
    if event == "os.remove" and "/store/" in str(args[0]):
        os.kill(os.getpid(), signal.SIGKILL)
sys.addaudithook(hook)
tidy_site(Path(sys.argv[1]), date.fromisoformat(sys.argv[2]), really=True)
"""


@pytest.fixture
def corrected(four_days: Berth, tmp_path: Path) -> Berth:
    """Late data on the 3rd, so that its sheets, its flags and those beside it were superseded."""
    for night, name in enumerate(("hooks_late.csv", "hooks_later.csv")):
        four_days.deliver(name, values("2026-03-03T18:00", [50.0, 550.0 + night, "---", 60.0]))
        four_days.night()
    return four_days


def files(berth: Berth) -> set[str]:
    return {str(path.relative_to(berth.root)) for path in berth.root.rglob("*") if path.is_file()}


def test_without_yes_it_only_says_what_would_go(corrected: Berth) -> None:
    before = files(corrected)
    ran = tautlog("tidy", corrected.root, "--superseded-before", LATER)
    assert ran.code == 0
    assert "Would go" in ran.out
    assert "repeat it with --yes" in ran.out
    told = tautlog("tidy", corrected.root, "--superseded-before", LATER, "--dry-run", "--json").json
    assert told["run_id"] is None
    assert told["kinds"]["sheets"]["files"] == sum(file["kind"] == "sheets" for file in told["files"]) > 0
    sizes = {file["path"]: (corrected.root / file["path"]).stat().st_size for file in told["files"]}
    assert {file["path"]: file["bytes"] for file in told["files"]} == sizes
    assert files(corrected) == before


def test_what_was_superseded_goes_and_every_figure_stays(corrected: Berth) -> None:
    set_aside_one(corrected)
    before, live, account = files(corrected), corrected.live(), corrected.statement()
    told = tidy_site(corrected.root, LATER, really=True)
    gone = before - files(corrected)
    named = {file["path"] for file in told["files"]}
    assert {path for path in named if not path.startswith("published")} == {
        path for path in gone if not path.startswith("published")
    }
    assert {path.split("/")[0] for path in gone} <= {"store", "published"} | {p for p in gone if "set-aside" in p}
    assert not any(path.startswith("store/samples") for path in gone)
    assert {"sheets", "flags", "ledger"} <= told["kinds"].keys()
    assert corrected.live() == live
    after = corrected.statement()
    assert {**after, "run": None} == {**account, "run": None}
    assert corrected.audit() == []
    assert rebuild_site(corrected.root) == []
    assert corrected.audit() == []
    assert corrected.night().run_id is None


def set_aside_one(berth: Berth) -> None:
    """A ledger file set aside, as an upgrade leaves it."""
    set_aside(berth.root / "ledger.duckdb")
    berth.night()


def test_what_was_removed_when_and_why_stands_in_the_chain(corrected: Berth) -> None:
    told = tidy_site(corrected.root, LATER, really=True)
    rows = corrected.rows("SELECT path, sha256, bytes, kind, superseded_run, reason FROM removed ORDER BY seq")
    assert [row[0] for row in rows] == [file["path"] for file in told["files"]]
    assert {row[5] for row in rows if row[3] == "sheets"} <= {
        f"superseded by run {run}, before {LATER}" for run in (2, 3)
    }
    [(meta,)] = corrected.rows("SELECT meta FROM runs ORDER BY run DESC LIMIT 1")
    assert meta == f'{{"tidy":{{"superseded_before":"{LATER}"}}}}'
    assert tidy_site(corrected.root, LATER, really=True)["kinds"].keys() <= {"published"}


def test_nothing_goes_that_a_later_run_superseded(corrected: Berth) -> None:
    before, runs = files(corrected), corrected.runs()
    told = tidy_site(corrected.root, TODAY, really=True)
    assert (told["kinds"], told["run_id"], corrected.runs()) == ({}, None, runs)
    assert files(corrected) == before
    ran = tautlog("tidy", corrected.root, "--superseded-before", TODAY, "--yes")
    assert (ran.code, ran.out.strip()) == (0, f"Nothing was superseded before {TODAY}; nothing goes.")


def test_a_file_that_went_without_a_record_is_still_found(corrected: Berth) -> None:
    tidy_site(corrected.root, LATER, really=True)
    live = sorted(corrected.root.glob("store/sheets/H1/2026-03-03/*"))[0]
    content = live.read_bytes()
    live.unlink()
    assert any(live.name in text and "missing" in text for text in corrected.audit())
    live.write_bytes(content)
    assert corrected.audit() == []


def test_a_loss_is_not_recorded_as_a_decision(corrected: Berth) -> None:
    lost = tidy_site(corrected.root, LATER, really=False)["files"][0]
    (corrected.root / lost["path"]).unlink()
    runs = corrected.runs()
    with pytest.raises(StoreError, match="is not taken away as if it were"):
        tidy_site(corrected.root, LATER, really=True)
    assert corrected.runs() == runs


def test_trace_of_an_old_entry_says_that_its_sheet_was_taken_away(corrected: Berth) -> None:
    [(entry,)] = corrected.rows("SELECT entry FROM entries WHERE run = 1 AND line = 'L1' AND day = '2026-03-03'")
    before = tautlog("trace", corrected.root, entry, "--json").json["trace"]
    assert "file_is" not in before["sheets"][0]
    told = tidy_site(corrected.root, LATER, really=True)
    after = tautlog("trace", corrected.root, entry, "--json")
    assert after.code == 0
    (sheet,) = after.json["trace"]["sheets"]
    assert sheet["file_is"] == f"taken away by decision in run {corrected.runs()}: superseded by run 2, before {LATER}"
    assert sheet["path"] in {file["path"] for file in told["files"]}
    assert after.json["trace"]["heaviest_cycles"] == before["heaviest_cycles"]


def test_a_tidy_that_died_has_its_record_and_is_finished_by_the_next(corrected: Berth) -> None:
    planned = tidy_site(corrected.root, LATER, really=False)
    stored = {file["path"] for file in planned["files"] if file["path"].startswith("store/")}
    words = [sys.executable, "-c", KILLED_BEFORE_UNLINK, str(corrected.root), str(LATER)]
    done = subprocess.run(words, cwd=REPOSITORY, check=False)
    assert done.returncode == -signal.SIGKILL
    assert corrected.runs() == 4
    assert stored <= files(corrected)
    assert corrected.audit() == []
    corrected.night()
    assert stored <= files(corrected)  # they are named still: no night sweeps them away
    told = tidy_site(corrected.root, LATER, really=True)
    assert told["finished"] == len(stored)
    assert stored & files(corrected) == set()
    assert corrected.audit() == []


def test_a_backup_made_before_and_one_made_after_both_agree(corrected: Berth, tmp_path: Path) -> None:
    back_up(corrected.root, tmp_path / "before")
    told = tidy_site(corrected.root, LATER, really=True)
    gone = [file["path"] for file in told["files"] if file["kind"] in ("sheets", "flags")]
    back_up(corrected.root, tmp_path / "before")
    back_up(corrected.root, tmp_path / "after")
    assert all((tmp_path / "before" / path).exists() for path in gone)
    assert not any((tmp_path / "after" / path).exists() for path in gone)
    for dest in ("before", "after"):
        assert audit_site(tmp_path / dest) == []
        restore(tmp_path / dest, tmp_path / f"{dest}-restored")
        assert audit_site(tmp_path / f"{dest}-restored") == []


def test_a_wrong_use_is_refused(corrected: Berth, tmp_path: Path) -> None:
    with hold(corrected.root / "run.lock", "nightly"):
        tidy_site(corrected.root, TODAY, really=False)
        with pytest.raises(SiteBusy):
            tidy_site(corrected.root, TODAY, really=True)
    assert tautlog("tidy", corrected.root).code == 2
    assert tautlog("tidy", corrected.root, "--superseded-before", TODAY, "--yes", "--dry-run").code == 2
    assert tautlog("tidy", tmp_path, "--superseded-before", TODAY).code == 78
