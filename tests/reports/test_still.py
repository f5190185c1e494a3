"""A snapshot held still answers as the snapshot does, to the last digit."""

from __future__ import annotations

from pathlib import Path

from pipeline.ledger.berth import balance_json, episodes_json
from pipeline.ledger.brakes import brakes_json
from pipeline.ledger.database import open_published
from pipeline.ledger.queries import answer_text, events_json, findings_json, receipts_json
from pipeline.ledger.statement import statement
from pipeline.ledger.status import status
from pipeline.ledger.still import LAID_DOWN, open_still

ANSWERS = (status, brakes_json, balance_json, episodes_json, events_json, findings_json, receipts_json)


def test_whatever_is_asked_of_a_snapshot_held_still_is_answered_as_by_the_snapshot(demo_root: Path) -> None:
    with open_published(demo_root) as plain, open_still(demo_root) as still:
        for _ in range(2):  # a second time from what is kept
            for ask in ANSWERS:
                assert answer_text(ask(still)) == answer_text(ask(plain))
            for row in status(plain)["lines"]:
                line = row["line"]
                assert answer_text(statement(still, line)) == answer_text(statement(plain, line))


def test_what_is_laid_down_is_what_the_views_hold(demo_root: Path) -> None:
    with open_still(demo_root) as still:
        for view in LAID_DOWN:
            [(laid,)] = still.rows(f"SELECT count(*) FROM {view}")
            [(shown,)] = still.rows(f"SELECT count(*) FROM main.{view}")
            assert laid == shown


def test_a_ledger_that_may_change_is_asked_anew(demo_root: Path) -> None:
    with open_published(demo_root) as plain:
        asked = []
        for _ in range(2):
            plain.once("x", lambda: asked.append(1))
        assert len(asked) == 2
    with open_still(demo_root) as still:
        for _ in range(2):
            still.once("y", lambda: asked.append(1))
        assert len(asked) == 3
