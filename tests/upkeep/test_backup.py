"""Backup and restore: whole or not called good, never in a night's way, and what comes back is the site."""

from __future__ import annotations

import hashlib
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from pipeline.audit import audit_site
from pipeline.backup import back_up, read_mark, restore
from pipeline.errors import RegisterError, SiteBusy, StoreError
from pipeline.lock import hold
from pipeline.manifest import chain
from pipeline.nightly import run_night
from pipeline.watch import Facts, Silent
from tests.cli.command import tautlog
from tests.extent import few
from tests.night.berth import Berth, record, values

REPOSITORY = Path(__file__).resolve().parents[2]
KILLED_AT_RENAME = """
import os, signal, sys
from pathlib import Path
from pipeline.backup import back_up

left = [int(sys.argv[3])]
def hook(event, args):
    if event == "os.rename":
        left[0] -= 1
        if left[0] == 0:
            os.kill(os.getpid(), signal.SIGKILL)
sys.addaudithook(hook)
back_up(Path(sys.argv[1]), Path(sys.argv[2]))
"""


class Between(Silent):
    """Has something happen as soon as a stage of the backup is done."""

    def __init__(self, stage: str, happens: Callable[[], object]) -> None:
        self._stage, self._happens = stage, happens

    @contextmanager
    def stage(self, name: str) -> Iterator[Facts]:
        yield {}
        if name == self._stage:
            self._happens()


@pytest.fixture
def dest(tmp_path: Path) -> Path:
    return tmp_path / "backup"


def contents(root: Path, *names: str) -> dict[str, str]:
    """SHA-256 of every file below some folders of a site."""
    return {
        str(path.relative_to(root)): hashlib.sha256(path.read_bytes()).hexdigest()
        for name in names
        for path in sorted((root / name).rglob("*"))
        if path.is_file()
    }


EVIDENCE = ("raw", "store", "quarantine", "manifests", "specs", "layouts")


def test_a_backup_is_a_site_that_audit_agrees_with_and_answers_the_same(four_days: Berth, dest: Path) -> None:
    told = back_up(four_days.root, dest)
    assert (told["run"], told["already"]) == (1, 0)
    assert contents(dest, *EVIDENCE) == contents(four_days.root, *EVIDENCE)
    assert audit_site(dest) == []
    for words in (["statement", "L1"], ["status"], ["events"], ["receipts"]):
        command, *rest = words
        assert tautlog(command, dest, *rest, "--json").json == tautlog(command, four_days.root, *rest, "--json").json
    assert all(path.stat().st_mode & 0o222 == 0 for path in (dest / "raw").iterdir())


def test_a_second_backup_copies_only_what_is_new(four_days: Berth, dest: Path) -> None:
    first = back_up(four_days.root, dest)
    again = back_up(four_days.root, dest)
    assert (again["copied"], again["already"]) == (0, first["copied"])
    before = contents(dest, *EVIDENCE)
    four_days.deliver("hooks_late.csv", values("2026-03-03T18:00", [50.0, 550.0, 60.0]))
    four_days.night()
    new = contents(four_days.root, *EVIDENCE).keys() - before.keys()
    told = back_up(four_days.root, dest)
    assert (told["run"], told["copied"]) == (2, len(new))
    assert audit_site(dest) == []


def test_a_restored_site_agrees_and_its_next_night_posts_nothing(four_days: Berth, dest: Path, tmp_path: Path) -> None:
    four_days.deliver("photo.jpg", b"no layout matches this")
    four_days.night()
    back_up(four_days.root, dest)
    site = tmp_path / "again"
    told = restore(dest, site)
    assert told["run"] == 2
    assert audit_site(site) == []
    assert run_night(site).run_id is None
    restored = Berth(site)
    assert restored.live() == four_days.live()
    assert restored.waiting() == ["photo.jpg"]


def test_a_night_between_the_head_and_the_manifests_is_left_to_the_next_backup(four_days: Berth, dest: Path) -> None:
    four_days.deliver("hooks_next.csv", record("2026-03-06T06:00"))
    told = back_up(four_days.root, dest, watch=Between("files", four_days.night))
    assert told["run"] == 1
    assert four_days.runs() == 2
    assert audit_site(dest) == []
    # What waited is in the backup's inbox, though the night has taken it out of the site's.
    assert [path.name for path in (dest / "inbox").iterdir()] == ["hooks_next.csv"]
    assert back_up(four_days.root, dest)["run"] == 2
    assert list((dest / "inbox").iterdir()) == []
    assert audit_site(dest) == []


