"""The chain of manifests: commit, order, and every way of breaking it."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline import manifest
from pipeline.errors import Bug, StoreError
from pipeline.ledger.checks import manifest_differences
from pipeline.store.depot import Depot
from schemas.versions import MANIFEST_VERSION
from tests.ledger import makers

ROOT = Path(__file__).parent.parent.parent
KILLED_AT_RENAME = """
import os, sys
from pathlib import Path
from tests.ledger import makers

def kill(event, arguments):
    if event == "os.rename" and str(arguments[1]).endswith("000002.json"):
        os._exit(9)

sys.addaudithook(kill)
makers.commit(Path(sys.argv[1]), parts=[makers.part("lost")])
"""


def test_runs_are_numbered_from_one_and_each_names_the_one_before(site: Path) -> None:
    committed = [makers.commit(site, parts=[makers.part(f"p{i}")]) for i in range(3)]
    assert [m.run for m in committed] == [1, 2, 3]
    assert [m.previous for m in committed] == [None, committed[0].sha256, committed[1].sha256]
    assert manifest.chain(site) == committed
    assert manifest.head(site) == committed[-1]


def test_a_site_without_runs_has_an_empty_chain(site: Path) -> None:
    assert manifest.chain(site) == []
    assert manifest.head(site) is None


def test_rows_keep_their_order_and_carry_their_run(site: Path) -> None:
    makers.commit(site)
    committed = makers.commit(site, parts=[makers.part("b"), makers.part("a")])
    rows = pl.read_parquet((site / committed.tables["parts"].path).read_bytes())
    assert rows.select("run", "seq", "part").rows() == [(2, 1, "b"), (2, 2, "a")]
    assert committed.tables["parts"].rows == 2


def test_a_run_killed_just_before_its_manifest_is_renamed_never_happened(site: Path) -> None:
    makers.commit(site)
    done = subprocess.run([sys.executable, "-c", KILLED_AT_RENAME, str(site)], cwd=ROOT, check=False)
    assert done.returncode == 9
    assert (site / "manifests" / ".000002.json.draft").exists()
    assert [m.run for m in manifest.chain(site)] == [1]
    assert makers.commit(site).run == 2
    assert manifest_differences(site) == []


def test_files_of_a_run_that_never_committed_are_ignored(site: Path) -> None:
    first = makers.commit(site, parts=[makers.part("p")])
    orphan = site / "manifests" / "000002-0badcafe"
    shutil.copytree(site / "manifests" / first.run_id, orphan)
    (site / "manifests" / ".000002.json.draft").write_text("{")
    assert [m.run for m in manifest.chain(site)] == [1]
    assert makers.commit(site).run_id != orphan.name
    assert manifest_differences(site) == []


def test_a_run_may_not_commit_after_another_has(site: Path) -> None:
    ref = manifest.next_run(site)
    makers.commit(site)
    with pytest.raises(StoreError, match="another run has committed since"):
        manifest.commit(Depot(site), ref, {}, {}, started_us=0, program="t", through=None, horizon_us=None)
    assert len(manifest.chain(site)) == 1


def test_a_row_with_a_wrong_column_is_refused() -> None:
    row = makers.part("p")
    row["plcae"] = row.pop("place")
    with pytest.raises(Bug, match="place, plcae"):
        manifest.frame("parts", [row])


def test_a_value_of_a_wrong_type_is_refused() -> None:
    with pytest.raises(Bug, match="table parts"):
        manifest.frame("parts", [makers.part("p", rows="many")])


def test_a_frame_without_a_column_is_refused(site: Path) -> None:
    rows = manifest.frame("parts", [makers.part("p")]).drop("place")
    with pytest.raises(Bug, match="place"):
        manifest.commit(
            Depot(site),
            manifest.next_run(site),
            {"parts": rows},
            {},
            started_us=0,
            program="t",
            through=None,
            horizon_us=None,
        )


@pytest.mark.parametrize(
    ("table", "row"),
    [
        ("receipts", makers.receipt("f", stored=3)),
        ("entries", makers.entry("E1-1", "L1", "0.1", kind="reversal")),
        ("entries", makers.entry("E1-1", "L1", "0.1", zone="c")),
        ("entries", makers.entry("E1-1", "L1", "0.1", reverses="E1-0")),
        ("events", makers.event("e", "L1", peak_kn=float("nan"))),
        ("states", makers.state("L1", residue_kn=[float("inf")])),
        ("parts", makers.part("p", digest="abc")),
        ("parts", makers.part("p", op="remove")),
    ],
)
def test_a_row_that_breaks_its_table_is_refused_and_nothing_is_committed(
    site: Path, table: str, row: dict[str, Any]
) -> None:
    with pytest.raises(Bug, match=table):
        makers.commit(site, **dict[str, Any]({table: [row]}))
    assert manifest.chain(site) == []


def test_registers_are_archived_by_content_and_read_back(site: Path) -> None:
    first = makers.commit(site, registers={"site.toml": b"one", "lines.csv": b"same"})
    second = makers.commit(site, registers={"site.toml": b"two", "lines.csv": b"same"})
    assert manifest.archived(site, first.archive) == {"site.toml": b"one", "lines.csv": b"same"}
    assert manifest.archived(site, second.archive) == {"site.toml": b"two", "lines.csv": b"same"}
    assert len(list((site / "manifests" / "archive").iterdir())) == 3


def test_an_altered_register_in_the_archive_is_refused(site: Path) -> None:
    committed = makers.commit(site, registers={"site.toml": b"one"})
    manifest.archive_path(site, committed.archive["site.toml"]).write_bytes(b"two")
    with pytest.raises(StoreError, match=r"archived site\.toml was altered"):
        manifest.archived(site, committed.archive)
    with pytest.raises(StoreError, match="archived register was altered"):
        makers.commit(site, registers={"site.toml": b"one"})


def _flip(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(bytes(content))


def _reprice(path: Path) -> None:
    document = json.loads(path.read_text())
    document["started_us"] += 1
    path.write_text(manifest.canonical_json(document))


BREAKS: dict[str, Callable[[Path], object]] = {
    "a byte changed": lambda folder: _flip(folder / "000002.json"),
    "a figure changed and canonical again": lambda folder: _reprice(folder / "000002.json"),
    "truncated": lambda folder: (folder / "000002.json").write_bytes(b""),
    "taken out": lambda folder: (folder / "000002.json").unlink(),
    "replaced by its neighbour": lambda folder: shutil.copy(folder / "000001.json", folder / "000002.json"),
    "a space added": lambda folder: (folder / "000002.json").write_bytes((folder / "000002.json").read_bytes() + b" "),
    "the first taken out": lambda folder: (folder / "000001.json").unlink(),
}


@pytest.mark.parametrize("break_chain", BREAKS.values(), ids=BREAKS.keys())
def test_a_broken_chain_is_found(site: Path, break_chain: Callable[[Path], object]) -> None:
    for _ in range(3):
        makers.commit(site)
    assert manifest_differences(site) == []
    break_chain(site / "manifests")
    with pytest.raises(StoreError):
        manifest.chain(site)
    assert len(manifest_differences(site)) == 1


def test_every_altered_missing_or_added_file_of_a_run_is_found(site: Path) -> None:
    committed = makers.commit(site, parts=[makers.part("p")], sheets=[makers.sheet("s")])
    _flip(site / committed.tables["parts"].path)
    (site / committed.tables["sheets"].path).unlink()
    (site / "manifests" / committed.run_id / "more.parquet").write_bytes(b"")
    _flip(manifest.archive_path(site, committed.archive["lines.csv"]))
    found = manifest_differences(site)
    assert len(found) == 4
    for words in ("parts.parquet: altered", "sheets.parquet: cannot be read", "more.parquet: no manifest"):
        assert any(words in text for text in found)


def test_a_manifest_of_a_newer_program_is_refused(site: Path) -> None:
    makers.commit(site)
    path = site / "manifests" / "000001.json"
    path.write_text(manifest.canonical_json(json.loads(path.read_text()) | {"version": MANIFEST_VERSION + 1}))
    with pytest.raises(StoreError, match=f"found manifest version {MANIFEST_VERSION + 1}, by tautlog test"):
        manifest.head(site)


def test_canonical_json_is_equal_for_equal_values_and_refuses_nan() -> None:
    assert manifest.canonical_json({"b": 1, "a": "ø"}) == '{"a":"ø","b":1}'
    with pytest.raises(ValueError, match="JSON"):
        manifest.canonical_json(float("nan"))
