"""Wherever a run dies, the next one heals and ends the same."""

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from pipeline.errors import StoreError
from pipeline.watch import Facts, Silent
from tests.extent import few
from tests.night.berth import Berth, record, values

REPOSITORY = Path(__file__).resolve().parents[2]
STAGES = ("ingest", "sheets", "accounts", "publish")
KILLED = """
import os, signal, sys
from contextlib import contextmanager
from pathlib import Path
from pipeline.nightly import run_night
from pipeline.watch import Silent

class Killer(Silent):
    @contextmanager
    def stage(self, name):
        yield {}
        if name == sys.argv[2]:
            os.kill(os.getpid(), signal.SIGKILL)

run_night(Path(sys.argv[1]), watch=Killer())
"""

LIMITED = """
import resource, sys
from pathlib import Path
from pipeline.errors import StoreError
from pipeline.nightly import run_night

resource.setrlimit(resource.RLIMIT_FSIZE, (16_000, 16_000))
try:
    run_night(Path(sys.argv[1]))
except StoreError as error:
    print(error)
"""


class Died(Exception):
    """Stands for whatever ends a run."""


class Notes(Silent):
    """Keeps what a run notes."""

    def __init__(self) -> None:
        self.texts: list[str] = []

    def note(self, text: str) -> None:
        self.texts.append(text)


class DiesIn(Silent):
    """Ends the run at the end of a stage."""

    def __init__(self, stage: str) -> None:
        self._stage = stage

    @contextmanager
    def stage(self, name: str) -> Iterator[Facts]:
        yield {}
        if name == self._stage:
            raise Died(name)


@pytest.fixture
def news(four_days: Berth) -> Berth:
    """Four posted days, a late file, a new day and a changed spec: something to do in every stage."""
    four_days.deliver("hooks_late.csv", values("2026-03-03T18:00", [50.0, 550.0, 60.0]))
    four_days.deliver("hooks_next.csv", record("2026-03-06T06:00"))
    four_days.edit("specs/rope.toml", "m = 4.5", "m = 4.0")
    return four_days


def healed(berth: Berth, watch: Notes | None = None) -> None:
    berth.night(watch=watch)
    assert berth.waiting() == []
    assert berth.audit() == []
    assert berth.live() == berth.anew().live()
    assert berth.night().run_id is None


@pytest.mark.parametrize("stage", few(["accounts", "ingest", "sheets"], 1))
def test_a_run_that_ends_before_its_commit_has_not_happened(news: Berth, stage: str) -> None:
    before = news.live()
    with pytest.raises(Died):
        news.night(watch=DiesIn(stage))
    assert news.runs() == 1
    assert news.live() == before
    assert news.waiting() == ["hooks_late.csv", "hooks_next.csv"]
    notes = Notes()
    healed(news, notes)
    (note,) = notes.texts
    assert note.startswith(f"an earlier run died (nightly, process {os.getpid()} on ")
    assert "swept away" in note


def test_a_run_that_ends_after_its_commit_has_happened(news: Berth) -> None:
    with pytest.raises(Died):
        news.night(watch=DiesIn("publish"))
    assert news.runs() == 2
    assert news.waiting() == []
    assert news.live() == news.anew().live()
    assert news.night().run_id is None
    assert news.audit() == []


@pytest.mark.parametrize("stage", few(["publish", "sheets"], 1))
def test_a_run_that_is_killed_is_healed_by_the_next(news: Berth, stage: str) -> None:
    done = subprocess.run([sys.executable, "-c", KILLED, str(news.root), stage], cwd=REPOSITORY, check=False)
    assert done.returncode == -signal.SIGKILL
    assert (news.root / "run.lock").read_text().startswith("nightly, process ")
    healed(news)


def test_an_audit_between_a_death_and_the_next_night_takes_nothing_from_the_healing(news: Berth) -> None:
    with pytest.raises(Died):
        news.night(watch=DiesIn("accounts"))
    assert all(text.endswith("no manifest names it") for text in news.audit())
    healed(news)


def test_a_ledger_that_missed_a_committed_run_takes_it_in(news: Berth) -> None:
    shutil.copy(news.root / "ledger.duckdb", news.root / "ledger-before")
    published = (news.root / "published" / "current").readlink()
    shutil.copytree(news.root / "published" / published, news.root / "published-before")
    news.night()
    after = news.live()
    (news.root / "ledger-before").replace(news.root / "ledger.duckdb")
    shutil.rmtree(news.root / "published")
    (news.root / "published").mkdir()
    (news.root / "published-before").rename(news.root / "published" / published)
    (news.root / "published" / "current").symlink_to(published)
    assert news.audit() != []
    notes = Notes()
    assert news.night(watch=notes).run_id is None
    assert notes.texts == ["took in 1 run that the ledger had missed, up to run 2"]
    assert news.live() == after
    assert news.audit() == []


def test_a_disk_that_refuses_the_snapshot_keeps_the_run_and_the_inbox(news: Berth) -> None:
    shutil.move(news.root / "published", news.root / "elsewhere")
    (news.root / "published").write_text("in the way")
    with pytest.raises(StoreError, match="cannot publish"):
        news.night()
    assert news.runs() == 2
    assert news.waiting() == ["hooks_late.csv", "hooks_next.csv"]  # nothing is let go before all is safe
    (news.root / "published").unlink()
    news.night()
    assert news.waiting() == []
    assert news.audit() == []
    assert news.live() == news.anew().live()


def test_a_disk_that_refuses_the_ledgers_log_at_its_commit_keeps_the_run(news: Berth) -> None:
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(news.root)], cwd=REPOSITORY, capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith("the ledger cannot take in run 2: "), done.stdout
    assert news.runs() == 2
    assert news.waiting() == ["hooks_late.csv", "hooks_next.csv"]
    news.night()  # tells that two files came again, which the run after it takes back
    healed(news)


@pytest.mark.parametrize("lost", ["ledger.duckdb", "published"])
def test_what_is_made_from_the_manifests_may_be_lost(news: Berth, lost: str) -> None:
    news.night()
    before = news.live()
    path = news.root / lost
    shutil.rmtree(path) if path.is_dir() else path.unlink()
    assert news.audit() != []
    assert news.night().run_id is None
    assert news.live() == before
    assert news.audit() == []
