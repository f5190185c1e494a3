"""An invented site of two lines and a tail, and rows to commit for it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

from pipeline import manifest
from pipeline.ledger.rows import Entry
from pipeline.store.depot import Depot
from schemas.times import DAY_US, day_start_us

DAY = date(2026, 3, 2)
NOON_US = day_start_us(DAY) + DAY_US // 2

REGISTERS: Mapping[str, bytes] = {
    "site.toml": b'[site]\nid = "cold-quay"\nname = "Cold Quay"\ntimezone = "Europe/Oslo"\n',
    "channels.csv": (
        b"channel,quantity,kind,rate_hz,capacity,place\n"
        b"hook-1-tension,tension,load-pin,10,1500,hook-1\n"
        b"hook-2-tension,tension,load-pin,10,1500,hook-2\n"
    ),
    "calibrations.csv": (
        b"channel,from,zero_kn,gain\nhook-1-tension,2026-01-01T00:00:00Z,0,1\nhook-2-tension,2026-01-01T00:00:00Z,0,1\n"
    ),
    "ships.csv": b"ship,design_mbl_kn,source\nship-one,1300,certificate 7\n",
    "lines.csv": (
        b"line,ship,spec,part,in_service,opening_life,opening_source\n"
        b"L1,ship-one,rope-44,main,2026-01-01,,\n"
        b"L2,ship-one,rope-44,main,2026-01-01,0.125,condition report 3\n"
        b"L3,ship-one,rope-44,main,2026-01-01,,\n"
    ),
    "rigging.csv": (
        b"line,channel,from,to,outboard_end,share_pct\n"
        b"L1,hook-1-tension,2026-03-02T00:00:00Z,,a,100\n"
        b"L2,hook-2-tension,2026-03-02T00:00:00Z,2026-03-02T06:00:00Z,b,100\n"
    ),
    "specs/rope-44.toml": (
        b'id = "rope-44"\nmaterial = "hmpe"\nconstruction = "12-strand"\ndiameter_mm = 44\n'
        b"mass_kg_per_m = 1.02\nbreak_force_kn = 1000\n"
        b'[fatigue]\na = 3.0\nb = 0.0\nm = 2.0\nsource = "invented for the demo"\n'
    ),
}


def digest(text: str) -> str:
    """A SHA-256 to put where a file's would stand."""
    return hashlib.sha256(text.encode()).hexdigest()


def commit(
    root: Path,
    *,
    registers: Mapping[str, bytes] = REGISTERS,
    through: date | None = None,
    horizon_us: int | None = None,
    started_us: int = NOON_US,
    committed_us: int | None = None,
    **rows: Any,
) -> manifest.Manifest:
    """Commit a run that adds these rows: a list of mappings for each table. None: it does not say when."""
    tables = {table: manifest.frame(table, listed) for table, listed in rows.items()}
    return manifest.commit(
        Depot(root),
        manifest.next_run(root),
        tables,
        registers,
        started_us=started_us,
        program="tautlog test",
        through=through,
        horizon_us=horizon_us,
        meta=None if committed_us is None else {"committed_us": committed_us},
    )


def receipt(file: str, **changes: Any) -> dict[str, Any]:
    row = {
        "file": file,
        "sha256": digest(file),
        "bytes": 70,
        "layout": "quay-hooks",
        "layout_digest": digest("layout"),
        "lines": 7,
        "header": 1,
        "blank": 1,
        "ignored": 1,
        "stored": 2,
        "duplicate": 1,
        "quarantined": 1,
        "cells_quarantined": 0,
        "first_us": NOON_US,
        "last_us": NOON_US + 1_000_000,
        "quarantine_path": None,
        "quarantine_digest": None,
        "op": "new",
        "reason": "",
    }
    return row | changes


def part(name: str, **changes: Any) -> dict[str, Any]:
    row = {
        "part": name,
        "sha256": digest("raw"),
        "place": "hook-1",
        "day": DAY,
        "rows": 2,
        "first_us": NOON_US,
        "last_us": NOON_US + 1_000_000,
        "digest": digest(name),
        "head_digest": "",
        "tail_digest": "",
        "channels": ["hook-1-tension"],
        "op": "add",
        "reason": "",
    }
    return row | changes


def flag_file(path: str, **changes: Any) -> dict[str, Any]:
    row = {
        "place": "hook-1",
        "day": DAY,
        "path": path,
        "digest": digest(path),
        "inputs_digest": "",
        "op": "set",
    }
    return row | changes


