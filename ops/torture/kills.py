"""Kill a night at a random moment, and the runs that heal it too; then let one through, and compare everything."""

from __future__ import annotations

import json
import random
import shutil
import signal
import time
from dataclasses import dataclass, field
from pathlib import Path

from ops.torture.night import DONE, Failed, Hook, Night, told
from ops.torture.reference import Reference, check, nothing_lost, runs
from ops.torture.site import drop

STAGES = ("ingest", "sheets", "accounts")
PHASES = (
    "before any write", "ingesting", "between stages", "making sheets", "reckoning accounts",
    "writing the run's tables", "between manifest and ledger", "publishing", "after publishing",
)  # fmt: skip
CHOSEN = (
    ("/run.lock", 1, PHASES[0]), ("/raw/", 5, PHASES[1]), ("/store/samples", 4, PHASES[1]),
    ("/store/sheets", 3, PHASES[3]), ("/manifests/000002-", 6, PHASES[5]), ("/manifests/000002.json", 0, PHASES[5]),
    ("/manifests/000002.json", 1, PHASES[6]), ("/published/.0", 3, PHASES[7]), ("/published/current", 2, PHASES[7]),
    ("", 0, PHASES[8]),
)  # fmt: skip
"""Kills for the short form: so many events after the first that touches a path, and where that must be."""
WRITES = {"write", "os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.symlink", "os.chmod"}
DRAWS = 8
"""How often a kill is drawn again because the night had ended before it."""


@dataclass(frozen=True)
class Kill:
    """One kill: at an event of a role (`hook`), or after so much of the night's usual time (`share`)."""

    hook: Hook
    share: float | None
    everyone: bool
    wait: bool
    """Whether the next run begins only when all processes of the dead one are gone."""


@dataclass
class Killed:
    """What a trial of kills did."""

    phases: list[str] = field(default_factory=list)
    missed: int = 0
    litter: int = 0


def draw_kill(rng: random.Random, reference: Reference, night: int) -> Kill:
    """A kill of a night, over its whole life."""
    everyone, how = rng.random() < 0.5, rng.random()
    role = "worker" if reference.events[night]["worker"] > 0 and rng.random() < 0.4 else "coordinator"
    do = "kill-all" if everyone else "kill-coordinator"
    at = rng.randint(1, reference.events[night][role])
    after_s = 0.0 if how < 0.5 else rng.expovariate(1 / 0.03)
    hook = Hook(at, after_s, do, role) if how < 0.75 else Hook()
    return Kill(hook, None if how < 0.75 else rng.uniform(0.0, 1.1), everyone, wait=rng.random() < 0.5)


def kill_trial(reference: Reference, folder: Path, seed: str) -> Killed:
    """One trial: one to three kills in a row, perhaps over two nights, then a run that is let through; Failed."""
    rng = random.Random(seed)
    night = rng.randrange(len(reference.eves))
    done, site = Killed(), reference.copy(night, folder / "site")
    wanted = rng.choices((1, 2, 3), (6, 3, 1))[0]
    while len(done.phases) < wanted:
        notes = folder / f"kill-{len(done.phases)}"
        phase = _killed(reference, site, night, draw_kill(rng, reference, night), notes)
        if phase is not None:
            done.phases.append(phase)
            continue
        done.missed += 1
        if done.phases:
            break  # the run that should have been killed has healed already
        if done.missed > DRAWS:
            raise Failed(f"{DRAWS + 1} draws, and none hit the night")
        shutil.rmtree(site)
        reference.copy(night, site)
    if night + 1 < len(reference.eves) and reference.eves[night].through is None and rng.random() < 0.2:
        night += 1  # nobody looked: the next day's deliveries come on top
        drop(site, reference.eves[night])
    # It makes no difference who does the work of the run that heals; so half of them do it as cheaply as can be.
    serial = ("--workers", "serial") if rng.random() < 0.5 else ()
    reference.let_through(site, night, folder / "healing", words=serial)
    check(reference, site, night, rebuild=rng.random() < 0.5)
    done.litter = sum(1 for path in site.rglob(".*.draft"))
    if rng.random() < 0.2:
        nothing_new(reference, site, night, folder / "once-more")
    return done


def chosen_kill(reference: Reference, folder: Path, path: str, after: int, phase: str) -> Killed:
    """A kill of the second night, `after` events after the first that touches `path`; it must fall in `phase`."""
    site = reference.copy(1, folder / "site")
    at = reference.event_of(1, path) + after if path else reference.events[1]["coordinator"]
    kill = Kill(Hook(at, do="kill-all" if after % 2 else "kill-coordinator"), None, everyone=False, wait=True)
    found = _killed(reference, site, 1, kill, folder / "kill")
    if found != phase:
        raise Failed(f"the kill at event {at} fell {found}, not {phase}")
    reference.let_through(site, 1, folder / "healing")
    check(reference, site, 1, rebuild=False)
    return Killed([phase])


def nothing_new(reference: Reference, site: Path, night: int, notes: Path) -> None:
    """Failed unless one more night commits nothing; that a log came again is taken back first, by a run of its own."""
    before = runs(site)
    reference.let_through(site, night, notes)
    if runs(site) == before:
        return
    newest = json.loads(max((site / "manifests").glob("[0-9]*.json")).read_bytes())
    if runs(site) != before + 1 or newest["tables"].keys() != {"runs", "findings"}:
        raise Failed(f"a night with nothing new commits {runs(site) - before} runs, of {', '.join(newest['tables'])}")
    reference.let_through(site, night, notes.with_name(f"{notes.name}-again"))
    if runs(site) != before + 1:
        raise Failed(f"a night with nothing new commits {runs(site) - before - 1} runs")


def _killed(reference: Reference, site: Path, night: int, kill: Kill, notes: Path) -> str | None:
    """Run a night into its kill; where it fell, or None when the night had ended before."""
    before = runs(site)
    running = reference.start(site, night, notes, kill.hook)
    if kill.share is not None:
        time.sleep(kill.share * reference.seconds[night])
        running.kill(everyone=kill.everyone)
    ran = running.end()
    if ran.code != -signal.SIGKILL:
        told(ran, DONE)
        return None
    nothing_lost(reference, site, night)
    phase = phase_of(running, ran.err, committed=runs(site) > before)
    if kill.wait:
        running.gone()
    return phase


def phase_of(night: Night, err: str, *, committed: bool) -> str:
    """Where a dead night was: by the stages it told, what its processes last touched, and whether it had committed."""
    writes = [
        path
        for role in ("coordinator", "worker")
        for _, event, path in night.trace(role)
        if event in WRITES and not path.endswith(".lock")
    ]
    if committed:
        publishing = any(path.startswith("/published/") for path in writes)
        swapped = any(path.startswith("/published/current") for path in writes) and any(
            path.startswith("/inbox/") for path in writes
        )
        return PHASES[8] if swapped else PHASES[7] if publishing else PHASES[6]
    if not writes:
        return PHASES[0]
    stages = [stage for line in err.splitlines() if (stage := _stage(line)) in STAGES]
    if not stages:
        return PHASES[1]
    heads = {"ingest": ("/store/flags", "/store/sheets"), "accounts": ("/manifests",)}.get(stages[-1])
    if heads is None:
        return PHASES[4]
    begun = any(path.startswith(heads) for path in writes)
    return (PHASES[3] if stages[-1] == "ingest" else PHASES[5]) if begun else PHASES[2]


def _stage(line: str) -> str:
    try:
        told = json.loads(line)
    except ValueError:
        return ""
    return str(told.get("stage", "")) if isinstance(told, dict) and told.get("outcome") == "done" else ""
