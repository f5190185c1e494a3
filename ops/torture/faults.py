"""Everything else that befalls a night, each for real: the error must be clear, the exit code right, the next run heal.

Each fault is a function of the reference, a folder of its own and a seeded generator. It returns the exit codes it
saw; it raises Failed when a promise is broken, Skipped where the machine cannot do it.
"""

from __future__ import annotations

import os
import random
import resource
import shutil
import signal
import time
from collections.abc import Callable
from pathlib import Path

from ops.torture.night import DONE, Failed, Hook, Night, tautlog, told
from ops.torture.privilege import read_only, small_disk, without_privileges
from ops.torture.reference import Reference, check, nothing_lost
from ops.torture.site import drop

IO = (74,)
BUSY = (75,)
STOPPED = {signal.SIGINT: 130, signal.SIGTERM: 143}
DISK_MIB = 96
Fault = Callable[[Reference, Path, random.Random], list[int]]


def heal(reference: Reference, site: Path, night: int, folder: Path) -> int:
    """Run the night undisturbed, and hold everything against the reference."""
    ran = reference.start(site, night, folder / "healing").end()
    code = told(ran, DONE)
    check(reference, site, night)
    return code


def disk_full(reference: Reference, folder: Path, rng: random.Random) -> list[int]:
    """The disk fills up somewhere in the night: it is given less room than it needs."""
    night, codes = rng.randrange(len(reference.eves)), []
    room = round(10 ** rng.uniform(3.5, 6.5))
    with small_disk(folder / "disk", DISK_MIB) as disk:
        while True:
            site = reference.copy(night, disk / "site")
            free = shutil.disk_usage(disk).free
            (disk / "ballast").write_bytes(bytes(max(0, free - room)))
            ran = reference.start(site, night, folder / "night").end()
            if ran.code not in DONE or room < 4096:
                break
            room //= 3  # it had room enough
            (disk / "ballast").unlink()
            shutil.rmtree(site)
        codes.append(told(ran, IO, site))
        nothing_lost(reference, site, night)
        (disk / "ballast").unlink()
        codes.append(heal(reference, site, night, folder))
    return codes


def file_too_large(reference: Reference, folder: Path, rng: random.Random) -> list[int]:
    """No file may grow beyond a limit (RLIMIT_FSIZE): as a quota or a full disk, but felt by the larger files only."""
    night = rng.randrange(len(reference.eves))
    limit = round(10 ** rng.uniform(3.0, 5.7))
    site = reference.copy(night, folder / "site")
    running = reference.start(
        site,
        night,
        folder / "night",
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit)),
    )
    code = told(running.end(), IO, site)
    nothing_lost(reference, site, night)
    return [code, heal(reference, site, night, folder)]


WRITTEN = ("", "raw", "store/samples", "store/flags", "store/sheets", "manifests", "published", "inbox")
"""Folders that every night but the first finds, and writes to."""


def disk_read_only(reference: Reference, folder: Path, rng: random.Random) -> list[int]:
    """The site, or one folder of it, is on a disk that has become read-only."""
    night = rng.randrange(1, len(reference.eves))
    site = reference.copy(night, folder / "site")
    with read_only(site / rng.choice(WRITTEN)):
        code = told(reference.start(site, night, folder / "night").end(), IO, site)
        nothing_lost(reference, site, night)
    return [code, heal(reference, site, night, folder)]


def permission_lost(reference: Reference, folder: Path, rng: random.Random) -> list[int]:
    """The night's user may no longer write to one folder and those in it, or no longer enter it."""
    night = rng.randrange(1, len(reference.eves))
    site = reference.copy(night, folder / "site")
    top = site / rng.choice(WRITTEN)
    mode = 0o555 if top == site else rng.choice((0o555, 0o000))  # what cannot be entered is no site: another error
    below = [path for path in top.rglob("*") if path.is_dir() and not path.is_symlink()] if top != site else []
    for lost in (*below, top):
        lost.chmod(mode)
    try:
        code = told(reference.start(site, night, folder / "night", preexec_fn=without_privileges()).end(), IO, site)
    finally:
        for lost in (top, *below):
            lost.chmod(0o755)
    nothing_lost(reference, site, night)
    return [code, heal(reference, site, night, folder)]


def unreadable_file(reference: Reference, folder: Path, rng: random.Random) -> list[int]:
    """One delivered file may not be read: a finding, and the rest of the night goes on; it is read once it may be."""
    night = rng.randrange(len(reference.eves))
    site = reference.copy(night, folder / "site")
    file = site / "inbox" / rng.choice(sorted(name for name in reference.eves[night].drops if name != "notes.txt"))
    file.chmod(0o000)
    ran = reference.start(site, night, folder / "night", words=["--json"], preexec_fn=without_privileges()).end()
    file.chmod(0o644)
    if '"unreadable-file"' not in ran.out:
        raise Failed(f"exits {ran.code} without the finding that {file.name} cannot be read")
    return [told(ran, (1,)), heal(reference, site, night, folder)]


DAY_S = 86_400.0
CLOCKS = ((-3 * DAY_S, 400 * DAY_S, -2 * DAY_S), (-40 * DAY_S, -41 * DAY_S, 366 * DAY_S), (366 * DAY_S, 0.0, -9000.0))
"""By how much the clock is wrong on the last three nights: set back, ahead by a year, and back."""


def clock_wrong(reference: Reference, folder: Path, rng: random.Random) -> list[int]:
    """The clock jumps between nights, back and ahead: no figure may depend on it."""
    clocks, codes = rng.choice(CLOCKS), []
    first = len(reference.eves) - len(clocks)
    site = reference.copy(first, folder / "site")
    for number, clock_s in enumerate(clocks):
        if number > 0:
            drop(site, reference.eves[first + number])
        hook = Hook(clock_s=clock_s)
        codes.append(told(reference.start(site, first + number, folder / f"night-{number}", hook).end(), DONE))
    check(reference, site, len(reference.eves) - 1)
    return codes


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
    at = _event_of(reference, night, "/published/")
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
    first = _event_of(reference, night, "/run.lock") + 2
    at = rng.randint(first, reference.events[night]["coordinator"] * 9 // 10)
    running = reference.start(site, night, folder / "first", Hook(at, do="hold"))
    until = time.monotonic() + 120
    while not (running.notes / "holding").exists():
        if running.process.poll() is not None or time.monotonic() > until:
            running.kill(everyone=True)
            raise Failed(f"the night came to its end before its event {at}: {running.end().err[-400:]}")
        time.sleep(0.01)
    return running


def _event_of(reference: Reference, night: int, path: str) -> int:
    """The number of the first event of the undisturbed night that touches a path."""
    logs = list((reference.folder / f"notes-{night}").glob("coordinator.*"))
    for number, line in enumerate(logs[0].read_text().splitlines(), start=1):
        if line.split("\t")[2].startswith(path):
            return number
    raise Failed(f"no event of night {night} touches {path}")


FAULTS: dict[str, Fault] = {
    "disk full": disk_full,
    "file too large": file_too_large,
    "disk read-only": disk_read_only,
    "permission lost": permission_lost,
    "inbox file unreadable": unreadable_file,
    "clock wrong": clock_wrong,
    "two runs at once": two_runs,
    "two runs at the same instant": same_instant,
    "write-ahead log torn": torn_log,
    "ledger lost": ledger_lost,
    "published folder lost": published_lost,
    "drafts of a dead run": drafts_left,
    "worker killed": worker_killed,
    "stopped by a signal": stopped,
    "original or manifest missing": original_missing,
}
