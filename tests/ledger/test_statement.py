"""A line's account: figures exact, what they rest on said, what is not known never zero."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import RegisterError, StoreError
from pipeline.ledger.account import rigged_us, seconds, shown
from pipeline.ledger.basis import unsourced
from pipeline.ledger.database import open_ledger, open_published
from pipeline.ledger.publish import publish
from pipeline.ledger.queries import answer_text
from pipeline.ledger.statement import statement
from schemas.registers import Rigging
from schemas.specs import PUBLISHED
from schemas.times import rfc3339_us
from tests.ledger import makers

H_US = 3_600_000_000
NEXT = date(2026, 3, 3)

NOT_RECKONED = {"creep": None, "abrasion": None}


def registers(**changes: tuple[bytes, bytes]) -> Mapping[str, bytes]:
    """The registers with one text replaced in a file (named with _ for . and /)."""
    changed = dict(makers.REGISTERS)
    for name, (old, new) in changes.items():
        file = {"spec": "specs/rope-44.toml", "rigging": "rigging.csv", "lines": "lines.csv"}[name]
        assert old in changed[file]
        changed[file] = changed[file].replace(old, new)
    return changed


CALIBRATED = (b'source = "invented for the demo"', b'source = "laboratory report 12"\ncalibrated = true')


def state_of(site: Path, line: str, *, history: bool = False, **rows: Any) -> dict[str, Any]:
    """Commit these rows, and the statement of a line thereafter."""
    makers.commit(site, **rows)
    with open_ledger(site) as ledger:
        return statement(ledger, line, history=history)


def test_consumed_life_is_the_exact_sum_of_live_entries_by_zone(site: Path) -> None:
    found = state_of(
        site,
        "L1",
        entries=[
            makers.entry("E1-1", "L1", "0.100000000000000000000000000001"),
            makers.entry("E1-2", "L1", "0.200000000000000000000000000002", day=NEXT),
            makers.entry("E1-3", "L1", "0.5", zone="b"),
            makers.entry("E1-4", "L2", "0.7"),
            makers.entry("E1-5", "L1", "-0.5", zone="b", kind="reversal", reverses="E1-3"),
            makers.entry("E1-6", "L1", "12345678.4", zone="b", reason="spec changed"),
        ],
    )
    a, b = Decimal("0.300000000000000000000000000003"), Decimal("12345678.4")
    assert found["consumed"] == {
        "zones": {"a": {"fatigue": a, **NOT_RECKONED, "total": a}, "b": {"fatigue": b, **NOT_RECKONED, "total": b}},
        "worst": "b",
    }
    assert [entry["entry"] for entry in found["entries"]] == ["E1-1", "E1-6", "E1-2"]
    assert '"total": 0.300000000000000000000000000003' in answer_text(found)


def test_a_line_without_entries_has_consumed_nothing_that_is_posted(site: Path) -> None:
    found = state_of(site, "L3")
    assert found["consumed"]["zones"]["a"] == {"fatigue": 0, **NOT_RECKONED, "total": 0}
    assert found["coverage"] == {"rigged_s": 0, "observed_s": 0}
    assert found["opening"] == "unknown"
    assert found["entries"] == found["unposted"] == []


def test_pending_is_the_latest_residue_as_half_cycles(site: Path) -> None:
    found = state_of(
        site,
        "L1",
        states=[
            makers.state("L1", residue_kn=[0.0, 900.0]),
            makers.state("L1", day=NEXT, residue_kn=[0.0, 100.0, 50.0]),
            makers.state("L1", zone="b", residue_kn=[], residue_us=[]),
        ],
    )
    # By hand from the definition: ranges 100 and 50 of 1000 kN, N = 10^3 * R^-2, each a half cycle.
    by_hand = (0.1**2 / 1000 + 0.05**2 / 1000) / 2
    assert float(found["pending"]["zones"]["a"]) == pytest.approx(by_hand, rel=1e-12)
    assert found["pending"]["zones"]["b"] == 0


def test_coverage_is_time_rigged_up_to_the_horizon_and_time_observed_by_live_sheets(site: Path) -> None:
    rows: dict[str, Any] = {
        "parts": [makers.part("p", last_us=rfc3339_us("2026-03-02T05:00:00Z") + 250_000)],
        "sheets": [
            makers.sheet("s1", observed_us=2 * H_US),
            makers.sheet("s2", observed_us=H_US + 500_000),
            makers.sheet("s3", observed_us=9 * H_US),
            makers.sheet("s3", observed_us=9 * H_US, op="drop"),
            makers.sheet("other", observed_us=7 * H_US),
        ],
        "states": [
            makers.state("L1", sheets=["s1", "s2"]),
            makers.state("L1", day=NEXT, sheets=["s1"]),
            makers.state("L2", zone="b", sheets=["s1"]),
        ],
    }
    found = state_of(site, "L1", **rows)
    assert found["coverage"] == {"rigged_s": Decimal("18000.25"), "observed_s": Decimal("10800.5")}
    assert found["until"] == "2026-03-02T05:00:00.25Z"
    with open_ledger(site) as ledger:
        assert statement(ledger, "L2")["coverage"] == {"rigged_s": Decimal("18000.25"), "observed_s": 7200}
    makers.commit(site, through=makers.DAY)
    with open_ledger(site) as ledger:
        assert statement(ledger, "L1")["coverage"]["rigged_s"] == 24 * 3600
        assert statement(ledger, "L2")["coverage"]["rigged_s"] == 6 * 3600


def test_time_rigged_is_never_negative_and_adds_up_over_riggings() -> None:
    def rigging(start: str, end: str | None) -> Rigging:
        row = {"line": "L", "channel": "c", "from": start, "to": end, "outboard_end": "a", "share_pct": 100}
        return Rigging.model_validate(row)

    rows = [
        rigging("2026-03-01T00:00:00Z", "2026-03-01T01:00:00Z"),
        rigging("2026-03-01T02:00:00Z", "2026-03-01T09:00:00Z"),
        rigging("2026-03-02T00:00:00Z", None),
    ]
    assert rigged_us(rows, rfc3339_us("2026-03-01T03:00:00Z")) == 2 * H_US
    assert rigged_us(rows, rfc3339_us("2026-03-02T03:00:00Z")) == 11 * H_US
    assert rigged_us(rows, None) == 0


def test_days_not_posted_yet_are_listed_with_what_they_will_take(site: Path) -> None:
    found = state_of(
        site,
        "L1",
        states=[
            makers.state("L1", life_units=str(2**99), postable=True),
            makers.state("L1", day=NEXT, life_units=str(2**98), postable=False),
        ],
    )
    assert found["unposted"] == [{"zone": "a", "day": "2026-03-03", "mechanism": "fatigue", "life": Decimal("0.25")}]


def test_the_opening_is_unknown_unless_a_register_gives_it_with_its_source(site: Path) -> None:
    found = state_of(site, "L1", entries=[makers.entry("E1-1", "L2", "0.25")])
    assert (found["opening"], found["closing"]) == ("unknown", "unknown")
    with open_ledger(site) as ledger:
        found = statement(ledger, "L2")
    assert found["opening"] == {"life": Decimal("0.125"), "source": "condition report 3"}
    assert found["closing"] == {"zones": {"a": Decimal("0.375"), "b": Decimal("0.125")}}


def test_a_figure_on_invented_constants_is_a_severity_index_and_says_why(site: Path) -> None:
    found = state_of(site, "L1")
    assert found["basis"] == "severity index"
    assert found["basis_reasons"] == [
        'the fatigue curve of spec rope-44 says of its source: "invented for the demo"',
        "the fatigue curve of spec rope-44 is not marked calibrated",
    ]


def test_a_calibrated_curve_with_a_source_and_measured_shares_gives_life(site: Path) -> None:
    found = state_of(site, "L1", registers=registers(spec=CALIBRATED))
    assert (found["basis"], found["basis_reasons"]) == ("life used (calibrated)", [])


def test_creep_that_is_reckoned_and_not_posted_yet_is_not_told_as_without_constants(site: Path) -> None:
    creep = (
        b"[creep]\nlog10_tau0_s = -13.0\nu0_kj_mol = 129.0\ngamma_kj_mol = 54.0\nfloor = 0.05\n"
        b'fitted_load = [0.05, 0.7]\nfitted_c = [-5.0, 60.0]\nsource = "invented for the test"\n'
    )
    spec = makers.REGISTERS["specs/rope-44.toml"]
    bare = state_of(site, "L1", registers=dict(makers.REGISTERS), entries=[makers.entry("E1-1", "L1", "0.1")])
    assert "the spec has no creep constants" in bare["together"]
    given = state_of(site, "L1", registers=dict(makers.REGISTERS) | {"specs/rope-44.toml": spec + creep})
    assert given["together"].startswith("Outboard length: fatigue, and creep under sustained load")


def test_a_published_curve_is_reference_only_and_makes_a_severity_index(site: Path) -> None:
    curve = makers.REGISTERS["specs/rope-44.toml"].split(b"[fatigue]")[1]
    changed = registers(spec=(curve, b'\npublished = "api-2sm-polyester"\ncalibrated = true\n'))
    found = state_of(site, "L1", registers=changed)
    assert found["basis"] == "severity index"
    assert found["basis_reasons"] == [
        f'the fatigue curve of spec rope-44 says of its source: "{PUBLISHED["api-2sm-polyester"].source}"'
    ]


def test_a_channel_without_a_calibration_makes_a_severity_index(site: Path) -> None:
    changed = dict(registers(spec=CALIBRATED))
    changed["calibrations.csv"] = b"channel,from,zero_kn,gain\nhook-2-tension,2026-01-01T00:00:00Z,0,1\n"
    found = state_of(site, "L1", registers=changed)
    assert found["basis"] == "severity index"
    assert found["basis_reasons"] == ["no calibration of hook-1-tension is registered"]


def test_an_assumed_share_makes_a_severity_index_of_the_line_that_has_it(site: Path) -> None:
    changed = dict(registers(spec=CALIBRATED))
    changed["rigging.csv"] = (
        b"line,channel,from,to,outboard_end,share_pct,share_basis\n"
        b"L1,hook-1-tension,2026-03-02T00:00:00Z,,a,50,assumed\n"
        b"L2,hook-2-tension,2026-03-02T00:00:00Z,,b,100,measured\n"
    )
    found = state_of(site, "L1", registers=changed)
    assert found["basis"] == "severity index"
    assert found["basis_reasons"] == ["its share of hook-1-tension from 2026-03-02T00:00:00Z is assumed (50 %)"]
    with open_ledger(site) as ledger:
        assert statement(ledger, "L2")["basis"] == "life used (calibrated)"


def test_an_invented_opening_makes_a_severity_index(site: Path) -> None:
    changed = registers(spec=CALIBRATED, lines=(b"condition report 3", b"borrowed from a sister line"))
    found = state_of(site, "L2", registers=changed)
    assert found["basis_reasons"] == ['the opening life says of its source: "borrowed from a sister line"']


@pytest.mark.parametrize(
    ("source", "words"),
    [
        (None, "has no source"),
        (" ", "has no source"),
        ("Invented", 'says of its source: "Invented"'),
        ("a standard (Reference only)", 'says of its source: "a standard (Reference only)"'),
        ("maker's report 4", None),
    ],
)
def test_a_source_that_is_none_is_said(source: str | None, words: str | None) -> None:
    assert unsourced(source) == words


def test_a_factor_on_life_is_applied_where_shown_and_shown(site: Path) -> None:
    changed = registers(spec=(b"m = 2.0\n", b"m = 2.0\nfactor = 1.5\n"))
    rows: dict[str, Any] = {
        "entries": [makers.entry("E1-1", "L1", "0.2")],
        "states": [makers.state("L1", life_units=str(2**98), postable=False)],
    }
    found = state_of(site, "L1", registers=changed, **rows)
    assert found["factor"] == 1.5
    assert found["consumed"]["zones"]["a"]["total"] == Decimal("0.3")
    assert found["unposted"][0]["life"] == Decimal("0.375")
    assert float(found["pending"]["zones"]["a"]) == pytest.approx(1.5 * 0.1**2 / 1000 / 2, rel=1e-12)
    assert found["entries"][0]["life"] == Decimal("0.2")


def test_a_factor_rounds_half_even_to_thirty_places_and_a_factor_of_one_does_not_round() -> None:
    assert shown(Decimal("0.000000000000000000000000000003"), 1.5) == Decimal("4E-30")
    assert shown(Decimal("0.000000000000000000000000000001"), 1.5) == Decimal("2E-30")
    assert shown(Decimal("12345678.123456789012345678901234567891"), 1.0) == Decimal(
        "12345678.123456789012345678901234567891"
    )


def test_history_holds_every_entry_and_its_reason(site: Path) -> None:
    makers.commit(site, entries=[makers.entry("E1-1", "L1", "0.1")])
    found = state_of(
        site,
        "L1",
        history=True,
        entries=[
            makers.entry("E2-1", "L1", "-0.1", kind="reversal", reverses="E1-1", reason="rigging changed"),
            makers.entry("E2-2", "L1", "0.2", reason="rigging changed"),
        ],
    )
    assert [(e["entry"], e["run"], e["kind"], e["reverses"], e["reason"]) for e in found["entries"]] == [
        ("E1-1", 1, "posting", None, "posted"),
        ("E2-1", 2, "reversal", "E1-1", "rigging changed"),
        ("E2-2", 2, "posting", None, "rigging changed"),
    ]
    with open_ledger(site) as ledger:
        [live] = statement(ledger, "L1")["entries"]
    assert live["entry"] == "E2-2"
    assert {"line", "zone", "day", "mechanism", "life", "run", "spec", "spec_digest", "sheets"} <= live.keys()


def test_a_line_nobody_registered_is_refused_with_the_nearest_name(site: Path) -> None:
    makers.commit(site)
    with open_ledger(site) as ledger, pytest.raises(RegisterError, match="did you mean L1"):
        statement(ledger, "l1")


def test_a_statement_names_the_head_of_the_chain(site: Path) -> None:
    first = makers.commit(site)
    with open_ledger(site) as ledger:
        run = statement(ledger, "L1")["run"]
    assert run == {"run": 1, "run_id": first.run_id, "manifest_sha256": first.sha256}


def test_before_the_first_run_there_is_no_account(site: Path) -> None:
    with open_ledger(site) as ledger, pytest.raises(StoreError, match="no run has committed"):
        statement(ledger, "L1")


def test_the_registers_of_the_last_run_hold_and_not_those_edited_since(site: Path) -> None:
    makers.commit(site, entries=[makers.entry("E1-1", "L1", "0.2")])
    (site / "lines.csv").write_text("edited and broken since")
    with open_ledger(site) as ledger:
        assert statement(ledger, "L1")["spec"] == "rope-44"


def test_the_published_snapshot_gives_the_same_statement(site: Path) -> None:
    makers.commit(
        site,
        entries=[makers.entry("E1-1", "L1", "0.1")],
        states=[makers.state("L1", residue_kn=[0.0, 333.3])],
        parts=[makers.part("p")],
    )
    with open_ledger(site) as ledger:
        publish(ledger)
        own = answer_text(statement(ledger, "L1"))
    with open_published(site) as reader:
        assert answer_text(statement(reader, "L1")) == own


def test_an_answer_is_json_with_a_version_and_exact_numbers(site: Path) -> None:
    text = answer_text(state_of(site, "L1", entries=[makers.entry("E1-1", "L1", "0.000000000000000000000000000001")]))
    parsed = json.loads(text, parse_float=Decimal)
    assert parsed["version"] == 1
    assert parsed["consumed"]["zones"]["a"]["total"] == Decimal("1E-30")
    assert parsed["entries"][0]["life"] == Decimal("1E-30")


def test_every_statement_carries_the_caution_and_what_is_not_modelled(site: Path) -> None:
    found = state_of(site, "L1")
    for words in (
        "never replaces",
        "snap-back zone",
        "to keep a line longer",
        "inspected before it is used again",
    ):
        assert words in found["caution"]
    for wear in (
        "cuts",
        "twist",
        "compression",
        "eyes and splices",
        "drum burying",
        "UV",
        "chemicals",
        "how fatigue and abrasion act together where they meet",
    ):
        assert wear in found["not_modelled"]


def test_seconds_are_exact() -> None:
    assert seconds(3_000_000) == 3
    assert seconds(1) == Decimal("0.000001")
    assert str(seconds(1_500_000)) == "1.5"
