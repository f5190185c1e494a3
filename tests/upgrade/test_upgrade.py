"""What an earlier release left on disk is opened, agrees, and goes on; what a newer one left is refused untouched.

`site-0.1.0.tar.gz` is a site as release 0.1.0 left it and `expected-0.1.0.json` what that release answered about it,
both made by `make_site_0_1_0.py`, once. They are never made again: the test would then prove nothing.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import tarfile
from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline import manifest as manifests
from pipeline.audit import audit_site, rebuild_site
from pipeline.errors import StoreError
from pipeline.ledger.apply import apply_to
from pipeline.ledger.checks import table_differences
from pipeline.ledger.database import create
from pipeline.nightly import Night, run_night
from pipeline.site import site_from_archive
from schemas.versions import MANIFEST_VERSION, AddedColumn, filled_in
from tests.cli.command import tautlog
from tests.ledger import makers

HERE = Path(__file__).parent
RELEASES = {
    "0.1.0": "b96eccb5d439db929ae00040d24a225392e462a90b616b6891ff72a8cfff0588",
}
"""SHA-256 of each frozen site."""


def frozen(release: str, folder: Path) -> Path:
    """A frozen site, unpacked."""
    with tarfile.open(HERE / f"site-{release}.tar.gz") as tar:
        tar.extractall(folder, filter="data")
    return folder / f"site-{release}"


def expected(release: str) -> Any:
    return json.loads((HERE / f"expected-{release}.json").read_bytes(), parse_float=Decimal)


@pytest.fixture(scope="module")
def upgraded_once(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Night]:
    """The site of 0.1.0 after this program's first night."""
    site = frozen("0.1.0", tmp_path_factory.mktemp("upgraded"))
    return site, run_night(site)


@pytest.fixture
def site(upgraded_once: tuple[Path, Night], tmp_path: Path) -> Path:
    return Path(shutil.copytree(upgraded_once[0], tmp_path / "site", symlinks=True))


OLD_KINDS = ("peak-load", "brake-render")
"""The kinds of events that release 0.1.0 knew."""


def shared(old: Any, new: Any) -> Any:
    """Of a new answer what the old one had too: later releases may tell more, and never less."""
    if isinstance(old, Mapping):
        return {name: shared(value, new[name]) for name, value in old.items()}
    if isinstance(old, list) and len(old) == len(new):
        return [shared(one, other) for one, other in zip(old, new, strict=True)]
    return new


def account(statement: Mapping[str, Any]) -> dict[str, Any]:
    """A statement without the run it was asked at, and in which any entry was made."""
    kept = {name: value for name, value in statement.items() if name not in ("run", "entries", "not_modelled")}
    entries = [{k: v for k, v in entry.items() if k != "sheets"} for entry in statement["entries"]]
    return {**kept, "entries": entries}


@pytest.mark.parametrize("release", RELEASES)
def test_a_frozen_site_is_the_one_that_was_released(release: str) -> None:
    assert hashlib.sha256((HERE / f"site-{release}.tar.gz").read_bytes()).hexdigest() == RELEASES[release]


def test_the_first_night_after_an_upgrade_posts_nothing(upgraded_once: tuple[Path, Night]) -> None:
    _, night = upgraded_once
    assert night.entries_posted == 0
    # Each of the old release's events is told once more, now with its phase and severity; others are of newer kinds.
    old = [event for event in night.events if event.kind in OLD_KINDS]
    assert {event.event for event in old} == {event["event"] for event in expected("0.1.0")["events"]["events"]}
    assert all({"phase", "severity"} <= event.payload.keys() for event in night.events)
    assert night.receipts == []


def test_after_it_statements_status_events_and_receipts_are_what_the_old_release_said(site: Path) -> None:
    old = expected("0.1.0")
    for line, statement in old["statements"].items():
        new = tautlog("statement", site, line, "--json").json
        assert account(shared(statement, new)) == account(statement)
    for line, statement in old["histories"].items():
        new = tautlog("statement", site, line, "--history", "--json").json
        assert account(shared(statement, new)) == account(statement)
    assert shared(old["receipts"], tautlog("receipts", site, "--json").json) == old["receipts"]
    told = [event for event in tautlog("events", site, "--json").json["events"] if event["kind"] in OLD_KINDS]
    was = [{name: cell for name, cell in event.items() if name != "run"} for event in old["events"]["events"]]
    assert shared(was, told) == was
    status = tautlog("status", site, "--json").json
    for row in old["status"]["lines"]:
        (new,) = [line for line in status["lines"] if line["line"] == row["line"]]
        # Advice is the program's own, told by other rules since; the figures it rests on are those of the old release.
        # And the last event may be of a kind that the old release did not know.
        kept = {name: cell for name, cell in row.items() if name not in ("advice", "advice_list", "last_event")}
        assert shared(kept, new) == kept


