"""The site under torture, told as nights: what is delivered and what people change before each. All of it invented.

Small, but with everything that makes a night branch: wide and long text, sentences, gz, a main line with its tail, a
rendering winch, late, repeated and overlapping files, bad lines, a new spec, a re-rig, a file withdrawn and brought
back, a changed layout, `--through`.
"""

from __future__ import annotations

import gzip
import hashlib
import math
import os
import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import reduce
from operator import xor
from pathlib import Path

LINES = ("L1", "T1", "L2", "L3", "L4", "L5")
DELIVERED_S = datetime(2026, 6, 1, tzinfo=UTC).timestamp()
"""When every delivery was last written: long ago, so that none looks as if it were still growing."""

_SPEC = """id = "rope"
material = "hmpe"
construction = "12-strand"
diameter_mm = 40
mass_kg_per_m = 0.9
break_force_kn = 1200
[fatigue]
a = 3.1
b = 0.4
m = {m}
source = "invented for the demo"
"""
_HOOKS = """name = "hooks"
reader = "delimited"
match = "hooks_*.csv"
[text]
separator = ";"
decimal = ","
header_line = 2
missing = {missing}
[time]
column = "Time"
format = "%d.%m.%Y %H:%M:%S"
zone = "UTC"
[[value]]
column = "H1"
channel = "H1"
unit = "kN"
[[value]]
column = "H2"
channel = "H2"
unit = "tf"
"""
_WINCHES = """name = "winches"
reader = "delimited"
match = "winches_*.csv"
[time]
column = "at"
format = "rfc3339"
[rows]
key = "winch"
[[value]]
column = "kn"
channel = "{key}-tension"
unit = "kN"
[[value]]
column = "out_m"
channel = "{key}-payout"
unit = "m"
[[value]]
column = "brake"
channel = "{key}-brake"
unit = "1"
words = { OPEN = 0, SET = 1 }
"""
_CELLS = """name = "cells"
reader = "sentences"
match = "cells_*.log"
[time]
prefix = "rfc3339"
[[value]]
transducer = "BREAST1"
channel = "B1"
"""
_RIGGED = {
    "L1": "L1,H1,2026-03-02T00:00:00Z,,a,100",
    "T1": "T1,H1,2026-03-02T00:00:00Z,,a,100",
    "L2": "L2,H2,2026-03-02T00:00:00Z,,a,100",
    "L3": "L3,W1-tension,2026-03-02T00:00:00Z,,a,100",
    "L4": "L4,B1,2026-03-02T00:00:00Z,,a,100",
}
_RIGGED_ANEW = _RIGGED | {
    "L2": "L2,H2,2026-03-02T00:00:00Z,2026-03-04T06:01:00Z,a,100",
    "L5": "L5,H2,2026-03-04T06:01:00Z,,b,100",
}


@dataclass(frozen=True)
class Eve:
    """What happens at the site before one night: files dropped into the inbox, registers written, `--through`."""

    drops: Mapping[str, bytes] = field(default_factory=dict)
    writes: Mapping[str, str] = field(default_factory=dict)
    through: str | None = None


def make_site(root: Path) -> None:
    """The site folder as people set it up, with nothing delivered yet."""
    channels = [f"{name},tension,load-pin,0.5,2000,{name}" for name in ("H1", "H2", "B1")]
    channels += ["W1-tension,tension,winch-brake,0.5,2000,W1"]
    channels += [f"W1-{quantity},{quantity},winch-brake,0.5,,W1" for quantity in ("payout", "brake")]
    lines = [f"{line},S1,rope,{'tail' if line == 'T1' else 'main'},2026-01-01" for line in LINES]
    _write(root / "site.toml", '[site]\nid = "torture"\nname = "Tortured berth"\ntimezone = "UTC"\n')
    _write(root / "channels.csv", _csv("channel,quantity,kind,rate_hz,capacity,place", *channels))
    _write(root / "ships.csv", _csv("ship,design_mbl_kn,source", "S1,1000,invented for the demo"))
    _write(root / "lines.csv", _csv("line,ship,spec,part,in_service", *lines))
    _write(root / "winches.csv", _csv("place,brake_set_kn,set_on", "W1,400,2026-01-01"))
    _write(root / "rigging.csv", _rigging(_RIGGED))
    _write(root / "specs/rope.toml", _SPEC.format(m=4.5))
    for name, text in (("hooks", _HOOKS.format(missing='["---"]')), ("winches", _WINCHES), ("cells", _CELLS)):
        _write(root / f"layouts/{name}.toml", text)
    (root / "inbox").mkdir()


