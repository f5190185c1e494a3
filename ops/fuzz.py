"""`make fuzz`: hostile inputs through every reader, each held to what must hold of any file.

    python -m ops.fuzz --inputs 1000000 --seed 1 --jobs 2
    python -m ops.fuzz --replay tests/readers/corpus/failing/wide-utf8/0123456789abcdef.log

An input is made from its seed and number alone, so that a run can be repeated. Children make and check them; one
that hangs or dies is ended and replaced, and its input kept. Exit 1 when anything failed, or when some reason for
quarantine was never met.
"""

from __future__ import annotations

import argparse
import hashlib
import multiprocessing
import os
import signal
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from multiprocessing.sharedctypes import Synchronized
from pathlib import Path
from random import Random
from typing import get_args

from ops.fuzz_child import CPU_S, WARMING, Tally, scratch_file, what_is_wrong, work
from ops.fuzz_inputs import CORPUS, Input, corpus_lines, input_of, make_input
from ops.fuzz_shrink import shrink
from pipeline.readers import Reason

SPAN = 500
"""Inputs that a child is given at a time."""
HANG_S = 300.0
WARM_S = 900.0
"""How long [s] by the wall clock an input may take (its child ends itself after far less processor time), and the
first compiling of all loops."""
MOST_FAILURES = 40
Span = tuple[int, int]


@dataclass
class Child:
    """A child process, where it is, and since when."""

    process: BaseProcess
    orders: Connection
    at: Synchronized[int]
    span: Span | None = None
    seen: int = WARMING
    since: float = field(default_factory=time.monotonic)

    @classmethod
    def start(cls, seed: int) -> Child:
        """A new one, which says when it is warm."""
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        at = context.Value("q", WARMING)
        process = context.Process(target=work, args=(seed, theirs, at), daemon=True)
        process.start()
        theirs.close()
        return cls(process, ours, at)

    def hangs(self) -> bool:
        """Whether it has looked at one input for too long."""
        now, number = time.monotonic(), self.at.value
        if number != self.seen:
            self.seen, self.since = number, now
        return (self.span is not None and now - self.since > HANG_S) or now - self.since > WARM_S

    def end(self) -> None:
        """End it, whatever it does."""
        self.process.kill()
        self.process.join()
        self.orders.close()


class Fuzz:
    """One run: what is left to look at, who looks, and what came of it."""

    def __init__(self, seed: int, inputs: int, seconds: float | None) -> None:
        self._seed = seed
        self._spans: Iterator[Span] = ((at, min(at + SPAN, inputs)) for at in range(0, inputs, SPAN))
        self._again: list[Span] = []
        self._until = None if seconds is None else time.monotonic() + seconds
        self.lines = corpus_lines()
        self.tally = Tally()

    def run(self, jobs: int) -> Tally:
        """Look at all inputs; says every half minute how far it is."""
        children, told = [Child.start(self._seed) for _ in range(jobs)], time.monotonic()
        try:
            while children:
                ready = wait([child.orders for child in children], timeout=0.5)
                children = [new for child in children if (new := self._attend(child, ready)) is not None]
                if time.monotonic() - told > 30:
                    told = time.monotonic()
                    print(f"{self.tally.inputs} inputs, {len(self.tally.failures)} failures", file=sys.stderr)
        finally:
            for child in children:
                child.end()
        return self.tally

    def _attend(self, child: Child, ready: Sequence[object]) -> Child | None:
        """Take what a child says, or replace one that hangs or died; None when nothing is left for it."""
        if child.orders in ready:
            try:
                tally = child.orders.recv()
            except (EOFError, ConnectionResetError):
                child.process.join()
                code = child.process.exitcode
                spent = code is not None and -code == signal.SIGPROF
                why = f"more than {CPU_S:g} s of processor time" if spent else f"the process ended with {code}"
                return self._replaced(child, why)
            if tally is not None:
                self.tally.merge(tally)
                for number in tally.failures:
                    self._keep(number)
            return self._ordered(child)
        return self._replaced(child, f"no answer in {HANG_S:g} s") if child.hangs() else child

    def _keep(self, number: int) -> None:
        """At once, as it is: a run may be stopped before its end."""
        keep(make_input(self._seed, number, self.lines))

    def _ordered(self, child: Child) -> Child | None:
        child.span = self._next_span()
        child.orders.send(child.span)
        if child.span is not None:
            child.since = time.monotonic()
            return child
        child.process.join()
        child.orders.close()
        return None

    def _next_span(self) -> Span | None:
        late = self._until is not None and time.monotonic() > self._until
        if late or len(self.tally.failures) > MOST_FAILURES:
            return None
        return self._again.pop() if self._again else next(self._spans, None)

    def _replaced(self, child: Child, why: str) -> Child:
        """The rest of its range is looked at by another, without the input it failed at."""
        child.end()
        number = child.at.value
        if child.span is None or number == WARMING:
            raise SystemExit(f"a child failed before its first input: {why}")
        begin, end = child.span
        self.tally.failures[number] = why
        self.tally.inputs += 1
        self._keep(number)
        self._again += [span for span in ((begin, number), (number + 1, end)) if span[0] < span[1]]
        return Child.start(self._seed)


