"""A site folder of a scenario: registers, spec, layouts, and its raw logs in the inbox, ready for a night."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Final

import numpy as np

from sample_logs.scenarios.registers import SPEC, rfc3339
from sample_logs.scenarios.scenario import Recorded, Scenario

_CHANNEL_LAYOUT: Final = """\
# One file a channel: a stamp and a value. Invented for the tests.
name = "{name}"
reader = "delimited"
match = "{channel}_*.csv"
[time]
column = "at"
format = "epoch_ms"
[[value]]
column = "value"
channel = "{channel}"
unit = "{unit}"
"""
_UNITS: Final = {"tension": "kN", "payout": "m", "temperature": "degC", "wind": "m/s"}
_SPEC: Final = """\
id = "{spec}"
material = "hmpe"
construction = "12-strand"
diameter_mm = 44
mass_kg_per_m = 1.02
break_force_kn = {break_force_kn:g}
[fatigue]
a = 3.2
b = 0.0
m = 5.0
source = "invented for the tests"
"""
_SITE: Final = """\
[site]
id = "{id}"
name = "{name}"
timezone = "{timezone}"
ambient_c = 14.0
"""


def write_site(scenario: Scenario, folder: Path) -> None:
    """Writes a site folder that a night digests; `folder` is made, and must hold nothing.

    FileExistsError if the folder holds anything.
    """
    if folder.exists() and any(folder.iterdir()):
        raise FileExistsError(f"{folder} is not empty; name a new folder for the scenario's site")
    for name in ("inbox", "layouts", "specs"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    (folder / "site.toml").write_text(_SITE.format(**scenario.site))
    least_kn = min(line.break_force_kn for line in scenario.berth.lines)
    (folder / "specs" / f"{SPEC}.toml").write_text(_SPEC.format(spec=SPEC, break_force_kn=least_kn))
    for name, rows in scenario.registers.items():
        _write_register(folder / name, rows)
    quantity = {row["channel"]: row["quantity"] for row in scenario.registers["channels.csv"]}
    for channel, recorded in scenario.recorded.items():
        unit = _UNITS.get(quantity[channel], "1")
        layout = _CHANNEL_LAYOUT.format(name=channel.lower(), channel=channel, unit=unit)
        (folder / "layouts" / f"{channel.lower()}.toml").write_text(layout)
        first = rfc3339(int(recorded.at_us[0]))[:10]
        _write_log(folder / "inbox" / f"{channel}_{first}.csv", recorded)


def _write_register(path: Path, rows: list[dict[str, str]]) -> None:
    if not rows:
        return
    with path.open("w", newline="", encoding="utf-8") as out:
        writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _write_log(path: Path, recorded: Recorded) -> None:
    """Stamps in whole milliseconds, values to the third decimal, which is all they have."""
    milliseconds = recorded.at_us // 1000
    lines = [
        f"{at},{value:.10g}"
        for at, value in zip(milliseconds.tolist(), np.round(recorded.values, 3).tolist(), strict=True)
    ]
    path.write_text("at,value\n" + "\n".join(lines) + "\n")
