"""Calls, mooring hours, age and limits stand beside every figure, and what no record holds is counted."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from pipeline.ledger.database import open_ledger
from pipeline.ledger.service import Call, calls
from pipeline.ledger.statement import statement
from pipeline.ledger.status import status
from schemas.registers import Limits, Rigging
from schemas.times import rfc3339_us
from tests.ledger import makers

FAR = rfc3339_us("2027-01-01T00:00:00Z")
AT = {n: f"2026-03-0{n}T00:00:00Z" for n in range(1, 9)}


def rigging(line: str, start: int, stop: int | None) -> Rigging:
    row = {"line": line, "channel": "c", "from": AT[start], "to": None if stop is None else AT[stop]}
    return Rigging.model_validate(row | {"outboard_end": "a", "share_pct": 100})


def us(day: int) -> int:
    return rfc3339_us(AT[day])


def test_a_call_is_from_the_first_line_ashore_to_the_last_let_go_of_one_ship() -> None:
    ships = {"A1": "A", "A2": "A", "B1": "B"}
    rows = [rigging("A1", 1, 3), rigging("A2", 2, 4), rigging("B1", 2, 3), rigging("A1", 4, 5), rigging("A2", 6, None)]
    assert calls(rows, ships, FAR) == [
        Call("A", us(1), us(5)),  # what touches is one call
        Call("A", us(6), None),
        Call("B", us(2), us(3)),
    ]


def test_a_line_still_rigged_holds_the_call_open_and_what_lies_after_the_records_is_none() -> None:
    ships = {"A1": "A", "A2": "A"}
    rows = [rigging("A1", 1, None), rigging("A2", 2, 3), rigging("A2", 5, 6)]
    assert calls(rows, ships, FAR) == [Call("A", us(1), None)]
    assert calls(rows[1:], ships, us(4)) == [Call("A", us(2), us(3))]
    assert calls(rows, ships, None) == []


REGISTERS = dict(makers.REGISTERS) | {
    "rigging.csv": (
        b"line,channel,from,to,outboard_end,share_pct\n"
        b"L1,hook-1-tension,2026-03-02T00:00:00Z,2026-03-02T06:00:00Z,a,100\n"
        b"L2,hook-2-tension,2026-03-02T00:00:00Z,2026-03-02T08:00:00Z,b,100\n"
        b"L1,hook-1-tension,2026-03-02T07:00:00Z,2026-03-02T08:00:00Z,a,100\n"
        b"L1,hook-1-tension,2026-03-02T10:00:00Z,2026-03-02T11:00:00Z,a,100\n"
    )
}
ROWS: dict[str, Any] = {
    "parts": [makers.part("p", last_us=rfc3339_us("2026-03-02T23:00:00Z"))],
    "sheets": [makers.sheet("s1", observed_us=5 * 3_600_000_000)],
    "states": [makers.state("L1", sheets=["s1"])],
}


def served(site: Path, line: str, registers: dict[str, bytes] = REGISTERS) -> dict[str, Any]:
    makers.commit(site, registers=registers, **ROWS)
    with open_ledger(site) as ledger:
        found: dict[str, Any] = statement(ledger, line)["service"]
        rows = {row["line"]: row["service"] for row in status(ledger)["lines"]}
    assert rows[line] == found  # the same stands beside both figures
    return found


def test_calls_hours_and_age_are_counted(site: Path) -> None:
    found = served(site, "L1")
    # By hand: the first call lasts to 08:00, for L2 stays; L1 is rigged 6 + 1 + 1 h. The newest run is of 2 March,
    # whose records reach to 23:00; in service since 1 January: 60 days and 23 h.
    assert (found["calls"], found["mooring_h"]) == (2, 8.0)
    assert found["age_years"] == pytest.approx((60 + 23 / 24) / 365.25)
    assert found["limits"] == []


def test_service_before_the_first_rigging_is_named_and_counted_in_days(site: Path) -> None:
    found = served(site, "L1")["outside_records"]
    assert (found["days"], found["to"]) == (60, "2026-03-02T00:00:00Z")
    assert found["words"] == "in service before the first record here: 60 days, not counted"
    assert found["rigged_unobserved_h"] == 3.0
    assert found["rigged_unobserved"] == "rigged here and not observed: 3.0 h, not counted"


def test_a_line_of_unknown_age_says_so(site: Path) -> None:
    changed = REGISTERS | {"lines.csv": REGISTERS["lines.csv"].replace(b"2026-01-01", b"")}
    found = served(site, "L1", changed)
    assert (found["in_service"], found["age_years"]) == (None, None)
    assert "not known" in found["outside_records"]["words"]


def limited(limits: bytes, policy: bytes = b"") -> dict[str, bytes]:
    spec = REGISTERS["specs/rope-44.toml"] + b"[limits]\n" + limits + b'source = "handbook, page 3"\n'
    return REGISTERS | {"specs/rope-44.toml": spec, "site.toml": REGISTERS["site.toml"] + policy}


@pytest.mark.parametrize(
    ("limits", "reached"),
    [
        (b"max_calls = 2\n", True),
        (b"max_calls = 3\n", False),
        (b"max_mooring_h = 8\n", True),
        (b"max_mooring_h = 8.1\n", False),
        (b"max_age_years = 0.16\n", True),
        (b"max_age_years = 0.17\n", False),
    ],
)
def test_a_limit_that_is_reached_retires_the_line_whatever_its_figure(site: Path, limits: bytes, reached: bool) -> None:
    [row] = served(site, "L1", limited(limits))["limits"]
    assert (row["reached"], row["of"], row["source"]) == (reached, "spec rope-44", "handbook, page 3")
    with open_ledger(site) as ledger:
        [line] = [line for line in status(ledger)["lines"] if line["line"] == "L1"]
    assert ([said["rule"] for said in line["advice_list"]] == ["retire"]) is reached
    assert ("handbook, page 3" in line["advice"]) is reached


def test_the_policy_may_give_limits_too_and_each_is_told(site: Path) -> None:
    policy = b'[policy.limits]\nmax_calls = 1\nsource = "company rule"\n'
    rows = served(site, "L1", limited(b"max_mooring_h = 100\n", policy))["limits"]
    assert [(row["limit"], row["of"], row["reached"]) for row in rows] == [
        ("max_mooring_h", "spec rope-44", False),
        ("max_calls", "policy", True),
    ]


def test_a_limit_on_an_age_that_is_not_known_is_neither_reached_nor_not(site: Path) -> None:
    registers = limited(b"max_age_years = 5\n")
    registers["lines.csv"] = registers["lines.csv"].replace(b"2026-01-01", b"")
    [row] = served(site, "L1", registers)["limits"]
    assert (row["now"], row["reached"]) == (None, None)


def test_limits_need_a_source_and_something_to_limit() -> None:
    for given in ({"max_calls": 3}, {"source": "x"}, {"max_calls": 0, "source": "x"}, {"max_calls": 3, "source": ""}):
        with pytest.raises(ValidationError):
            Limits.model_validate(given)
