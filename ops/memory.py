"""Run a command and see how long it takes and how much memory all its processes hold together."""

from __future__ import annotations

import subprocess
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

EVERY_S = 0.1


@dataclass(frozen=True)
class Watched:
    """A command that has ended. `peak_bytes`: the most that its processes held together, each page counted once;
    `cpu_s`: what they used as far as it was seen, ten times a second."""

    seconds: float
    peak_bytes: int
    cpu_s: float
    stderr: str


def watched(command: Sequence[str]) -> Watched:
    """Run a command to its end; SystemExit when it ends with anything but 0 or 1 (findings)."""
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    assert process.stderr is not None
    with _looking(process.pid) as seen:
        began = time.perf_counter()
        told = process.stderr.read()
        process.wait()
        seconds = time.perf_counter() - began
    if process.returncode not in (0, 1):
        raise SystemExit(f"{' '.join(command)} failed ({process.returncode}):\n{told}")
    return Watched(seconds, max(seen.bytes), sum(seen.cpu_s.values()), told)


class _Seen:
    def __init__(self) -> None:
        self.bytes = [0]
        self.cpu_s: dict[int, float] = {}


@contextmanager
def _looking(pid: int) -> Iterator[_Seen]:
    """What is seen of a process and its descendants meanwhile."""
    seen, ended = _Seen(), threading.Event()

    def look() -> None:
        while not ended.wait(EVERY_S):
            family = _family(pid)
            seen.cpu_s |= family
            seen.bytes.append(sum(_pss(one) for one in family))

    looker = threading.Thread(target=look)
    looker.start()
    try:
        yield seen
    finally:
        ended.set()
        looker.join()


def _family(pid: int) -> dict[int, float]:
    """A process and all that descend from it, with the CPU seconds each has used."""
    parents: dict[int, int] = {}
    cpu_s: dict[int, float] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            try:
                fields = (entry / "stat").read_text().rsplit(")", 1)[1].split()
            except OSError:  # it has ended meanwhile
                continue
            parents[int(entry.name)] = int(fields[1])
            cpu_s[int(entry.name)] = (int(fields[11]) + int(fields[12])) / 100
    family = [pid]
    for one in family:
        family += [child for child, parent in parents.items() if parent == one]
    return {one: cpu_s.get(one, 0.0) for one in family}


def _pss(pid: int) -> int:
    """A process's share of the memory it maps [bytes]; 0 when it has ended."""
    try:
        for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
            if line.startswith("Pss:"):
                return int(line.split()[1]) * 1024
    except OSError:
        return 0
    return 0
