"""How `site-0.1.0.tar.gz` and `expected-0.1.0.json` were made, once, with release 0.1.0.

NEVER MAKE THEM AGAIN. They are what the first release left on disk; made by a later program they would prove nothing.
The script stays as the account of what is in them. It stands alone, so that it says what ran even when the tests'
helpers have changed. Everything in the site is invented for the test.

    python tests/upgrade/make_site_0_1_0.py FOLDER      (refuses where the files are there)
"""

from __future__ import annotations

import hashlib
import random
import subprocess
import sys
import tarfile
from datetime import UTC, datetime, timedelta
from functools import reduce
from operator import xor
from pathlib import Path
from typing import Any

import simplejson

HERE = Path(__file__).parent
LINES = ("L1", "L2", "T1", "L3", "L4")

REGISTERS = {
    "site.toml": '[site]\nid = "old-quay"\nname = "Old Quay"\ntimezone = "Europe/Oslo"\n[policy]\npeak_load_pct = 45\n',
    "channels.csv": (
        "channel,quantity,kind,rate_hz,capacity,place,expected_every_h\n"
        "H1,tension,load-pin,0.5,3000,H1,12\n"
        "H2,tension,load-pin,0.5,3000,H2,12\n"
        "W3-tension,tension,winch-brake,1,1500,W3,\n"
        "W3-payout,payout,other,1,,W3,\n"
        "W3-brake,brake,other,1,,W3,\n"
        "breast,tension,load-pin,1,1500,B4,24\n"
    ),
    "calibrations.csv": "channel,from,zero_kn,gain\nH1,2026-01-01T00:00:00Z,2.5,1.01\n",
    "ships.csv": "ship,design_mbl_kn,source\nS1,1000,invented for the test\nS2,,\n",
    "lines.csv": (
        "line,ship,spec,part,in_service,opening_life,opening_source\n"
        "L1,S1,rope,main,2026-01-01,0.125,invented for the test\n"
        "L2,S1,rope,main,2026-01-01,,\n"
        "T1,S1,tail,tail,2026-01-01,,\n"
        "L3,S1,rope,main,2026-01-01,,\n"
        "L4,S2,rope,main,2026-01-01,,\n"
    ),
    "rigging.csv": (
        "line,channel,from,to,outboard_end,share_pct,share_basis\n"
        "L1,H1,2026-03-28T00:00:00Z,,a,100,measured\n"
        "T1,H1,2026-03-28T00:00:00Z,,a,100,measured\n"
        "L2,H2,2026-03-28T00:00:00Z,2026-03-29T12:00:00Z,b,50,assumed\n"
        "L2,H2,2026-03-29T12:00:00Z,,a,50,assumed\n"
        "L3,W3-tension,2026-03-28T00:00:00Z,,a,100,measured\n"
        "L4,breast,2026-03-28T06:00:00Z,,b,100,measured\n"
    ),
    "winches.csv": "place,brake_set_kn,set_on\nW3,600,2026-01-01\n",
    "services.csv": "line,at,action,detail\nL2,2026-03-29T12:00:00Z,end-for-end,\n",
    "specs/rope.toml": (
        'id = "rope"\nmaterial = "hmpe"\nconstruction = "12-strand"\ndiameter_mm = 40\nmass_kg_per_m = 0.9\n'
        "break_force_kn = 1200\n[fatigue]\na = 3.1\nb = 0.4\nm = 4.5\n"
        'source = "invented for the test"\n'
    ),
    "specs/tail.toml": (
        'id = "tail"\nmaterial = "polyester"\nconstruction = "8-strand"\ndiameter_mm = 64\nmass_kg_per_m = 2.6\n'
        "break_force_kn = 1100\n[fatigue]\na = 2.9\nb = 0.0\nm = 5.0\nfactor = 2.0\n"
        'source = "invented for the test"\n'
    ),
    "layouts/hooks.toml": (
        'name = "hooks"\nreader = "delimited"\nmatch = "hooks_*.csv"\n'
        '[text]\nseparator = ";"\ndecimal = ","\nheader_line = 2\nmissing = ["---"]\n'
        '[time]\ncolumn = "clock"\nformat = "%d.%m.%Y %H:%M:%S"\nzone = "site"\n'
        '[[value]]\ncolumn = "H1 t"\nchannel = "H1"\nunit = "tf"\n'
        '[[value]]\ncolumn = "H2 t"\nchannel = "H2"\nunit = "tf"\n'
    ),
    "layouts/winches.toml": (
        'name = "winches"\nreader = "delimited"\nmatch = "winches_*.csv"\n'
        '[time]\ncolumn = "time"\nformat = "rfc3339"\n[rows]\nkey = "winch"\n'
        '[[value]]\ncolumn = "kn"\nchannel = "{key}-tension"\nunit = "kN"\n'
        '[[value]]\ncolumn = "out_m"\nchannel = "{key}-payout"\nunit = "m"\n'
        '[[value]]\ncolumn = "brake"\nchannel = "{key}-brake"\nunit = "1"\nwords = { OPEN = 0, SET = 1 }\n'
    ),
    "layouts/breast.toml": (
        'name = "breast"\nreader = "sentences"\nmatch = "*.nmea"\n[time]\nprefix = "rfc3339"\n'
        '[[value]]\ntransducer = "BREAST4"\nchannel = "breast"\n'
    ),
}


