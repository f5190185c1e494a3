"""What the machine does to a night, each for real: disk, permissions, clock.

Each fault is a function of the reference, a folder of its own and a seeded generator. The error must be clear, the
exit code right, nothing lost, and the next run heal. It returns the exit codes it saw; it raises Failed when a promise
is broken, Skipped where this machine cannot make the fault.
"""

from __future__ import annotations

import random
import resource
import shutil
import signal
from collections.abc import Callable
from pathlib import Path

from ops.torture.night import DONE, Failed, Hook, told
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
    code = reference.let_through(site, night, folder / "healing")
    check(reference, site, night, rebuild=not reference.inside)
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
