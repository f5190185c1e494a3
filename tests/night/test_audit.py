"""Audit: whatever is altered, missing or added behind the program's back is found, and named."""

import os
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path

import duckdb
import pytest

from pipeline import manifest as manifests
from pipeline.audit import rebuild_site
from pipeline.ledger import index
from pipeline.ledger.apply import apply
from pipeline.ledger.database import open_ledger, open_reader
from pipeline.ledger.publish import publish
from pipeline.store.depot import Depot
from pipeline.store.sheets import read_sheets, write_sheets
from tests.ledger.makers import dump
from tests.night.berth import Berth, log_text, make_berth, record, values

STILL = ("L1,H1,2026-03-02T00:00:00Z,,a,100",)
NAMED = (
    "raw/*",
    "store/samples/*/*/*",
    "store/flags/*/*/*",
    "store/sheets/*/*/*",
    "quarantine/*",
    "manifests/*/entries.parquet",
    "manifests/*/states.parquet",
    "manifests/archive/*",
    "manifests/000001.json",
    "published/current/ledger.duckdb",
    "published/current/entries.parquet",
)
NAMING = ("manifests/000002.json", "published/current/published.json")
"""What names other files: what is wrong then may be told of those."""


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    """Two runs, an event, quarantine, flags, a reversal."""
    berth = make_berth(tmp_path_factory.mktemp("audited") / "b", STILL)
    berth.deliver("hooks_1.csv", log_text(record("2026-03-02T06:00")) + b"later,H1,3\n")
    berth.night(through="2026-03-02")
    berth.deliver("hooks_2.csv", values("2026-03-02T08:00", [100.0, 620.0, "---", 80.0]))
    berth.night()
    assert berth.audit() == []
    return berth


@pytest.fixture
def berth(whole: Berth, tmp_path: Path) -> Berth:
    return whole.copy(tmp_path / "b")


def one(berth: Berth, pattern: str) -> Path:
    return sorted(berth.root.glob(pattern))[0]


def flip(path: Path, at: int) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 1
    path.chmod(0o644)
    path.write_bytes(data)


