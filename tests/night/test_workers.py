"""Who does the work changes nothing: this process, others, or a cluster; a worker that dies takes no other down."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import SiteBusy, StoreError
from pipeline.nightly import run_night
from pipeline.workers import LOCK, Died, choose, wait_until_gone
from tests.night.berth import Berth, record

REPOSITORY = Path(__file__).resolve().parents[2]
SLEEPER = """
import os, sys, time
from pathlib import Path
from pipeline.workers import choose
if __name__ == "__main__":
    with choose("2", Path(sys.argv[1])) as workers:
        pids = workers.all(time.sleep, [0.0]) and [f.result() for f in [workers._submit(os.getpid) for _ in range(4)]]
        print(*sorted(set(pids)), flush=True)
        workers.all(time.sleep, [600.0, 600.0])
"""


def square(number: int) -> int:
    return number * number


def dies_of_thirteen(number: int) -> int:
    if number == 13:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def spins(seconds: float) -> str:
    until = time.process_time() + seconds
    while time.process_time() < until:
        pass
    return "ended"


def takes_memory(size: int) -> int:
    return len(bytearray(size))


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    """A Dask cluster of two processes on loopback."""
    from distributed import LocalCluster

    make: Any = LocalCluster  # it has no types
    with make(n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None) as cluster:
        yield cluster.scheduler_address


def test_processes_post_what_this_process_posts(four_days: Berth) -> None:
    other = four_days.anew(workers="2")
    assert other.live() == four_days.live()
    assert other.audit() == []


@pytest.mark.filterwarnings("ignore")  # Dask's own, of its shutdown
def test_a_cluster_posts_what_this_process_posts(four_days: Berth, scheduler: str) -> None:
    other = four_days.anew(workers=scheduler)
    assert other.live() == four_days.live()
    assert other.audit() == []


def test_a_scheduler_that_does_not_answer_is_told(four_days: Berth) -> None:
    with pytest.raises(StoreError, match=r"no Dask scheduler answers at tcp://127\.0\.0\.1:9"):
        run_night(four_days.root, workers="tcp://127.0.0.1:9")


def test_results_come_in_the_order_of_their_jobs(tmp_path: Path) -> None:
    with choose("2", tmp_path) as workers:
        assert workers.all(square, list(range(50))) == [n * n for n in range(50)]


def test_a_job_that_kills_its_process_is_told_and_the_others_are_done(tmp_path: Path) -> None:
    with choose("2", tmp_path) as workers:
        found = list(workers.each(dies_of_thirteen, list(range(20))))
        assert [number for number in found if isinstance(number, int)] == [n for n in range(20) if n != 13]
        assert isinstance(found[13], Died)
        assert workers.all(square, [4]) == [16]


def test_where_no_job_may_be_missing_a_death_ends_the_run(tmp_path: Path) -> None:
    with choose("2", tmp_path) as workers, pytest.raises(StoreError, match="a worker process died with its job"):
        workers.all(dies_of_thirteen, [12, 13, 14])


def test_a_job_that_never_ends_is_ended_at_its_limit(tmp_path: Path) -> None:
    with choose("1", tmp_path) as workers:
        began = time.monotonic()
        slow, quick = workers.each(spins, [600.0, 0.0], cpu_limit_s=lambda _: 0.3)
        assert isinstance(slow, Died)
        assert quick == "ended"
        assert time.monotonic() - began < 60


def test_a_job_may_not_take_all_memory(tmp_path: Path) -> None:
    with choose("1", tmp_path) as workers, pytest.raises(MemoryError):
        workers.all(takes_memory, [1 << 46])


def test_workers_end_with_a_coordinator_that_is_killed_and_hold_a_lock_until_then(tmp_path: Path) -> None:
    script = tmp_path / "sleeper.py"
    script.write_text(SLEEPER)
    command = [sys.executable, str(script), str(tmp_path)]
    with subprocess.Popen(command, env={**os.environ, "PYTHONPATH": str(REPOSITORY)}, stdout=subprocess.PIPE) as lead:
        assert lead.stdout is not None
        pids = [int(pid) for pid in lead.stdout.readline().split()]
        assert pids
        assert (tmp_path / LOCK).exists()
        with pytest.raises(SiteBusy, match="worker processes of a run that died are still there"):
            wait_until_gone(tmp_path, 0.1)
        lead.kill()
    wait_until_gone(tmp_path)
    assert not any(alive(pid) for pid in pids)


def alive(pid: int) -> bool:
    """Whether a process is there and no mere entry that waits to be collected."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] not in "ZX"
    except FileNotFoundError:
        return False


def test_the_night_runs_in_processes_from_the_command_line(four_days: Berth) -> None:
    four_days.deliver("hooks_next.csv", record("2026-03-06T06:00"))
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.cli", "nightly", str(four_days.root)], cwd=REPOSITORY, check=False
    )
    assert done.returncode in (0, 1)
    assert (four_days.root / LOCK).exists()
    assert four_days.live() == four_days.anew().live()
    assert date(2026, 3, 6) in {day for _, _, day in four_days.rows("SELECT line, zone, day FROM live_states")}


def test_a_cluster_s_stray_files_are_swept_when_they_are_old(four_days: Berth) -> None:
    young = four_days.root / "store" / "sheets" / "young.parquet"
    old = four_days.root / "store" / "sheets" / "old.parquet"
    for path in (young, old):
        path.write_bytes(b"left by a worker")
    os.utime(old, (time.time() - 7200, time.time() - 7200))
    (four_days.root / "run.lock").write_text("nightly by workers at tcp://10.0.0.1:8786, process 1 on far")
    four_days.night()
    assert young.exists()
    assert not old.exists()


ELSEWHERE = """
import sys
from pathlib import Path
from pipeline.workers import choose
if __name__ == "__main__":
    with choose("2", Path(sys.argv[1])) as workers:
        print(workers.all(abs, [-1, -2]))
"""


def test_a_folder_called_pipeline_where_a_command_is_run_is_not_loaded_in_place_of_ours(tmp_path: Path) -> None:
    here, scripts, site = tmp_path / "here", tmp_path / "scripts", tmp_path / "site"
    for folder in (here / "pipeline", scripts, site):
        folder.mkdir(parents=True)
    (here / "pipeline" / "__init__.py").write_text(f"open({str(here / 'loaded')!r}, 'w')\n", encoding="utf-8")
    (scripts / "run.py").write_text(ELSEWHERE, encoding="utf-8")
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONSAFEPATH"}
    ran = subprocess.run(
        [sys.executable, str(scripts / "run.py"), str(site)],
        cwd=here,
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    )
    assert ran.stdout == "[1, 2]\n"
    assert not (here / "loaded").exists()
