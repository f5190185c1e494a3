"""The demo's nights, run by the program, against the ground truth that lies beside the logs."""

from __future__ import annotations

import csv
import json
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import sample_logs
from pipeline.cli import tautlog
from pipeline.ledger import index
from pipeline.ledger.database import open_published
from pipeline.ledger.queries import receipt_object

TRUTH = Path(sample_logs.__file__).parent / "truth"
COUNTS = ("header", "blank", "ignored", "stored", "duplicate", "quarantined", "cells_quarantined")
# What sampling may hide: noise and rounding at 10 Hz; at 2 Hz and 1 Hz also what happened between samples.
PEAK_KN = {"H": 2.0, "W": 20.0, "F": 20.0}
EDGE_S = {"H": 0.15, "W": 0.6, "F": 1.1}


def _truth(name: str) -> list[dict[str, str]]:
    with (TRUTH / name).open(encoding="utf-8", newline="") as text:
        return list(csv.DictReader(text))


def _answer(*words: str) -> Any:
    result = CliRunner().invoke(tautlog, [*words, "--json"], catch_exceptions=False)
    assert result.exit_code in (0, 1), result.output
    return json.loads(result.stdout)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The demo site with all its nights run."""
    root = tmp_path_factory.mktemp("demo") / "site"
    result = CliRunner().invoke(tautlog, ["demo", str(root)], catch_exceptions=False)
    assert result.exit_code in (0, 1), result.output
    return str(root)


def _seconds(one: str, other: str) -> float:
    return abs((datetime.fromisoformat(one) - datetime.fromisoformat(other)).total_seconds())


def test_receipts_count_every_line_as_the_truth_does(site: str) -> None:
    told = sorted(
        (row["file"], int(row["lines"]), *(int(row[name]) for name in COUNTS))
        for row in _truth("files.csv")
        if row["lines"]
    )
    # The truth is what each file is worth when it comes; a later night may settle a repeated hour.
    with open_published(Path(site)) as ledger:
        first = [receipt_object(receipt) for receipt in index.all_receipts(ledger) if receipt.op == "new"]
    found = sorted((Path(row["file"]).name, row["lines"], *(row[name] for name in COUNTS)) for row in first)
    assert found == told


def test_a_later_night_settles_the_piece_that_lies_wholly_inside_the_repeated_hour(site: str) -> None:
    rows = {row["file"]: row for row in _answer("receipts", site)["receipts"]}
    settled = rows["pins_north_20261025_0105.csv"]
    assert (settled["op"], settled["quarantined"], settled["duplicate"]) == ("reread", 0, 1200)
    assert "first pass" in settled["reason"]
    changed = [name for name, row in rows.items() if row["op"] != "new"]
    assert changed == ["pins_north_20261025_0105.csv"]


@pytest.mark.parametrize("kind", ["peak-load", "brake-render", "brake-held"])
def test_the_program_finds_each_true_event_and_no_other(site: str, kind: str) -> None:
    told = [row for row in _truth("events.csv") if row["kind"] == kind]
    found = [row for row in _answer("events", site)["events"] if row["kind"] == kind]
    told.sort(key=lambda row: (row["line"], row["from"]))
    found.sort(key=lambda row: (row["line"], row["from_at"]))
    pairs = list(zip(told, found, strict=True))
    assert pairs
    for true, event in pairs:
        logger = true["place"][0]
        assert event["line"] == true["line"]
        assert _seconds(event["from_at"], true["from"]) <= EDGE_S[logger]
        assert _seconds(event["to_at"], true["to"]) <= EDGE_S[logger]
        assert event["peak_kn"] == pytest.approx(float(true["peak_kn"]), abs=PEAK_KN[logger])


def test_what_a_rendered_brake_is_said_to_have_done_is_what_it_did(site: str) -> None:
    told = {row["from"][:17]: row for row in _truth("events.csv") if row["kind"] == "brake-render"}
    found = [row for row in _answer("events", site)["events"] if row["kind"] == "brake-render"]
    assert found
    for event in found:
        true = told[event["from_at"][:17]]
        assert event["verdict"] == true["verdict"]
        assert event["payout_m"] == pytest.approx(float(true["payout_m"]), abs=0.0101)
        assert event["render_kn"] == pytest.approx(float(true["render_kn"]), abs=10.0)
        assert event["breakout_kn"] == pytest.approx(float(true["breakout_kn"]), abs=20.0)


def test_audit_agrees_and_another_night_posts_nothing(site: str) -> None:
    assert _answer("audit", site)["agrees"] is True
    assert _answer("nightly", site)["entries_posted"] == 0
