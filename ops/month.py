"""A month of a large berth, run once to its end: `python -m ops.month`. 60 channels at 10 Hz are 1.6 billion samples.

Its logs are made in pieces, a day each (the first day's text under the other days' dates), some 400 MB of text a day;
the folder needs about twice the text and a tenth more: 30 GB for the whole month.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import tempfile
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from ops.bench_site import FIRST_DAY, LAYOUT_HEADER_LINE, bench_site, channel_names, dated, night_command, tautlog
from ops.memory import Watched, watched
from sample_logs.wide import make_wide_log


def main(argv: Sequence[str] | None = None) -> None:
    """Make the logs, run the night, prove that it left nothing out, and print what it took."""
    options = _options(argv)
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        work = Path(folder)
        channels = channel_names(options.channels)
        logs = _logs(work / "logs", channels, options.days, options.hours)
        text = sum(log.stat().st_size for log in logs)
        site = bench_site(work / "site", logs, channels)
        shutil.rmtree(work / "logs")  # the inbox has them
        night = watched(night_command(site))
        samples = _prove_whole(site, options)
        for line in _told(site, night, samples, text):
            print(line, flush=True)
        again = watched(night_command(site))
        print(f"the next night, with nothing new: {again.seconds:.2f} s")


def _options(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="ops.month", description=__doc__)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--channels", type=int, default=60)
    parser.add_argument("--hours", type=float, default=24.0, help="hours of each day")
    parser.add_argument("--folder", help="where to work")
    return parser.parse_args(argv)


def _logs(folder: Path, channels: Sequence[str], days: int, hours: float) -> list[Path]:
    folder.mkdir()
    first = folder / f"hooks_{FIRST_DAY}.csv"
    start = datetime(FIRST_DAY.year, FIRST_DAY.month, FIRST_DAY.day, tzinfo=UTC)
    make_wide_log(first, channels=channels, rate_hz=10, start=start, hours=hours, seed=2)
    return [first, *(dated(first, FIRST_DAY + timedelta(days=i)) for i in range(1, days))]


def _prove_whole(site: Path, options: argparse.Namespace) -> int:
    """That every row of every file is stored, and every line has an account of all days but the last."""
    told = json.loads(tautlog("receipts", site, "--json"))["receipts"]
    rows = sum(receipt["stored"] for receipt in told)
    lines = sum(receipt["lines"] - LAYOUT_HEADER_LINE for receipt in told)
    accounts = json.loads(tautlog("status", site, "--json"))["lines"]
    last = json.loads(tautlog("statement", site, f"L{options.channels:02d}", "--json"))
    if len(told) != options.days or rows != lines or len(accounts) != options.channels:
        raise SystemExit(f"the night left work out: {len(told)} files, {rows} of {lines} rows, {len(accounts)} lines")
    if len(last["entries"]) != options.days - 1:
        raise SystemExit(f"the last line has {len(last['entries'])} entries for {options.days} days")
    return int(rows) * int(options.channels)


def _told(site: Path, night: Watched, samples: int, text: int) -> list[str]:
    sizes = {name: _bytes(site / name) for name in ("raw", "store", "manifests", "published")}
    ledger = (site / "ledger.duckdb").stat().st_size
    stages = [line for line in map(_as_json, night.stderr.splitlines()) if "stage" in line]
    return [
        f"samples                  {samples:,}",
        f"text                     {text / 1e9:.2f} GB",
        f"night                    {night.seconds:.1f} s wall, {night.cpu_s:.1f} s CPU, on {os.cpu_count()} cores",
        *(f"  {stage['stage']:<22} {stage['seconds']:.1f} s" for stage in stages),
        f"samples a second         {samples / night.seconds / 1e6:.2f} million",
        f"CPU a sample             {night.cpu_s / samples * 1e9:.0f} ns",
        f"peak memory              {night.peak_bytes / 2**30:.2f} GiB, all processes together",
        f"store                    {sizes['store'] / 1e9:.2f} GB, {sizes['store'] / samples:.2f} B a sample",
        f"raw (originals)          {sizes['raw'] / 1e9:.2f} GB",
        f"manifests, ledger        {sizes['manifests'] / 1e6:.1f} MB, {ledger / 1e6:.1f} MB",
        f"published                {sizes['published'] / 1e6:.1f} MB",
    ]


def _as_json(line: str) -> dict[str, object]:
    try:
        found = json.loads(line)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _bytes(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


if __name__ == "__main__":
    main()
