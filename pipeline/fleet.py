"""The roll-up of many sites: worst lines, open findings, silent channels, and the sites that need looking at.

It reads published snapshots only: it locks nothing, waits for nobody, and says of each site that it cannot read why.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

from pipeline.backup import MARK as BACKUP_MARK
from pipeline.errors import RegisterError, TautlogError, exit_code_of
from pipeline.lastnight import last_night
from pipeline.ledger import index
from pipeline.ledger.database import open_published
from pipeline.ledger.queries import finding_object
from pipeline.ledger.status import status
from pipeline.ledger.words import CALIBRATED, CAUTION, NOT_MODELLED, SEVERITY_INDEX
from schemas.times import us_to_rfc3339

HOUR_US = 3_600_000_000
OVERDUE_H = 36.0
"""After how many hours without a night that came to its end a site is named. House rule: one missed, and half a day."""

SILENT = ("silent-channel", "silent-site")
NO_FIGURE = "no figure"
GROUPS = (
    (NO_FIGURE, "rigged and never observed: nothing is known of these lines, which is not good"),
    (CALIBRATED, "life used, on curves fitted to the lines' own ropes; worst first"),
    (
        SEVERITY_INDEX,
        "never a percent of life or a date, and not to be held against the figures of another group; between ropes "
        "with different curves this order only says where to look first",
    ),
)
"""Lines are ranked within a group only: figures that rest on different kinds of constants cannot be compared."""

_NEXT = {
    "silent-channel": "look at the sensor, the logger and what brings its files; its lines are unobserved meanwhile",
    "silent-site": "look at the loggers and at what brings their files; every line of the site is unobserved meanwhile",
}


@dataclass
class _Rollup:
    """What is gathered, site by site."""

    sites: list[dict[str, Any]] = field(default_factory=list)
    lines: dict[str, list[dict[str, Any]]] = field(default_factory=lambda: {name: [] for name, _ in GROUPS})
    silent: list[dict[str, Any]] = field(default_factory=list)
    findings: dict[str, int] = field(default_factory=lambda: {"error": 0, "warning": 0, "info": 0})
    unreadable: list[dict[str, Any]] = field(default_factory=list)
    backups: list[str] = field(default_factory=list)


def fleet(root: Path, *, now_us: int, overdue_h: float = OVERDUE_H) -> dict[str, Any]:
    """The object that `fleet --json` prints, of every site in the folders below `root`; sites are named by their path.

    Sites and folders that cannot be read are in `unreadable`, each with why and what to do. `now_us`: the clock, for
    telling which sites have had no good night for `overdue_h` hours. RegisterError when there is no site below `root`.
    """
    gathered = _Rollup()
    for path, problem in _sites(root):
        name = path.relative_to(root).as_posix()
        if problem is not None:
            gathered.unreadable.append(_unreadable(name, problem))
        elif (path / BACKUP_MARK).exists():
            gathered.backups.append(name)
        else:
            _gather(gathered, path, name, now_us, overdue_h)
    if not (gathered.sites or gathered.unreadable or gathered.backups):
        raise RegisterError(
            "no site below this folder",
            file=root,
            expected="folders with a site.toml",
            next_step="name the folder that holds the sites' folders",
        )
    return {
        "sites": gathered.sites,
        "lines": [
            {"basis": name, "means": means, "lines": sorted(gathered.lines[name], key=_worst_first)}
            for name, means in GROUPS
        ],
        "findings": gathered.findings,
        "silent": gathered.silent,
        "overdue": [site for site in gathered.sites if site["overdue"]],
        "unreadable": gathered.unreadable,
        "backups": gathered.backups,
        "not_modelled": list(NOT_MODELLED),
        "caution": CAUTION,
    }


def _sites(root: Path) -> Iterator[tuple[Path, OSError | None]]:
    """Site folders below `root`, in order of name, and folders that could not be looked into. A site holds no site."""
    seen: set[tuple[int, int]] = set()
    waiting = [root]
    while waiting:
        folder = waiting.pop()
        try:
            found = folder.stat()
            if (found.st_dev, found.st_ino) in seen:
                continue  # a link that leads back up
            seen.add((found.st_dev, found.st_ino))
            if (folder / "site.toml").exists():
                yield folder, None
                continue
            below = sorted(os.scandir(folder), key=lambda entry: entry.name, reverse=True)
            waiting += [folder / entry.name for entry in below if entry.is_dir()]
        except OSError as error:
            yield folder, error


def _gather(gathered: _Rollup, path: Path, name: str, now_us: int, overdue_h: float) -> None:
    try:
        with open_published(path) as ledger:
            answer = status(ledger)
            findings = [finding_object(finding) for finding in index.findings(ledger).values()]
            [(run, started_us)] = ledger.rows("SELECT run, started_us FROM runs ORDER BY run DESC LIMIT 1")
    except (TautlogError, OSError) as error:
        gathered.unreadable.append(_unreadable(name, error))
        return
    night = last_night(path)
    last_us = started_us if night is None else max(started_us, night.ended_us)
    counts = {severity: sum(f["severity"] == severity for f in findings) for severity in gathered.findings}
    for severity, count in counts.items():
        gathered.findings[severity] += count
    gathered.silent += [
        {
            "site": name,
            "kind": f["kind"],
            "channel": f["subject"] if f["kind"] == "silent-channel" else None,
            "text": f["text"],
            "advice": _NEXT[f["kind"]],
        }
        for f in findings
        if f["kind"] in SILENT
    ]
    gathered.sites.append(
        {
            "site": name,
            "id": answer["site"],
            "until": answer["until"],
            "run": run,
            "run_at": us_to_rfc3339(started_us),
            "lines": len(answer["lines"]),
            "findings": counts,
            "unreckoned_days": answer["unreckoned_days"],
            **_overdue(path, now_us - last_us, overdue_h),
        }
    )
    for line in answer["lines"]:
        group = _group(line)
        if group is not None:
            gathered.lines[group].append({"site": name, **line})


def _group(line: Mapping[str, Any]) -> str | None:
    """Which lines a line is ranked among; None for one that was never rigged."""
    if line["consumed"] is not None:
        return str(line["basis"])
    return NO_FIGURE if line["coverage"]["rigged_s"] > 0 else None


def _worst_first(line: Mapping[str, Any]) -> tuple[Decimal, str, str]:
    """By all that is counted against a line's worse zone; unobserved ones by how long they were rigged."""
    if line["consumed"] is None:
        return (Decimal(line["coverage"]["rigged_s"]).copy_negate(), line["site"], line["line"])
    return (line["used"].copy_negate(), line["site"], line["line"])


def _overdue(path: Path, age_us: int, overdue_h: float) -> dict[str, Any]:
    hours = age_us / HOUR_US
    late = hours > overdue_h
    advice = f"no night came to its end for {hours:.0f} h: look at its timer and log, and run `tautlog nightly {path}`"
    return {"age_h": round(hours, 1), "overdue": late, "advice": advice if late else None}


def _unreadable(name: str, error: Exception) -> dict[str, Any]:
    known = isinstance(error, TautlogError) and error.next_step is not None
    return {
        "site": name,
        "error": str(error),
        "exit": exit_code_of(error),
        "advice": error.next_step if known and isinstance(error, TautlogError) else "check its permissions",
    }
