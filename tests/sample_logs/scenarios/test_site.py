"""A scenario's site folder is one that a night digests."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline.cli import tautlog
from sample_logs.scenarios import Truth, make, write_site


def test_a_night_stores_every_row_of_a_scenario_and_finds_its_peaks(tmp_path: Path) -> None:
    scenario = make(4, family="tune", rate_hz=1.0)
    root = tmp_path / "site"
    write_site(scenario, root)
    result = CliRunner().invoke(tautlog, ["nightly", str(root), "--json"], catch_exceptions=False)
    assert result.exit_code in (0, 1), result.output
    receipts = json.loads(result.stdout)["receipts"]
    assert len(receipts) == len(scenario.recorded)
    assert sum(receipt["quarantined"] for receipt in receipts) == 0
    assert sum(receipt["stored"] for receipt in receipts) == sum(len(r.at_us) for r in scenario.recorded.values())
    told = CliRunner().invoke(tautlog, ["events", str(root), "--kind", "peak-load", "--json"], catch_exceptions=False)
    lines = {event["line"] for event in json.loads(told.stdout)["events"]}
    true = {one.line for one in scenario.truth if one.kind == "peak-load" and not one.borderline and _long(one)}
    assert len(true) > 0
    assert true <= lines


def _long(one: Truth) -> bool:
    """Over five seconds from its first to its last reading: waves above the level, which 1 Hz does not step over."""
    return one.to_us - one.from_us > 5_000_000


def test_a_folder_that_holds_something_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "kept").write_text("kept")
    with pytest.raises(FileExistsError):
        write_site(make(5, family="tune", rate_hz=1.0), tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["kept"]
