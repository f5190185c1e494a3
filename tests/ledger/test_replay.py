"""The ledger is an index of the manifests: whatever happens to its file, it comes back the same."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import duckdb
import pytest

from pipeline import manifest
from pipeline.errors import SiteBusy, StoreError
from pipeline.ledger.apply import apply
from pipeline.ledger.checks import ledger_differences
from pipeline.ledger.database import catch_up, create, ledger_file, log_of, open_ledger
from tests.extent import few
from tests.ledger import makers

KILLED = """
import os, sys
from pathlib import Path
from pipeline.ledger.database import open_ledger
ledger = open_ledger(Path(sys.argv[1]))
os._exit(9)
"""
HELD = """
import sys
from pathlib import Path
from pipeline.ledger.database import open_ledger
with open_ledger(Path(sys.argv[1])):
    print("open", flush=True)
    sys.stdin.read()
"""
ROOT = Path(__file__).parent.parent.parent


def commit_some(site: Path, run: int) -> manifest.Manifest:
    day = makers.DAY + timedelta(days=run)
    return makers.commit(
        site,
        parts=[makers.part(f"p{run}-{i}") for i in range(20)],
        entries=[makers.entry(f"E{run}-{i}", f"L{i}", f"0.0{i}", day=day) for i in range(9)],
        states=[makers.state(f"L{i}", residue_kn=[0.1 * i, 5.0, 1 / 3]) for i in range(9)],
        events=[makers.event(f"e{i}", "L1", peak_kn=700 / (run + i)) for i in range(3)],
    )


def kill_after_taking_in(site: Path) -> None:
    """Open the ledger in another process, which takes in what it has not seen and dies without closing."""
    done = subprocess.run([sys.executable, "-c", KILLED, str(site)], cwd=ROOT, check=False)
    assert done.returncode == 9


@pytest.fixture(scope="module")
def torn_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site of three runs; the ledger file holds the first, its write-ahead log the others."""
    site = tmp_path_factory.mktemp("torn") / "site"
    site.mkdir()
    commit_some(site, 1)
    open_ledger(site).close()
    commit_some(site, 2)
    commit_some(site, 3)
    kill_after_taking_in(site)
    assert log_of(ledger_file(site)).stat().st_size > 100
    return site


@pytest.fixture
def torn(torn_once: Path, site: Path) -> Path:
    shutil.copytree(torn_once, site, dirs_exist_ok=True)
    return site


def undisturbed(site: Path, where: Path) -> dict[str, list[tuple[object, ...]]]:
    """What a ledger made in one go from the same manifests holds."""
    where.mkdir()
    (where / "manifests").symlink_to(site / "manifests")
    ledger = create(site, where / "ledger.duckdb")
    catch_up(ledger)
    with ledger:
        return makers.dump(ledger)


def _halve(path: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])


