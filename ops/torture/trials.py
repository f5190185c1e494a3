"""Every kind of trial by its name, and one trial from its seed to its outcome."""

from __future__ import annotations

import random
import shutil
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from ops.torture import accidents, faults
from ops.torture.damage import damage
from ops.torture.kills import CHOSEN, Killed, chosen_kill, kill_trial
from ops.torture.night import Failed
from ops.torture.privilege import Skipped
from ops.torture.reference import Reference

Fault = Callable[[Reference, Path, random.Random], list[int]]
FAULTS: dict[str, Fault] = {
    "disk full": faults.disk_full,
    "file too large": faults.file_too_large,
    "disk read-only": faults.disk_read_only,
    "permission lost": faults.permission_lost,
    "inbox file unreadable": faults.unreadable_file,
    "clock wrong": faults.clock_wrong,
    "two runs at once": accidents.two_runs,
    "two runs at the same instant": accidents.same_instant,
    "write-ahead log torn": accidents.torn_log,
    "ledger lost": accidents.ledger_lost,
    "published folder lost": accidents.published_lost,
    "drafts of a dead run": accidents.drafts_left,
    "worker killed": accidents.worker_killed,
    "stopped by a signal": accidents.stopped,
    "original or manifest missing": accidents.original_missing,
}
DAMAGE = "bytes and files altered"
KILLS = "kills"


@dataclass(frozen=True)
class Task:
    """One trial: what is done, and the seed that decides the rest. `rounds`: of damage; `chosen`: which of `CHOSEN`."""

    kind: str
    seed: str
    rounds: int = 1
    chosen: int | None = None


@dataclass
class Outcome:
    """What came of a trial. `failed` says why; `folder` is kept then."""

    task: Task
    folder: Path
    seconds: float = 0.0
    codes: list[int] = field(default_factory=list)
    killed: Killed = field(default_factory=Killed)
    failed: str = ""
    skipped: str = ""


def do(task: Task, reference: Reference, base: Path) -> Outcome:
    """One trial in a folder of its own, which is taken away when all went well."""
    folder = base / f"{task.kind.replace(' ', '-')}-{task.seed.replace('/', '-')}"
    folder.mkdir()
    outcome, began_s = Outcome(task, folder), time.monotonic()
    try:
        if task.chosen is not None:
            outcome.killed = chosen_kill(reference, folder, *CHOSEN[task.chosen])
        elif task.kind == KILLS:
            outcome.killed = kill_trial(reference, folder, task.seed)
        elif task.kind == DAMAGE:
            outcome.codes = damage(reference, folder, random.Random(task.seed), rounds=task.rounds)
        else:
            outcome.codes = FAULTS[task.kind](reference, folder, random.Random(task.seed))
    except Skipped as error:
        outcome.skipped = str(error)
    except Failed as error:
        outcome.failed = str(error)
    except Exception:
        outcome.failed = traceback.format_exc()
    outcome.seconds = time.monotonic() - began_s
    if not outcome.failed:
        shutil.rmtree(folder)
    return outcome


def short_tasks(seed: int) -> list[Task]:
    """The short form: a kill at each chosen event, each fault once, and each kind of file altered once."""
    kills = [Task(KILLS, f"{seed}/{number}", chosen=number) for number in range(len(CHOSEN))]
    return [*kills, *(Task(kind, f"{seed}/0") for kind in FAULTS), Task(DAMAGE, f"{seed}/0", rounds=0)]