def sheet(name: str, **changes: Any) -> dict[str, Any]:
    row = {
        "sheet": name,
        "path": f"store/sheets/{name}.parquet",
        "digest": digest(name),
        "row": 0,
        "place": "hook-1",
        "channel": "hook-1-tension",
        "day": DAY,
        "from_us": day_start_us(DAY),
        "to_us": day_start_us(DAY) + DAY_US,
        "inputs": '{"samples":"x"}',
        "cycles": 3,
        "observed_us": 3_600_000_000,
        "op": "add",
    }
    return row | changes


def mark(sheet_name: str, payload: str = "{}", kind: str = "excursion") -> dict[str, Any]:
    return {"sheet": sheet_name, "kind": kind, "payload": payload}


def state(line: str, **changes: Any) -> dict[str, Any]:
    row = {
        "line": line,
        "zone": "a",
        "day": DAY,
        "sheets": [],
        "residue_kn": [0.0, 100.0],
        "residue_us": [NOON_US, NOON_US + 1_000_000],
        "life_units": "0",
        "basis": '{"samples":"x"}',
        "postable": True,
        "op": "set",
    }
    return row | changes


def wear_day(line: str, **changes: Any) -> dict[str, Any]:
    row = {
        "line": line,
        "zone": "a",
        "day": DAY,
        "creep_units": None,
        "abrasion_units": None,
        "carried": '{"heat":null,"swing":{"kn":[],"us":[]}}',
        "facts": "{}",
        "cycle_low": [0],
        "cycle_high": [20],
        "cycle_count": [1],
        "level_class": [10],
        "level_us": [3_600_000_000],
        "op": "set",
    }
    return row | changes


def air_day(channel: str, **changes: Any) -> dict[str, Any]:
    row = {
        "channel": channel,
        "place": "mast",
        "day": DAY,
        "quantity": "wind",
        "bins": [1, 2],
        "means": [3.5, 4.0],
        "op": "set",
    }
    return row | changes


def berth_day(**changes: Any) -> dict[str, Any]:
    row = {
        "day": DAY,
        "inputs_digest": digest("berth"),
        "marks": '{"surge":[]}',
        "balance": '{"calls":[]}',
        "op": "set",
    }
    return row | changes


def entry(name: str, line: str, life: str, **changes: Any) -> dict[str, Any]:
    made = Entry(
        run=0,
        entry=name,
        line=line,
        zone="a",
        day=DAY,
        mechanism="fatigue",
        life=Decimal(life),
        kind="posting",
        reverses=None,
        reason="posted",
        spec="rope-44",
        spec_digest=digest("spec"),
        policy_digest=digest("policy"),
        basis={"samples": "x"},
        sheets=["s1"],
    )
    return made.row() | changes


def event(name: str, line: str, **changes: Any) -> dict[str, Any]:
    row = {
        "event": name,
        "kind": "peak-load",
        "line": line,
        "channel": "hook-1-tension",
        "place": "hook-1",
        "from_us": NOON_US,
        "to_us": NOON_US + 4_000_000,
        "peak_kn": 700.5,
        "peak_us": NOON_US + 2_000_000,
        "peak_pct": 53.9,
        "payload": '{"at_least":false,"pct_of":"ship design MBL"}',
        "op": "add",
        "reason": "",
    }
    return row | changes


def removed(path: str, **changes: Any) -> dict[str, Any]:
    row = {
        "path": path,
        "sha256": digest(path),
        "bytes": 7,
        "kind": "sheets",
        "superseded_run": 1,
        "reason": "superseded",
    }
    return row | changes


def finding(name: str, **changes: Any) -> dict[str, Any]:
    row = {
        "finding": name,
        "kind": "silent-channel",
        "subject": "hook-2-tension",
        "severity": "warning",
        "text": "no sample for 30 h",
        "evidence": '{"hours":30}',
        "scope": "channel",
        "op": "open",
        "reason": "",
    }
    return row | changes


def dump(ledger: Any) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every table and view of an open ledger, in order."""
    names = ledger.con.execute(
        "SELECT table_name FROM information_schema.tables WHERE table_schema = 'main' ORDER BY ALL"
    ).fetchall()
    return {name: ledger.con.execute(f"SELECT * FROM {name} ORDER BY ALL").fetchall() for (name,) in names}
