"""A year of day sheets run through another rope: from the sheets themselves, and from classes.

Nights that read a year of samples would take an hour, so that the sheets are made from a few days of samples, dated
anew for each day and line, and stored, folded, priced and committed by the program's own functions.
"""

from __future__ import annotations

import json
import shutil
import statistics
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from ops.bench_site import FIRST_DAY, Line, bench_site, channel_names, tautlog, timed
from pipeline import manifest
from pipeline.ledger import index
from pipeline.ledger.apply import apply
from pipeline.ledger.database import open_ledger
from pipeline.ledger.publish import publish
from pipeline.night.account import SheetPlace
from pipeline.night.accounts import Reckoned, reckon_accounts
from pipeline.night.plan import AccountDay, Geometry, Plan
from pipeline.sheets.sheet import Sheet, Slice, make_sheet
from pipeline.site import Site, open_site
from pipeline.store.depot import Depot
from pipeline.store.sheets import read_sheets, write_sheets
from pipeline.workers import Workers, choose
from schemas.times import DAY_US, day_start_us

SAMPLE_LOGS = Path(__file__).resolve().parents[1] / "sample_logs"
CANDIDATE = SAMPLE_LOGS / "candidates" / "aramid-42.toml"
BINS_A_DAY = 144
DISTINCT_DAYS = 6
LINES_A_COMMIT = 12
RESOLUTION_KN = 0.2
GEOMETRY = Geometry(18.0, 35.0, "worn")
INPUTS = dict.fromkeys(("samples", "rigging", "calibration", "policy"), "made for the benchmark")


def year_of_lines(work: Path, lines: int, days: int, hours: float, repeats: int) -> list[Line]:
    """Time `compare` over so many lines and days, exactly and by class; whole processes, on a published snapshot."""
    began = time.perf_counter()
    site = make_year(work / "year", lines, days, hours)
    made_s = time.perf_counter() - began
    asked = ("compare", site, "--spec", CANDIDATE, "--json")
    exact = timed(lambda: tautlog(*asked, "--exact"))
    by_class = statistics.median(timed(lambda: tautlog(*asked)) for _ in range(repeats))
    cycles, errors = _prove_whole(site, _twin(work), json.loads(tautlog(*asked, "--exact"), parse_float=Decimal), lines)
    shutil.rmtree(site)
    told = ", ".join(f"{name} {100 * error:.2g} %" for name, error in errors.items())
    return [
        (f"reprice {days} days of {lines} lines, exactly [s]", f"{exact:.2f}", "at most 60", exact <= 60),
        ("compare from classes [s]", f"{by_class:.2f}", "at most 3", by_class <= 3),
        ("  its largest error against exact", told, "", True),
        ("  distinct cycles a sheet; making them [s]", f"{cycles:.0f}; {made_s:.0f}", "", True),
    ]


def make_year(root: Path, lines: int, days: int, hours: float) -> Path:
    """The site, its sheets stored and all accounts committed and published."""
    channels = channel_names(lines)
    bench_site(root, [], channels)
    shutil.copy(SAMPLE_LOGS / "site" / "specs" / "hmpe-44.toml", root / "specs")
    names = [f"L{i:02d}" for i in range(1, lines + 1)]
    rows = ["line,channel,from,to,outboard_end,share_pct,inboard_m,outboard_m,wrap_deg,surface"]
    rows += [
        f"{line},{channel},2026-03-01T00:00:00Z,,a,100,{GEOMETRY.inboard_m},50,{GEOMETRY.wrap_deg},{GEOMETRY.surface}"
        for line, channel in zip(names, channels, strict=True)
    ]
    (root / "rigging.csv").write_text("\n".join(rows) + "\n")
    site = open_site(root)
    patterns = [_pattern(i, hours) for i in range(DISTINCT_DAYS)]
    with choose(None, root) as workers, open_ledger(root) as ledger:
        jobs = [_Year(site.store, i, channel, days, patterns) for i, channel in enumerate(channels)]
        stored = workers.all(_store, jobs)
        for done in range(0, lines, LINES_A_COMMIT):
            upto = min(done + LINES_A_COMMIT, lines)
            reckoned = _reckon(site, dict(zip(names, stored[:upto], strict=False)), ledger, workers)
            apply(ledger, _commit(site, [row for rows in stored[done:upto] for row in rows], reckoned))
            if len(reckoned.states) != days * (upto - done):
                raise SystemExit(f"{len(reckoned.states)} states of {upto - done} lines over {days} days")
        publish(ledger)
    return root


def _pattern(seed: int, hours: float) -> Sheet:
    """A day at 10 Hz: tide, slow motions, swell and noise, about a load of its own."""
    size = int(hours * 36_000)
    at_s = np.arange(size) / 10.0
    random = np.random.default_rng(seed)
    kn = 120.0 + 20.0 * seed + 35.0 * np.sin(2 * np.pi * at_s / 44_700 + seed)
    kn += (12.0 + 4.0 * seed) * np.sin(2 * np.pi * at_s / 97 + np.sin(at_s / 1100))
    kn += (6.0 + 3.0 * seed) * (1 + 0.6 * np.sin(at_s / 1700)) * np.sin(2 * np.pi * at_s / 11.3 + np.sin(at_s / 170))
    kn = np.round((kn + random.normal(0.0, 0.4, size)) / RESOLUTION_KN) * RESOLUTION_KN
    start_us = day_start_us(FIRST_DAY)
    piece = Slice("", "", FIRST_DAY, start_us, start_us + DAY_US, False, False, 1.0, None)
    at_us = start_us + np.arange(size, dtype=np.int64) * 100_000
    good = np.ones(size, np.bool_)
    return make_sheet(piece, at_us, kn, good, ~good, after_us=None, max_gap_us=5_000_000)


