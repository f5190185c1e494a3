"""The benchmark's rows about scale: cores, a cluster, many days against one, a late hour among many days."""

from __future__ import annotations

import os
import shutil
import statistics
from collections.abc import Callable, Sequence
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

from ops.bench_site import FIRST_DAY, LAYOUT_HEADER_LINE, Line, bench_site, dated, night_command, run_night, timed
from ops.memory import watched

ONE_CORE = {"POLARS_MAX_THREADS": "1"}
LATE_HOUR = b" 10:"


def workers_against_each_other(work: Path, logs: Sequence[Path], repeats: int, *, warm: bool = True) -> list[Line]:
    """One process on one core, two on two, and a Dask cluster of two, on the same nights in turn.

    `warm`: a first turn is not timed, in which the cluster loads the program, once for all nights to come.
    """
    from distributed import LocalCluster

    make: Any = LocalCluster  # it has no types
    cores = sorted(os.sched_getaffinity(0))[:2]
    pinned = [["taskset", "-c", ",".join(map(str, cores[:n]))] for n in (1, 2)]
    # The cluster's processes run the program too: where it is installed from is where this runs.
    with make(
        n_workers=2,
        threads_per_worker=1,
        host="127.0.0.1",
        dashboard_address=None,
        preload=["pipeline.night.awake"],
    ) as cluster:
        nights: dict[str, Callable[[Path], None]] = {
            "one": partial(run_night, prefix=pinned[0], env=ONE_CORE),
            "two": partial(run_night, prefix=pinned[1], env=ONE_CORE),
            "dask": lambda site: run_night(site, "--workers", cluster.scheduler_address, env=ONE_CORE),
        }
        seconds: dict[str, list[float]] = {name: [] for name in nights}
        for turn in range(repeats + warm):
            for name, night in nights.items():
                took = _fresh(work / f"workers-{name}", logs, night)
                if turn >= warm:
                    seconds[name].append(took)
    one, two, dask = (statistics.median(seconds[name]) for name in nights)
    return [
        ("one process on one core / two on two", f"{one / two:.2f}", "at least 1.7", one / two >= 1.7),
        ("Dask, two workers / two local processes", f"{dask / two:.2f}", "at most 1.3", dask / two <= 1.3),
    ]


def long_against_short(work: Path, first: Path, days: int, repeats: int) -> list[Line]:
    """Many days against one, time and memory; and an hour of one of the many that comes a night late."""
    logs = [first, *(dated(first, FIRST_DAY + timedelta(days=i)) for i in range(1, days))]
    late = _cut_out_an_hour(logs[days // 2])
    found: dict[str, list[tuple[float, int]]] = {"one": [], "many": [], "late": []}
    for _ in range(repeats):
        for name, chosen in (("one", logs[:1]), ("many", logs)):
            site = work / f"long-{name}"
            bench_site(site, chosen)
            found[name].append(_night(site))
        shutil.copy2(late, site / "inbox" / late.name)
        found["late"].append(_night(site))
        for name in ("one", "many"):
            shutil.rmtree(work / f"long-{name}")
    seconds = {name: statistics.median(took for took, _ in runs) for name, runs in found.items()}
    peaks = {name: statistics.median(peak for _, peak in runs) for name, runs in found.items()}
    longer, larger = seconds["many"] / seconds["one"], peaks["many"] / peaks["one"]
    part = seconds["late"] / seconds["many"]
    return [
        (f"{days} days / 1 day, time", f"{longer:.1f}", f"at most {days}", longer <= days),
        (f"{days} days / 1 day, peak memory", f"{larger:.2f}", "at most 1.2", larger <= 1.2),
        (f"  peak memory of {days} days [GiB]", f"{peaks['many'] / 2**30:.2f}", "", True),
        (f"a late hour / {days} days, time", f"{part:.3f}", "at most 0.10", part <= 0.10),
    ]


def _fresh(site: Path, logs: Sequence[Path], night: Callable[[Path], None]) -> float:
    """Seconds of a night on a fresh site."""
    bench_site(site, logs)
    took = timed(lambda: night(site))
    shutil.rmtree(site)
    return took


def _cut_out_an_hour(log: Path) -> Path:
    """Take the rows of one hour out of a log, into a log of their own."""
    lines = log.read_bytes().splitlines(keepends=True)
    head, rows = lines[:LAYOUT_HEADER_LINE], lines[LAYOUT_HEADER_LINE:]
    hour = [row for row in rows if row[10:14] == LATE_HOUR]
    if not hour:  # short runs have no such hour
        hour = rows[len(rows) // 2 : len(rows) // 2 + len(rows) // 24]
    late = log.with_name(log.name.replace("hooks_", "hooks_late_"))
    late.write_bytes(b"".join(head + hour))
    gone = set(hour)
    log.unlink()
    log.write_bytes(b"".join(head + [row for row in rows if row not in gone]))
    return late


def _night(site: Path) -> tuple[float, int]:
    """Seconds of a night, and its peak memory [bytes]."""
    night = watched(night_command(site))
    return night.seconds, night.peak_bytes
