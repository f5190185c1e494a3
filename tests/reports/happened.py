"""A berth on which something happened, with something wrong in its logs, for tests of pages. Figures are invented.

Two lines on two hooks from 06:00 on 2 March 2026, a reading every two seconds. At 08:00 both are overloaded at once,
which is an episode; at 09:00 L1 hangs slack for a moment, a note; from 10:00 to 10:05 nothing of L1 was recorded; at
11:00 L2 alone is overloaded. A raw file holds rows that no reader takes, one of them hostile; another file disagrees
with the first at one instant.
"""

from __future__ import annotations

from pathlib import Path

from schemas.times import rfc3339_us
from tests.night.berth import Berth, Row, log_text, make_berth, record

DAY = "2026-03-02"
HOSTILE = b"2026-03-02T06:10:00Z,H1</td><script>alert(1)</script>\x1b[31m\xff,x,y,z\n"
SHORT = b"2026-03-02T06:11:00Z,H1\n"
GAP = (rfc3339_us(f"{DAY}T10:00:00Z"), rfc3339_us(f"{DAY}T10:05:00Z"))
PEAKS_KN = {"L1": 731.25, "L2": 640.5}
ALONE_KN = 555.5
RIGGED = "2026-03-02T06:00:00Z"


def readings(hook: str) -> list[Row]:
    """Six hours of a hook: below every limit but for what the module says."""
    rows = record(f"{DAY}T06:00", 6 * 1800, hook=hook)
    changed = {f"{DAY}T08:00:0{s}Z": 620.25 for s in (0, 2, 4)}
    changed[f"{DAY}T08:00:02Z"] = PEAKS_KN["L1" if hook == "H1" else "L2"]
    if hook == "H1":
        # Down by 5 kN every two seconds, up again: no load is lost at once.
        changed |= {f"{DAY}T08:59:{s:02d}Z": 5.0 * (60 - s) / 2 for s in range(0, 60, 2)}
        changed |= {f"{DAY}T09:00:{s:02d}Z": 3.5 + 5.0 * s / 2 for s in range(0, 60, 2)}
    else:
        changed[f"{DAY}T11:00:00Z"] = ALONE_KN
    at = {rfc3339_us(when): kn for when, kn in changed.items()}
    return [(us, name, at.get(us, kn)) for us, name, kn in rows if not (hook == "H1" and GAP[0] <= us < GAP[1])]


def make_happened(root: Path) -> Berth:
    """The berth after its night."""
    riggings = [f"{line},{hook},{RIGGED},,a,100" for line, hook in (("L1", "H1"), ("T1", "H1"), ("L2", "H2"))]
    berth = make_berth(root, riggings, policy="mooring_gap_h = 0.1\n")
    berth.deliver("hooks_1.csv", log_text(readings("H1")) + HOSTILE + SHORT + b",,\n")
    berth.deliver("hooks_2.csv", readings("H2"))
    berth.deliver("hooks_3.csv", [(us, hook, 100.0) for us, hook, _ in readings("H2")[:1]])
    berth.night()
    return berth
