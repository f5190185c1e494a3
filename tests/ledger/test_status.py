"""One row a line, worst first, and advice that only ever asks for more care."""

from __future__ import annotations

import dataclasses
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.ledger import queries
from pipeline.ledger.advice import CALL_FOR_INSPECTION, RULES, USUAL, LineFacts, advise
from pipeline.ledger.database import open_ledger
from pipeline.ledger.rows import Event
from pipeline.ledger.status import status
from schemas.registers import Service
from schemas.times import rfc3339_us, us_to_datetime
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
    assert "unobserved: " in found["L2"]["advice"]
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
    assert found["L1"]["advice"].startswith("inspect before use (2 events, the largest peak-load 700 kN at ")
    assert found["L2"]["last_event"] is None
    assert "inspect before use" not in found["L2"]["advice"]


def facts(**changes: Any) -> LineFacts:
    calm = LineFacts(
        events=(),
        services=(),
        rigged_us=10 * H_US,
        observed_us=10 * H_US,
        used=Decimal("0.01"),
        basis="severity index",
        opening_known=True,
    )
    return dataclasses.replace(calm, **changes)


def event(at_us: int, kind: str = "peak-load") -> Event:
    return Event(1, "e", kind, "L1", "c", "p", at_us, at_us + 5, 700.0, at_us + 1, 53.0, {})


def service(at_us: int, action: str) -> Service:
    return Service.model_validate({"line": "L1", "at": us_to_datetime(at_us), "action": action})


def said(line: LineFacts) -> list[str]:
    return [advice.do for advice in advise(line)]


def test_a_calm_known_line_is_told_the_usual_and_nothing_better() -> None:
    assert advise(facts()) == [USUAL]


@pytest.mark.parametrize("kind", CALL_FOR_INSPECTION)
@pytest.mark.parametrize(
    ("services", "asks"),
    [
        ([], True),
        ([service(99, "inspection")], True),
        ([service(104, "inspection")], True),
        ([service(105, "inspection")], False),
        ([service(200, "inspection")], False),
        ([service(200, "end-for-end")], True),
        ([service(200, "crop")], True),
        ([service(200, "repair")], True),
    ],
)
def test_an_event_asks_for_inspection_until_one_follows_it(kind: str, services: list[Service], asks: bool) -> None:
    assert ("inspect before use" in said(facts(events=[event(100, kind)], services=services))) is asks


def test_other_events_do_not_ask_for_inspection() -> None:
    assert said(facts(events=[event(100, "other")])) == [USUAL.do]


def test_a_retired_line_is_not_for_use() -> None:
    assert said(facts(events=[event(100)], services=[service(200, "retire")])) == ["not for use"]


@pytest.mark.parametrize(
    ("rigged_h", "observed_h", "words"),
    [
        (10, 5, None),
        (10, 4, "observed 40.0 % of the 10.0 h rigged"),
        (10, 0, "rigged 10.0 h and never observed"),
        (0, 0, "not rigged"),
    ],
)
def test_little_coverage_is_said(rigged_h: int, observed_h: int, words: str | None) -> None:
    found = [
        advice
        for advice in advise(facts(rigged_us=rigged_h * H_US, observed_us=observed_h * H_US))
        if advice.do.startswith("unobserved: ")
    ]
    assert len(found) == (0 if words is None else 1)
    assert all(words is not None and words in advice.because for advice in found)


def test_a_used_up_curve_asks_to_take_the_line_out_of_use() -> None:
    assert said(facts(used=Decimal("0.999"))) == [USUAL.do]
    [do] = said(facts(used=Decimal(1)))
    assert do.startswith("take out of use")


def test_an_unknown_opening_is_said() -> None:
    [advice] = advise(facts(opening_known=False))
    assert "not counted" in advice.because


line_facts = st.builds(
    LineFacts,
    events=st.lists(
        st.builds(event, st.integers(0, 10**6), st.sampled_from([*CALL_FOR_INSPECTION, "other"])), max_size=3
    ),
    services=st.lists(
        st.builds(service, st.integers(0, 10**6), st.sampled_from(["inspection", "crop", "retire"])),
        max_size=3,
    ),
    rigged_us=st.integers(0, 10**12),
    observed_us=st.integers(0, 10**12),
    used=st.decimals(0, 3, places=4),
    basis=st.just("severity index"),
    opening_known=st.booleans(),
)


@given(line_facts)
def test_every_line_gets_advice_with_a_reason_and_none_to_keep_it(line: LineFacts) -> None:
    advice = advise(line)
    assert advice != []
    known = {rule.do for rule in RULES} | {USUAL.do}
    for one in advice:
        assert one.do in known
        assert one.because != ""
        for word in ("keep", "longer", "safe", "sound", "fit ", "no action"):
            assert word not in f"{one.do} {one.because}"


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
    assert found["L1"]["advice_list"][0]["do"] == "inspect before use"


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
    assert "take out of use" in found["advice"]
