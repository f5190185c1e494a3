"""`python -m ops.torture --kills 300 --seed 1`: kill nights, starve them, lie to them; print what came of it."""

from __future__ import annotations

import argparse
import itertools
import multiprocessing
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from ops.torture.kills import PHASES
from ops.torture.reference import Reference, make_reference, make_short_reference
from ops.torture.trials import DAMAGE, FAULTS, KILLS, Outcome, Task, do, short_tasks


@dataclass
class Tally:
    """All outcomes of one kind."""

    trials: int = 0
    healed: int = 0
    skipped: str = ""
    seconds: float = 0.0
    codes: Counter[int] = field(default_factory=Counter)


def main() -> int:
    """Run as told on the command line; 1 when any promise was broken."""
    given = _arguments()
    base = Path(tempfile.mkdtemp(prefix="torture-", dir=given.folder))
    began_s = time.monotonic()
    print(f"the nights undisturbed, in {base}", file=sys.stderr, flush=True)
    if given.short:
        reference = make_short_reference(base / "reference")
        tasks, kills = short_tasks(given.seed), 0
    else:
        reference = make_reference(base / "reference")
        tasks, kills = _tasks(given), given.kills if given.only in (None, KILLS) else 0
    outcomes = run(tasks, kills, reference, base, seed=given.seed, jobs=given.jobs)
    print(table(outcomes, given.seed, time.monotonic() - began_s))
    failed = [outcome for outcome in outcomes if outcome.failed]
    for outcome in failed:
        print(f"\nFAILED {outcome.task.kind}, seed {outcome.task.seed}, kept in {outcome.folder}\n  {outcome.failed}")
    if not failed:
        shutil.rmtree(base)
    return 1 if failed else 0


def run(tasks: list[Task], kills: int, reference: Reference, base: Path, *, seed: int, jobs: int) -> list[Outcome]:
    """The outcome of every task, and of as many trials of kills as it takes for `kills` to hit; `jobs` at a time."""
    outcomes: list[Outcome] = []
    trials, hit = _kill_tasks(seed), 0
    pool = ProcessPoolExecutor(jobs, mp_context=multiprocessing.get_context("spawn"))
    try:
        pending = {pool.submit(do, task, reference, base) for task in tasks}
        while pending or hit < kills:
            while hit < kills and len(pending) < jobs:
                pending.add(pool.submit(do, next(trials), reference, base))
            done = {future for future in pending if future.done()}
            pending -= done
            for future in done:
                outcomes.append(outcome := future.result())
                # A trial that failed counts too: else a program that fails always would be tortured for ever.
                hit += len(outcome.killed.phases) + (outcome.task.kind == KILLS and bool(outcome.failed))
                _tell(outcome, hit)
            time.sleep(0.02)
    finally:
        pool.shutdown(cancel_futures=True)  # stopped by hand: what has begun is finished, no more
    return outcomes


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


def _tasks(given: argparse.Namespace) -> list[Task]:
    """Each fault so often, and the damage; of one kind only where asked."""
    faults = [Task(kind, f"{given.seed}/{number}") for number in range(given.faults) for kind in FAULTS]
    tasks = [*faults, Task(DAMAGE, f"{given.seed}/0", rounds=2)]
    return [task for task in tasks if given.only in (None, task.kind)]


def _kill_tasks(seed: int) -> Iterator[Task]:
    return (Task(KILLS, f"{seed}/{number}") for number in itertools.count())


def _tell(outcome: Outcome, hit: int) -> None:
    how = "FAILED" if outcome.failed else "skipped" if outcome.skipped else "healed"
    what = ", ".join(outcome.killed.phases) or " ".join(map(str, outcome.codes)) or outcome.skipped
    line = f"{how:<8}{outcome.task.kind}, seed {outcome.task.seed}: {what[:90]} ({outcome.seconds:.1f} s; {hit} kills)"
    print(line, *filter(None, [outcome.failed]), sep="\n  ", file=sys.stderr, flush=True)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m ops.torture", description=__doc__)
    parser.add_argument("--kills", type=int, default=300, help="how many kills must hit a night (default 300)")
    parser.add_argument("--faults", type=int, default=4, help="how often each fault is made (default 4)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--short", action="store_true", help="three nights, ten chosen kills, each fault once")
    parser.add_argument("--only", choices=[KILLS, *FAULTS, DAMAGE], help="only this kind")
    parser.add_argument("--jobs", type=int, default=2, help="trials at a time (default 2)")
    parser.add_argument("--folder", type=Path, help="where sites are made (default: the temporary folder)")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
