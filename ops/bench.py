"""Speed, memory and size, as ratios measured alternately in one run. `make bench`; `--short` is in the tests.

Absolute times depend on the machine and mean little. Each pair is timed alternately in one run, medians of
`--repeats` (5). A night is a whole process: Python's start, text, proof, hashes, flags, sheets, life, manifest,
ledger, snapshot. The bare copy is a whole process too: Polars' scan_csv, time parsed, sink_parquet, no more.
"""

from __future__ import annotations

import argparse
import json
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from functools import partial
from io import StringIO
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ops.bench_events import events_against_reading
from ops.bench_pages import pages_of_a_year
from ops.bench_scale import long_against_short, workers_against_each_other
from ops.bench_site import CHANNELS, FIRST_DAY, LAYOUT_HEADER_LINE, Line, bench_site, dated, run_night, tautlog, timed
from ops.bench_year import year_of_lines
from pipeline.sheets.cycles import close_cycles, turning_points
from sample_logs.wide import make_wide_log

Floats = NDArray[np.float64]
PARTS = ("night", "counting", "workers", "long", "start", "year", "pages", "events")
OF_LOGS = (None, "night", "workers", "long")
"""Parts that read the logs, which take a while to make."""
BARE_COPY = """
import sys, polars as pl
names = sys.argv[2].split(",")
for file in sys.argv[3:]:
    (pl.scan_csv(file, separator=";", decimal_comma=True, skip_rows=int(sys.argv[1]) - 1,
                 schema={"Time": pl.String} | {name: pl.Float64 for name in names})
     .with_columns(pl.col("Time").str.to_datetime("%d.%m.%Y %H:%M:%S%.f", time_unit="us"))
     .sink_parquet(file + ".parquet"))
"""


def main(argv: Sequence[str] | None = None) -> None:
    """Run every measurement and print the table."""
    options = _options(argv)
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        work = Path(folder)
        most = max(options.days, options.worker_days)
        days = _logs(work / "logs", most, options.hours) if options.only in OF_LOGS else []
        parts: dict[str, Callable[[], list[Line]]] = {
            "night": lambda: _night_against_bare_copy(work, days[: options.days], options),
            "counting": lambda: _counting(options.kernel_samples, options.repeats),
            "workers": lambda: workers_against_each_other(
                work, days[: options.worker_days], options.repeats, warm=not options.short
            ),
            "long": lambda: long_against_short(work, days[0], options.long_days, options.repeats),
            "start": lambda: _start_up(options.repeats),
            "year": lambda: year_of_lines(work, options.year_lines, options.year_days, options.hours, options.repeats),
            "pages": lambda: pages_of_a_year(
                work, options.year_lines, options.year_days, options.hours, options.repeats
            ),
            "events": lambda: events_against_reading(work, options.event_channels, options.hours, options.repeats),
        }
        rows = [row for name, measure in parts.items() if options.only in (None, name) for row in measure()]
    print(_table(rows))
    if any(not ok for *_, ok in rows) and not options.short:
        sys.exit(1)


def _options(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="ops.bench", description=__doc__)
    parser.add_argument("--days", type=int, default=10, help="days of 12 channels at 10 Hz (10.4 M samples each)")
    parser.add_argument("--hours", type=float, default=24.0, help="hours of each day")
    parser.add_argument("--worker-days", type=int, default=20, help="days for comparing workers")
    parser.add_argument("--long-days", type=int, default=30)
    parser.add_argument("--year-lines", type=int, default=60, help="lines whose sheets another rope is run through")
    parser.add_argument("--year-days", type=int, default=365, help="days of each")
    parser.add_argument("--kernel-samples", type=int, default=5_000_000)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--event-channels", type=int, default=60, help="lines of the day whose events are timed")
    parser.add_argument("--only", choices=PARTS, help="one part of it")
    parser.add_argument("--folder", help="where to work (needs some 8 GB for the long run)")
    parser.add_argument("--short", action="store_true", help="small sizes; proves that it runs, not how fast")
    options = parser.parse_args(argv)
    if options.short:
        options.days, options.hours, options.long_days = 2, 0.25, 3
        options.worker_days, options.year_lines, options.year_days = 2, 3, 4
        options.kernel_samples, options.repeats, options.event_channels = 20_000, 1, 3
    return options


