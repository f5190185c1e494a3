"""What is live: newest rows, and rows that nothing later takes away."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline.ledger import index
from pipeline.ledger.apply import apply
from pipeline.ledger.database import Ledger, create
from schemas.times import DAY_US, day_start_us
from tests.ledger import makers

NEXT = date(2026, 3, 3)


@pytest.fixture
def ledger(site: Path) -> Iterator[Ledger]:
    with create(site, ":memory:") as opened:
        yield opened


@contextmanager
def night(ledger: Ledger) -> Iterator[dict[str, Any]]:
    """A run: fill the tables in the block, they are committed and taken in when it ends."""
    tables: dict[str, Any] = {}
    yield tables
    apply(ledger, makers.commit(ledger.root, **tables))


def test_an_empty_ledger_has_nothing_live(ledger: Ledger) -> None:
    assert index.receipts(ledger) == {}
    assert index.parts(ledger) == []
    assert index.states(ledger) == {}
    assert index.horizon_us(ledger) is None
    assert index.latest_through(ledger) is None
    assert index.head_archive(ledger) == {}


def test_the_newest_receipt_of_a_raw_file_holds(ledger: Ledger) -> None:
    with night(ledger) as rows:
        rows["receipts"] = [makers.receipt("a"), makers.receipt("b")]
    with night(ledger) as rows:
        rows["receipts"] = [makers.receipt("a", op="reread", reason="layout changed"), makers.receipt("c")]
    with night(ledger) as rows:
        rows["receipts"] = [makers.receipt("b", op="withdrawn", reason="clock was wrong")]
    held = index.receipts(ledger)
    assert {r.file: (r.run, r.op) for r in held.values()} == {
        "a": (2, "reread"),
        "b": (3, "withdrawn"),
        "c": (2, "new"),
    }
    assert held[makers.digest("a")].file == "a"
    assert [r.file for r in index.all_receipts(ledger)] == ["a", "b", "a", "c", "b"]


def test_a_dropped_part_is_not_live(ledger: Ledger) -> None:
    with night(ledger) as rows:
        rows["parts"] = [makers.part("p1"), makers.part("p2", place="hook-2"), makers.part("p3", day=NEXT)]
    with night(ledger) as rows:
        rows["parts"] = [
            makers.part("p1", op="drop", reason="reread"),
            makers.part("p4", sha256=makers.digest("4")),
        ]
    assert [part.part for part in index.parts(ledger)] == ["p4", "p3", "p2"]
    assert [part.part for part in index.parts(ledger, [("hook-1", makers.DAY)])] == ["p4"]
    assert [part.part for part in index.parts(ledger, [("hook-1", NEXT), ("hook-2", makers.DAY)])] == [
        "p3",
        "p2",
    ]
    assert index.parts(ledger, []) == []


def test_the_newest_flags_of_a_place_and_day_hold_until_dropped(ledger: Ledger) -> None:
    with night(ledger) as rows:
        rows["flags"] = [makers.flag_file("f1"), makers.flag_file("g1", day=NEXT)]
    with night(ledger) as rows:
        rows["flags"] = [makers.flag_file("f2"), makers.flag_file("g1", day=NEXT, op="drop")]
    assert {key: held.path for key, held in index.flags(ledger).items()} == {("hook-1", makers.DAY): "f2"}
    assert index.flags(ledger, [("hook-1", NEXT)]) == {}


def test_marks_live_and_die_with_their_sheet(ledger: Ledger) -> None:
    with night(ledger) as rows:
        rows["sheets"] = [makers.sheet("s1"), makers.sheet("s2", channel="hook-2-tension")]
        rows["sheet_marks"] = [
            makers.mark("s1", '{"n":1}'),
            makers.mark("s2", '{"n":2}'),
            makers.mark("s2", '{"n":3}', kind="slip"),
        ]
    with night(ledger) as rows:
        rows["sheets"] = [makers.sheet("s1", op="drop"), makers.sheet("s3")]
        rows["sheet_marks"] = [makers.mark("s3", '{"n":4}'), makers.mark("s3", '{"n":5}')]
    assert [sheet.sheet for sheet in index.sheets(ledger)] == ["s3", "s2"]
    assert [mark.payload["n"] for mark in index.marks(ledger, "excursion")] == [4, 5, 2]
    assert [mark.payload["n"] for mark in index.marks(ledger, "slip")] == [3]
    assert [mark.sheet for mark in index.marks(ledger, "excursion", channels=["hook-2-tension"])] == ["s2"]
    assert index.sheets(ledger, [("hook-1-tension", makers.DAY)])[0].inputs == {"samples": "x"}


def test_the_newest_state_of_a_line_zone_and_day_holds_until_dropped(ledger: Ledger) -> None:
    with night(ledger) as rows:
        rows["states"] = [
            makers.state("L1", life_units="5", residue_kn=[0.0, 1 / 3]),
            makers.state("L1", day=NEXT),
            makers.state("L2"),
        ]
    with night(ledger) as rows:
        rows["states"] = [
            makers.state("L1", life_units=str(2**120), residue_kn=[0.0, 2 / 3], postable=False),
            makers.state("L1", day=NEXT, op="drop"),
        ]
    states = index.states(ledger)
    assert list(states) == [("L1", "a", makers.DAY), ("L2", "a", makers.DAY)]
    assert states["L1", "a", makers.DAY].life_units == 2**120
    assert not states["L1", "a", makers.DAY].postable
    assert list(index.states(ledger, "L2")) == [("L2", "a", makers.DAY)]
    assert index.residues(ledger, [("L1", "a", makers.DAY), ("L1", "a", NEXT)]) == {
        ("L1", "a", makers.DAY): ([0.0, 2 / 3], [makers.NOON_US, makers.NOON_US + 1_000_000])
    }
    assert index.residues(ledger, []) == {}


def test_a_superseded_event_is_not_live_and_may_come_back(ledger: Ledger) -> None:
    with night(ledger) as rows:
        rows["events"] = [makers.event("e1", "L1"), makers.event("e2", "L2")]
    with night(ledger) as rows:
        rows["events"] = [
            makers.event("e1", "L1", op="supersede", reason="late samples"),
            makers.event("e1", "L1", peak_kn=800.0),
            makers.event("e2", "L2", op="supersede", reason="late samples"),
        ]
    assert {name: event.peak_kn for name, event in index.events(ledger).items()} == {"e1": 800.0}
    with night(ledger) as rows:
        rows["events"] = [makers.event("e2", "L2")]
    assert list(index.events(ledger)) == ["e1", "e2"]


def test_a_closed_finding_is_not_live(ledger: Ledger) -> None:
    with night(ledger) as rows:
        rows["findings"] = [makers.finding("f1"), makers.finding("f2")]
    with night(ledger) as rows:
        rows["findings"] = [makers.finding("f1", op="close", reason="a sample came")]
    assert [f.evidence for f in index.findings(ledger).values()] == [{"hours": 30}]
    assert list(index.findings(ledger)) == ["f2"]


def test_the_horizon_is_the_latest_live_sample_or_the_end_of_the_latest_through_day(ledger: Ledger) -> None:
    with night(ledger) as rows:
        rows["parts"] = [
            makers.part("p1", last_us=makers.NOON_US + 9),
            makers.part("p2", last_us=makers.NOON_US),
        ]
    assert index.horizon_us(ledger) == makers.NOON_US + 9
    with night(ledger) as rows:
        rows["parts"] = [makers.part("p1", op="drop")]
    assert index.horizon_us(ledger) == makers.NOON_US
    apply(ledger, makers.commit(ledger.root, through=makers.DAY))
    assert index.horizon_us(ledger) == day_start_us(makers.DAY) + DAY_US
    apply(ledger, makers.commit(ledger.root))
    assert index.horizon_us(ledger) == day_start_us(makers.DAY) + DAY_US


def test_ids_are_values_and_never_sql(ledger: Ledger) -> None:
    odd = "L1'; DROP TABLE entries; --"
    with night(ledger) as rows:
        rows["entries"] = [makers.entry("E1-1", odd, "0.5")]
    assert [entry.line for entry in index.postings(ledger, odd).values()] == [odd]