@dataclass(frozen=True)
class _Year:
    """A worker's job: one channel's sheets of so many days."""

    store: Depot
    number: int
    channel: str
    days: int
    patterns: list[Sheet]


def _store(job: _Year) -> list[dict[str, Any]]:
    """Write a file for each day, as a night does; rows for the manifest."""
    rows = []
    for i in range(job.days):
        sheet = _dated(job.patterns[(7 * job.number + 5 * i + i // 9) % len(job.patterns)], job.channel, i)
        day, name = sheet.slice.day, f"S{job.number:06d}-{i:06d}"
        path = f"sheets/{job.channel}/{day}/{name}.parquet"
        rows.append(
            {
                "sheet": name,
                "path": path,
                "digest": write_sheets(job.store, path, {name: sheet}),
                "row": 0,
                "place": job.channel,
                "channel": job.channel,
                "day": day,
                "from_us": sheet.slice.from_us,
                "to_us": sheet.slice.to_us,
                "inputs": manifest.canonical_json(INPUTS),
                "cycles": int(sheet.count.sum()),
                "observed_us": sheet.observed_us,
                "op": "add",
            }
        )
    return rows


def _dated(sheet: Sheet, channel: str, days: int) -> Sheet:
    """The same sheet of another channel and a later day."""
    later_us, piece = days * DAY_US, sheet.slice
    cells = sheet.swing_cells.copy()
    cells[:, 0] += BINS_A_DAY * days
    return replace(
        sheet,
        slice=replace(
            piece,
            channel=channel,
            place=channel,
            day=piece.day + timedelta(days=days),
            from_us=piece.from_us + later_us,
            to_us=piece.to_us + later_us,
        ),
        residue_us=sheet.residue_us + later_us,
        ends_us=sheet.ends_us + later_us,
        swing_bins=sheet.swing_bins + BINS_A_DAY * days,
        swing_cells=cells,
        level_bins=sheet.level_bins + BINS_A_DAY * days,
    )


def _reckon(site: Site, by_line: Mapping[str, list[dict[str, Any]]], ledger: Any, workers: Workers) -> Reckoned:
    """Fold and price the lines that the ledger does not hold yet."""
    places = {row["sheet"]: SheetPlace(row["sheet"], row["path"]) for rows in by_line.values() for row in rows}
    accounts = {
        (line, "a"): tuple(AccountDay(row["day"], (row["sheet"],), True, (GEOMETRY,)) for row in rows)
        for line, rows in by_line.items()
    }
    plan = Plan({}, accounts, ())
    run = manifest.next_run(site.root).run
    return reckon_accounts(site, plan, places, dict.fromkeys(places, INPUTS), {}, ledger, workers, run=run, causes={})


def _commit(site: Site, sheets: list[dict[str, Any]], reckoned: Reckoned) -> manifest.Manifest:
    def stored(row: Mapping[str, Any]) -> dict[str, Any]:
        return {k: manifest.canonical_json(cell) if isinstance(cell, Mapping) else cell for k, cell in row.items()}

    rows = {
        "sheets": sheets,
        "states": reckoned.states,
        "wear_days": reckoned.wear_days,
        "entries": [entry.row() for entry in reckoned.entries],
    }
    last: date = max(row["day"] for row in sheets)
    return manifest.commit(
        site.depot,
        manifest.next_run(site.root),
        {table: manifest.frame(table, map(stored, found)) for table, found in rows.items()},
        site.archive,
        started_us=day_start_us(FIRST_DAY),
        program=f"tautlog {version('tautlog')}",
        through=last,
        horizon_us=day_start_us(last) + DAY_US,
        meta={index.RECKONED: True},
    )


def _twin(work: Path) -> Path:
    """A candidate with the constants of the lines' own rope."""
    text = (SAMPLE_LOGS / "site" / "specs" / "hmpe-44.toml").read_text(encoding="utf-8")
    file = work / "twin.toml"
    file.write_text(text.replace('id = "hmpe-44"', 'id = "twin"', 1), encoding="utf-8")
    return file


def _prove_whole(site: Path, twin: Path, answer: Mapping[str, Any], lines: int) -> tuple[float, dict[str, float]]:
    """That nothing was left out: a twin of the own rope, priced from the sheets of a year, has the line's account.

    Cycles a sheet, and the largest errors by class.
    """
    told = answer["lines"]
    line = told[0]["line"]
    priced = json.loads(
        tautlog("compare", site, "--spec", twin, "--line", line, "--exact", "--json"), parse_float=Decimal
    )
    account = json.loads(tautlog("statement", site, line, "--json"), parse_float=Decimal)
    found = priced["lines"][0]["ropes"][1]["equal_load"]
    zone = account["consumed"]["zones"]["a"]
    if len(told) != lines or (found["creep"], found["abrasion"]) != (zone["creep"], zone["abrasion"]):
        raise SystemExit("the comparison left work out")
    if found["fatigue"] != zone["fatigue"] + account["pending"]["zones"]["a"]:
        raise SystemExit("repriced from its sheets, a twin of a line's own rope does not have the line's account")
    errors: dict[str, float] = {}
    for rope in (rope for line in told for rope in line["ropes"]):
        for name, error in rope["class_error"].items():
            if error is not None:
                errors[name] = max(errors.get(name, 0.0), abs(float(error)))
    patterns = sorted((site / "store").rglob("*.parquet"))[:DISTINCT_DAYS]
    return _distinct(patterns), errors


def _distinct(files: list[Path]) -> float:
    """Distinct cycles of a sheet, on the average of some."""
    sheets = [read_sheets(Depot(file.parent), file.name, [file.stem])[file.stem] for file in files]
    return statistics.fmean(sheet.low_kn.size for sheet in sheets)
