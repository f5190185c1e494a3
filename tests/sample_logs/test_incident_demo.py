"""The demo's incident is what it says: a squall, a brake set too tight, a worn line parts, two neighbours render."""

import csv
from pathlib import Path

import numpy as np
import pytest

from pipeline.site import open_site
from sample_logs.incident_demo import WORN, demo_incident, write_incident_site
from sample_logs.scenarios.incident import IncidentCase


@pytest.fixture(scope="module")
def case() -> IncidentCase:
    return demo_incident()


def test_one_line_parts_above_the_setting_of_a_brake_that_did_not_render(case: IncidentCase) -> None:
    (lost,) = case.losses
    line = next(line for line in case.berth.lines if line.line == lost.line)
    recorded = case.scenario.recorded[lost.channel]
    last = int(np.searchsorted(recorded.at_us, lost.unloaded_us)) - 1
    kn = (recorded.values[last] - line.zero_kn) * line.gain
    assert line.brake_set_kn is not None
    assert kn > 1.5 * line.brake_set_kn
    assert line.holds_kn > 1e8
    assert kn < 0.7 * line.break_force_kn  # a sound line would have borne it


def test_two_neighbours_whose_payout_is_recorded_render_within_ten_seconds(case: IncidentCase) -> None:
    lost = case.losses[0]
    told = {line.line for line in case.berth.lines if "payout" in line.tells}
    by_line = {line.line: line for line in case.berth.lines}
    soon = [
        name
        for name, us in case.slipped_us.items()
        if name in told and case.true_us(by_line[name].logger, us) - lost.step * 100_000 < 10_000_000
    ]
    assert len(soon) == 2


def test_its_site_opens_with_ropes_tails_leads_and_a_worn_line(case: IncidentCase, tmp_path: Path) -> None:
    root = tmp_path / "berth"
    write_incident_site(root, case)
    site = open_site(root)
    lost = case.losses[0].line
    assert str(site.lines[lost].opening_life) == WORN
    assert site.lines[f"{lost}T"].part == "tail"
    assert {spec.fatigue.source for spec in site.specs.values()} == {"invented for the demo"}
    assert [row.action for row in site.services if row.line == lost] == ["inspection", "crop"]
    mains = [row for row in site.riggings if site.lines[row.line].part == "main"]
    assert all(row.lead_deg is not None and row.chock_ahead_m is not None for row in mains)
    with (root / "channels.csv").open(newline="") as rows:
        loggers = {row["logger"]: row["filter_s"] for row in csv.DictReader(rows) if row["quantity"] == "tension"}
    assert len(loggers) == 4
    with pytest.raises(FileExistsError):
        write_incident_site(root, case)