def main() -> int:
    """Run as the arguments say."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--inputs", type=int, default=1_000_000)
    parser.add_argument("--seconds", type=float, help="stop after so many seconds, if that comes first")
    parser.add_argument("--seed", type=int, default=int(time.time()), help="default: another one each time")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--replay", type=Path, nargs="+", help="check these kept inputs instead")
    parser.add_argument("--bounds", action="store_true", help="compile the loops so that they check every index")
    args = parser.parse_args()
    if args.bounds:
        # Read by numba when the readers are first imported, which is in the children.
        os.environ |= {"NUMBA_BOUNDSCHECK": "1", "NUMBA_CACHE_DIR": str(Path(".numba-bounds").resolve())}
    if args.replay:
        return _replay(args.replay)
    begun = time.monotonic()
    fuzz = Fuzz(args.seed, args.inputs, args.seconds)
    tally = fuzz.run(args.jobs)
    print(figures(tally, args.seed, time.monotonic() - begun))
    keep_failures(args.seed, tally.failures, fuzz.lines)
    missed = set(get_args(Reason)) - set(tally.reasons)
    if missed:
        print(f"never met, so that the run shows too little: {', '.join(sorted(missed))}")
    return 1 if tally.failures or missed else 0


def _replay(paths: list[Path]) -> int:
    failed = 0
    for path in paths:
        for number in range(8):  # each other way of reading, by chance
            wrong, _ = what_is_wrong(input_of(path), scratch_file(), Random(number))
            if wrong is not None:
                print(f"{path}: {wrong}")
                failed += 1
                break
    scratch_file().unlink(missing_ok=True)
    print(f"{len(paths)} inputs, {failed} failures")
    return 1 if failed else 0


def figures(tally: Tally, seed: int, seconds: float) -> str:
    """The figures of a run, as text."""
    quarantined = sum(tally.reasons.values())
    rows = [
        f"{tally.inputs} inputs of seed {seed}, {tally.bytes} bytes, {seconds:.0f} s; {len(tally.failures)} failures",
        _counts("by reader", tally.by_reader),
        f"  lines       {tally.lines} = {tally.header} header + {tally.blank} blank + {tally.ignored} ignored"
        f" + {tally.good} good + {quarantined} quarantined",
        _counts("quarantined", tally.reasons),
        _counts("refused", tally.errors),
        _counts("hours", tally.settled),
        f"  bad cells   {tally.bad_cells}",
        f"  slowest     input {tally.slowest[1]}: {tally.slowest[0]:.3f} s of processor time, all its readings",
    ]
    return "\n".join(rows)


def _counts(name: str, counts: dict[str, int]) -> str:
    return f"  {name:<11} " + ", ".join(f"{count} {what}" for what, count in sorted(counts.items()))


def keep_failures(seed: int, failures: dict[int, str], lines: Mapping[str, Sequence[bytes]]) -> None:
    """Put each failing input, as small as it will go, in the place of what was kept, and say how to replay it."""
    for number, wrong in sorted(failures.items()):
        made = make_input(seed, number, lines)
        path = keep(made)
        if not wrong.startswith(("no answer", "more than", "the process")):
            path.unlink()
            path = keep(shrink(made))
        print(f"input {number} ({made.recipe}): {wrong}\n  replay: python -m ops.fuzz --replay {path}")


def keep(made: Input) -> Path:
    """Write an input into the corpus of failures; its name is a digest of its bytes."""
    folder = CORPUS / "failing" / made.recipe
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{hashlib.sha256(made.data).hexdigest()[:16]}.log{made.suffix}"
    path.write_bytes(made.data)
    return path


if __name__ == "__main__":
    sys.exit(main())
