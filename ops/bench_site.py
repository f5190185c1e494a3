"""The site that the benchmark's nights run on: twelve lines on one wide 10 Hz log a day."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

CHANNELS = tuple(f"HOOK-{i:02d}" for i in range(1, 13))
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


def bench_site(root: Path, logs: Sequence[Path]) -> Path:
    """Make the site folder, with the logs in its inbox as hard links (a copy would not be the night's work)."""
    for folder in ("inbox", "specs", "layouts"):
        (root / folder).mkdir(parents=True)
    (root / "site.toml").write_text(_SITE)
    (root / "specs" / "hmpe-44.toml").write_text(_SPEC)
    (root / "layouts" / "hooks.toml").write_text(_LAYOUT + "".join(_VALUE.format(channel=c) for c in CHANNELS))
    rows = ["channel,quantity,kind,rate_hz,capacity,place"]
    rows += [f"{c},tension,load-pin,10,1500,{c}" for c in CHANNELS]
    (root / "channels.csv").write_text("\n".join(rows) + "\n")
    (root / "ships.csv").write_text("ship,design_mbl_kn,source\nBENCH,1300,invented for the demo\n")
    rows = ["line,ship,spec,part,in_service"]
    rows += [f"L{i:02d},BENCH,hmpe-44,main,2026-01-01" for i in range(1, 13)]
    (root / "lines.csv").write_text("\n".join(rows) + "\n")
    rows = ["line,channel,from,to,outboard_end,share_pct"]
    rows += [f"L{i:02d},{c},2026-03-01T00:00:00Z,,a,100" for i, c in enumerate(CHANNELS, 1)]
    (root / "rigging.csv").write_text("\n".join(rows) + "\n")
    for log in logs:
        os.link(log, root / "inbox" / log.name)
    return root
