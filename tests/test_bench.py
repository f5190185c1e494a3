"""The benchmark runs and prints its table. Not about speed: short runs prove only that every measurement is made."""

import re
import subprocess
import sys
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[1]
ROWS = {
    r"whole night / bare copy \([\d.]+ M samples\)": "at most 2.0",
    r"night with nothing new \[s\]": "under 1",
    r"store, provenance, flags and sheets \[B/sample\]": "at most 2.0",
    r"fastest other / our counting \([\d.]+ M\)": "at least 3",
    r"one process on one core / two on two": "at least 1.7",
    r"Dask, two workers / two local processes": "at most 1.3",
    r"\d+ days / 1 day, time": "at most 3",
    r"\d+ days / 1 day, peak memory": "at most 1.2",
    r"a late hour / \d+ days, time": "at most 0.10",
    r"tautlog --help \[s\]": "under 0.2",
    r"reprice \d+ days of \d+ lines, exactly \[s\]": "at most 60",
    r"compare from classes \[s\]": "at most 3",
    r"\d+ pages of \d+ lines, \d+ days \[s\]": "under 20",
    r"  largest page \[MB\]": "under 1.5",
    r"night with nothing new, pages fresh \[s\]": "under 1",
    r"all events of a day of \d+ channels at 10 Hz / reading its store files": "at most 0.5",
}
OTHERS = ("pylife", "rfcnt", "fatpack", "rainflow")


def test_a_short_benchmark_prints_every_measurement_beside_what_is_wanted() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "ops.bench", "--short"], cwd=REPOSITORY, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    for row, wanted in ROWS.items():
        (line,) = [line for line in done.stdout.splitlines() if re.match(row, line)]
        figure = line[re.match(row, line).end() :].split()[0]  # type: ignore[union-attr]
        assert float(figure) > 0
        assert wanted in line
    for name in OTHERS:
        assert re.search(rf"^  {name} / our counting +[\d.]+", done.stdout, re.MULTILINE)