def test_audit_and_rebuild_agree_on_an_upgraded_site(site: Path) -> None:
    assert audit_site(site) == []
    assert rebuild_site(site) == []
    assert audit_site(site) == []


def test_the_next_night_has_nothing_new_and_a_delivery_is_taken_in(site: Path) -> None:
    assert run_night(site).run_id is None
    rows = [f"2026-04-01T06:00:{second:02d}Z,W3,{100 + 3 * second}.0,34.98,SET" for second in range(0, 60, 2)]
    (site / "inbox" / "winches_apr.csv").write_text("\n".join(["time,winch,kn,out_m,brake", *rows]) + "\n")
    night = run_night(site)
    assert [(r.file, r.stored) for r in night.receipts] == [("winches_apr.csv", 30)]
    assert night.run_id is not None
    assert manifests.read(site, 4).version == 1
    assert manifests.head(site).version == MANIFEST_VERSION  # type: ignore[union-attr]
    assert audit_site(site) == []
    assert rebuild_site(site) == []


def test_before_its_first_night_answers_say_what_to_do_and_rebuild_suffices_too(tmp_path: Path) -> None:
    site = frozen("0.1.0", tmp_path)
    ran = tautlog("status", site)
    assert (ran.code, ran.out) == (74, "")
    assert "made by another version of tautlog; next: run `tautlog nightly` once with this version" in ran.err
    known = tautlog("statement", site, "L1", "--as-known-on", "2100-01-01", "--json")
    assert (known.code, known.json["run"]["run"]) == (0, 4)  # a copy of what was published, whatever published it
    rebuild_site(site)
    assert tautlog("status", site).code == 0
    (difference,) = audit_site(site)
    assert difference.endswith("not by this version of the program; run `tautlog nightly`")
    run_night(site)
    assert audit_site(site) == []


def test_registers_of_every_old_run_are_still_read(tmp_path: Path) -> None:
    site = frozen("0.1.0", tmp_path)
    lines = [
        sorted(site_from_archive(manifests.archived(site, manifest.archive), site).lines)
        for manifest in manifests.chain(site)
    ]
    assert lines == [["L1", "L2", "L3", "L4", "T1"]] * 4


ADDED = (
    AddedColumn("receipts", "brought_by", since=MANIFEST_VERSION + 1, default="NULL"),
    AddedColumn("receipts", "retries", since=MANIFEST_VERSION + 1, default="0"),
)
NEWER = """
ALTER TABLE receipts ADD COLUMN brought_by VARCHAR;
ALTER TABLE receipts ADD COLUMN retries BIGINT DEFAULT 7;
ALTER TABLE receipts ALTER COLUMN retries SET NOT NULL;
ALTER TABLE receipts ALTER COLUMN retries DROP DEFAULT;
"""
"""What the SQL file of a later version would say of the columns in ADDED."""


def test_a_manifest_that_lacks_a_newer_column_is_read_with_its_default(tmp_path: Path) -> None:
    site = frozen("0.1.0", tmp_path)
    chain = manifests.chain(site)
    with create(site, ":memory:") as ledger:
        ledger.con.execute(NEWER)
        for manifest in chain:
            apply_to(ledger.con, site, manifest, added=ADDED)
        rows = ledger.rows("SELECT file, brought_by, retries FROM receipts ORDER BY run, seq")
        assert len(rows) == sum(m.tables["receipts"].rows for m in chain if "receipts" in m.tables)
        assert {row[0] for row in rows} == {row["file"] for row in expected("0.1.0")["receipts"]["receipts"]}
        assert {row[1:] for row in rows} == {(None, 0)}
        assert table_differences(ledger, chain, added=ADDED) == []
        assert {row[0] for row in ledger.rows("SELECT retries FROM live_receipts")} == {0}
        with pytest.raises(Exception, match="receipts is append-only"):
            ledger.con.execute("UPDATE receipts SET retries = 1")


