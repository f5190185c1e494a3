"""Alter, take away or add one byte or one file, one at a time: audit must find each, and agree again once restored."""

from __future__ import annotations

import random
from pathlib import Path

import duckdb

from ops.torture.night import Failed
from ops.torture.reference import Reference, agrees, differences

TARGETS = (
    "raw/*", "store/samples/*/*/*", "store/flags/*/*/*", "store/sheets/*/*/*", "quarantine/*", "manifests/*.json",
    "manifests/*/*.parquet", "manifests/archive/*", "ledger.duckdb", "published/current/ledger.duckdb",
    "published/current/*.parquet", "published/current/published.json",
)  # fmt: skip
HOWS = ("byte altered", "byte missing", "byte added", "file missing", "file added")


def damage(reference: Reference, folder: Path, rng: random.Random, *, rounds: int = 1) -> list[int]:
    """Each target in each way, `rounds` times at seeded places (0: each target once); exit codes are audit's.

    Failed when one is not found. A byte of the ledger's file may lie in a block that DuckDB has let go of: then every
    row of every table must read as before.
    """
    site = reference.copy(len(reference.eves) - 1, folder / "site")
    agrees(site)
    rows = _rows(site)
    codes = [
        _one(site, rng, target, how, rows)
        for target in TARGETS
        for how in (HOWS if rounds > 0 else rng.choices(HOWS[:3]))
        if (target, how) != ("ledger.duckdb", "file added")  # beside it lie people's own files
        for _ in range(max(rounds, 1))
    ]
    agrees(site)
    return codes


def _one(site: Path, rng: random.Random, target: str, how: str, rows: list[object]) -> int:
    path = rng.choice(sorted(site.glob(target)))
    kept, mode = path.read_bytes(), path.stat().st_mode
    at = rng.randrange(len(kept)) if kept else 0
    guest = path.with_name("guest")
    path.chmod(0o644)
    if how == "byte altered":
        _write(path, kept[:at] + bytes([kept[at] ^ (1 << rng.randrange(8))]) + kept[at + 1 :])
    elif how == "byte missing":
        _write(path, kept[:at] + kept[at + 1 :])
    elif how == "byte added":
        _write(path, kept[:at] + rng.randbytes(1) + kept[at:])
    elif how == "file missing":
        path.unlink()
    else:
        guest.write_bytes(b"x")
    found = differences(site)
    if not found and not (target == "ledger.duckdb" and _rows(site) == rows):
        raise Failed(f"audit does not find: {how} at {at} of {(guest if how == 'file added' else path)}")
    guest.unlink(missing_ok=True)
    _write(path, kept)
    path.chmod(mode)
    return 1 if found else 0


def _rows(site: Path) -> list[object]:
    """Every row of every table of the ledger's file."""
    with duckdb.connect(str(site / "ledger.duckdb"), read_only=True) as con:
        tables = con.execute("SELECT table_name FROM duckdb_tables() WHERE NOT internal ORDER BY 1").fetchall()
        return [con.execute(f'SELECT * FROM "{table}" ORDER BY ALL').fetchall() for (table,) in tables]


def _write(path: Path, data: bytes) -> None:
    if path.exists() and path.read_bytes() == data:
        return
    path.write_bytes(data)
