"""The incident of the demo: a berth in a squall, one brake set too tight, a worn line parts, two neighbours render.

A small site of its own, for the demo's other figures are held by many tests. Its logs are made when asked for, from one
seed, by the mechanics of the scenarios; its ropes are those of the demo. Everything is invented: berth, ship, ropes,
what the line had used before (`opening_life`), and what became of it.
"""

from __future__ import annotations

import csv
import shutil
from dataclasses import replace
from importlib.resources import as_file, files
from pathlib import Path
from typing import Final

from sample_logs.scenarios import Scenario, write_site
from sample_logs.scenarios.incident import IncidentCase, make_incident_case
from sample_logs.scenarios.registers import SPEC, Rows

SEED: Final = 1045
FAMILY: Final = "tune"
MAIN: Final = "hmpe-44"
TAILS: Final = {"head": "polyamide-88", "stern": "polyamide-88", "breast": "polyester-76", "spring": "polyester-76"}
WORN: Final = "0.86"
INVENTED: Final = "invented for the demo"


def demo_incident() -> IncidentCase:
    """The case: what was recorded, and what is true of it. One line parts."""
    return make_incident_case(SEED, family=FAMILY, losses=1)


def write_incident_site(target: Path, case: IncidentCase | None = None) -> IncidentCase:
    """Write the site's registers, specs and layouts, and its raw logs into the inbox; `target` is made.

    FileExistsError if it holds anything.
    """
    case = demo_incident() if case is None else case
    lost = case.losses[0].line
    scenario = _with_ropes(case.scenario, lost)
    write_site(scenario, target)
    (target / "specs" / f"{SPEC}.toml").unlink()
    for name in sorted({MAIN, *TAILS.values()}):
        with as_file(files("sample_logs") / "site" / "specs" / f"{name}.toml") as spec:
            shutil.copy(spec, target / "specs" / spec.name)
    _services(target, scenario, lost)
    return case


def _with_ropes(scenario: Scenario, lost: str) -> Scenario:
    """Lines of the demo's ropes with their tails, the lost one worn; chocks, drums and bends."""
    registers = {name: [dict(row) for row in rows] for name, rows in scenario.registers.items()}
    by_line = {line.line: line for line in scenario.berth.lines}
    tails: Rows = []
    for row in registers["lines.csv"]:
        worn = row["line"] == lost
        row |= {"spec": MAIN, "opening_life": WORN if worn else "0.15", "opening_source": INVENTED}
    for row in registers["rigging.csv"]:
        line = by_line[row["line"]]
        row |= {"inboard_m": "18", "wrap_deg": "35", "bend_ratio": "8", "surface": "worn"}
        if line.tail_m > 0.0:
            plain = {"chock_ahead_m": "", "chock_athwart_m": "", "lead_deg": "", "lead_down_deg": ""}
            bare = {"inboard_m": "", "wrap_deg": "", "bend_ratio": "", "surface": "", "pretension_kn": ""}
            tails.append({**row, **plain, **bare, "line": f"{line.line}T", "outboard_m": f"{line.tail_m:g}"})
    registers["lines.csv"] += [
        {
            "line": row["line"],
            "ship": scenario.berth.ship,
            "spec": TAILS[by_line[row["line"][:-1]].role],
            "part": "tail",
            "in_service": "2023-06-01",
            "break_force_kn": "",
            "opening_life": "0.2",
            "opening_source": INVENTED,
        }
        for row in tails
    ]
    registers["rigging.csv"] += tails
    registers["ships.csv"][0]["source"] = INVENTED
    site = {**scenario.site, "id": "incident-berth", "name": "The berth of the incident (invented)"}
    return replace(scenario, registers=registers, site=site)


def _services(target: Path, scenario: Scenario, lost: str) -> None:
    """What had been done to the line that parted."""
    year = int(scenario.registers["rigging.csv"][0]["from"][:4]) - 1
    rows = [
        ("line", "at", "action", "detail"),
        (lost, f"{year}-03-02T08:00:00Z", "inspection", "abraded over two metres at the chock"),
        (lost, f"{year}-09-14T10:30:00Z", "crop", "zone b, 12 m; eye made new"),
    ]
    with (target / "services.csv").open("w", newline="", encoding="utf-8") as out:
        csv.writer(out, lineterminator="\n").writerows(rows)