def nights() -> tuple[Eve, ...]:
    """The nights, in order; the same every time."""
    hooks = {day: _hooks_log(day, 6, 90) for day in (2, 3, 4, 5)}
    late = _hooks_log(2, 9, 40)
    overlap = hooks[2].removesuffix(b"\n").rpartition(b"\n")[0] + b"\n\n"
    wrong = _hooks_log(3, 12, 30, add_kn=300.0)
    withdrawn = {"withdrawn.csv": f"sha256,reason\n{hashlib.sha256(wrong).hexdigest()},pin 12 was under repair\n"}
    return (
        Eve({"hooks_02.csv": hooks[2], "winches_02.csv.gz": _gz(_winch_log(2)), "cells_02.log": _cells_log(2)}),
        Eve(
            {
                "hooks_03.csv": hooks[3],
                "hooks_02_late.csv": late,
                "hooks_02_once_more.csv": hooks[2],
                "hooks_02_overlap.csv": overlap,
                "hooks_03_noon.csv": wrong,
                "cells_03.log": _cells_log(3),
            }
        ),
        Eve({"winches_03.csv.gz": _gz(_winch_log(3))}, {"specs/rope.toml": _SPEC.format(m=4.0), **withdrawn}),
        Eve(
            {"hooks_04.csv": hooks[4] + b"04.03.2026 25:00:00;1;1\n04.03.2026 07:00:00;1,2,3;1\n"},
            {"rigging.csv": _rigging(_RIGGED_ANEW)},
        ),
        Eve(
            {"cells_04.log": _cells_log(4), "winches_04.csv.gz": _gz(_winch_log(4)), "notes.txt": b"nothing to read\n"},
            {"layouts/hooks.toml": _HOOKS.format(missing='["---", "999,9"]'), "withdrawn.csv": "sha256,reason\n"},
        ),
        Eve({"hooks_05.csv": hooks[5], "cells_05.log": _cells_log(5)}, through="2026-03-05"),
    )


def few_nights() -> tuple[Eve, ...]:
    """The same story in three nights, for a short form: less is undone and done again between them."""
    first, second, third, fourth, fifth, sixth = nights()
    return first, _merged(second, third), _merged(fourth, fifth, sixth)


def _merged(*eves: Eve) -> Eve:
    drops = {name: data for eve in eves for name, data in eve.drops.items()}
    writes = {name: text for eve in eves for name, text in eve.writes.items()}
    return Eve(drops, writes, eves[-1].through)


def drop(root: Path, eve: Eve) -> None:
    """Do to a site what happens before a night."""
    for relative, text in eve.writes.items():
        _write(root / relative, text)
    for name, data in eve.drops.items():
        path = root / "inbox" / name
        path.write_bytes(data)
        os.utime(path, (DELIVERED_S, DELIVERED_S))


def lines_of(name: str, data: bytes) -> int:
    """Physical lines of a delivered file, counted without the program's help."""
    plain = gzip.decompress(data) if name.endswith(".gz") else data
    return plain.count(b"\n") + (not plain.endswith(b"\n"))


def _csv(columns: str, *rows: str) -> str:
    return "\n".join((columns, *rows)) + "\n"


def _rigging(rigged: Mapping[str, str]) -> str:
    return _csv("line,channel,from,to,outboard_end,share_pct", *rigged.values())


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")


def _gz(data: bytes) -> bytes:
    return gzip.compress(data, mtime=0)


def _instants(day: int, hour: int, count: int) -> list[datetime]:
    first = datetime(2026, 3, day, hour, tzinfo=UTC)
    return [first + timedelta(seconds=2 * number) for number in range(count)]


def _hooks_log(day: int, hour: int, count: int, *, add_kn: float = 0.0) -> bytes:
    """Wide text, decimal comma; H1 in kN with a squall above half of design MBL, H2 in tonnes-force."""
    rng = random.Random(f"hooks {day} {hour}")
    text = "Quay hooks\nTime;H1;H2\n"
    for number, at in enumerate(_instants(day, hour, count)):
        squall = 400.0 if number in (20, 21, 22) else 0.0
        first = "---" if number == 30 else "999,9" if number == 31 else f"{rng.uniform(80, 300) + squall + add_kn:.1f}"
        row = f"{at:%d.%m.%Y %H:%M:%S};{first};{rng.uniform(9, 30):.2f}"
        text += row.replace(".", ",").replace(",", ".", 2) + "\n"
    return text.encode()


def _winch_log(day: int) -> bytes:
    """Long text; the brake renders over some seconds."""
    rng = random.Random(f"winches {day}")
    text = "at,winch,kn,out_m,brake\n"
    paid_m = 20.0
    for number, at in enumerate(_instants(day, 8, 60)):
        slipping = 25 <= number < 30
        paid_m += 0.15 if slipping else 0.0
        kn = rng.uniform(380, 420) if slipping else 200 + 80 * math.sin(number / 3) + rng.uniform(-20, 20)
        text += f"{at:%Y-%m-%dT%H:%M:%SZ},W1,{kn:.1f},{paid_m:.2f},SET\n"
    return text.encode()


def _cells_log(day: int) -> bytes:
    """NMEA 0183 sentences, stamped; one with a wrong checksum, one of another kind."""
    rng = random.Random(f"cells {day}")
    text = ""
    for number, at in enumerate(_instants(day, 7, 50)):
        body = f"YXXDR,N,{rng.uniform(60_000, 350_000):.0f},N,BREAST1" if number != 11 else "WIMWV,104.0,T,6.3,M,A"
        checksum = reduce(xor, body.encode()) ^ (number == 17)
        text += f"{at:%Y-%m-%dT%H:%M:%SZ} ${body}*{checksum:02X}\n"
    return text.encode()