@pytest.mark.parametrize("pattern", NAMED)
def test_one_altered_byte_is_found_and_the_file_named(berth: Berth, pattern: str) -> None:
    path = one(berth, pattern)
    flip(path, path.stat().st_size // 2)
    differences = berth.audit()
    assert any(path.name in text or path.resolve().name in text for text in differences), differences


@pytest.mark.parametrize("pattern", NAMED)
def test_one_missing_file_is_found_and_named(berth: Berth, pattern: str) -> None:
    path = one(berth, pattern)
    path.unlink()
    differences = berth.audit()
    assert any(path.name in text for text in differences), differences


@pytest.mark.parametrize("pattern", NAMING)
@pytest.mark.parametrize("part", [0.02, 0.5, 0.98])
def test_one_altered_byte_of_what_names_the_others_is_found(berth: Berth, pattern: str, part: float) -> None:
    path = one(berth, pattern)
    flip(path, round(path.stat().st_size * part))
    assert berth.audit() != []


def test_a_last_manifest_altered_in_words_that_nothing_else_names_is_found(berth: Berth) -> None:
    path = one(berth, "manifests/000002.json")
    text = path.read_text()
    path.write_text(text.replace('"program":"tautlog', '"program":"Tautlog'))
    assert path.read_text() != text
    assert any("has not taken in run 2" in found for found in berth.audit())


@pytest.mark.parametrize(
    "folder",
    ["raw", "store/samples/H1/2026-03-02", "quarantine", "manifests", "manifests/archive", "published/current"],
)
def test_one_added_file_is_found_and_named(berth: Berth, folder: str) -> None:
    (berth.root / folder / "guest").write_bytes(b"x")
    differences = berth.audit()
    assert any("guest" in text for text in differences), differences


@pytest.mark.parametrize("pattern", ["raw/*", "store/samples/*/*/*", "quarantine/*"])
def test_one_byte_more_is_found(berth: Berth, pattern: str) -> None:
    path = one(berth, pattern)
    path.chmod(0o644)
    path.write_bytes(path.read_bytes() + b"\n")
    assert any(path.name in text for text in berth.audit())


def test_a_file_that_a_manifest_never_named_is_found_among_its_own(berth: Berth) -> None:
    folder = one(berth, "manifests/000001-*")
    (folder / "guest.parquet").write_bytes(b"x")
    assert any("guest.parquet" in text for text in berth.audit())


def test_a_row_added_to_the_ledger_is_found(berth: Berth) -> None:
    with duckdb.connect(str(berth.root / "ledger.duckdb")) as con:
        con.execute(
            """INSERT INTO entries
            SELECT run, seq + 100, entry || 'x', line, zone, day, mechanism, life / 2, kind, reverses, reason, spec,
                spec_digest, policy_digest, basis, sheets
            FROM entries WHERE kind = 'posting' LIMIT 1"""
        )
    differences = berth.audit()
    assert any("table entries holds a row that no manifest gave it" in text for text in differences), differences
    assert rebuild_site(berth.root) != []
    assert berth.audit() == []


def test_a_byte_altered_in_the_ledger_is_found_or_is_one_that_holds_nothing(berth: Berth) -> None:
    file = berth.root / "ledger.duckdb"
    whole = file.read_bytes()
    with open_reader(berth.root, file) as ledger:
        rows = dump(ledger)
    used = [at for at, byte in enumerate(whole) if byte]
    found = 0
    for at in used[:: len(used) // 12]:
        flip(file, at)
        if berth.audit() != []:
            found += 1
        else:  # in a block that DuckDB has let go of
            with open_reader(berth.root, file) as ledger:
                assert dump(ledger) == rows
        file.write_bytes(whole)
    assert found > 6
    assert berth.audit() == []


def test_a_last_manifest_that_is_gone_is_found(berth: Berth) -> None:
    (berth.root / "manifests" / "000002.json").unlink()
    assert any("by a manifest that is not in the chain" in text for text in berth.audit())


# ------------------------------------------------------------------------------------------- consistent lies

Forge = Callable[[Berth], dict[str, list[dict[str, object]]]]


def commit(berth: Berth, rows: dict[str, list[dict[str, object]]]) -> None:
    """A run with every digest in order, as only a wrong or a hostile program would make it."""
    head = manifests.head(berth.root)
    assert head is not None
    frames = {table: manifests.frame(table, listed) for table, listed in rows.items()}
    with open_ledger(berth.root) as ledger:
        made = manifests.commit(
            Depot(berth.root),
            manifests.next_run(berth.root),
            frames,
            manifests.archived(berth.root, head.archive),
            started_us=head.started_us,
            program="another program",
            through=None,
            horizon_us=head.horizon_us,
        )
        apply(ledger, made)
        publish(ledger)


def another_life(berth: Berth) -> dict[str, list[dict[str, object]]]:
    (entry,) = berth.ask(index.postings).values()
    reversal = replace(
        entry, entry="E9-1", kind="reversal", reverses=entry.entry, life=entry.life.copy_negate(), reason="better so"
    )
    posting = replace(entry, entry="E9-2", life=entry.life - Decimal("1e-30"), reason="better so")
    return {"entries": [reversal.row(), posting.row()]}


def life_on_a_day_without_any(berth: Berth) -> dict[str, list[dict[str, object]]]:
    (entry,) = berth.ask(index.postings).values()
    return {"entries": [replace(entry, entry="E9-1", day=date(2026, 2, 1)).row()]}


def an_event_that_was_not(berth: Berth) -> dict[str, list[dict[str, object]]]:
    (event,) = berth.events()
    row = {name: getattr(event, name) for name in event.__slots__ if name != "run"}
    payload = manifests.canonical_json(dict(event.payload))
    return {"events": [{**row, "payload": payload, "event": "V0", "op": "add", "reason": ""}]}


def an_event_taken_out(berth: Berth) -> dict[str, list[dict[str, object]]]:
    (row,) = an_event_that_was_not(berth)["events"]
    (event,) = berth.events()
    return {"events": [{**row, "event": event.event, "op": "supersede"}]}


def another_residue(berth: Berth) -> dict[str, list[dict[str, object]]]:
    ((key, state),) = berth.ask(index.states).items()
    residue_kn, residue_us = berth.ask(lambda ledger: index.residues(ledger, [key]))[key]
    return {
        "states": [
            {
                "line": state.line,
                "zone": state.zone,
                "day": state.day,
                "sheets": list(state.sheets),
                "residue_kn": [*residue_kn[:-1], residue_kn[-1] - 0.1],
                "residue_us": residue_us,
                "life_units": str(state.life_units),
                "basis": manifests.canonical_json(dict(state.basis)),
                "postable": state.postable,
                "op": "set",
            }
        ]
    }


def another_carried_heat(berth: Berth) -> dict[str, list[dict[str, object]]]:
    (found,) = berth.ask(index.wear_days).values()
    row = {name: getattr(found, name) for name in found.__slots__ if name != "run"}
    carried = {**found.carried, "heat": {"at_us": 0, "surface_c": 20.0}}
    texts = {"carried": manifests.canonical_json(carried), "facts": manifests.canonical_json(dict(found.facts))}
    return {"wear_days": [{**row, **texts, "op": "set"}]}


def another_coverage(berth: Berth) -> dict[str, list[dict[str, object]]]:
    (ref,) = berth.ask(index.sheets)
    row = {name: getattr(ref, name) for name in ref.__slots__ if name != "run"}
    row["inputs"] = manifests.canonical_json(dict(ref.inputs))
    ((key, state),) = berth.ask(index.states).items()
    store = Depot(berth.root / "store")
    sheet = read_sheets(store, ref.path, [ref.sheet])[ref.sheet]
    path = str(Path(ref.path).with_name("S0.parquet"))
    copy = {"sheet": "S0", "path": path, "digest": write_sheets(store, path, {"S0": sheet})}
    (forged,) = another_residue(berth)["states"]
    forged |= dict(
        zip(("residue_kn", "residue_us"), berth.ask(lambda led: index.residues(led, [key]))[key], strict=True)
    )
    assert state.sheets == [ref.sheet]
    return {
        "sheets": [{**row, "op": "drop"}, {**row, **copy, "observed_us": ref.observed_us * 2, "op": "add"}],
        "states": [{**forged, "sheets": ["S0"]}],
    }


def an_excursion_that_was_not(berth: Berth) -> dict[str, list[dict[str, object]]]:
    (mark,) = berth.ask(lambda ledger: index.marks(ledger, "excursion"))
    payload = manifests.canonical_json({**mark.payload, "peak_kn": 2000.0})
    return {"sheet_marks": [{"sheet": mark.sheet, "kind": "excursion", "payload": payload}]}


def another_balance(berth: Berth) -> dict[str, list[dict[str, object]]]:
    (found,) = berth.ask(index.berth_days).values()
    (call,) = found.balance["calls"]
    (line, role, bins, sum_dan, *hour) = call["lines"][0]
    forged = {"calls": [{**call, "lines": [[line, role, bins, sum_dan + 1, *hour]]}]}
    texts = {"marks": manifests.canonical_json(dict(found.marks)), "balance": manifests.canonical_json(forged)}
    return {"berth_days": [{"day": found.day, "inputs_digest": found.inputs_digest, **texts, "op": "set"}]}


def a_berth_day_of_no_sheet(berth: Berth) -> dict[str, list[dict[str, object]]]:
    (row,) = another_balance(berth)["berth_days"]
    return {"berth_days": [{**row, "day": date(2026, 2, 1)}]}


@pytest.mark.parametrize(
    ("forge", "told"),
    [
        (another_life, "posting of L1, zone a, 2026-03-02, fatigue: life comes out otherwise"),
        (life_on_a_day_without_any, "rests on nothing"),
        (an_event_that_was_not, "event V0 comes out otherwise"),
        (an_event_taken_out, "comes out otherwise"),
        (an_excursion_that_was_not, "its marks of kind excursion come out otherwise"),
        (another_coverage, "sheet S0: the ledger's count of its cycles, or its coverage, comes out otherwise"),
        (another_carried_heat, "wear of L1, zone a, 2026-03-02: comes out otherwise"),
        (another_balance, "berth day 2026-03-02 comes out otherwise"),
        (a_berth_day_of_no_sheet, "berth day 2026-02-01 rests on nothing"),
        (another_residue, "state of L1, zone a, 2026-03-02: residue comes out otherwise"),
    ],
)
def test_figures_that_the_samples_do_not_give_are_found_though_every_digest_fits(
    berth: Berth, forge: Forge, told: str
) -> None:
    commit(berth, forge(berth))
    differences = berth.audit()
    assert any(told in text for text in differences), differences


def test_an_audit_changes_nothing(berth: Berth) -> None:
    def listing() -> list[tuple[str, int, int]]:
        found = [path for path in berth.root.rglob("*") if path.is_file() and path.name != "run.lock"]
        return sorted((str(path), os.stat(path).st_size, os.stat(path).st_mtime_ns) for path in found)

    before = listing()
    assert berth.audit() == []
    assert [row for row in listing() if "ledger.duckdb" not in row[0]] == [
        row for row in before if "ledger.duckdb" not in row[0]
    ]


def test_a_site_without_a_run_has_nothing_to_agree_with(tmp_path: Path) -> None:
    assert make_berth(tmp_path / "b").audit() == ["nothing has been committed yet; run `tautlog nightly`"]


def test_rebuild_makes_the_same_ledger(berth: Berth) -> None:
    before = berth.live()
    assert rebuild_site(berth.root) == []
    assert berth.live() == before
    assert berth.audit() == []