def _flip(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 255
    path.write_bytes(bytes(content))


def _delete_both(site: Path) -> None:
    ledger_file(site).unlink()
    log_of(ledger_file(site)).unlink()


DAMAGES: dict[str, Callable[[Path], object]] = {
    "nothing": lambda site: None,
    "log deleted": lambda site: log_of(ledger_file(site)).unlink(),
    "log emptied": lambda site: log_of(ledger_file(site)).write_bytes(b""),
    "log truncated": lambda site: _halve(log_of(ledger_file(site))),
    "log altered": lambda site: _flip(log_of(ledger_file(site))),
    "file deleted, log left": lambda site: ledger_file(site).unlink(),
    "both deleted": _delete_both,
    "file truncated": lambda site: _halve(ledger_file(site)),
    "file emptied": lambda site: ledger_file(site).write_bytes(b""),
    "file is something else": lambda site: ledger_file(site).write_bytes(b"not a database" * 999),
}


@pytest.mark.parametrize("damage", few(DAMAGES.values(), 3), ids=DAMAGES.keys())
def test_the_ledger_comes_back_the_same_after(torn: Path, tmp_path: Path, damage: Callable[[Path], object]) -> None:
    damage(torn)
    with open_ledger(torn) as ledger:
        healed = makers.dump(ledger)
    assert len(healed["entries"]) == 27
    assert healed == undisturbed(torn, tmp_path / "fresh")
    assert not log_of(ledger_file(torn)).exists()
    with open_ledger(torn) as ledger:
        assert ledger.notes == []
        assert makers.dump(ledger) == healed


def test_audit_reads_a_ledger_whose_writer_died_and_heals_nothing(torn: Path) -> None:
    assert ledger_differences(torn) == []
    assert log_of(ledger_file(torn)).exists()
    _halve(log_of(ledger_file(torn)))
    found = ledger_differences(torn)
    assert any("has not taken in run 3" in text for text in found)
    _flip(log_of(ledger_file(torn)))
    assert ledger_differences(torn) != []
    assert log_of(ledger_file(torn)).exists()


def test_a_crash_between_manifest_and_ledger_heals_and_is_told(site: Path) -> None:
    commit_some(site, 1)
    open_ledger(site).close()
    commit_some(site, 2)
    with open_ledger(site) as ledger:
        assert ledger.notes == ["took in 1 run that the ledger had missed, up to run 2"]
        assert len(makers.dump(ledger)["entries"]) == 18


def test_a_damaged_file_is_kept_as_evidence(torn: Path) -> None:
    _halve(ledger_file(torn))
    with open_ledger(torn) as ledger:
        assert len(ledger.notes) == 1
        assert "made anew from the manifests" in ledger.notes[0]
    assert len(list(torn.glob("ledger.duckdb.set-aside-*"))) == 2


def test_a_ledger_of_another_schema_is_made_anew(site: Path) -> None:
    commit_some(site, 1)
    with duckdb.connect(str(ledger_file(site))) as con:
        con.execute("CREATE TABLE schema_stamp AS SELECT 'older' AS sha256")
    with open_ledger(site) as ledger:
        assert "another version of the schema (older)" in ledger.notes[0]
        assert len(makers.dump(ledger)["entries"]) == 9


def test_taking_in_run_by_run_equals_taking_in_all_at_once(site: Path, tmp_path: Path) -> None:
    with open_ledger(site) as ledger:
        for run in (1, 2, 3):
            apply(ledger, commit_some(site, run))
        grown = makers.dump(ledger)
    assert grown == undisturbed(site, tmp_path / "fresh")


def test_a_manifest_is_taken_in_whole_or_not_at_all(site: Path) -> None:
    commit_some(site, 1)
    with open_ledger(site) as ledger:
        before = makers.dump(ledger)
        second = commit_some(site, 2)
        # `parts` is taken in before `states`, whose file is broken.
        (site / second.tables["states"].path).write_bytes(b"not what was committed")
        with pytest.raises(StoreError, match="not the bytes that run 2 committed"):
            apply(ledger, second)
        assert makers.dump(ledger) == before


def test_a_manifest_out_of_turn_is_refused(site: Path) -> None:
    first = commit_some(site, 1)
    with open_ledger(site) as ledger:
        with pytest.raises(StoreError, match="does not follow"):
            apply(ledger, first)
        commit_some(site, 2)
        third = commit_some(site, 3)
        with pytest.raises(StoreError, match="does not follow"):
            apply(ledger, third)


def test_a_ledger_ahead_of_the_manifests_is_refused(site: Path) -> None:
    commit_some(site, 1)
    commit_some(site, 2)
    open_ledger(site).close()
    (site / "manifests" / "000002.json").unlink()
    with pytest.raises(StoreError, match="run 2, which the manifests do not hold"):
        open_ledger(site)


def test_a_ledger_of_another_chain_is_refused(site: Path, tmp_path: Path) -> None:
    commit_some(site, 1)
    open_ledger(site).close()
    other = tmp_path / "other"
    other.mkdir()
    commit_some(other, 1)
    ledger_file(site).rename(ledger_file(other))
    with pytest.raises(StoreError, match="run 1, which the manifests do not hold"):
        open_ledger(other)


def test_a_second_writer_is_told_who_holds_the_ledger(site: Path) -> None:
    commit_some(site, 1)
    holder = subprocess.Popen(
        [sys.executable, "-c", HELD, str(site)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert holder.stdin is not None
    assert holder.stdout is not None
    with holder:
        assert holder.stdout.readline() == "open\n"
        with pytest.raises(SiteBusy, match=f"PID {holder.pid}"):
            open_ledger(site)
        holder.stdin.close()
    assert holder.returncode == 0
    open_ledger(site).close()


def test_no_log_is_left_after_closing(site: Path) -> None:
    commit_some(site, 1)
    with open_ledger(site):
        pass
    assert sorted(path.name for path in site.iterdir()) == ["ledger.duckdb", "manifests"]
