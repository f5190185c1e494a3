"""The published snapshot: swapped whole, read without waiting, at the head of the chain."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.errors import StoreError
from pipeline.ledger import index
from pipeline.ledger.apply import apply
from pipeline.ledger.checks import published_differences
from pipeline.ledger.database import open_ledger, open_published
from pipeline.ledger.publish import EXPORTS, publish, published_head
from pipeline.ledger.rebuild import rebuild
from tests.ledger import makers


def folders(site: Path) -> list[str]:
    return sorted(path.name for path in (site / "published").iterdir())


def test_a_reader_sees_what_was_published_and_never_waits_for_the_writer(site: Path) -> None:
    makers.commit(site, entries=[makers.entry("E1-1", "L1", "0.1")])
    with open_ledger(site) as writer:
        publish(writer)
        apply(writer, makers.commit(site, entries=[makers.entry("E2-1", "L2", "0.2")]))
        with open_published(site) as reader:
            assert [entry.entry for entry in index.postings(reader).values()] == ["E1-1"]
            publish(writer)
            assert [entry.entry for entry in index.postings(reader).values()] == ["E1-1"]
        with open_published(site) as reader:
            assert [entry.entry for entry in index.postings(reader).values()] == ["E1-1", "E2-1"]


def test_two_readers_read_at_once(site: Path) -> None:
    makers.commit(site)
    with open_ledger(site) as writer:
        publish(writer)
    with open_published(site) as one, open_published(site) as other:
        assert index.postings(one) == index.postings(other) == {}


def test_a_snapshot_equals_the_ledger(site: Path) -> None:
    makers.commit(
        site,
        parts=[makers.part("p")],
        states=[makers.state("L1", residue_kn=[0.1, 1 / 3])],
        entries=[makers.entry("E1-1", "L1", "0.000000000000000000000000000001")],
    )
    with open_ledger(site) as writer:
        publish(writer)
        held = makers.dump(writer)
    with open_published(site) as reader:
        assert makers.dump(reader) == held


def test_a_reader_cannot_write(site: Path) -> None:
    makers.commit(site)
    with open_ledger(site) as writer:
        publish(writer)
    with open_published(site) as reader, pytest.raises(duckdb.InvalidInputException, match="read-only"):
        reader.con.execute("INSERT INTO guard VALUES ('x')")


def test_nothing_is_published_twice(site: Path) -> None:
    makers.commit(site)
    with open_ledger(site) as writer:
        assert publish(writer) is not None
        before = folders(site)
        assert publish(writer) is None
    assert folders(site) == before


def test_before_the_first_run_nothing_is_published_and_readers_are_told(site: Path) -> None:
    with open_ledger(site) as writer:
        assert publish(writer) is None
    with pytest.raises(StoreError, match="tautlog nightly"):
        open_published(site)
    assert published_differences(site) == []


def test_a_snapshot_that_cannot_be_read_is_told_and_rebuilding_puts_it_right(site: Path) -> None:
    makers.commit(site)
    with open_ledger(site) as writer:
        publish(writer)
    (site / "published" / "current" / "ledger.duckdb").write_bytes(b"something else" * 1000)
    assert len(published_differences(site)) == 1
    with pytest.raises(StoreError, match="tautlog rebuild"):
        open_published(site)
    rebuild(site)
    assert published_differences(site) == []
    open_published(site).close()


def test_the_snapshot_before_is_kept_and_older_ones_and_drafts_are_swept(site: Path) -> None:
    kept = []
    with open_ledger(site) as writer:
        for _ in range(4):
            apply(writer, makers.commit(site))
            (site / "published" / ".left-behind.draft").mkdir(parents=True, exist_ok=True)
            made = publish(writer)
            assert made is not None
            kept.append(made.name)
    assert folders(site) == sorted(["current", *kept[-2:]])
    assert (site / "published" / "current").resolve().name == kept[-1]


@pytest.mark.parametrize("lost", ["current", "current/published.json", "current/ledger.duckdb"])
def test_a_snapshot_that_lost_something_is_published_anew(site: Path, lost: str) -> None:
    makers.commit(site)
    with open_ledger(site) as writer:
        publish(writer)
    (site / "published" / lost).unlink()
    with open_ledger(site) as writer:
        assert publish(writer) is not None
        assert publish(writer) is None
    assert published_differences(site) == []
    open_published(site).close()


def test_the_snapshot_can_be_read_by_older_versions(site: Path) -> None:
    makers.commit(site)
    with open_ledger(site) as writer:
        publish(writer)
    with open_published(site) as reader:
        [(tags,)] = reader.rows("SELECT tags FROM duckdb_databases() WHERE database_name = current_database()")
        assert tags["storage_version"].startswith("v1.2.0")
        # Versions before 2.0 know no triggers.
        assert reader.rows("SELECT trigger_name FROM duckdb_triggers()") == []


def test_exports_hold_what_the_snapshot_holds(site: Path) -> None:
    makers.commit(
        site,
        entries=[makers.entry("E1-1", "L1", "0.1"), makers.entry("E1-2", "L2", "0.2")],
        events=[makers.event("e", "L1")],
    )
    makers.commit(site, entries=[makers.entry("E2-1", "L1", "-0.1", kind="reversal", reverses="E1-1")])
    with open_ledger(site) as writer:
        publish(writer)
    current = site / "published" / "current"
    assert {path.stem for path in current.glob("*.parquet")} == EXPORTS.keys()
    assert pl.read_parquet((current / "entries.parquet").read_bytes())["entry"].to_list() == [
        "E1-1",
        "E1-2",
        "E2-1",
    ]
    assert pl.read_parquet((current / "live_entries.parquet").read_bytes())["entry"].to_list() == ["E1-2"]
    assert pl.read_parquet((current / "live_events.parquet").read_bytes())["event"].to_list() == ["e"]


def test_what_is_published_names_its_run_and_manifest(site: Path) -> None:
    committed = makers.commit(site)
    with open_ledger(site) as writer:
        publish(writer)
    facts = json.loads((site / "published" / "current" / "published.json").read_text())
    assert (facts["run"], facts["run_id"]) == (1, committed.run_id)
    assert facts["manifest_sha256"] == published_head(site) == committed.sha256


def test_an_altered_or_added_file_of_the_snapshot_is_found(site: Path) -> None:
    makers.commit(site, entries=[makers.entry("E1-1", "L1", "0.1")])
    with open_ledger(site) as writer:
        publish(writer)
    current = site / "published" / "current"
    assert published_differences(site) == []
    (current / "more.csv").write_text("x")
    shutil.copy(current / "live_events.parquet", current / "live_entries.parquet")
    found = published_differences(site)
    assert len(found) == 2
    assert "live_entries.parquet: altered" in found[0]
    assert "more.csv: nobody published this" in found[1]


def test_a_snapshot_that_the_disk_refuses_leaves_the_one_before(site: Path) -> None:
    makers.commit(site)
    with open_ledger(site) as writer:
        publish(writer)
        apply(writer, makers.commit(site, entries=[makers.entry("E2-1", "L1", "0.1")]))
        # A folder where the link belongs cannot be replaced by a link.
        current = site / "published" / "current"
        target = current.resolve()
        current.unlink()
        shutil.copytree(target, current)
        with pytest.raises(StoreError, match="cannot publish"):
            publish(writer)
    with open_published(site) as reader:
        assert index.postings(reader) == {}
