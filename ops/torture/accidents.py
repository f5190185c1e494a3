"""What befalls runs and the files between them: two at once, torn logs, lost indexes, dead workers, signals.

Functions as in `faults`, and under the same law.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import time
from pathlib import Path

from ops.torture.faults import IO, heal
from ops.torture.night import DONE, Failed, Hook, Night, tautlog, told
from ops.torture.reference import Reference, check, nothing_lost

BUSY = (75,)
STOPPED = {signal.SIGINT: 130, signal.SIGTERM: 143}


def two_runs(reference: Reference, folder: Path, rng: random.Random) -> list[int]:
    """A second run while one is on its way: 75, and the first unharmed."""
    night = rng.randrange(len(reference.eves))
    site = reference.copy(night, folder / "site")
    first = _held(reference, site, night, folder, rng)
    second = told(reference.start(site, night, folder / "second").end(), BUSY, "another run holds the site")
    audit = told(tautlog("audit", site), BUSY, "another run holds the site")
    (first.notes / "go").touch()
    code = told(first.end(), DONE)
    check(reference, site, night)
    return [code, second, audit]


def same_instant(reference: Reference, folder: Path, rng: random.Random) -> list[int]:
    """Two runs started at once: one does the night; the other is told so, or finds nothing left to do."""
    night = rng.randrange(len(reference.eves))
    site = reference.copy(night, folder / "site")
    both = [reference.start(site, night, folder / f"run-{number}") for number in range(2)]
    codes = sorted(told(running.end(), DONE + BUSY) for running in both)
    if codes[0] not in DONE:
        raise Failed(f"two runs at once, and none did the night: {codes}")
    check(reference, site, night)
    return codes


def torn_log(reference: Reference, folder: Path, rng: random.Random) -> list[int]:
    """Killed when the ledger has committed to its write-ahead log, which then is torn, altered or lost."""
    night = rng.randrange(len(reference.eves))
    site = reference.copy(night, folder / "site")
    at = reference.event_of(night, "/published/")
    running = reference.start(site, night, folder / "night", Hook(at, do="kill-all"))
    if (ran := running.end()).code != -signal.SIGKILL:
        raise Failed(f"exits {ran.code} and was not killed at event {at}")
    running.gone()
    log = site / "ledger.duckdb.wal"
    if not log.exists():
        raise Failed("no write-ahead log at this moment: this fault is no fault")
    how, data = rng.choice(("torn", "altered", "lost")), bytearray(log.read_bytes())
    if how == "lost":
        log.unlink()
    elif how == "torn":
        os.truncate(log, rng.randrange(len(data)))
    else:
        data[rng.randrange(len(data))] ^= 0xFF
        log.write_bytes(data)
    return [heal(reference, site, night, folder)]


def ledger_lost(reference: Reference, folder: Path, rng: random.Random) -> list[int]:
    """The ledger's file is deleted, cut short, or something else altogether."""
    night = rng.randrange(1, len(reference.eves))
    site = reference.copy(night, folder / "site")
    ledger = site / "ledger.duckdb"
    how = rng.choice(("deleted", "truncated", "rubbish"))
    if how == "deleted":
        ledger.unlink()
    elif how == "truncated":
        os.truncate(ledger, rng.randrange(ledger.stat().st_size))
    else:
        ledger.write_bytes(rng.randbytes(rng.randint(0, 100_000)))
    return [heal(reference, site, night, folder)]


def published_lost(reference: Reference, folder: Path, rng: random.Random) -> list[int]:
    """The published folder is deleted, wholly or in part."""
    night = rng.randrange(1, len(reference.eves))
    site = reference.copy(night, folder / "site")
    published = site / "published"
    how = rng.choice(("all", "current", "its folder"))
    if how == "all":
        shutil.rmtree(published)
    elif how == "current":
        (published / "current").unlink()
    else:
        shutil.rmtree((published / "current").resolve())
    return [heal(reference, site, night, folder)]


