"""The site that the benchmark's nights run on, twelve lines on one wide 10 Hz log a day; and running a night of it."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path

Line = tuple[str, str, str, bool]
"""A row of the benchmark's table: what, found, wanted, and whether they agree."""
FIRST_DAY = date(2026, 3, 2)


def channel_names(count: int) -> tuple[str, ...]:
    """Names of so many hooks."""
    return tuple(f"HOOK-{i:02d}" for i in range(1, count + 1))


CHANNELS = channel_names(12)
LAYOUT_HEADER_LINE = 4

_SITE = """[site]
id = "bench"
name = "Bench berth"
timezone = "UTC"
ambient_c = 15
[policy]
settle_s = 0
"""
_SPEC = """id = "hmpe-44"
material = "hmpe"
construction = "12-strand"
diameter_mm = 44
mass_kg_per_m = 1.02
break_force_kn = 1370
[fatigue]
a = 3.2
b = 0.0
m = 5.0
source = "invented for the demo"
"""
_LAYOUT = """name = "hooks"
reader = "delimited"
match = "hooks_*.csv"
[text]
separator = ";"
decimal = ","
header_line = 4
missing = ["", "---", "9999,9"]
[time]
column = "Time"
format = "%d.%m.%Y %H:%M:%S%.f"
zone = "UTC"
"""
_VALUE = """[[value]]
column = "{channel}"
channel = "{channel}"
unit = "tf"
"""


def bench_site(root: Path, logs: Sequence[Path], channels: Sequence[str] = CHANNELS) -> Path:
    """Make the site folder, with the logs in its inbox as hard links (a copy would not be the night's work)."""
    for folder in ("inbox", "specs", "layouts"):
        (root / folder).mkdir(parents=True)
    (root / "site.toml").write_text(_SITE)
    (root / "specs" / "hmpe-44.toml").write_text(_SPEC)
    (root / "layouts" / "hooks.toml").write_text(_LAYOUT + "".join(_VALUE.format(channel=c) for c in channels))
    rows = ["channel,quantity,kind,rate_hz,capacity,place"]
    rows += [f"{c},tension,load-pin,10,1500,{c}" for c in channels]
    (root / "channels.csv").write_text("\n".join(rows) + "\n")
    (root / "ships.csv").write_text("ship,design_mbl_kn,source\nBENCH,1300,invented for the demo\n")
    rows = ["line,ship,spec,part,in_service"]
    rows += [f"L{i:02d},BENCH,hmpe-44,main,2026-01-01" for i in range(1, len(channels) + 1)]
    (root / "lines.csv").write_text("\n".join(rows) + "\n")
    rows = ["line,channel,from,to,outboard_end,share_pct"]
    rows += [f"L{i:02d},{c},2026-03-01T00:00:00Z,,a,100" for i, c in enumerate(channels, 1)]
    (root / "rigging.csv").write_text("\n".join(rows) + "\n")
    for log in logs:
        os.link(log, root / "inbox" / log.name)
    return root


def dated(first: Path, day: date) -> Path:
    """The same log under the date of another day, beside it."""
    path = first.with_name(f"hooks_{day}.csv")
    old, new = FIRST_DAY.strftime("%d.%m.%Y").encode(), day.strftime("%d.%m.%Y").encode()
    path.write_bytes(first.read_bytes().replace(b"\n" + old, b"\n" + new))
    return path


def night_command(site: Path, *options: str) -> list[str]:
    """The command of a site's night."""
    return [sys.executable, "-m", "pipeline.cli", "nightly", str(site), "--no-pages", *options]


def run_night(site: Path, *options: str, prefix: Sequence[str] = (), env: dict[str, str] | None = None) -> None:
    """Run a night as a process of its own. `prefix`: a command to run it by; `env`: added to the environment."""
    command = [*prefix, *night_command(site, *options)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env={**os.environ, **(env or {})})
    if done.returncode not in (0, 1):
        raise SystemExit(f"the night failed ({done.returncode}):\n{done.stderr}")


def tautlog(*words: object) -> str:
    """What a command prints."""
    command = [sys.executable, "-m", "pipeline.cli", *map(str, words)]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def timed(work: Callable[[], object]) -> float:
    """Seconds that some work takes."""
    began = time.perf_counter()
    work()
    return time.perf_counter() - began
