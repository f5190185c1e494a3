"""One row a line, worst first, and advice that only ever asks for more care."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from pipeline.ledger import queries
from pipeline.ledger.database import open_ledger
from pipeline.ledger.status import status
from schemas.times import rfc3339_us
from tests.ledger import makers

H_US = 3_600_000_000


def rows_of(site: Path, **rows: Any) -> dict[str, dict[str, Any]]:
    """Commit these rows; the status rows thereafter by line, in their order."""
    makers.commit(site, **rows)
    with open_ledger(site) as ledger:
        return {row["line"]: row for row in status(ledger)["lines"]}


OBSERVED: dict[str, Any] = {
    "parts": [makers.part("p", last_us=rfc3339_us("2026-03-02T06:00:00Z"))],
    "sheets": [makers.sheet("s1", observed_us=6 * H_US), makers.sheet("s2", observed_us=2 * H_US)],
    "states": [
        makers.state("L1", sheets=["s1"], residue_kn=[0.0, 100.0]),
        makers.state("L2", zone="b", sheets=["s2"], residue_kn=[0.0, 10.0]),
    ],
}


def test_lines_come_worst_first_by_the_worse_zone(site: Path) -> None:
    found = rows_of(
        site,
        **OBSERVED,
        entries=[
            makers.entry("E1-1", "L1", "0.1"),
            makers.entry("E1-2", "L1", "0.2", zone="b"),
            makers.entry("E1-3", "L2", "0.4", zone="b"),
        ],
    )
    assert list(found) == ["L2", "L1", "L3"]
    assert (found["L1"]["zone"], found["L1"]["consumed"]) == ("b", Decimal("0.2"))
    assert (found["L2"]["zone"], found["L2"]["consumed"]) == ("b", Decimal("0.4"))
    assert found["L1"]["basis"] == "severity index"
    assert found["L1"]["coverage"] == {"rigged_s": 21600, "observed_s": 21600, "share": 1.0}
    assert found["L2"]["coverage"]["share"] == 2 / 6


def test_open_cycles_count_in_the_order(site: Path) -> None:
    rows = OBSERVED | {
        "states": [
            makers.state("L1", sheets=["s1"], residue_kn=[0.0, 900.0]),
            makers.state("L2", zone="b", sheets=["s2"], residue_kn=[0.0, 10.0]),
        ],
        "entries": [makers.entry("E1-1", "L2", "0.0001", zone="b")],
    }
    found = rows_of(site, **rows)
    # L2 opened with 0.125, which counts too; of those without a known opening L1 is worst, by its open cycles.
    assert list(found) == ["L2", "L1", "L3"]
    # By hand: half a cycle of 900 of 1000 kN, N = 10^3 * R^-2.
    assert float(found["L1"]["pending"]) == pytest.approx(0.9**2 / 1000 / 2, rel=1e-12)


def test_a_line_rigged_and_never_observed_has_no_figure_comes_first_and_is_not_called_good(
    site: Path,
) -> None:
    rows = OBSERVED | {
        "states": [makers.state("L1", sheets=["s1"])],
        "entries": [makers.entry("E1-1", "L1", "0.9")],
    }
    found = rows_of(site, **rows)
    assert list(found) == ["L2", "L1", "L3"]
    assert (found["L2"]["consumed"], found["L2"]["pending"], found["L2"]["zone"]) == (None, None, None)
    assert found["L2"]["advice_list"][0]["rule"] == "check-sensor"
    assert "which is not good" in found["L2"]["advice"]
    assert found["L3"]["consumed"] is None
    assert found["L3"]["coverage"] == {"rigged_s": 0, "observed_s": 0, "share": None}


def test_the_last_event_is_shown_and_an_overload_asks_for_inspection(site: Path) -> None:
    found = rows_of(
        site,
        **OBSERVED,
        events=[
            makers.event("e1", "L1"),
            makers.event("e2", "L1", kind="brake-render", from_us=makers.NOON_US + 9, peak_kn=500.0, peak_pct=None),
        ],
    )
    assert found["L1"]["last_event"]["event"] == "e2"
    assert found["L1"]["advice"].startswith("inspect before reuse (2 events, the largest peak-load 700 kN at ")
    assert found["L2"]["last_event"] is None
    assert "inspect before reuse" not in found["L2"]["advice"]


def test_notes_do_not_hide_the_last_event_above_a_note(site: Path) -> None:
    slack = {"kind": "slack", "peak_kn": 9.0, "peak_pct": 0.7, "payload": '{"severity":"note"}'}
    found = rows_of(
        site,
        **OBSERVED,
        events=[
            makers.event("e1", "L1"),
            makers.event("e2", "L1", **slack, from_us=makers.NOON_US + 9),
            makers.event("e3", "L2", **slack),
        ],
    )
    assert found["L1"]["last_event"]["event"] == "e1"
    assert found["L2"]["last_event"]["event"] == "e3"


def test_events_are_filtered_by_line_kind_and_time(site: Path) -> None:
    makers.commit(
        site,
        events=[
            makers.event("e1", "L1"),
            makers.event("e2", "L2", kind="brake-render", payload='{"payout_m":1.5,"line":"no"}'),
            makers.event("e3", "L1", from_us=makers.NOON_US - 50, to_us=makers.NOON_US - 10),
        ],
    )
    with open_ledger(site) as ledger:

        def names(**which: Any) -> list[str]:
            return [event["event"] for event in queries.events_json(ledger, **which)["events"]]

        assert names() == ["e3", "e1", "e2"]
        assert names(line="L1") == ["e3", "e1"]
        assert names(kind="brake-render") == ["e2"]
        assert names(from_us=makers.NOON_US - 10) == ["e3", "e1", "e2"]
        assert names(from_us=makers.NOON_US - 9) == ["e1", "e2"]
        assert names(to_us=makers.NOON_US - 1) == ["e3"]
        [found] = queries.events_json(ledger, line="L2")["events"]
        assert (found["payout_m"], found["line"], found["peak_at"]) == (1.5, "L2", "2026-03-02T12:00:02Z")
        newest = queries.event(ledger, "e1")
        assert newest is not None
        assert newest.kind == "peak-load"
        assert queries.event(ledger, "none") is None


def test_receipts_entries_and_findings_are_answered(site: Path) -> None:
    makers.commit(
        site,
        receipts=[makers.receipt("a", first_us=None, last_us=None), makers.receipt("b")],
        entries=[makers.entry("E1-1", "L1", "0.1")],
        findings=[makers.finding("f")],
    )
    with open_ledger(site) as ledger:
        first, second = queries.receipts_json(ledger)["receipts"]
        assert (first["file"], first["first_at"]) == ("a", None)
        assert second["last_at"] == "2026-03-02T12:00:01Z"
        counts = ("header", "blank", "ignored", "stored", "duplicate", "quarantined")
        assert second["lines"] == sum(second[name] for name in counts) == 7
        found = queries.entry(ledger, "E1-1")
        assert found is not None
        assert found.life == Decimal("0.1")
        assert queries.entry(ledger, "E9-9") is None
        assert queries.findings_json(ledger)["findings"][0]["evidence"] == {"hours": 30}


def test_an_inspection_that_is_only_planned_does_not_answer_an_overload(site: Path) -> None:
    event = makers.event("e1", "L1", from_us=rfc3339_us("2026-03-02T01:00:00Z"))
    planned = dict(makers.REGISTERS)
    planned["services.csv"] = b"line,at,action\nL1,2999-01-01T00:00:00Z,inspection\n"
    found = rows_of(site, **OBSERVED, events=[event], registers=planned)
    assert found["L1"]["advice_list"][0]["rule"] == "inspect-before-reuse"


def test_days_not_posted_yet_count_against_the_worse_zone(site: Path) -> None:
    rows = OBSERVED | {
        "states": [
            makers.state("L1", sheets=["s1"], residue_kn=[0.0]),
            makers.state("L1", zone="b", sheets=["s2"], residue_kn=[0.0], life_units=str(2**101), postable=False),
        ],
        "entries": [makers.entry("E1-1", "L1", "0.01")],
    }
    found = rows_of(site, **rows)["L1"]
    assert (found["zone"], found["unposted"]) == ("b", Decimal(2))
    assert [said["rule"] for said in found["advice_list"]] == ["retire"]
    assert "take it out of use" in found["advice"]
