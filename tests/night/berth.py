"""A small berth for these tests: registers, one layout and raw logs from a few arguments.

Its logs are long text, one reading a row (`at,hook,kn`), so that any hook may be late, silent or unknown. Names and
rope constants are invented for the tests.
"""

import random
import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any, TypeVar

from pipeline.audit import audit_site
from pipeline.ledger import index, queries
from pipeline.ledger.database import Ledger, open_published
from pipeline.ledger.rows import Event
from pipeline.ledger.statement import statement
from pipeline.ledger.status import status
from pipeline.nightly import Night, run_night
from pipeline.tracing.cycles import cycles_json
from pipeline.watch import Watch
from schemas.times import day_of, rfc3339_us, us_to_rfc3339
from tests.independent.reference_count import Curve, Rainflow, posted

Row = tuple[int, str, float | str]
"""Instant [us], hook, tension [kN] or whatever text stands there instead."""
T = TypeVar("T")

CAPACITY_KN, DESIGN_MBL_KN, BREAK_FORCE_KN = 3000, 1000, 1200
RIGGED = "L1,H1,2026-03-02T00:00:00Z,,a,100"

LAYOUT = """name = "hooks"
reader = "delimited"
match = "hooks_*.csv*"
[text]
missing = ["---"]
[time]
column = "at"
format = "rfc3339"
[rows]
key = "hook"
[[value]]
column = "kn"
channel = "{key}"
unit = "kN"
"""
A, B, M = 3.1, 0.4, 4.5
SPEC = f"""id = "rope"
material = "hmpe"
construction = "12-strand"
diameter_mm = 40
mass_kg_per_m = 0.9
break_force_kn = {BREAK_FORCE_KN}
[fatigue]
a = {A}
b = {B}
m = {M}
source = "invented for the test"
"""
CHANNEL_COLUMNS = "channel,quantity,kind,rate_hz,capacity,place,expected_every_h"
RIGGING_COLUMNS = "line,channel,from,to,outboard_end,share_pct"