def drafts_left(reference: Reference, folder: Path, rng: random.Random) -> list[int]:
    """Torn drafts and whole files of a run that died, everywhere one can die."""
    night = rng.randrange(1, len(reference.eves))
    site = reference.copy(night, folder / "site")
    (site / "run.lock").write_text("nightly, process 4000000 on elsewhere, since 2026-03-02T00:00:00Z")
    run, token = f"{night + 1:06d}", f"{rng.getrandbits(32):08x}"
    for relative in (
        f"raw/.incoming-{token}{token}.draft",
        f"store/samples/H1/2026-03-02/.{token}.parquet.draft",
        f"store/samples/H1/2026-03-02/{'a' * 64}-{token}{token}.parquet",
        f"store/sheets/H1/2026-03-02/{run}-{token}-{token}{token}.parquet",
        f"store/flags/X9/2026-03-02/.{token}.parquet.draft",
        f"quarantine/.{token}.parquet.draft",
        f"manifests/.{run}.json.draft",
        f"manifests/{run}-{token}/entries.parquet",
        f"published/.{run}-{token}-{token}.draft/ledger.duckdb",
        f"published/.current-{token}",
    ):
        path = site / relative
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(rng.randbytes(rng.randint(0, 5000)))
    return [heal(reference, site, night, folder)]


def worker_killed(reference: Reference, folder: Path, rng: random.Random) -> list[int]:
    """One worker process dies in the middle of a job: the run goes on, or ends with a clear error and is healed."""
    night = rng.randrange(len(reference.eves))
    site = reference.copy(night, folder / "site")
    hook = Hook(rng.randint(1, reference.events[night]["worker"] // 2 or 8), role="worker")
    running = reference.start(site, night, folder / "night", hook, words=["--workers", "2"])
    code = told(running.end(), DONE + IO)
    if not (running.notes / "worker-hit").exists():
        raise Failed("no worker was killed")
    running.gone()
    nothing_lost(reference, site, night)
    return [code, heal(reference, site, night, folder)]


def stopped(reference: Reference, folder: Path, rng: random.Random) -> list[int]:
    """Ctrl-C, or a service manager's SIGTERM, to the run alone or to all its processes: a message, nothing lost."""
    night = rng.randrange(len(reference.eves))
    site = reference.copy(night, folder / "site")
    running = _held(reference, site, night, folder, rng)
    how = rng.choice((signal.SIGINT, signal.SIGTERM))
    os.killpg(running.pid, how) if rng.random() < 0.5 else os.kill(running.pid, how)
    time.sleep(0.05)
    (running.notes / "go").touch()
    ran = running.end()
    code = told(ran, (*DONE, STOPPED[how]), "stopped") if ran.code not in DONE else ran.code
    running.gone()
    nothing_lost(reference, site, night)
    return [code, heal(reference, site, night, folder)]


def original_missing(reference: Reference, folder: Path, rng: random.Random) -> list[int]:
    """A night that reads originals again finds one gone, or a manifest altered: it stops, and goes on once restored."""
    night = next(number for number, eve in enumerate(reference.eves) if "layouts/hooks.toml" in eve.writes)
    site = reference.copy(night, folder / "site")
    receipts = sorted((site / "raw").iterdir())
    hooks = [path for path in receipts if path.read_bytes().startswith(b"Quay hooks")]
    lost = rng.choice([*hooks, *sorted((site / "manifests").glob("*.json"))[-1:]])
    kept = lost.read_bytes()
    lost.unlink()
    if lost.suffix == ".json":
        lost.write_bytes(kept[:-1] + b" ")
    code = told(reference.start(site, night, folder / "night").end(), IO, lost.name)
    lost.write_bytes(kept)
    return [code, heal(reference, site, night, folder)]


def _held(reference: Reference, site: Path, night: int, folder: Path, rng: random.Random) -> Night:
    """A night that has begun, holds the site, and waits at some event until its `go` is there."""
    first = reference.event_of(night, "/run.lock") + 2
    at = rng.randint(first, reference.events[night]["coordinator"] * 9 // 10)
    running = reference.start(site, night, folder / "first", Hook(at, do="hold"))
    until = time.monotonic() + 120
    while not (running.notes / "holding").exists():
        if running.process.poll() is not None or time.monotonic() > until:
            running.kill(everyone=True)
            raise Failed(f"the night came to its end before its event {at}: {running.end().err[-400:]}")
        time.sleep(0.01)
    return running
