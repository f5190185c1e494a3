"""Which runs an instant takes: the largest that had committed by then, and all before it."""

from pathlib import Path

import pytest

from pipeline import manifest
from pipeline.errors import RegisterError, StoreError
from pipeline.ledger.as_known import ask_as_known, open_as_known
from pipeline.ledger.database import open_ledger
from pipeline.ledger.publish import publish
from tests.ledger import makers
from tests.ledger.makers import NOON_US

S = 1_000_000


def runs_at(root: Path, instant_us: int) -> list[int]:
    """The runs that an answer as known at an instant rests on."""
    with open_as_known(root, instant_us) as ledger:
        return [run for (run,) in ledger.rows("SELECT run FROM runs ORDER BY run")]


def published(root: Path, *times: tuple[int, int | None]) -> Path:
    """A site with a run for each (began, committed), each with an entry."""
    for number, (started_us, committed_us) in enumerate(times, 1):
        entry = makers.entry(f"E{number}-1", "L1", "0.125")
        makers.commit(root, started_us=started_us, committed_us=committed_us, entries=[entry])
    with open_ledger(root) as ledger:
        publish(ledger)
    return root


def test_an_instant_takes_the_runs_that_had_committed_by_then(tmp_path: Path) -> None:
    root = published(tmp_path, (NOON_US, NOON_US + 10 * S), (NOON_US + 20 * S, NOON_US + 30 * S))
    assert runs_at(root, NOON_US + 10 * S) == [1]
    assert runs_at(root, NOON_US + 30 * S - 1) == [1]  # begun, and not committed yet
    assert runs_at(root, NOON_US + 30 * S) == [1, 2]
    with pytest.raises(RegisterError, match=r"nothing was known yet at 2026-03-02T12:00:09\.999999Z"):
        runs_at(root, NOON_US + 10 * S - 1)


def test_a_clock_that_was_set_back_does_not_tear_the_chain(tmp_path: Path) -> None:
    hour = 3600 * S
    root = published(tmp_path, *((at, at) for at in (NOON_US, NOON_US + 5 * hour, NOON_US + hour, NOON_US + 6 * hour)))
    assert runs_at(root, NOON_US) == [1]
    assert runs_at(root, NOON_US + hour) == [1, 2, 3]  # the third says it came before the second, and rests on it
    assert runs_at(root, NOON_US + 5 * hour) == [1, 2, 3]
    assert runs_at(root, NOON_US + 6 * hour) == [1, 2, 3, 4]


def test_a_run_that_does_not_say_when_it_committed_counts_from_its_beginning(tmp_path: Path) -> None:
    root = published(tmp_path, (NOON_US, None), (NOON_US + S, NOON_US + 9 * S))
    assert runs_at(root, NOON_US) == [1]
    answer = ask_as_known(root, NOON_US + S, lambda ledger: {"entries": ledger.rows("SELECT entry FROM live_entries")})
    assert answer == {
        "as_known_on": "2026-03-02T12:00:01Z",
        "committed_at": "2026-03-02T12:00:00Z",
        "entries": [("E1-1",)],
        "run": {"run": 1, "run_id": manifest.read(root, 1).run_id, "manifest_sha256": manifest.read(root, 1).sha256},
    }


def test_all_tables_of_the_whole_chain_are_those_that_are_published(tmp_path: Path) -> None:
    for name in ("a", "b"):
        makers.commit(
            tmp_path,
            committed_us=NOON_US,
            receipts=[makers.receipt(name)],
            parts=[makers.part(name)],
            flags=[makers.flag_file(name)],
            sheets=[makers.sheet(name)],
            sheet_marks=[makers.mark(name)],
            states=[makers.state("L1")],
            wear_days=[makers.wear_day("L1")],
            air_days=[makers.air_day("mast-wind")],
            berth_days=[makers.berth_day()],
            entries=[makers.entry(name, "L1", "0.1")],
            events=[makers.event(name, "L1")],
            findings=[makers.finding(name)],
            removed=[makers.removed(name)],
        )
    with open_ledger(tmp_path) as ledger:
        publish(ledger)
        whole = makers.dump(ledger)
    with open_as_known(tmp_path, NOON_US) as ledger:
        assert makers.dump(ledger) == whole
    assert all(whole[table] for table in whole if table not in ("guard",))


def test_without_a_published_snapshot_nothing_can_be_asked(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="nothing is published yet"):
        open_as_known(tmp_path, NOON_US)