def test_a_restore_of_such_a_backup_has_the_delivery_and_comes_to_the_same(
    four_days: Berth, dest: Path, tmp_path: Path
) -> None:
    four_days.deliver("hooks_next.csv", record("2026-03-06T06:00"))
    back_up(four_days.root, dest, watch=Between("files", four_days.night))
    restore(dest, tmp_path / "again")
    restored = Berth(tmp_path / "again")
    restored.night()
    assert restored.live() == four_days.live()


def test_a_backup_needs_no_lock_on_the_site(four_days: Berth, dest: Path) -> None:
    with hold(four_days.root / "run.lock", "nightly"):
        back_up(four_days.root, dest)
    assert audit_site(dest) == []


@pytest.mark.parametrize("renames", few([1, 15, 40, 3, 9, 25, 60], 3))
def test_a_killed_backup_is_finished_by_the_next(four_days: Berth, dest: Path, renames: int) -> None:
    words = [sys.executable, "-c", KILLED_AT_RENAME, str(four_days.root), str(dest), str(renames)]
    done = subprocess.run(words, cwd=REPOSITORY, check=False, capture_output=True)
    assert done.returncode in (-signal.SIGKILL, 0)
    if done.returncode != 0:
        assert read_mark(dest) is None
    back_up(four_days.root, dest)
    assert contents(dest, *EVIDENCE) == contents(four_days.root, *EVIDENCE)
    assert audit_site(dest) == []


def test_a_killed_backup_leaves_the_one_before_as_good_as_it_was(four_days: Berth, dest: Path, tmp_path: Path) -> None:
    back_up(four_days.root, dest)
    before = four_days.live()
    four_days.deliver("hooks_next.csv", record("2026-03-06T06:00"))
    four_days.edit("specs/rope.toml", "m = 4.5", "m = 4.0")
    four_days.night()

    class Died(Exception):
        pass

    def die() -> None:
        raise Died

    for stage in ("inbox", "files"):
        with pytest.raises(Died):
            back_up(four_days.root, dest, watch=Between(stage, die))
        site = tmp_path / stage
        assert restore(dest, site)["run"] == 1
        assert audit_site(site) == []
        assert Berth(site).live() == before
        assert run_night(site).run_id is None