def hooks(start: str, count: int, seed: str, *, peak_t: float | None = None, dirt: bool = False) -> bytes:
    """Two hooks in tonnes-force, a reading in 2 s; `start` is local time. `dirt`: rows that cannot be used."""
    rng = random.Random(f"hooks {seed}")
    rows = ["made by hand", "clock;H1 t;H2 t"]
    for i in range(count):
        at = datetime.fromisoformat(start) + timedelta(seconds=2 * i)
        one, two = rng.uniform(8, 38), rng.uniform(10, 60)
        if peak_t is not None and i == count // 2:
            one = peak_t
        rows.append(f"{at:%d.%m.%Y %H:%M:%S};{one:.2f};{two:.2f}".replace(".", ",").replace(",", ".", 2))
    if dirt:
        rows[10] = rows[10].rpartition(";")[0] + ";4l,6"
        rows[12] = "yesterday;1,0;2,0"
        rows[14] = rows[14] + ";9"
        rows[16] = rows[16].rpartition(";")[0] + ";---"
        rows.insert(20, ";;")
    return ("\n".join(rows) + "\n").encode()


def winches(start: str, count: int, seed: str, *, slip: bool = False) -> bytes:
    """Winch W3, a reading a second; with `slip` its brake renders for some seconds in the middle."""
    rng = random.Random(f"winches {seed}")
    rows, out_m = ["time,winch,kn,out_m,brake"], 34.5
    for i in range(count):
        at = datetime.fromisoformat(start).replace(tzinfo=UTC) + timedelta(seconds=i)
        slipping = slip and count // 2 <= i < count // 2 + 6
        kn = 585.0 if slipping else rng.uniform(90, 330)
        out_m += 0.08 if slipping else 0.0
        rows.append(f"{at:%Y-%m-%dT%H:%M:%SZ},W3,{kn:.1f},{out_m:.2f},SET")
    return ("\n".join(rows) + "\n").encode()


def breast(start: str, count: int, seed: str, *, wrong: bool = False) -> bytes:
    """Sentences of a breast line's cell in newtons, one a second; with `wrong` one has a bad checksum."""
    rng = random.Random(f"breast {seed}")
    rows = []
    for i in range(count):
        at = datetime.fromisoformat(start).replace(tzinfo=UTC) + timedelta(seconds=i)
        body = f"YXXDR,N,{rng.uniform(80_000, 420_000):.0f},N,BREAST4"
        total = reduce(xor, body.encode(), 0) ^ (1 if wrong and i == 7 else 0)
        rows.append(f"{at:%Y-%m-%dT%H:%M:%SZ} ${body}*{total:02X}\r\n")
        if i % 20 == 3:
            other = "WIMWV,271.0,R,11.4,N,A"
            rows.append(f"{at:%Y-%m-%dT%H:%M:%SZ} ${other}*{reduce(xor, other.encode(), 0):02X}\r\n")
    return "".join(rows).encode()


