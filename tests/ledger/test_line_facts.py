"""What advice looks at: only what is of the line, still stands, and has really been done."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pipeline.ledger.database import open_ledger
from pipeline.ledger.statement import statement
from pipeline.ledger.status import status
from schemas.times import rfc3339_us
from tests.ledger import makers

H_US = 3_600_000_000
LATER = rfc3339_us("2026-03-05T00:00:00Z")
OBSERVED: dict[str, Any] = {
    "parts": [makers.part("p", last_us=rfc3339_us("2026-03-02T06:00:00Z"))],
    "sheets": [makers.sheet("s1", observed_us=6 * H_US), makers.sheet("s2", observed_us=6 * H_US)],
    "states": [
        makers.state("L1", sheets=["s1"], residue_kn=[0.0, 10.0]),
        makers.state("L2", zone="b", sheets=["s2"], residue_kn=[0.0, 10.0]),
    ],
}


def advised(
    site: Path, registers: dict[str, bytes] | None = None, line: str = "L1", **rows: Any
) -> list[tuple[str, str]]:
    """What is said of a line after a run on 5 March: (rule, because)."""
    makers.commit(site, registers=dict(makers.REGISTERS) | (registers or {}), started_us=LATER, **(OBSERVED | rows))
    with open_ledger(site) as ledger:
        [found] = [row for row in status(ledger)["lines"] if row["line"] == line]
    return [(said["rule"], said["because"]) for said in found["advice_list"]]


def rules(*given: Any, **rows: Any) -> list[str]:
    return [rule for rule, _ in advised(*given, **rows)]


def test_a_calm_line_gets_exactly_the_words_that_no_rule_triggered(site: Path) -> None:
    assert rules(site) == ["none"]
    with open_ledger(site) as ledger:
        found = {row["line"]: row["advice"] for row in status(ledger)["lines"]}
    assert found["L1"] == "no rule triggered; not a finding of fitness"


DAY_SCOPE = "day:hook-1:2026-03-02"


@pytest.mark.parametrize(
    ("changes", "asks"),
    [
        ({"kind": "flat-line", "subject": "hook-1-tension", "scope": DAY_SCOPE}, True),
        ({"kind": "conflict", "subject": "hook-1-tension", "scope": DAY_SCOPE}, True),
        ({"kind": "spike", "subject": "hook-1-tension", "scope": DAY_SCOPE, "severity": "info"}, False),
        ({"kind": "flat-line", "subject": "hook-2-tension", "scope": "day:hook-2:2026-03-02"}, False),
        ({"kind": "flat-line", "subject": "hook-1-tension", "scope": "day:hook-1:2026-03-01"}, False),
        ({"kind": "silent-channel", "subject": "hook-1-tension", "scope": "site"}, True),
        ({"kind": "silent-channel", "subject": "hook-2-tension", "scope": "site"}, False),
        ({"kind": "silent-site", "subject": "cold-quay", "scope": "site"}, True),
        ({"kind": "quarantine", "subject": "hooks_1.csv", "scope": "file:00"}, False),
    ],
)
def test_findings_count_where_the_line_lay_on_that_sensor(site: Path, changes: dict[str, Any], asks: bool) -> None:
    found = advised(site, findings=[makers.finding("f", **changes)])
    assert ([rule for rule, _ in found] == ["check-sensor"]) is asks
    assert not asks or changes["kind"] in found[0][1]


def test_a_line_let_go_does_not_answer_for_a_channel_that_falls_silent_later(site: Path) -> None:
    silent = makers.finding("f", kind="silent-channel", subject="hook-2-tension", scope="site")
    assert rules(site, None, "L2", findings=[silent]) == ["none"]


@pytest.mark.parametrize(
    ("since", "asks"),
    [("2026-03-03T00:00:00Z", False), ("2026-03-02T12:00:00Z", True), ("2026-03-09T00:00:00Z", True)],
)
def test_a_calibration_after_the_day_answers_its_findings_and_clipped_peaks(site: Path, since: str, asks: bool) -> None:
    calibrated = makers.REGISTERS["calibrations.csv"] + f"hook-1-tension,{since},0,1\n".encode()
    finding = makers.finding("f", kind="clipped", subject="hook-1-tension", scope=DAY_SCOPE)
    event = makers.event("e1", "L1", payload='{"peak_at_least":true}')
    found = rules(site, {"calibrations.csv": calibrated}, findings=[finding], events=[event])
    assert found == ["inspect-before-reuse", *(["check-sensor"] * 2 if asks else [])]


WINCHES = b"place,brake_set_kn,set_on,layer,reeling,barrel_mm,rope_mm\n"


@pytest.mark.parametrize(
    ("set_on", "asks"), [("2026-03-01", True), ("2026-03-03", False), ("2026-03-09", True), ("", True)]
)
def test_a_brake_set_anew_after_it_rendered_is_not_asked_for_again(site: Path, set_on: str, asks: bool) -> None:
    event = makers.event(
        "e1", "L1", kind="brake-render", payload='{"verdict":"early","breakout_kn":400.0,"brake_set_kn":780.0}'
    )
    found = rules(site, {"winches.csv": WINCHES + f"hook-1,780,{set_on},1,right,704,44\n".encode()}, events=[event])
    assert ("check-brake" in found) is asks
    assert "inspect-before-reuse" in found


@pytest.mark.parametrize(("set_on", "asks"), [("2026-03-01", True), ("2026-03-03", False)])
def test_a_brake_set_anew_after_it_held_is_not_asked_for_again(site: Path, set_on: str, asks: bool) -> None:
    payload = '{"held_pct_of_set":115.0,"brake_set_kn":780.0,"measured_at":"drum"}'
    event = makers.event("e1", "L1", kind="brake-held", payload=payload)
    found = rules(site, {"winches.csv": WINCHES + f"hook-1,780,{set_on},1,right,704,44\n".encode()}, events=[event])
    assert ("check-brake" in found) is asks


def test_a_tail_shares_the_event_of_its_main_line_but_not_its_brake(site: Path) -> None:
    payload = '{"verdict":null,"tails":[{"line":"L3","peak_pct":70.0,"peak_pct_of":"break force"}]}'
    event = makers.event("e1", "L1", kind="brake-render", payload=payload)
    assert rules(site, events=[event]) == ["inspect-before-reuse", "check-brake"]
    with open_ledger(site) as ledger:
        found = {row["line"]: row["advice_list"] for row in status(ledger)["lines"]}
    assert [said["rule"] for said in found["L3"]] == ["inspect-before-reuse"]


STRENGTH = b'[strength_left]\nexponent = 1.0\nat_end = 0.5\nsource = "invented for the test"\n'


def strong(mbl: float) -> dict[str, bytes]:
    """A spec of 1000 kN that loses half of it over its life in a straight line; a ship with that design MBL."""
    return {
        "specs/rope-44.toml": makers.REGISTERS["specs/rope-44.toml"] + STRENGTH,
        "ships.csv": f"ship,design_mbl_kn,source\nship-one,{mbl:g},certificate 7\n".encode(),
    }


@pytest.mark.parametrize(("mbl", "retire"), [(1066.0, False), (1068.0, True)])
def test_strength_left_is_held_against_the_retirement_line(site: Path, mbl: float, retire: bool) -> None:
    # By hand: 0.4 used leaves 1000 * (1 - 0.5 * 0.4) = 800 kN; 75 % of 1066 is 799.5, of 1068 801 kN.
    rows: dict[str, Any] = {"states": [makers.state("L1", sheets=["s1"], residue_kn=[0.0])]}
    found = advised(site, strong(mbl), entries=[makers.entry("E1-1", "L1", "0.4")], **rows)
    assert ([rule for rule, _ in found] == ["retire"]) is retire
    assert not retire or "800 kN" in found[0][1]


@pytest.mark.parametrize(("life", "retire"), [("0.49", False), ("0.51", True)])
def test_where_ship_design_mbl_is_unknown_the_retirement_line_is_of_break_force_and_says_so(
    site: Path, life: str, retire: bool
) -> None:
    # By hand: 0.49 leaves 755 kN of 1000 kN, 0.51 745 kN; 75 % of break force is 750 kN (DESIGN: limits are of break
    # force only where ship design MBL is unknown).
    registers = strong(1300) | {"ships.csv": b"ship,design_mbl_kn,source\nship-one,,\n"}
    rows: dict[str, Any] = {"states": [makers.state("L1", sheets=["s1"], residue_kn=[0.0])]}
    found = advised(site, registers, entries=[makers.entry("E1-1", "L1", life)], **rows)
    assert ("retire" in [rule for rule, _ in found]) is retire
    with open_ledger(site) as ledger:
        strength = statement(ledger, "L1")["strength"]
    assert strength["retirement_kn"] == 750.0
    assert strength["retirement_of"] == "75 % of break force 1000 kN, as ship design MBL is unknown"
    assert not retire or strength["retirement_of"] in found[0][1]


@pytest.mark.parametrize(
    ("broke", "at", "line", "retire"),
    [
        ("974.9", "2026-03-04", "L1", True),
        ("975", "2026-03-04", "L1", False),
        ("974.9", "2026-03-09", "L1", False),
        ("974.9", "2026-03-04", "L2", False),
    ],
)
def test_a_break_test_below_the_retirement_line_retires_the_line_whatever_its_figure(
    site: Path, broke: str, at: str, line: str, retire: bool
) -> None:
    # 75 % of the ship design MBL of 1300 kN is 975 kN; a test that is only to come tells nothing.
    tests = f"line,zone,at,position_m,condition,break_kn,laboratory\n{line},b,{at},3,wet,{broke},dry dock\n"
    found = advised(site, {"strength_tests.csv": tests.encode()})
    assert ([rule for rule, _ in found] == ["retire"]) is retire
    assert not retire or "a piece of zone b broke at 974.9 kN in the test of 2026-03-04T00:00:00Z" in found[0][1]


OWN = (b'source = "invented for the demo"', b'source = "laboratory report 12"\ncalibrated = true')


LABORATORY = STRENGTH.replace(b"invented for the test", b"laboratory report 13")


@pytest.mark.parametrize(
    ("strength", "basis"),
    [
        (STRENGTH, "severity index"),
        (LABORATORY, "severity index"),
        (LABORATORY + b"calibrated = true\n", "life used (calibrated)"),
    ],
)
def test_strength_left_is_called_by_its_own_constants_and_not_by_those_of_life_alone(
    site: Path, strength: bytes, basis: str
) -> None:
    spec = makers.REGISTERS["specs/rope-44.toml"].replace(*OWN) + strength
    rows: dict[str, Any] = {"states": [makers.state("L1", sheets=["s1"], residue_kn=[0.0])]}
    found = advised(site, {"specs/rope-44.toml": spec}, entries=[makers.entry("E1-1", "L1", "0.9")], **rows)
    with open_ledger(site) as ledger:
        told = statement(ledger, "L1")
    assert told["basis"] == "life used (calibrated)"
    assert told["strength"]["basis"] == basis
    assert f"strength left 550 kN ({basis}," in found[0][1]


BENT = b'[bending]\nratio = [5.0, 10.0]\nstrength = [0.5, 0.8]\nsource = "invented for the test"\n'


def test_a_peak_at_the_instant_of_another_rigging_is_held_against_its_bend(site: Path) -> None:
    registers = strong(1300) | {
        "specs/rope-44.toml": makers.REGISTERS["specs/rope-44.toml"] + STRENGTH + BENT,
        "rigging.csv": (
            b"line,channel,from,to,outboard_end,share_pct,bend_ratio\n"
            b"L1,hook-1-tension,2026-03-02T00:00:00Z,2026-03-02T12:00:00Z,a,100,10\n"
            b"L1,hook-1-tension,2026-03-02T12:00:00Z,,a,100,5\n"
        ),
    }
    rows: dict[str, Any] = {
        "states": [makers.state("L1", sheets=["s1"], residue_kn=[0.0])],
        "wear_days": [wear(300.0, makers.NOON_US)],
    }
    # By hand: 300 kN is 60 % of 500 kN over the bend of the rigging that begins then, 37.5 % of 800 over the other's.
    assert rules(site, registers, **rows) == ["inspect-before-reuse"]


def wear(peak_kn: float, at_us: int, **facts: Any) -> dict[str, Any]:
    from pipeline.manifest import canonical_json

    return makers.wear_day("L1", facts=canonical_json({"peak_kn": peak_kn, "peak_us": at_us, **facts}))


@pytest.mark.parametrize(
    ("peak_kn", "services", "asks"),
    [
        (500.1, b"", True),
        (499.0, b"", False),
        (500.1, b"L1,2026-03-04T00:00:00Z,inspection,\n", False),
        (500.1, b"L1,2026-03-09T00:00:00Z,inspection,\n", True),
    ],
)
def test_a_peak_near_the_strength_left_since_the_last_inspection_counts(
    site: Path, peak_kn: float, services: bytes, asks: bool
) -> None:
    rows: dict[str, Any] = {
        "states": [makers.state("L1", sheets=["s1"], residue_kn=[0.0])],
        "wear_days": [wear(peak_kn, makers.NOON_US)],
    }
    registers = strong(1300) | {"services.csv": b"line,at,action,detail\n" + services}
    assert (rules(site, registers, **rows) == ["inspect-before-reuse"]) is asks


def test_heat_alone_gives_no_advice(site: Path) -> None:
    rows: dict[str, Any] = {
        "states": [makers.state("L1", sheets=["s1"], residue_kn=[0.0])],
        "wear_days": [wear(10.0, makers.NOON_US, core_c=500.0)],
    }
    assert rules(site, strong(1300), **rows) == ["none"]


def abraded(site: Path, services: bytes, outboard: bytes, worn: str = "0.6") -> dict[str, Any]:
    """L1 with so much of its contact band used on the day, and then these services; its statement."""
    registers = dict(makers.REGISTERS) | {
        "services.csv": b"line,at,action,detail\n" + services,
        "rigging.csv": (
            b"line,channel,from,to,outboard_end,share_pct,outboard_m\n"
            b"L1,hook-1-tension,2026-03-02T00:00:00Z,2026-03-02T20:00:00Z,a,100," + outboard + b"\n"
        ),
    }
    entries = [
        makers.entry("E1-1", "L1", "0.1"),
        makers.entry("E1-2", "L1", "0.2", mechanism="creep"),
        makers.entry("E1-3", "L1", worn, mechanism="abrasion"),
    ]
    makers.commit(site, registers=registers, started_us=LATER, **OBSERVED, entries=entries)
    with open_ledger(site) as ledger:
        found = statement(ledger, "L1")
        [row] = [row for row in status(ledger)["lines"] if row["line"] == "L1"]
    found["rules"] = [said["rule"] for said in row["advice_list"]]
    return found


def contacts(found: dict[str, Any]) -> list[tuple[Any, ...]]:
    return [
        (piece["position_m"], None if piece["life"] is None else float(piece["life"]), piece["note"])
        for piece in found["bands"]
        if (piece["zone"], piece["where"]) == ("a", "contact band")
    ]


def test_a_contact_band_that_nothing_has_worn_is_not_called_cut_off(site: Path) -> None:
    assert contacts(abraded(site, b"", b"8", worn="0")) == [(None, None, "reckoned, and no abrasion counted")]


def test_a_crop_takes_the_contact_band_and_leaves_what_the_free_length_used(site: Path) -> None:
    found = abraded(site, b"", b"8")
    assert contacts(found) == [(8.0, 0.6, "")]
    assert float(found["consumed"]["zones"]["a"]["total"]) == 0.6
    assert found["rules"] == ["crop", "end-for-end"]


@pytest.mark.parametrize(
    ("service", "outboard", "left", "total"),
    [
        (
            b'L1,2026-03-03T00:00:00Z,crop,"zone a, 12 m"\n',
            b"8",
            [(None, None, "no worn band is left on the rope")],
            0.3,
        ),
        (b'L1,2026-03-03T00:00:00Z,crop,"zone b, 12 m"\n', b"8", [(8.0, 0.6, "")], 0.6),
        (b'L1,2026-03-03T00:00:00Z,crop,"zone a, 5 m"\n', b"8", [(3.0, 0.6, "")], 0.6),
        (b"L1,2026-03-03T00:00:00Z,crop,twelve metres\n", b"8", [(8.0, 0.6, "")], 0.6),
        (b'L1,2026-03-09T00:00:00Z,crop,"zone a, 12 m"\n', b"8", [(8.0, 0.6, "")], 0.6),
        (
            b'L1,2026-03-03T00:00:00Z,crop,"zone a, 12 m"\n',
            b"",
            [(None, 0.6, "its place is not known (no outboard_m): it counts as still there")],
            0.6,
        ),
    ],
)
def test_only_a_crop_that_was_done_and_took_the_band_changes_the_zone(
    site: Path, service: bytes, outboard: bytes, left: list[tuple[Any, ...]], total: float
) -> None:
    found = abraded(site, service, outboard)
    assert contacts(found) == left
    zone = found["consumed"]["zones"]["a"]
    assert float(zone["total"]) == pytest.approx(total, rel=1e-12)
    # Creep and fatigue of the free length, and what was posted of abrasion, stay as they were.
    assert [float(zone[name]) for name in ("fatigue", "creep", "abrasion")] == [0.1, 0.2, 0.6]
    assert ("crop" in found["rules"]) is (total == 0.6)


def test_the_pieces_of_an_end_are_told_from_the_eye_inwards(site: Path) -> None:
    pieces = [piece for piece in abraded(site, b"", b"8")["bands"] if piece["zone"] == "a"]
    assert [piece["where"] for piece in pieces] == ["eye", "outboard length", "contact band", "rest"]
    assert [piece["note"] for piece in pieces] == ["not modelled", "", "", "not modelled"]
    assert [piece["from"] for piece in pieces] == [None, None, "2026-03-02", None]
