"""Health: from files alone, without the right to write, and quickly; what is wrong is said in words."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from pipeline.lastnight import MARK
from pipeline.lock import hold, is_held, note_of
from tests.cli.command import tautlog
from tests.night.berth import Berth, make_berth, record

REPOSITORY = Path(__file__).resolve().parents[2]
LONG_AGO = "since 2026-03-01T00:00:00Z"


@pytest.fixture
def berth(tmp_path: Path) -> Berth:
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    berth.night()
    return berth


def aged(berth: Berth, hours: float) -> None:
    """Make the last good night older."""
    mark = json.loads((berth.root / MARK).read_text())
    mark["ended_us"] -= round(hours * 3600e6)
    (berth.root / MARK).write_text(json.dumps(mark))


@contextmanager
def held_long(berth: Berth) -> Iterator[None]:
    with hold(berth.root / "run.lock", "nightly", heals=False):
        (berth.root / "run.lock").write_text(f"nightly, process 1 on elsewhere, {LONG_AGO}")
        yield


def test_a_site_after_its_night_is_well(berth: Berth) -> None:
    ran = tautlog("health", berth.root)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == "b1: well; last good night 0.0 h ago, run 1\n"


def test_a_site_without_a_night_for_too_long_is_not(berth: Berth) -> None:
    aged(berth, 25.9)
    assert tautlog("health", berth.root).code == 0
    aged(berth, 0.2)
    ran = tautlog("health", berth.root)
    assert ran.code == 1
    assert "no good night for 26.1 h (allowed: 26)" in ran.out
    assert tautlog("health", berth.root, "--max-age-h", "27").code == 0


def test_a_night_with_nothing_new_keeps_a_site_well_and_an_ingest_does_not(berth: Berth) -> None:
    aged(berth, 30)
    berth.deliver("hooks_2.csv", record("2026-03-03T06:00"))
    tautlog("ingest", berth.root)
    assert tautlog("health", berth.root).code == 1
    berth.night()
    aged(berth, 30)
    assert berth.night().run_id is None
    assert tautlog("health", berth.root).code == 0


def test_a_site_that_never_had_a_night_is_not_well(tmp_path: Path) -> None:
    ran = tautlog("health", make_berth(tmp_path / "b").root)
    assert ran.code == 1
    assert "no night has come to its end yet" in ran.out


def test_a_failed_night_takes_nothing_from_the_last_good_one(berth: Berth) -> None:
    aged(berth, 20)
    mark = (berth.root / MARK).read_bytes()
    berth.edit("rigging.csv", "L1,H1", "L1,H3")
    assert tautlog("nightly", berth.root).code == 78
    assert (berth.root / MARK).read_bytes() == mark
    assert tautlog("health", berth.root).code == 0
    assert tautlog("health", berth.root, "--max-age-h", "19").code == 1


def test_a_last_night_in_the_future_is_told(berth: Berth) -> None:
    aged(berth, -3)
    ran = tautlog("health", berth.root)
    assert ran.code == 1
    assert "3.0 h in the future; a clock is or was wrong" in ran.out


def test_a_run_that_holds_the_site_for_too_long_is_told_with_its_name(berth: Berth) -> None:
    with hold(berth.root / "run.lock", "nightly", heals=False):
        assert tautlog("health", berth.root).code == 0  # it has just begun
    with held_long(berth):
        ran = tautlog("health", berth.root)
        assert ran.code == 1
        assert "a run has held the site for" in ran.out
        assert f"process 1 on elsewhere, {LONG_AGO}" in ran.out
        assert tautlog("health", berth.root, "--max-run-h", "1e9").code == 0


def test_the_note_of_a_run_that_died_holds_nothing(berth: Berth) -> None:
    (berth.root / "run.lock").write_text(f"nightly, process 1 on elsewhere, {LONG_AGO}")
    assert not is_held(berth.root / "run.lock")
    assert tautlog("health", berth.root).code == 0
    berth.night()
    assert note_of(berth.root / "run.lock") == ""


def test_a_snapshot_behind_the_head_or_lost_is_told(berth: Berth) -> None:
    before = os.readlink(berth.root / "published" / "current")
    berth.deliver("hooks_2.csv", record("2026-03-03T06:00"))
    berth.night()
    assert tautlog("health", berth.root).code == 0
    (berth.root / "published" / "current").unlink()
    ran = tautlog("health", berth.root)
    assert (ran.code, "nothing that readers could open" in ran.out) == (1, True)
    os.symlink(before, berth.root / "published" / "current")
    ran = tautlog("health", berth.root)
    assert (ran.code, "readers see run 1, the newest is 2" in ran.out) == (1, True)
    berth.night()
    assert tautlog("health", berth.root).code == 0


def test_findings_of_severity_error_are_told_and_warnings_are_not(berth: Berth) -> None:
    (berth.root / "inbox" / "photo.jpg").write_bytes(b"x")
    berth.night()
    ran = tautlog("health", berth.root, "--json")
    assert (ran.code, ran.json["sites"][0]["findings"]) == (0, {"warning": 1})
    (berth.root / "inbox" / "hooks_9.csv.gz").write_bytes(b"no gzip at all")
    berth.night()
    ran = tautlog("health", berth.root)
    assert ran.code == 1
    assert "findings of severity error stand: 1 unreadable-file" in ran.out
    (berth.root / "inbox" / "hooks_9.csv.gz").unlink()
    berth.night()
    assert tautlog("health", berth.root).code == 0


def test_of_several_sites_each_is_told_and_one_that_is_not_well_decides(berth: Berth, tmp_path: Path) -> None:
    ran = tautlog("health", berth.root, tmp_path, "--json")
    assert ran.code == 1
    assert (ran.json["version"], ran.json["healthy"]) == (1, False)
    well, none = ran.json["sites"]
    assert (well["site"], well["healthy"], well["run"], well["published_run"]) == ("b1", True, 1, 1)
    assert none["problems"] == ["not a site folder: it has no site.toml; check the folder's name, or what is mounted"]


def test_a_mark_or_manifest_that_cannot_be_read_is_a_problem_and_no_crash(berth: Berth) -> None:
    (berth.root / MARK).write_text("{")
    (berth.root / "manifests" / "000001.json").write_text("{")
    ran = tautlog("health", berth.root, "--json")
    assert ran.code == 1
    first, second = ran.json["sites"][0]["problems"]
    assert MARK in first
    assert "000001.json: not a whole manifest" in second


def test_it_changes_nothing_and_loads_nothing_heavy(berth: Berth) -> None:
    script = (
        "import sys; sys.argv = sys.argv[1:]\n"
        "from pipeline.cli import main\n"
        "try: main()\n"
        "except SystemExit as ended:\n"
        "    heavy = {'duckdb', 'polars', 'pyarrow', 'numpy', 'numba', 'pydantic', 'prometheus_client'}\n"
        "    print(ended.code, sorted(heavy & set(sys.modules)))\n"
    )
    before = sorted((path, path.lstat().st_mtime_ns) for path in berth.root.rglob("*"))
    done = subprocess.run(
        [sys.executable, "-c", script, "tautlog", "health", str(berth.root)],
        capture_output=True, text=True, check=True, cwd=REPOSITORY,
    )  # fmt: skip
    assert done.stdout.splitlines()[-1] == "0 []"
    assert sorted((path, path.lstat().st_mtime_ns) for path in berth.root.rglob("*")) == before
