"""The fuzzer's child process: makes and checks ranges of inputs, and says where it is."""

from __future__ import annotations

import os
import signal
import tempfile
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from multiprocessing.sharedctypes import Synchronized
from pathlib import Path
from random import Random

from ops.fuzz_inputs import Input, corpus_lines, make_input
from ops.fuzz_oracle import Reading, Wrong, check_input
from ops.fuzz_recipes import RECIPES

WARMING = -1
CPU_S = 20.0
"""Processor time [s] after which an input counts as hanging; the kernel then ends the process."""
Lines = Mapping[str, Sequence[bytes]]


@dataclass
class Tally:
    """What a range of inputs gave. `failures`: number of the input -> what went wrong. `slowest`: seconds, number."""

    inputs: int = 0
    lines: int = 0
    header: int = 0
    blank: int = 0
    ignored: int = 0
    good: int = 0
    bytes: int = 0
    bad_cells: int = 0
    by_reader: Counter[str] = field(default_factory=Counter)
    errors: Counter[str] = field(default_factory=Counter)
    reasons: Counter[str] = field(default_factory=Counter)
    settled: Counter[str] = field(default_factory=Counter)
    slowest: tuple[float, int] = (0.0, -1)
    failures: dict[int, str] = field(default_factory=dict)

    def add(self, number: int, made: Input, seconds: float, reading: Reading | None) -> None:
        """One input more; `reading` None: it failed."""
        self.inputs += 1
        self.bytes += len(made.data)
        self.by_reader[f"{RECIPES[made.recipe].reader}{made.suffix}"] += 1
        self.slowest = max(self.slowest, (seconds, number))
        if reading is None:
            return
        if reading.error is not None:
            self.errors[_kind_of(reading.error)] += 1
        self.lines += reading.lines
        self.header += reading.header
        self.blank += reading.blank
        self.ignored += reading.ignored
        self.good += reading.good
        self.bad_cells += len(reading.bad_cells)
        self.reasons.update(line[2] for line in reading.quarantined)
        self.settled.update(reading.notes.settled_rows)

    def merge(self, other: Tally) -> None:
        """Another range's figures too."""
        for name in ("inputs", "lines", "header", "blank", "ignored", "good", "bytes", "bad_cells"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for name in ("by_reader", "errors", "reasons", "settled", "failures"):
            getattr(self, name).update(getattr(other, name))
        self.slowest = max(self.slowest, other.slowest)


def _kind_of(error: str) -> str:
    for words in ("no text in", "is not in the header", "stands in the header", "gzip stream", "Zstandard stream"):
        if words in error:
            return words
    return error.partition(";")[0][-60:]


def scratch_file() -> Path:
    """A file in memory, where there is such a place, of this process alone."""
    memory = Path("/dev/shm")
    folder = memory if os.access(memory, os.W_OK) else Path(tempfile.gettempdir())
    return folder / f"tautlog-fuzz-{os.getpid()}"


def what_is_wrong(made: Input, path: Path, rng: Random) -> tuple[str | None, Reading | None]:
    """None and the reading, or what went wrong: a broken rule, or any error that is not a deliberate one."""
    try:
        return None, check_input(made, path, rng)
    except Wrong as wrong:
        return str(wrong), None
    except Exception as error:  # whatever a reader raises besides its deliberate errors is what is looked for
        where = error.__traceback__
        while where is not None and where.tb_next is not None:
            where = where.tb_next
        at = "" if where is None else f" at {Path(where.tb_frame.f_code.co_filename).name}:{where.tb_lineno}"
        return f"{type(error).__name__}: {error}"[:300] + at, None


def work(seed: int, orders: Connection, at: Synchronized[int]) -> None:
    """Take ranges of numbers from `orders` and send a Tally for each; `at` holds the number being looked at."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    path, lines = scratch_file(), corpus_lines()
    try:
        at.value = WARMING
        for number in range(4 * len(RECIPES)):  # what compiles, compiles now
            what_is_wrong(make_input(seed, number, lines), path, Random(number))
        orders.send(None)
        while (span := orders.recv()) is not None:
            orders.send(look_at(seed, range(*span), lines, path, at))
    finally:
        path.unlink(missing_ok=True)


def look_at(seed: int, numbers: range, lines: Lines, path: Path, at: Synchronized[int]) -> Tally:
    """Make and check the inputs of these numbers."""
    tally = Tally()
    for number in numbers:
        at.value = number
        signal.setitimer(signal.ITIMER_PROF, CPU_S)
        made = make_input(seed, number, lines)
        begun = time.process_time()
        wrong, reading = what_is_wrong(made, path, Random(number))
        tally.add(number, made, time.process_time() - begun, reading)
        if wrong is not None:
            tally.failures[number] = wrong
    signal.setitimer(signal.ITIMER_PROF, 0)
    return tally