def make_site(site: Path) -> None:
    """Four nights over four days: the third has late data, the fourth a withdrawal and a new curve."""
    for relative, text in REGISTERS.items():
        path = site / relative
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    inbox = site / "inbox"
    inbox.mkdir()

    def deliver(name: str, data: bytes) -> None:
        (inbox / name).write_bytes(data)

    deliver("hooks_28.csv", hooks("2026-03-28 08:00:00", 90, "28", peak_t=52.0, dirt=True))
    deliver("winches_28.csv", winches("2026-03-28T07:30:00", 80, "28"))
    deliver("breast_28.nmea", breast("2026-03-28T07:00:00", 80, "28", wrong=True))
    deliver("photo.jpg", b"no layout matches this")
    night(site)

    # Over the spring's missing hour, and across a UTC midnight.
    deliver("hooks_29.csv", hooks("2026-03-29 01:58:00", 40, "29") + hooks("2026-03-29 03:01:00", 40, "29b")[29:])
    deliver("winches_29.csv", winches("2026-03-28T23:59:00", 120, "29", slip=True))
    deliver("breast_29.nmea", breast("2026-03-29T12:00:00", 70, "29"))
    night(site)

    wrong = hooks("2026-03-30 09:00:00", 60, "wrong", peak_t=70.0)
    deliver("hooks_30_wrong.csv", wrong)
    deliver("hooks_28_late.csv", hooks("2026-03-28 08:02:00", 60, "28 late", peak_t=49.0))
    deliver("hooks_28_again.csv", hooks("2026-03-28 08:00:00", 90, "28", peak_t=52.0, dirt=True) + b"\n")
    night(site, "--through", "2026-03-29")

    (site / "withdrawn.csv").write_text(
        f"sha256,reason\n{hashlib.sha256(wrong).hexdigest()},hooks were swapped\n", encoding="utf-8"
    )
    spec = site / "specs" / "rope.toml"
    spec.write_text(spec.read_text(encoding="utf-8").replace("m = 4.5", "m = 4.4"), encoding="utf-8")
    deliver("hooks_30.csv", hooks("2026-03-30 09:00:00", 60, "30"))
    deliver("breast_31.nmea", breast("2026-03-31T05:00:00", 40, "31"))
    night(site)


def night(site: Path, *more: str) -> None:
    """A night by the command; findings are no failure."""
    ran = subprocess.run([tautlog(), "nightly", str(site), *more], capture_output=True, text=True, check=False)
    if ran.returncode not in (0, 1):
        raise SystemExit(ran.stderr)


def asked(site: Path, *words: str) -> Any:
    """What a command answers as JSON, decimals to the last digit."""
    command, *rest = words
    ran = subprocess.run([tautlog(), command, str(site), *rest, "--json"], capture_output=True, text=True, check=True)
    return simplejson.loads(ran.stdout, use_decimal=True)


def tautlog() -> str:
    return str(Path(sys.executable).with_name("tautlog"))


def main(folder: Path) -> None:
    archive, answers = HERE / "site-0.1.0.tar.gz", HERE / "expected-0.1.0.json"
    if archive.exists() or answers.exists():
        raise SystemExit("the files of release 0.1.0 are never made again")
    site = folder / "site-0.1.0"
    make_site(site)
    expected = {
        "status": asked(site, "status"),
        "events": asked(site, "events"),
        "receipts": asked(site, "receipts"),
        "findings": asked(site, "findings"),
        "audit": asked(site, "audit"),
        "statements": {line: asked(site, "statement", line) for line in LINES},
        "histories": {line: asked(site, "statement", line, "--history") for line in LINES},
    }
    answers.write_text(simplejson.dumps(expected, use_decimal=True, indent=1, ensure_ascii=False) + "\n", "utf-8")
    with tarfile.open(archive, "w:gz") as tar:
        tar.add(site, arcname="site-0.1.0")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