def _logs(folder: Path, days: int, hours: float) -> list[Path]:
    """One log a day: the first is made, the others are the same text under other dates."""
    folder.mkdir()
    first = folder / f"hooks_{FIRST_DAY}.csv"
    start = datetime(FIRST_DAY.year, FIRST_DAY.month, FIRST_DAY.day, tzinfo=UTC)
    make_wide_log(first, channels=CHANNELS, rate_hz=10, start=start, hours=hours, seed=1)
    return [first, *(dated(first, FIRST_DAY + timedelta(days=i)) for i in range(1, days))]


def _night_against_bare_copy(work: Path, logs: Sequence[Path], options: argparse.Namespace) -> list[Line]:
    """The whole night on a fresh site each time, against Polars' bare copy of the same files."""
    night, bare, again = [], [], []
    samples = sum(sum(1 for _ in log.open("rb")) - LAYOUT_HEADER_LINE for log in logs) * len(CHANNELS)
    site = work / "site"
    run_night(bench_site(site, logs[:1]))  # compiled code is kept beside the source: not timed
    for _ in range(options.repeats):
        shutil.rmtree(site)
        bench_site(site, logs)
        bare.append(timed(lambda: _bare_copy(logs)))
        night.append(timed(lambda: run_night(site)))
        again.append(timed(lambda: run_night(site)))
    _prove_whole(site, samples, len(logs))
    store = sum(path.stat().st_size for path in (site / "store").rglob("*") if path.is_file())
    ratio = statistics.median(night) / statistics.median(bare)
    ratios = sorted(n / b for n, b in zip(night, bare, strict=True))
    spread = f"{ratios[0]:.2f}-{ratios[-1]:.2f}"
    return [
        (
            f"whole night / bare copy ({samples / 1e6:.1f} M samples)",
            f"{ratio:.2f} ({spread})",
            "at most 2.0",
            ratio <= 2.0,
        ),
        ("  seconds, for orientation", f"{statistics.median(night):.2f} / {statistics.median(bare):.2f}", "", True),
        ("night with nothing new [s]", f"{statistics.median(again):.2f}", "under 1", statistics.median(again) < 1),
        (
            "store, provenance, flags and sheets [B/sample]",
            f"{store / samples:.2f}",
            "at most 2.0",
            store / samples <= 2,
        ),
    ]


def _prove_whole(site: Path, samples: int, files: int) -> None:
    """That the night timed left no work out: every row stored, every line of the site with a posted account."""
    told = json.loads(tautlog("receipts", site, "--json"))["receipts"]
    stored = sum(receipt["stored"] for receipt in told) * len(CHANNELS)
    statement = json.loads(tautlog("statement", site, "L01", "--json"))
    if len(told) != files or stored != samples or not statement["entries"]:
        raise SystemExit(f"the night left work out: {len(told)} files, {stored} of {samples} samples")


def _counting(size: int, repeats: int) -> list[Line]:
    """Our counting kernel against other packages' on one record, with equal cycles, on one core."""
    record = _record(size)
    counters: dict[str, Callable[[], object]] = {"ours": lambda: _ours(record)} | {
        name: partial(count, record) for name, count in OTHERS.items()
    }
    _prove_equal(record)
    seconds: dict[str, list[float]] = {name: [] for name in counters}
    for _ in range(repeats):
        for name, count in counters.items():
            began = time.process_time()
            count()
            seconds[name].append(time.process_time() - began)
    medians = {name: statistics.median(found) for name, found in seconds.items()}
    fastest = min(medians[name] for name in OTHERS)
    rows: list[Line] = [
        (f"  {name} / our counting", f"{medians[name] / medians['ours']:.1f}", "", True) for name in OTHERS
    ]
    ratio = fastest / medians["ours"]
    return [(f"fastest other / our counting ({size / 1e6:.1f} M)", f"{ratio:.1f}", "at least 3", ratio >= 3), *rows]


def _record(size: int) -> Floats:
    """One channel of the wide log's texture, in whole steps of 0.02 tf, so that class counters round nothing."""
    text = StringIO()
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "record.csv"
        start = datetime(FIRST_DAY.year, FIRST_DAY.month, FIRST_DAY.day, tzinfo=UTC)
        make_wide_log(log, channels=["L"], rate_hz=10, start=start, hours=size / 36_000, seed=5, resolution_tf=0.02)
        lines = log.read_text().splitlines()[LAYOUT_HEADER_LINE:]
    text.write("\n".join(line.rsplit(";", 1)[1].replace(",", ".") for line in lines))
    return np.round(np.array(text.getvalue().split("\n"), np.float64) * 50.0)


