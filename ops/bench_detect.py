"""What events and findings are worth on scenarios of known truth. `make bench-detect`; `--short` is in the tests.

Each scenario (`sample_logs/scenarios`) is run at 10, 2 and 1 Hz through the functions of the night (`detect_night`),
and what is found is matched with what is true (`detect_match`, which states the rules). Then whole quiet days, in which
nothing is true, at 10 Hz. Printed for each kind and rate: `true` instances; those `near` a threshold or hidden by a
fault, which count neither way; recall; precision; `false` alarms; events told of a log or register that is wrong
(`faults`); by how many readings onsets are off, beyond what noise alone may do (median, 95 %, worst); how far the
peak told lies from the true one, at most; and peaks that are not their event's largest reading (`inexact`). Of surges
and of zeros that moved recall stands also against size.

A long run may be kept (`--keep FILE`): each scenario and quiet day is added to the file as it ends, and what stands in
it already is not run again. So a run that was stopped goes on where it was, and `--kept-only` makes the tables of as
much as there is. A file is of one state of the program: nothing in it tells which, so begin a new one after a change.

Thresholds are set by looking at the family `tune`; the default prints `report`, on which nothing was ever set. Quiet
days of `tune` are other seeds than those of `report`. Exits 1 when anything wanted was missed, but not with `--short`.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import time
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from ops.detect_match import Tally, as_json, from_json, tallies, total
from ops.detect_night import night_of
from ops.detect_table import (
    HEAD,
    WANTED,
    confusion,
    curve,
    examples,
    kinds_with_classes,
    markdown,
    quiet,
    reach,
    table,
    timed,
)
from sample_logs.scenarios import NeverQuiet, make
from schemas.times import DAY_US

QUIET_FOR_TUNE = 1_000_000
"""The first seed of quiet days to look at."""
QUIET_HZ = 10.0
MOST_QUIET = 10_000
TENSION_ALONE, SNAP = "brake-render no payout", "snap-load"


@dataclass(frozen=True)
class Ran:
    """One scenario at one rate: its counts, how many line-days it is, and the CPU seconds of making and of finding."""

    rate_hz: float
    tallies: dict[str, Tally]
    line_days: float
    making_s: float
    finding_s: float


def run(family: str, seed: int, rates: Sequence[float]) -> list[Ran]:
    """One scenario at some rates: a job of a process. Of a quiet seed that is never quiet nothing, over no time."""
    out = []
    for rate_hz in rates:
        began = time.process_time()
        try:
            scenario = make(seed, family=family, rate_hz=rate_hz)
        except NeverQuiet:
            return [Ran(rate_hz, {}, 0.0, time.process_time() - began, 0.0) for rate_hz in rates]
        made = time.process_time()
        found = tallies(scenario, night_of(scenario))
        spans = [recorded.at_us for recorded in scenario.recorded.values()]
        days = (max(int(at[-1]) for at in spans) - min(int(at[0]) for at in spans)) / DAY_US
        lines = len(scenario.berth.lines)
        out.append(Ran(rate_hz, found, days * lines, made - began, time.process_time() - made))
    return out


class Kept:
    """What a file keeps of a run, a line of JSON for each seed; without a file it keeps nothing. A last line that was
    never finished counts for nothing, and is taken away where more is to be `added`."""

    def __init__(self, path: Path | None, *, added: bool) -> None:
        self._path = path
        self._ran: dict[tuple[str, int], list[Ran]] = {}
        if path is not None and path.exists():
            text = path.read_text()
            whole = text[: text.rfind("\n") + 1]
            if added and whole != text:
                path.write_text(whole)
            for line in whole.splitlines():
                row = json.loads(line)
                self._ran[row["family"], row["seed"]] = [_ran_of(one) for one in row["ran"]]

    def of(self, family: str, seed: int, rates: Sequence[float]) -> list[Ran] | None:
        """What stands of a seed at these rates; None where it is not there, or not at all of them."""
        ran = [one for one in self._ran.get((family, seed), []) if one.rate_hz in rates]
        return ran if len(ran) == len(rates) else None

    def add(self, family: str, seed: int, ran: Sequence[Ran]) -> None:
        """Keep what came out for a seed."""
        if self._path is not None:
            row = {"family": family, "seed": seed, "ran": [_told_of(one) for one in ran]}
            with self._path.open("a") as file:
                file.write(json.dumps(row) + "\n")


def _told_of(ran: Ran) -> dict[str, Any]:
    counts = {kind: as_json(one) for kind, one in ran.tallies.items()}
    return {**vars(ran), "tallies": counts}


def _ran_of(told: dict[str, Any]) -> Ran:
    return Ran(**{**told, "tallies": {kind: from_json(one) for kind, one in told["tallies"].items()}})


def main(argv: Sequence[str] | None = None) -> None:
    """Run the scenarios and the quiet days, and print the tables."""
    options = _options(argv)
    began = time.monotonic()
    kept = Kept(options.keep, added=not options.kept_only)
    with _pool(1 if options.kept_only else options.workers) as pool:
        seeds = range(options.first, options.first + options.scenarios)
        told: dict[float, list[Ran]] = {rate: [] for rate in options.rates}
        for number, ran in enumerate(_all(pool, options, kept, options.family, seeds, options.rates), 1):
            for one in ran:
                told[one.rate_hz].append(_only(one, options.only))
            _progress(f"{number} of {options.scenarios} scenarios", began)
        options.scenarios = min(len(found) for found in told.values())
        summed = {rate: total(one.tallies for one in found) for rate, found in told.items()}
        missed = _print_scenarios(options, summed)
        still = _quiet(pool, options, kept, began)
    missed += _print_quiet(options, still)
    if options.json:
        _print_json(options, summed, still)
    _print_time(told, still, time.monotonic() - began)
    if missed and not options.short:
        print("MISSED: " + "; ".join(missed))
        sys.exit(1)


def _all(
    pool: ProcessPoolExecutor | None,
    options: argparse.Namespace,
    kept: Kept,
    family: str,
    seeds: Iterable[int],
    rates: Sequence[float],
) -> Iterator[list[Ran]]:
    """What stands of some seeds, and else what they give, in their order; with `--kept-only` what stands alone."""
    stands = {seed: kept.of(family, seed, rates) for seed in seeds}
    missing = [] if options.kept_only else [seed for seed, ran in stands.items() if ran is None]
    made = _in_order(pool, partial(run, family, rates=rates), missing, 2 * options.workers)
    for seed, ran in stands.items():
        if ran is None and not options.kept_only:
            ran = next(made)
            kept.add(family, seed, ran)
        if ran is not None:
            yield ran


def _quiet(pool: ProcessPoolExecutor | None, options: argparse.Namespace, kept: Kept, began: float) -> list[Ran]:
    """Quiet days, as many as give the line-days wanted."""
    first = options.first + (QUIET_FOR_TUNE if options.family == "tune" else 0)
    found: list[Ran] = []
    if options.quiet_days <= 0:
        return found
    days = 0.0
    for (ran,) in _all(pool, options, kept, "quiet", range(first, first + MOST_QUIET), (QUIET_HZ,)):
        found.append(_only(ran, options.only))
        days += ran.line_days
        _progress(f"{days:.0f} of {options.quiet_days} quiet line-days", began)
        if days >= options.quiet_days:
            break
    return found


def _in_order(
    pool: ProcessPoolExecutor | None, job: partial[list[Ran]], seeds: Iterable[int], ahead: int
) -> Iterator[list[Ran]]:
    """What jobs give, in order of their seeds; few wait, so that memory stays flat. No pool: in this process."""
    if pool is None:
        yield from map(job, seeds)
        return
    waiting: deque[Future[list[Ran]]] = deque()
    try:
        for seed in seeds:
            waiting.append(pool.submit(job, seed))
            if len(waiting) >= ahead:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        for future in waiting:
            future.cancel()


@contextmanager
def _pool(workers: int) -> Iterator[ProcessPoolExecutor | None]:
    """Processes for the jobs; none for one worker."""
    if workers == 1:
        yield None
        return
    # Compiled loops are not safe to fork.
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        yield pool


def _only(ran: Ran, kind: str | None) -> Ran:
    if kind is None:
        return ran
    kept = {name: tally for name, tally in ran.tallies.items() if name == kind}
    return Ran(ran.rate_hz, kept, ran.line_days, ran.making_s, ran.finding_s)


def _print_scenarios(options: argparse.Namespace, told: dict[float, dict[str, Tally]]) -> list[str]:
    """Print the tables of each rate; what was missed."""
    missed: list[str] = []
    if options.markdown:
        _show(options, markdown(told))
        return missed
    for rate_hz, found in told.items():
        text, wrong = table(found, rate_hz, options.scenarios, options.family)
        missed += wrong
        parts = [text, *(confusion(found[kind], rate_hz, kind) for kind in kinds_with_classes(found))]
        parts += [curve(found[kind], rate_hz, kind) for kind in sorted(found) if found[kind].sizes]
        parts += [reach(found[TENSION_ALONE], rate_hz)] if TENSION_ALONE in found else []
        parts += [timed(found[SNAP], rate_hz)] if SNAP in found else []
        parts += [examples(found, rate_hz, options.examples)] if options.examples else []
        _show(options, *parts)
    return missed


def _print_quiet(options: argparse.Namespace, still: Sequence[Ran]) -> list[str]:
    """Print the quiet days; what was missed in them."""
    if not still:
        return []
    found = total(ran.tallies for ran in still)
    never = sum(1 for ran in still if ran.line_days == 0.0)
    text, missed = quiet(found, sum(ran.line_days for ran in still), len(still) - never, options.quiet_days)
    if never:
        text += f"\n  left out: {never} seeds whose berth is not quiet even in a calm"
    _show(options, text)
    return missed


def _print_json(options: argparse.Namespace, told: dict[float, dict[str, Tally]], still: Sequence[Ran]) -> None:
    counts = {f"{rate:g} Hz": {kind: as_json(one) for kind, one in found.items()} for rate, found in told.items()}
    counts["quiet"] = {kind: as_json(one) for kind, one in total(ran.tallies for ran in still).items()}
    line_days = sum(ran.line_days for ran in still)
    print(json.dumps({"head": HEAD, "family": options.family, "line_days": line_days, **counts}))


def _show(options: argparse.Namespace, *parts: str) -> None:
    if not options.json:
        print("\n\n".join(part for part in parts if part) + "\n", flush=True)


def _print_time(told: dict[float, list[Ran]], still: Sequence[Ran], wall_s: float) -> None:
    """CPU seconds a scenario, on stderr: what a longer run takes is reckoned from them."""
    for rate_hz, found in [*told.items(), ("quiet", still)]:
        if found:
            making, finding = (
                sum(getattr(ran, name) for ran in found) / len(found) for name in ("making_s", "finding_s")
            )
            print(f"{rate_hz}: {making:.2f} s CPU to make one, {finding:.2f} s to find and match", file=sys.stderr)
    print(f"{wall_s:.0f} s in all", file=sys.stderr)


def _progress(text: str, began: float) -> None:
    print(f"\r{text}, {time.monotonic() - began:.0f} s", end="\n" if not sys.stderr.isatty() else "", file=sys.stderr)


def _options(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="ops.bench_detect", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--scenarios", type=int, default=300)
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--quiet-days", type=float, default=3000, help="quiet line-days; 0: none")
    parser.add_argument("--family", choices=("tune", "report"), default="report")
    parser.add_argument("--rate", type=float, choices=tuple(WANTED), action="append", help="Hz; all three by default")
    parser.add_argument("--only", help="one kind, as the table names it")
    parser.add_argument("--examples", type=int, default=0, help="so many misses and false alarms of each kind, by seed")
    parser.add_argument(
        "--keep", type=Path, metavar="FILE", help="add each result to this file; what stands in it is done"
    )
    parser.add_argument("--kept-only", action="store_true", help="run nothing: the tables of what stands in the file")
    parser.add_argument("--markdown", action="store_true", help="the table of ops/DETECTION.md instead of the others")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--json", action="store_true", help="all counts and errors instead of tables")
    parser.add_argument("--short", action="store_true", help="one scenario, one quiet day; proves that it runs")
    options = parser.parse_args(argv)
    options.rates = tuple(options.rate or WANTED)
    if options.short:
        options.scenarios, options.quiet_days, options.rates, options.workers = 1, 1, (1.0,), 1
    return options


if __name__ == "__main__":
    main()
