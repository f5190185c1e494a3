"""Audit's comparison of ledger and manifests finds whatever was changed behind the program's back."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline.ledger.checks import LAWS, law_breaks, ledger_differences
from pipeline.ledger.database import create, ledger_file, open_ledger
from pipeline.ledger.rebuild import rebuild
from tests.ledger import makers


@pytest.fixture(scope="module")
def filled_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    site = tmp_path_factory.mktemp("filled")
    makers.commit(
        site,
        receipts=[makers.receipt("f")],
        parts=[makers.part("p"), makers.part("q")],
        sheets=[makers.sheet("s")],
        states=[makers.state("L1", sheets=["s"])],
        entries=[makers.entry("E1-1", "L1", "0.1"), makers.entry("E1-2", "L2", "0.2")],
        events=[makers.event("e", "L1")],
    )
    makers.commit(site, entries=[makers.entry("E2-1", "L1", "-0.1", kind="reversal", reverses="E1-1")])
    open_ledger(site).close()
    return site


@pytest.fixture
def filled(filled_once: Path, site: Path) -> Path:
    shutil.copytree(filled_once, site, dirs_exist_ok=True)
    return site


def behind_its_back(site: Path, *statements: str) -> None:
    """Change the ledger file as somebody would who wants to: guards taken off first."""
    with duckdb.connect(str(ledger_file(site))) as con:
        for statement in statements:
            con.execute(statement)


GUARDS_OFF = ("DROP TRIGGER {0}_no_update ON {0}", "DROP TRIGGER {0}_no_delete ON {0}")
GUARDS_ON = (
    "CREATE TRIGGER {0}_no_update AFTER UPDATE ON {0} FOR EACH STATEMENT "
    "INSERT INTO guard SELECT error('{0} is append-only')",
    "CREATE TRIGGER {0}_no_delete AFTER DELETE ON {0} FOR EACH STATEMENT "
    "INSERT INTO guard SELECT error('{0} is append-only')",
)


def tamper(site: Path, table: str, statement: str) -> None:
    guards = [*GUARDS_OFF, statement, *GUARDS_ON]
    behind_its_back(site, *(part.format(table) for part in guards))


def test_an_untouched_ledger_agrees(filled: Path) -> None:
    assert ledger_differences(filled) == []


def test_a_site_without_runs_agrees(site: Path) -> None:
    assert ledger_differences(site) == []
    open_ledger(site).close()
    assert ledger_differences(site) == []


@pytest.mark.parametrize(
    ("table", "statement", "words"),
    [
        (
            "entries",
            "UPDATE entries SET life = life + 1e-30::DECIMAL(38,30) WHERE entry = 'E1-2'",
            "run 1, row 2",
        ),
        (
            "entries",
            "DELETE FROM entries WHERE entry = 'E2-1'",
            "lacks a row that a manifest gave it: run 2, row 1",
        ),
        (
            "parts",
            "INSERT INTO parts SELECT * FROM parts WHERE part = 'p'",
            "holds a row that no manifest gave it",
        ),
        ("states", "UPDATE states SET residue_kn = [0.0, 99.99999999999999]", "table states"),
        ("events", "UPDATE events SET peak_kn = 700.4", "table events"),
        ("events", "UPDATE events SET peak_pct = NULL", "table events"),
        ("runs", "DELETE FROM runs WHERE run = 1", "table runs lacks a row"),
        ("applied", "UPDATE applied SET manifest_sha256 = 'x' WHERE run = 1", "has not taken in run 1"),
        ("applied", "INSERT INTO applied VALUES (3, 'x')", "has taken in run 3 by a manifest that is not"),
    ],
)
def test_a_row_changed_taken_away_or_added_is_found_and_put_right(
    filled: Path, table: str, statement: str, words: str
) -> None:
    tamper(filled, table, statement)
    found = ledger_differences(filled)
    assert any(words in text for text in found), found
    report = rebuild(filled)
    assert (report.agrees, report.runs) == (False, 2)
    assert set(found) == set(report.differences)
    assert ledger_differences(filled) == []
    assert len(list(filled.glob("ledger.duckdb.set-aside-*"))) == 1


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("DROP TRIGGER entries_no_delete ON entries", "trigger entries_no_delete is missing"),
        (
            "CREATE OR REPLACE VIEW live_entries AS SELECT * FROM entries",
            "view live_entries is not as the schema",
        ),
        ("CREATE TABLE more (a INTEGER)", "table more does not belong here"),
        ("DROP TABLE findings", "table findings is missing"),
    ],
)
def test_a_guard_view_or_table_changed_is_found(filled: Path, statement: str, words: str) -> None:
    behind_its_back(filled, statement)
    assert any(words in text for text in ledger_differences(filled))


def test_a_missing_ledger_is_found(filled: Path) -> None:
    ledger_file(filled).unlink()
    [found] = ledger_differences(filled)
    assert found.endswith("ledger.duckdb: is missing")


def test_a_ledger_that_cannot_be_read_is_found(filled: Path) -> None:
    ledger_file(filled).write_bytes(b"something else" * 1000)
    [found] = ledger_differences(filled)
    assert "cannot be read" in found


def test_a_run_not_taken_in_yet_is_found_and_not_healed(filled: Path) -> None:
    makers.commit(filled, parts=[makers.part("r")])
    for _ in range(2):
        found = ledger_differences(filled)
        assert any("has not taken in run 3" in text for text in found)
        assert any("lacks a row that a manifest gave it: run 3, row 1" in text for text in found)


BROKEN: dict[str, dict[str, list[dict[str, Any]]]] = {
    "a reversal names no posting, or another key than its own, or not its negated life": {
        "entries": [
            makers.entry("E1-1", "L1", "0.1"),
            makers.entry("E1-2", "L1", "-0.2", kind="reversal", reverses="E1-1"),
        ]
    },
    "a posting is reversed more than once": {
        "entries": [
            makers.entry("E1-1", "L1", "0.1"),
            makers.entry("E1-2", "L1", "-0.1", kind="reversal", reverses="E1-1"),
            makers.entry("E1-3", "L1", "-0.1", kind="reversal", reverses="E1-1"),
        ]
    },
    "an entry's id is used twice": {"entries": [makers.entry("E1-1", "L1", "0.1"), makers.entry("E1-1", "L2", "0.1")]},
    "more than one posting of a line, zone, day and mechanism is live": {
        "entries": [makers.entry("E1-1", "L1", "0.1"), makers.entry("E1-2", "L1", "0.1")]
    },
    "a live state rests on a sheet that is not live": {
        "sheets": [makers.sheet("s"), makers.sheet("s", op="drop")],
        "states": [makers.state("L1", sheets=["s"])],
    },
    "a samples file's name is used twice": {"parts": [makers.part("p"), makers.part("p")]},
    "a sheet's id is used twice": {"sheets": [makers.sheet("s"), makers.sheet("s")]},
}


@pytest.mark.parametrize("law", LAWS)
def test_a_broken_law_is_found(site: Path, law: str) -> None:
    if law == "the lines of a raw file do not add up":
        # The manifest's schema refuses such a row, so it can only have been put into the file by other means.
        makers.commit(site, receipts=[makers.receipt("f")])
        open_ledger(site).close()
        tamper(site, "receipts", "UPDATE receipts SET stored = stored + 1")
        assert any(law in text for text in ledger_differences(site))
        return
    makers.commit(site, **dict[str, Any](BROKEN[law]))
    with open_ledger(site) as ledger:
        assert [text for text in law_breaks(ledger) if law in text] != []


def test_rebuilding_an_intact_ledger_changes_nothing(filled: Path) -> None:
    with open_ledger(filled) as ledger:
        before = makers.dump(ledger)
    report = rebuild(filled)
    assert (report.agrees, report.differences, report.runs) == (True, (), 2)
    with open_ledger(filled) as ledger:
        assert ledger.notes == []
        assert makers.dump(ledger) == before
    names = sorted(path.name for path in filled.iterdir())
    assert names == ["ledger.duckdb", "manifests", "published"]


def test_rebuilding_without_a_ledger_makes_one(filled: Path) -> None:
    ledger_file(filled).unlink()
    report = rebuild(filled)
    assert not report.agrees
    assert ledger_differences(filled) == []


def test_the_model_of_the_schema_agrees_with_itself(site: Path) -> None:
    with create(site, ":memory:") as ledger:
        assert law_breaks(ledger) == []