@dataclass
class Berth:
    """A site folder, and what was delivered to it."""

    root: Path
    delivered: dict[str, bytes] = field(default_factory=dict)
    through: date | None = None

    def write(self, relative: str, text: str) -> None:
        path = self.root / relative
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")

    def edit(self, relative: str, old: str, new: str) -> None:
        """Change a piece of text that stands exactly once in a register."""
        text = (self.root / relative).read_text(encoding="utf-8")
        assert text.count(old) == 1
        self.write(relative, text.replace(old, new))

    def rig(self, *riggings: str) -> None:
        self.write("rigging.csv", "\n".join((RIGGING_COLUMNS, *riggings)) + "\n")

    def deliver(self, name: str, rows: Iterable[Row] | bytes) -> bytes:
        """Drop a raw log into the inbox."""
        data = rows if isinstance(rows, bytes) else log_text(rows)
        self.delivered[name] = data
        (self.root / "inbox" / name).write_bytes(data)
        return data

    def night(self, *, through: str | None = None, watch: Watch | None = None) -> Night:
        day = None if through is None else date.fromisoformat(through)
        self.through = max((d for d in (day, self.through) if d is not None), default=None)
        return run_night(self.root, through=day, watch=watch)

    def ask(self, question: Callable[[Ledger], T]) -> T:
        with open_published(self.root) as ledger:
            return question(ledger)

    def rows(self, sql: str) -> list[tuple[Any, ...]]:
        return self.ask(lambda ledger: ledger.rows(sql))

    def statement(self, line: str = "L1", *, history: bool = False) -> dict[str, Any]:
        return self.ask(lambda ledger: statement(ledger, line, history=history))

    def entered(self) -> list[tuple[str, str, str, str, str]]:
        """What the newest run entered: (line, zone, day, kind, reason)."""
        return [
            (line, zone, day.isoformat(), kind, reason)
            for line, zone, day, kind, reason in self.rows(
                "SELECT line, zone, day, kind, reason FROM entries WHERE run = (SELECT max(run) FROM runs) ORDER BY seq"
            )
        ]

    def posted(self, line: str = "L1") -> dict[tuple[str, str], Decimal]:
        """Live life by (zone, day)."""
        return {(e["zone"], e["day"]): e["life"] for e in self.statement(line)["entries"]}

    def cycles(self, line: str = "L1") -> dict[str, Any]:
        """All closed cycles of a line, and what is open."""
        return self.ask(lambda ledger: cycles_json(ledger, line, from_us=0, to_us=None))

    def unposted(self, line: str = "L1") -> list[str]:
        return [row["day"] for row in self.statement(line)["unposted"]]

    def coverage(self, line: str = "L1") -> tuple[Any, Any]:
        """Seconds rigged, seconds observed."""
        found = self.statement(line)["coverage"]
        return found["rigged_s"], found["observed_s"]

    def events(self) -> list[Event]:
        return list(self.ask(index.events).values())

    def findings(self) -> list[tuple[str, str]]:
        """Open findings as (kind, subject)."""
        return [(found.kind, found.subject) for found in self.ask(index.findings).values()]

    def receipts(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = self.ask(queries.receipts_json)["receipts"]
        return found

    def sheets(self) -> list[tuple[Any, ...]]:
        """Every row of the sheets table, as it was committed."""
        return self.rows("SELECT run, seq, sheet, digest, op FROM sheets ORDER BY run, seq")

    def runs(self) -> int:
        return len(list((self.root / "manifests").glob("*.json")))

    def audit(self) -> list[str]:
        return audit_site(self.root)

    def waiting(self) -> list[str]:
        """Names of the files in the inbox."""
        return sorted(path.name for path in (self.root / "inbox").iterdir())

    def live(self) -> dict[str, Any]:
        """All that must not depend on how and when the logs and registers came, without ids, runs and files."""

        def question(ledger: Ledger) -> dict[str, Any]:
            ledger.kept = {}  # what is asked of all lines together is asked once
            rigged = [
                (row["line"], row["consumed"], row["pending"], row["coverage"]) for row in status(ledger)["lines"]
            ]
            return {
                "status": sorted(rigged),
                "lines": {line: _line(ledger, line) for line, *_, coverage in rigged if coverage["rigged_s"]},
                "events": [_without_run(event) for event in queries.events_json(ledger)["events"]],
            }

        return self.ask(question)

    def copy(self, root: Path) -> "Berth":
        """The same berth in another folder."""
        shutil.copytree(self.root, root, symlinks=True)
        return Berth(root, dict(self.delivered), self.through)

    def emptied(self) -> "Berth":
        """A fresh berth with the registers as they stand now, and nothing else."""
        root = self.root.with_name(f"{self.root.name}-anew")
        shutil.rmtree(root, ignore_errors=True)
        for relative in ("specs", "layouts"):
            shutil.copytree(self.root / relative, root / relative)
        for path in (*self.root.glob("*.csv"), self.root / "site.toml"):
            shutil.copy(path, root / path.name)
        (root / "inbox").mkdir()
        return Berth(root)

    def anew(self, *, workers: str = "serial") -> "Berth":
        """A fresh berth with the registers as they stand now, everything delivered to it in one night."""
        fresh = self.emptied()
        for name, data in self.delivered.items():
            fresh.deliver(name, data)
        run_night(fresh.root, through=self.through, workers=workers)
        return fresh


def make_berth(
    root: Path,
    riggings: Sequence[str] = (RIGGED,),
    *,
    hooks: Sequence[str] = ("H1", "H2"),
    policy: str = "",
    files: Mapping[str, str] | None = None,
) -> Berth:
    """A berth with main lines L1, L2 and a tail T1. `riggings`: rows of rigging.csv; `files`: further registers."""
    berth = Berth(root)
    berth.write(
        "site.toml", f'[site]\nid = "b1"\nname = "Berth one"\ntimezone = "UTC"\n[policy]\nsettle_s = 0\n{policy}'
    )
    berth.write("specs/rope.toml", SPEC)
    berth.write("layouts/hooks.toml", LAYOUT)
    channels = [f"{hook},tension,load-pin,0.5,{CAPACITY_KN},{hook}," for hook in hooks]
    berth.write("channels.csv", "\n".join((CHANNEL_COLUMNS, *channels)) + "\n")
    berth.write("ships.csv", f"ship,design_mbl_kn,source\nS1,{DESIGN_MBL_KN},invented for the test\n")
    lines = [f"{name},S1,rope,{part},2026-01-01" for name, part in (("L1", "main"), ("L2", "main"), ("T1", "tail"))]
    berth.write("lines.csv", "\n".join(("line,ship,spec,part,in_service", *lines)) + "\n")
    berth.rig(*riggings)
    for relative, text in (files or {}).items():
        berth.write(relative, text)
    (root / "inbox").mkdir()
    return berth


def record(
    start: str, count: int = 40, *, hook: str = "H1", step_s: float = 2.0, seed: int = 1, low: float = 100.0
) -> list[Row]:
    """A record of random tensions [kN] of low .. low + 250, below every limit; `start` as 2026-03-02T06:00."""
    rng = random.Random(f"{seed} {start} {hook}")
    first_us = rfc3339_us(f"{start}:00Z")
    return [(first_us + round(i * step_s * 1e6), hook, round(rng.uniform(low, low + 250), 1)) for i in range(count)]


def values(start: str, kn: Sequence[float | str], *, hook: str = "H1", step_s: float = 2.0) -> list[Row]:
    """A record of given readings; `start` as 2026-03-02T06:00."""
    first_us = rfc3339_us(f"{start}:00Z")
    return [(first_us + round(i * step_s * 1e6), hook, value) for i, value in enumerate(kn)]


def lives(points: Iterable[tuple[int, float]], *, m: float = M) -> dict[str, Decimal]:
    """An independent count of what a line felt (instant, kN), priced and summed for each day a cycle closed on."""
    flow, curve = Rainflow(), Curve(A, B, m, BREAK_FORCE_KN)
    for at_us, kn in points:
        flow.feed(kn, at_us)
    quanta: dict[str, int] = {}
    for cycle in flow.cycles:
        day = day_of(cycle.closed_us).isoformat()
        quanta[day] = quanta.get(day, 0) + curve.quanta(cycle)
    return {day: posted(units) for day, units in quanta.items()}


def felt(
    *records: Iterable[Row], share: float = 1.0, begins: str | None = None, ends: str | None = None
) -> list[tuple[int, float]]:
    """What a line felt: records in order, times its share, between the 0 kN of its rigging's beginning and end."""
    points = [(at_us, float(kn) * share) for rows in records for at_us, _, kn in rows]
    if begins is not None:
        points.insert(0, (rfc3339_us(f"{begins}:00Z"), 0.0))
    if ends is not None:
        points.append((rfc3339_us(f"{ends}:00Z"), 0.0))
    return points


def log_text(rows: Iterable[Row]) -> bytes:
    """Rows as the bytes of a raw log."""
    return "".join(["at,hook,kn\n", *(f"{us_to_rfc3339(at)},{hook},{kn}\n" for at, hook, kn in rows)]).encode()


def _line(ledger: Ledger, line: str) -> dict[str, Any]:
    account = statement(ledger, line)
    counted = cycles_json(ledger, line, from_us=0, to_us=None)
    return {
        "consumed": account["consumed"],
        "pending": account["pending"],
        "coverage": account["coverage"],
        "unposted": account["unposted"],
        "entries": [(e["zone"], e["day"], e["mechanism"], e["life"]) for e in account["entries"]],
        "cycles": sorted((c["zone"], c["range_kn"], c["mean_kn"], c["closed_at"]) for c in counted["cycles"]),
        "residue": [(point["zone"], point["kn"]) for point in counted["residue"]],
    }


def _without_run(event: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in event.items() if name != "run"}