@pytest.mark.parametrize("harm", ["altered", "missing"])
@pytest.mark.parametrize(
    "pattern", few(["store/samples/*/*/*", "manifests/archive/*", "raw/*", "store/sheets/*/*/*"], 2)
)
def test_a_file_that_is_not_as_committed_is_named_and_the_backup_not_called_good(
    four_days: Berth, dest: Path, pattern: str, harm: str
) -> None:
    path = sorted(four_days.root.glob(pattern))[0]
    if harm == "missing":
        path.unlink()
    else:
        data = bytearray(path.read_bytes())
        data[len(data) // 2] ^= 1
        path.chmod(0o644)
        path.write_bytes(data)
    ran = tautlog("backup", four_days.root, dest)
    assert (ran.code, ran.out) == (74, "")
    assert f"{path.relative_to(four_days.root)} {harm}" in ran.err
    assert "not called good" in ran.err
    assert read_mark(dest) is None
    assert chain(dest) == []
    with pytest.raises(StoreError, match="no backup was finished here"):
        restore(dest, four_days.root.parent / "again")


def test_an_altered_table_of_a_run_is_named(four_days: Berth, dest: Path) -> None:
    path = next(four_days.root.glob("manifests/*/parts.parquet"))
    path.write_bytes(path.read_bytes()[:-1] + b"x")
    with pytest.raises(StoreError, match=r"parts.parquet: not the bytes that run 1 committed"):
        back_up(four_days.root, dest)
    assert read_mark(dest) is None


@pytest.mark.parametrize("harm", ["altered", "missing"])
def test_a_damaged_backup_is_not_restored_as_if_it_were_whole(
    four_days: Berth, dest: Path, tmp_path: Path, harm: str
) -> None:
    back_up(four_days.root, dest)
    path = sorted((dest / "raw").iterdir())[0]
    path.unlink()
    if harm == "altered":
        path.write_bytes(b"other bytes")
    ran = tautlog("restore", dest, tmp_path / "again")
    assert (ran.code, ran.out) == (74, "")
    assert f"raw/{path.name} {harm}" in ran.err
    assert not (tmp_path / "again" / "manifests" / "000001.json").exists()


def test_a_file_cut_short_in_the_backup_is_copied_again(four_days: Berth, dest: Path) -> None:
    back_up(four_days.root, dest)
    path = sorted(dest.glob("store/samples/*/*/*"))[0]
    path.write_bytes(path.read_bytes()[:-5])
    assert back_up(four_days.root, dest)["copied"] == 1
    assert audit_site(dest) == []


def test_a_file_that_the_site_lost_since_is_told_and_stays_in_the_backup(four_days: Berth, dest: Path) -> None:
    back_up(four_days.root, dest)
    lost = sorted((four_days.root / "raw").iterdir())[0]
    lost.unlink()
    ran = tautlog("backup", four_days.root, dest)
    assert ran.code == 1
    assert f"raw/{lost.name} is missing in the site, and stands here" in ran.out
    assert audit_site(dest) == []


def test_an_inbox_that_is_a_link_is_followed(four_days: Berth, dest: Path, tmp_path: Path) -> None:
    (four_days.root / "inbox").rename(tmp_path / "elsewhere")
    (four_days.root / "inbox").symlink_to(tmp_path / "elsewhere")
    (four_days.root / "notes").symlink_to(four_days.root)
    four_days.deliver("hooks_next.csv", record("2026-03-06T06:00"))
    back_up(four_days.root, dest)
    assert [path.name for path in (dest / "inbox").iterdir()] == ["hooks_next.csv"]
    assert not (dest / "notes").exists()


def test_a_hidden_file_is_left_alone_as_somebodys_unfinished_copy(four_days: Berth, dest: Path) -> None:
    four_days.deliver(".hooks_half.csv", b"at,ho")
    back_up(four_days.root, dest)
    assert list((dest / "inbox").iterdir()) == []


def test_what_people_change_or_take_away_is_kept_aside(four_days: Berth, dest: Path, tmp_path: Path) -> None:
    four_days.write("notes/handover.txt", "first")
    back_up(four_days.root, dest)
    four_days.write("notes/handover.txt", "second")
    (four_days.root / "layouts" / "hooks.toml").rename(four_days.root / "layouts" / "quay.toml")
    back_up(four_days.root, dest)
    assert (dest / "notes" / "handover.txt").read_text() == "second"
    aside = (path for path in (dest / "superseded").rglob("*.*") if path.is_file())
    kept = {path.name.rsplit(".", 1)[0]: path.read_text() for path in aside}
    assert kept["handover.txt"] == "first"
    assert "hooks.toml" in kept
    restore(dest, tmp_path / "again")
    assert [path.name for path in (tmp_path / "again" / "layouts").iterdir()] == ["quay.toml"]


def test_folders_that_may_not_be_written_to_are_refused(four_days: Berth, dest: Path, tmp_path: Path) -> None:
    root = four_days.root
    for wrong in (root, root / "backup", root.parent):
        with pytest.raises(RegisterError, match="cannot be backed up into itself"):
            back_up(root, wrong)
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("mine")
    with pytest.raises(StoreError, match="holds something that is no backup"):
        back_up(root, tmp_path / "full")
    with pytest.raises(RegisterError, match="not a site folder"):
        back_up(tmp_path / "full", dest)
    back_up(root, dest)
    with pytest.raises(StoreError, match="the folder is not empty"):
        restore(dest, tmp_path / "full")
    with pytest.raises(RegisterError, match="this is a backup itself"):
        back_up(dest, tmp_path / "other")
    with hold(dest / "run.lock", "backup"), pytest.raises(SiteBusy):
        back_up(root, dest)
    assert [path.name for path in (tmp_path / "full").iterdir()] == ["mine.txt"]


def test_a_backup_that_holds_other_runs_is_refused(four_days: Berth, dest: Path, tmp_path: Path) -> None:
    earlier = four_days.copy(tmp_path / "earlier")
    four_days.deliver("hooks_next.csv", record("2026-03-06T06:00"))
    four_days.night()
    back_up(four_days.root, dest)
    with pytest.raises(StoreError, match="the backup holds runs that the site does not"):
        back_up(earlier.root, dest)
    earlier.deliver("hooks_other.csv", record("2026-03-07T06:00"))
    earlier.night()
    with pytest.raises(StoreError, match="the backup holds runs that the site does not"):
        back_up(earlier.root, dest)
    assert audit_site(dest) == []


def test_the_commands_tell_what_they_did(four_days: Berth, dest: Path, tmp_path: Path) -> None:
    ran = tautlog("backup", four_days.root, dest)
    assert ran.code == 0
    assert "is good up to run 1" in ran.out
    told = tautlog("backup", four_days.root, dest, "--json").json
    assert (told["version"], told["run"], told["copied"]) == (1, 1, 0)
    shutil.rmtree(four_days.root)
    ran = tautlog("restore", dest, four_days.root)
    assert ran.code == 0
    assert "is made anew up to run 1" in ran.out
    assert tautlog("audit", four_days.root).code == 0
