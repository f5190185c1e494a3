"""One run at a time; readers never wait."""

import os
from pathlib import Path

import pytest

from pipeline.audit import audit_site, rebuild_site
from pipeline.errors import SiteBusy
from pipeline.lock import hold
from pipeline.nightly import run_ingest
from tests.night.berth import Berth, record


def test_a_second_run_is_told_who_holds_the_site_and_does_nothing(four_days: Berth) -> None:
    four_days.deliver("hooks_late.csv", record("2026-03-05T18:00"))
    runs = four_days.runs()
    with hold(four_days.root / "run.lock", "nightly"):
        for attempt in (
            four_days.night,
            lambda: run_ingest(four_days.root, []),
            lambda: audit_site(four_days.root),
            lambda: rebuild_site(four_days.root),
        ):
            with pytest.raises(SiteBusy, match=f"another run holds the site; found nightly, process {os.getpid()} on "):
                attempt()
    assert four_days.runs() == runs
    assert four_days.waiting() == ["hooks_late.csv"]
    assert four_days.night().receipts


def test_readers_answer_while_a_run_holds_the_site(four_days: Berth) -> None:
    answers = four_days.live(), four_days.statement(history=True), four_days.receipts()
    with hold(four_days.root / "run.lock", "nightly"):
        assert (four_days.live(), four_days.statement(history=True), four_days.receipts()) == answers


def test_the_lock_of_a_run_that_died_holds_nobody(four_days: Berth, tmp_path: Path) -> None:
    (four_days.root / "run.lock").write_text("nightly, process 4000000 on elsewhere, since 2026-03-02T00:00:00Z")
    assert four_days.night().run_id is None
    assert (four_days.root / "run.lock").read_text() == ""
