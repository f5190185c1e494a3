"""What reconstructed incidents are worth on simulated ones. `make bench-incident`; `--short` in the tests.

Each seed gives a berth in a squall on which one to three lines part (`sample_logs/scenarios/incident.py`), with exact
truth: loggers up to 90 s off, with drift, at 1, 2, 5 or 10 Hz, some behind a filter; gaps, sometimes over the very
loss; often a clipped pin. What is asked for is one of the lost lines, at an instant up to ten seconds beside its
loss. Then, by the functions that `tautlog incident` runs, with readings from memory instead of the store's
(`incident_memory`):

- *instant*: of every line that parted, whether its loss is found, the true instant lies between last loaded and first
  unloaded reading (less the filter), and the figure given is within one reading of it; over a gap, the first two alone;
- *offset*: whether the true offset of each logger at the loss lies in its 95 % interval, and how far off the figure is;
- *order*: of every two true losses, whether an order is claimed, and whether it is the true one; the same of each loss
  against the brake slips that followed the first, by the true clocks;
- *first*: the line said to have gone first, where one is; and it must be named wherever the second went at least two
  seconds later, unless a gap hides one of them;
- *false*: losses told of lines that did not part, within half an hour.

Intervals were widened by looking at the family `tune`; the default prints `report`. Exits 1 when anything wanted was
missed, but not with `--short`. True of our simulator only.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from typing import Final

import numpy as np

from ops.incident_memory import records_of
from pipeline.incident.lines import LineRecord
from pipeline.incident.loss import Loss
from pipeline.incident.times import Span, Times, first_to_go, loss_span, times_of
from sample_logs.scenarios.incident import IncidentCase, LostLine, make_incident_case

NEAR_US: Final = 20_000_000
TOGETHER_US: Final = 1_800_000_000
CLEAR_S: Final = 2.0
ASKED_WITHIN_S: Final = 10
WANTED_IN: Final = 0.91


@dataclass
class Seen:
    """Counts of one incident."""

    seed: int
    losses: int = 0
    found: int = 0
    inside: int = 0
    within: int = 0
    in_gap: int = 0
    offsets: int = 0
    untold: int = 0
    held: int = 0
    off_s: list[float] = field(default_factory=list)
    half_s: list[float] = field(default_factory=list)
    pairs: int = 0
    claimed: int = 0
    wrong: int = 0
    slips: int = 0
    slips_claimed: int = 0
    slips_wrong: int = 0
    first_right: int = 0
    first_wrong: int = 0
    first_open: int = 0
    first_owed: int = 0
    false: int = 0
    seconds: float = 0.0
    said: list[str] = field(default_factory=list)


def run(seed: int, family: str) -> Seen | None:
    """One incident: a job of a process. None where the simulator cannot make one: its ship goes adrift."""
    try:
        case = make_incident_case(seed, family=family)
    except RuntimeError:
        return None
    site, records = records_of(case)
    began = time.process_time()
    rng = np.random.default_rng(seed)
    asked = case.losses[int(rng.integers(len(case.losses)))]
    at_us = asked.unloaded_us + int(rng.integers(-ASKED_WITHIN_S, ASKED_WITHIN_S + 1)) * 1_000_000
    times = times_of(records, asked.line, at_us, site.policy)
    seen = Seen(seed, seconds=time.process_time() - began)
    told = {one.line: _instant(seen, case, one, records[one.line], times) for one in case.losses}
    _offsets(seen, case, times)
    _orders(seen, case, records, times, told)
    _first(seen, case, records, times, told)
    _false(seen, case, records, times)
    return seen


def _instant(seen: Seen, case: IncidentCase, true: LostLine, record: LineRecord, times: Times) -> Loss | None:
    seen.losses += 1
    near = [one for one in times.losses[true.line] if abs(one.best_us - true.unloaded_us) < NEAR_US]
    if len(near) != 1:
        seen.said.append(f"loss of {true.line} found {len(near)} times")
        return None
    loss = near[0]
    seen.found += 1
    seen.in_gap += loss.gap
    if loss.low_us <= true.unloaded_us and true.loaded_us <= loss.high_us:
        seen.inside += 1
    else:
        seen.said.append(f"{true.line}: the instant lies outside of its interval")
    off_s = (loss.best_us - (true.loaded_us + true.unloaded_us) / 2) / 1e6
    if loss.gap or abs(off_s) <= 1.0 / case.rates_hz[record.logger]:
        seen.within += 1
    else:
        seen.said.append(f"{true.line}: {off_s:+.2f} s off at {case.rates_hz[record.logger]} Hz")
    return loss


def _offsets(seen: Seen, case: IncidentCase, times: Times) -> None:
    for logger in case.clocks:
        if logger == times.reference:
            continue
        seen.offsets += 1
        fitted = times.fitted(logger)
        if fitted is None:
            seen.untold += 1
            continue
        # At the loss that was asked for, of which the offset is told.
        true_s = _true_offset_s(case, times, logger)
        seen.off_s.append(fitted.offset_s - true_s)
        seen.half_s.append((fitted.high_s - fitted.low_s) / 2)
        if fitted.low_s <= true_s <= fitted.high_s:
            seen.held += 1
        else:
            seen.said.append(f"clock of {logger}: {seen.off_s[-1]:+.3f} s off, half {seen.half_s[-1]:.3f}")


def _true_offset_s(case: IncidentCase, times: Times, logger: str) -> float:
    """The true offset at the instant for which it is told, as the reference stamps it."""
    step = round(case.true_us(times.reference, times.clocks.at_us) / 100_000)
    return (case.clocks[logger].at(step) - case.clocks[times.reference].at(step)) / 1e6


def _orders(
    seen: Seen,
    case: IncidentCase,
    records: dict[str, LineRecord],
    times: Times,
    told: dict[str, Loss | None],
) -> None:
    spans = {name: loss_span(records[name], loss) for name, loss in told.items() if loss is not None}
    for number, one in enumerate(case.losses):
        for other in case.losses[number + 1 :]:
            if one.line not in spans or other.line not in spans or one.step == other.step:
                continue
            seen.pairs += 1
            which = times.order(spans[one.line], spans[other.line])
            seen.claimed += which != "not known"
            if which == "second":
                seen.wrong += 1
                seen.said.append(f"order of {one.line} and {other.line} is the wrong way")
        for line, slipped_us in case.slipped_us.items():
            if one.line not in spans:
                continue
            record = records[line]
            step_us = round(1e6 / case.rates_hz[record.logger])
            seen.slips += 1
            which = times.order(spans[one.line], Span(record.logger, slipped_us - step_us, slipped_us + step_us))
            later = case.true_us(record.logger, slipped_us) > one.step * 100_000
            seen.slips_claimed += which != "not known"
            if which != "not known" and (which == "first") != later:
                seen.slips_wrong += 1
                seen.said.append(f"order of {one.line} and the slip of {line} is the wrong way")


def _first(
    seen: Seen,
    case: IncidentCase,
    records: dict[str, LineRecord],
    times: Times,
    told: dict[str, Loss | None],
) -> None:
    first, _ = first_to_go(times, records, TOGETHER_US)
    true = case.losses[0].line
    seen.first_right += first == true
    seen.first_open += first is None
    if first is not None and first != true:
        seen.first_wrong += 1
        seen.said.append(f"{first} is told to have gone first, {true} did")
    clear = len(case.losses) == 1 or (case.losses[1].step - case.losses[0].step) / 10.0 >= CLEAR_S
    hidden = any(loss is None or loss.gap for loss in told.values())
    if first is None and clear and not hidden:
        seen.first_owed += 1
        seen.said.append("no line is told to have gone first")


def _false(seen: Seen, case: IncidentCase, records: dict[str, LineRecord], times: Times) -> None:
    true = {one.line for one in case.losses}
    about = case.losses[0].step * 100_000
    for name, losses in times.losses.items():
        for loss in losses:
            if name not in true and abs(case.true_us(records[name].logger, loss.best_us) - about) < TOGETHER_US:
                seen.false += 1
                seen.said.append(f"{name} is told to have lost its load")


def main(argv: Sequence[str] | None = None) -> None:
    """Run the incidents and print the table."""
    options = _options(argv)
    seeds = range(options.first, options.first + options.incidents)
    found: list[Seen] = []
    for number, seen in enumerate(_all(seeds, options), 1):
        found += [] if seen is None else [seen]
        print(f"\r{number} of {options.incidents} incidents", end="", file=sys.stderr)
    print(file=sys.stderr)
    text, missed = table(found, options.family)
    print(text)
    if len(found) < len(seeds):
        print(f"{len(seeds) - len(found)} seeds gave no incident: their ship went adrift")
    for seen in found:
        if seen.said and options.examples:
            print(f"  seed {seen.seed}: " + "; ".join(seen.said))
    if missed and not options.short:
        print("MISSED: " + "; ".join(missed))
        sys.exit(1)


def _all(seeds: range, options: argparse.Namespace) -> Iterator[Seen | None]:
    job = partial(run, family=options.family)
    if options.workers == 1:
        yield from map(job, seeds)
        return
    with ProcessPoolExecutor(options.workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        yield from pool.map(job, seeds)


def table(found: Sequence[Seen], family: str) -> tuple[str, list[str]]:
    """What was found, as text; and what was missed of what is wanted."""

    def count(name: str) -> int:
        return sum(int(getattr(one, name)) for one in found)

    off_s = np.array([off for one in found for off in one.off_s] or [0.0])
    half_s = np.array([half for one in found for half in one.half_s] or [0.0])
    losses, offsets, pairs = count("losses"), count("offsets"), count("pairs")
    held = count("held") / offsets if offsets else 1.0
    apart = [one for one in found if one.losses > 1]
    rows = [
        ("losses found", f"{count('found')} of {losses}", "all", count("found") == losses),
        ("instant within its interval", f"{count('inside')} of {losses}", "all", count("inside") == losses),
        (
            "instant within one reading",
            f"{count('within')} of {losses} ({count('in_gap')} over a gap)",
            "all",
            count("within") == losses,
        ),
        (
            "offsets within their 95 % interval",
            f"{100 * held:.1f} % of {offsets}",
            f"at least {100 * WANTED_IN:.0f} %",
            held >= WANTED_IN,
        ),
        ("  of these not told", f"{count('untold')}", "", True),
        (
            "  off [s]: root mean square, worst",
            f"{np.sqrt(np.mean(off_s**2)):.3f}, {np.abs(off_s).max():.3f}",
            "",
            True,
        ),
        ("  half of the interval [s]: median", f"{np.median(half_s):.3f}", "", True),
        (
            "orders of two losses claimed",
            f"{count('claimed')} of {pairs}, wrong {count('wrong')}",
            "none wrong",
            count("wrong") == 0,
        ),
        (
            "orders of a loss and a brake slip claimed",
            f"{count('slips_claimed')} of {count('slips')}, wrong {count('slips_wrong')}",
            "none wrong",
            count("slips_wrong") == 0,
        ),
        (
            "first line to go",
            f"right {count('first_right')}, left open {count('first_open')}, wrong {count('first_wrong')}",
            "none wrong",
            count("first_wrong") == 0,
        ),
        (f"  left open though {CLEAR_S:g} s apart", f"{count('first_owed')}", "none", count("first_owed") == 0),
        ("losses told that were none", f"{count('false')}", "", True),
        ("seconds of CPU for one, median", f"{np.median([one.seconds for one in found]):.2f}", "", True),
    ]
    head = f"{len(found)} incidents of the family {family}, {len(apart)} with more than one loss. On our simulator:"
    lines = [head] + [
        f"{what:<44} {value:<40} {wanted}{'' if good else '  MISSED'}" for what, value, wanted, good in rows
    ]
    return "\n".join(lines), [what.strip() for what, _, _, good in rows if not good]


def _options(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="ops.bench_incident", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--incidents", type=int, default=120)
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--family", choices=("tune", "report"), default="report")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--examples", action="store_true", help="what was wrong, by seed")
    parser.add_argument("--short", action="store_true", help="two incidents; proves that it runs")
    options = parser.parse_args(argv)
    if options.short:
        options.incidents, options.workers = 2, 1
    return options


if __name__ == "__main__":
    main()
