"""`python -m ops.torture --kills 300 --seed 1`: kill nights, starve them, lie to them; print what came of it."""

from __future__ import annotations

import argparse
import multiprocessing
import random
import shutil
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from ops.torture.damage import damage
from ops.torture.faults import FAULTS
from ops.torture.kills import PHASES, Killed, kill_trial
from ops.torture.night import Failed
from ops.torture.privilege import Skipped
from ops.torture.reference import Reference, make_reference

DAMAGE = "bytes and files altered"
KILLS = "kills"


@dataclass(frozen=True)
class Task:
    """One trial: what is done, and the seed that decides the rest."""

    kind: str
    seed: str
    rounds: int = 1


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


@dataclass
class Tally:
    """All outcomes of one kind."""

    trials: int = 0
    healed: int = 0
    skipped: str = ""
    seconds: float = 0.0
    codes: Counter[int] = field(default_factory=Counter)


def do(task: Task, reference: Reference, base: Path) -> Outcome:
    """One trial in a folder of its own, which is taken away when all went well."""
    folder = base / f"{task.kind.replace(' ', '-')}-{task.seed.replace('/', '-')}"
    folder.mkdir()
    outcome, began_s = Outcome(task, folder), time.monotonic()
    try:
        if task.kind == KILLS:
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


def main() -> int:
    """Run as told on the command line; 1 when any promise was broken."""
    given = _arguments()
    base = Path(tempfile.mkdtemp(prefix="torture-", dir=given.folder))
    began_s = time.monotonic()
    print(f"the nights undisturbed, in {base}", file=sys.stderr, flush=True)
    reference = make_reference(base / "reference")
    outcomes: list[Outcome] = []
    kills = 0
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(given.jobs, mp_context=context) as pool:
        faults = [task for task in _fault_tasks(given) if given.only is None or task.kind == given.only]
        trials = _kill_tasks(given.seed) if given.only in (None, KILLS) else iter(())
        pending = {pool.submit(do, task, reference, base) for task in faults}
        wanted = given.kills if given.only in (None, KILLS) else 0
        while pending or kills < wanted:
            while kills < wanted and len(pending) < given.jobs:
                pending.add(pool.submit(do, next(trials), reference, base))
            done = {future for future in pending if future.done()}
            pending -= done
            for future in done:
                outcomes.append(outcome := future.result())
                kills += len(outcome.killed.phases) + (outcome.task.kind == KILLS and bool(outcome.failed))
                _tell(outcome, kills, wanted)
            time.sleep(0.05)
    print(table(outcomes, given.seed, time.monotonic() - began_s))
    failed = [outcome for outcome in outcomes if outcome.failed]
    for outcome in failed:
        print(f"\nFAILED {outcome.task.kind}, seed {outcome.task.seed}, kept in {outcome.folder}\n  {outcome.failed}")
    if not failed:
        shutil.rmtree(base)
    return 1 if failed else 0


def table(outcomes: list[Outcome], seed: int, seconds: float) -> str:
    """What was done, how much of it healed, and the exit codes seen; then where the kills fell."""
    tallies: dict[str, Tally] = {}
    phases: Counter[str] = Counter()
    for outcome in outcomes:
        tally = tallies.setdefault(outcome.task.kind, Tally())
        if outcome.skipped:
            tally.skipped = outcome.skipped
            continue
        tally.trials += 1
        tally.healed += not outcome.failed
        tally.seconds += outcome.seconds
        tally.codes.update(outcome.codes)
        phases.update(outcome.killed.phases)
    rows = [f"{'':<32}{'trials':>8}{'healed':>8}{'s each':>8}  exit codes"]
    for kind, tally in tallies.items():
        codes = "  ".join(f"{code}: {count}" for code, count in sorted(tally.codes.items()))
        told = f"skipped: {tally.skipped}" if tally.skipped else codes
        each = tally.seconds / tally.trials if tally.trials else 0.0
        rows.append(f"{kind:<32}{tally.trials:>8}{tally.healed:>8}{each:>8.1f}  {told}")
    rows += ["", f"{sum(phases.values())} kills, of which", *(f"  {name:<30}{phases[name]:>8}" for name in PHASES)]
    missed = sum(outcome.killed.missed for outcome in outcomes)
    litter = sum(outcome.killed.litter for outcome in outcomes)
    rows += [f"{missed} more came too late and do not count; {litter} drafts are left where nobody looks"]
    return "\n".join([*rows, f"seed {seed}, {seconds:.0f} s"])


def _fault_tasks(given: argparse.Namespace) -> Iterator[Task]:
    for number in range(given.faults):
        yield from (Task(kind, f"{given.seed}/{number}") for kind in FAULTS)
    yield Task(DAMAGE, f"{given.seed}/0", rounds=0 if given.short else 2)


def _kill_tasks(seed: int) -> Iterator[Task]:
    number = 0
    while True:
        yield Task(KILLS, f"{seed}/{number}")
        number += 1


def _tell(outcome: Outcome, kills: int, wanted: int) -> None:
    how = "FAILED" if outcome.failed else "skipped" if outcome.skipped else "healed"
    what = ", ".join(outcome.killed.phases) or " ".join(map(str, outcome.codes)) or outcome.skipped
    print(
        f"{how:<8}{outcome.task.kind}, seed {outcome.task.seed}: {what[:90]} ({outcome.seconds:.1f} s; "
        f"{kills} of {wanted} kills)",
        file=sys.stderr,
        flush=True,
    )


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m ops.torture", description=__doc__)
    parser.add_argument("--kills", type=int, default=300, help="how many kills must hit a night (default 300)")
    parser.add_argument("--faults", type=int, default=4, help="how often each fault is made (default 4)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--short", action="store_true", help="10 kills, each fault once")
    parser.add_argument("--only", choices=[KILLS, *FAULTS, DAMAGE], help="only this kind")
    parser.add_argument("--jobs", type=int, default=2, help="trials at a time (default 2)")
    parser.add_argument("--folder", type=Path, help="where sites are made (default: the temporary folder)")
    given = parser.parse_args()
    if given.short:
        given.kills, given.faults = 10, 1
    return given


if __name__ == "__main__":
    sys.exit(main())