def _ours(record: Floats) -> tuple[Floats, Floats]:
    """What a sheet's count does: turning points, closed pairs, what stays open."""
    turns = turning_points(record)
    first, second, _ = close_cycles(record[turns])
    return first, second


def _pylife(record: Floats) -> tuple[Floats, Floats]:
    from pylife.stress.rainflow import FourPointDetector, FullRecorder

    recorder = FullRecorder()
    FourPointDetector(recorder=recorder).process(record)
    return np.asarray(recorder.values_from), np.asarray(recorder.values_to)


def _rfcnt(record: Floats) -> Floats:
    import rfcnt

    low = record.min()
    found = rfcnt.rfc(
        record,
        class_width=1.0,
        class_offset=low - 0.5,
        class_count=int(record.max() - low) + 1,
        hysteresis=0.0,
        residual_method=rfcnt.ResidualMethod.NONE,
        spread_damage=rfcnt.SDMethod.NONE,
    )
    return np.asarray(found["rfm"])


def _fatpack(record: Floats) -> tuple[Floats, Floats]:
    import fatpack

    cycles, _ = fatpack.find_rainflow_cycles(record[turning_points(record)])
    return cycles[:, 0], cycles[:, 1]


def _rainflow(record: Floats) -> list[tuple[float, float, float]]:
    import rainflow

    return [(swing, mean, count) for swing, mean, count, _, _ in rainflow.extract_cycles(record)]


OTHERS: dict[str, Callable[[Floats], Any]] = {
    "pylife": _pylife,
    "rfcnt": _rfcnt,
    "fatpack": _fatpack,
    "rainflow": _rainflow,
}


def _prove_equal(record: Floats) -> None:
    """All count the same cycles; the first call of each also warms it up."""
    first, second = _ours(record)
    ours = Counter(zip(first.tolist(), second.tolist(), strict=True))
    for other in (_pylife, _fatpack):
        a, b = other(record)
        if Counter(zip(a.tolist(), b.tolist(), strict=True)) != ours:
            raise SystemExit(f"{other.__name__} counts other cycles")
    low, matrix = record.min(), _rfcnt(record)
    again = np.zeros_like(matrix)
    np.add.at(again, ((first - low).astype(int), (second - low).astype(int)), 1)
    if not np.array_equal(again, matrix):
        raise SystemExit("rfcnt counts other cycles")
    # Its three-point rule takes what touches the start as half cycles: equal when our residue is taken so too.
    turns = record[turning_points(record)]
    open_ = turns[close_cycles(turns)[2]].tolist()
    halves: Counter[tuple[float, float]] = Counter()
    for a, b in zip(first.tolist(), second.tolist(), strict=True):
        halves[abs(a - b), (a + b) / 2] += 2
    for a, b in pairwise(open_):
        halves[abs(a - b), (a + b) / 2] += 1
    theirs: Counter[tuple[float, float]] = Counter()
    for swing, mean, count in _rainflow(record):
        theirs[swing, mean] += round(2 * count)
    if theirs != halves:
        raise SystemExit("rainflow counts other cycles")


def _start_up(repeats: int) -> list[Line]:
    seconds = statistics.median(timed(lambda: tautlog("--help")) for _ in range(max(repeats, 3)))
    return [("tautlog --help [s]", f"{seconds:.3f}", "under 0.2", seconds < 0.2)]


def _bare_copy(logs: Sequence[Path]) -> None:
    given = [str(LAYOUT_HEADER_LINE), ",".join(CHANNELS), *map(str, logs)]
    subprocess.run([sys.executable, "-c", BARE_COPY, *given], check=True)


def _table(rows: Sequence[Line]) -> str:
    width = max(len(row[0]) for row in rows)
    return "\n".join(
        f"{what:<{width}}  {found:>20}  {wanted:<14}{'' if ok else '  MISSED'}" for what, found, wanted, ok in rows
    )


if __name__ == "__main__":
    main()