def test_older_manifests_and_newer_ones_that_have_the_column_stand_in_one_chain(tmp_path: Path) -> None:
    site = frozen("0.1.0", tmp_path)
    chain = manifests.chain(site)
    old = chain[0].tables["receipts"]
    path = "manifests/newer.parquet"
    more = [pl.lit("boat").alias("brought_by"), pl.lit(3, pl.Int64).alias("retries")]
    pl.read_parquet(site / old.path).with_columns(pl.lit(5, pl.Int64).alias("run"), *more).write_parquet(site / path)
    digest = hashlib.sha256((site / path).read_bytes()).hexdigest()
    table = replace(old, path=path, sha256=digest)
    newer = replace(chain[-1], version=MANIFEST_VERSION + 1, run=5, tables={"receipts": table})
    with create(site, ":memory:") as ledger:
        ledger.con.execute(NEWER)
        for manifest in [*chain, newer]:
            apply_to(ledger.con, site, manifest, added=ADDED)
        found = ledger.rows("SELECT DISTINCT run = 5, brought_by, retries FROM receipts ORDER BY ALL")
        assert found == [(False, None, 0), (True, "boat", 3)]
        assert table_differences(ledger, [*chain, newer], added=ADDED) == []
        assert table_differences(ledger, chain, added=ADDED) != []


def test_rows_that_differ_from_the_declared_default_are_found(tmp_path: Path) -> None:
    site = frozen("0.1.0", tmp_path)
    chain = manifests.chain(site)
    with create(site, ":memory:") as ledger:
        ledger.con.execute(NEWER)
        for manifest in chain:
            apply_to(ledger.con, site, manifest, added=ADDED)
        other = (ADDED[0], AddedColumn("receipts", "retries", since=MANIFEST_VERSION + 1, default="1"))
        assert table_differences(ledger, chain, added=other) != []


def test_a_column_that_no_version_declares_is_refused(site: Path) -> None:
    chain = manifests.chain(site)
    with create(site, ":memory:") as ledger:
        ledger.con.execute(NEWER)
        with pytest.raises(StoreError, match=r"not the columns of a manifest of version 1.*brought_by, retries"):
            apply_to(ledger.con, site, chain[0])


def test_a_column_is_filled_in_before_its_version_and_not_from_it_on() -> None:
    added = (AddedColumn("parts", "late", since=3, default="NULL"),)
    assert filled_in("parts", 2, added) == {"late": "NULL"}
    assert filled_in("parts", 3, added) == {}
    assert filled_in("sheets", 2, added) == {}


def test_every_declared_column_stands_in_its_table_and_came_with_a_version_that_was_announced() -> None:
    from schemas.tables import TABLES
    from schemas.versions import ADDED_COLUMNS

    for row in ADDED_COLUMNS:
        assert row.column in TABLES[row.table].columns()
        assert 1 < row.since <= MANIFEST_VERSION


def test_a_site_of_a_newer_program_is_refused_by_every_command_and_left_untouched(site: Path) -> None:
    head = manifests.head(site)
    assert head is not None
    document = json.loads(manifests.manifest_path(site, head.run).read_bytes())
    newer = {
        **document,
        "version": MANIFEST_VERSION + 1,
        "run": head.run + 1,
        "previous": head.sha256,
        "program": "tautlog 9.9.9",
    }
    manifests.manifest_path(site, head.run + 1).write_text(manifests.canonical_json(newer))
    before = state_of(site)
    for command in ("nightly", "ingest", "audit", "rebuild"):
        ran = tautlog(command, site)
        assert (ran.code, ran.out) == (74, "")
        assert "a newer tautlog wrote this manifest; this one cannot read it" in ran.err
        assert f"found manifest version {MANIFEST_VERSION + 1}, by tautlog 9.9.9" in ran.err
    assert state_of(site) == before


def state_of(site: Path) -> dict[str, tuple[int, str]]:
    return {
        str(path.relative_to(site)): (path.stat().st_mtime_ns, hashlib.sha256(path.read_bytes()).hexdigest())
        for path in sorted(site.rglob("*"))
        if path.is_file()
    }


def test_a_snapshot_of_another_form_is_published_anew_though_no_run_is(tmp_path: Path) -> None:
    site = tmp_path / "s"
    makers.commit(site, receipts=[makers.receipt("f")])
    from pipeline.ledger.database import open_ledger
    from pipeline.ledger.publish import publish

    with open_ledger(site) as ledger:
        first = publish(ledger)
        assert first is not None
        assert publish(ledger) is None
        facts = json.loads((first / "published.json").read_text())
        (first / "published.json").write_text(manifests.canonical_json({**facts, "schema_sha256": "older"}))
        assert publish(ledger) is not None
    assert pl.read_parquet(site / "published" / "current" / "live_receipts.parquet").height == 1
