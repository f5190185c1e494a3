"""Losses of load through real nights: their classes, what other lines did about them, a person's word, and advice."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest

from pipeline.ledger import queries
from pipeline.ledger.rows import Event
from pipeline.ledger.status import status
from pipeline.render_events import events_text, sentence
from schemas.times import rfc3339_us, us_to_rfc3339
from tests.night.berth import CAPACITY_KN, CHANNEL_COLUMNS, LAYOUT, Berth, Row, make_berth

S = 1_000_000
FROM, TO = rfc3339_us("2026-03-02T22:20:00Z"), rfc3339_us("2026-03-03T02:30:00Z")
MIDNIGHT = rfc3339_us("2026-03-03T00:00:00Z")
PARTS, LOST, OPENS = MIDNIGHT, MIDNIGHT + 1200 * S, MIDNIGHT + 2400 * S
"""L1 parts between the last sample of one day and the first of the next; L2 is lost, L3 released."""
LET_GO = {"L4": MIDNIGHT + 7200 * S, "L5": MIDNIGHT + 7260 * S, "L6": MIDNIGHT + 7320 * S}
GONE = {"L1": PARTS, "L2": LOST, "L3": OPENS, **LET_GO}
ROLES = {"L1": "head", "L2": "breast", "L3": "stern", "L4": "head", "L5": "breast", "L6": "stern"}
OPENED = {"H1": MIDNIGHT + 7500 * S, "H3": OPENS}
"""H1 and H3 tell their state; that of H1 opens long after its line parted."""


def moored(root: Path) -> Berth:
    """A ship with six lines, of which two are on hooks that tell their state."""
    berth = make_berth(root)
    berth.write(
        "layouts/states.toml",
        LAYOUT.replace('"hooks"', '"states"').replace("hooks_*", "states_*").replace('"kN"', '"1"'),
    )
    pins = [f"H{line[1:]},tension,load-pin,0.5,{CAPACITY_KN},H{line[1:]}," for line in GONE]
    states = [f"{hook}-state,hook-state,other,0.1,,{hook}," for hook in OPENED]
    berth.write("channels.csv", "\n".join((CHANNEL_COLUMNS, *pins, *states)) + "\n")
    lines = [f"{line},S1,rope,main,2026-01-01" for line in GONE]
    berth.write("lines.csv", "\n".join(("line,ship,spec,part,in_service", *lines)) + "\n")
    rows = [
        f"{line},H{line[1:]},2026-03-02T18:00:00Z,{us_to_rfc3339(max(gone, LET_GO['L4']) + 40 * S)},a,100,{ROLES[line]}"
        for line, gone in GONE.items()
    ]
    berth.write("rigging.csv", "\n".join(("line,channel,from,to,outboard_end,share_pct,role", *rows)) + "\n")
    return berth


def told(line: str) -> list[Row]:
    """What a line's pin tells: pretension with a little noise, then nothing; L4 takes up what L1 bore."""
    rng, hook = random.Random(line), f"H{line[1:]}"
    rows: list[Row] = []
    for at in range(FROM, TO, 2 * S):
        kn = 120.0 + (40.0 if line == "L4" and at >= PARTS else 0.0) if at < GONE[line] else 0.0
        rows.append((at, hook, round(kn + rng.gauss(0, 1.0), 1)))
    return rows


def hook_states() -> list[Row]:
    return [(at, f"{hook}-state", int(at < opens)) for at in range(FROM, TO, 10 * S) for hook, opens in OPENED.items()]


@pytest.fixture(scope="module")
def lost(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    berth = moored(tmp_path_factory.mktemp("lost") / "b")
    for line in GONE:
        berth.deliver(f"hooks_{line}.csv", told(line))
    berth.deliver("states_1.csv", hook_states())
    berth.night()
    return berth


def losses(berth: Berth) -> dict[str, Event]:
    return {event.line: event for event in berth.events() if event.kind == "load-loss"}


def test_each_loss_has_its_class(lost: Berth) -> None:
    found = {line: event.payload["class"] for line, event in losses(lost).items()}
    assert found == {
        "L1": "parted", "L2": "undetermined", "L3": "released", "L4": "let-go", "L5": "let-go", "L6": "let-go",
    }  # fmt: skip


def test_a_line_that_parts_over_midnight_is_one_event_with_its_neighbours_on_both_days(lost: Berth) -> None:
    one = losses(lost)["L1"]
    assert (one.from_us, one.to_us) == (PARTS - 2 * S, PARTS)
    assert one.payload["first_unloaded"]["at"] == us_to_rfc3339(PARTS)
    before = [float(kn) for at, _, kn in told("L1") if PARTS - 10 * S <= at < PARTS]
    assert one.payload["highest_recorded_kn"] == max(before)
    assert one.payload["last_loaded"]["kn"] == before[-1]
    (neighbour,) = one.payload["others"]["neighbours"]
    assert (neighbour["line"], neighbour["took_up"]) == ("L4", True)
    assert neighbour["after_kn"] - neighbour["before_kn"] == pytest.approx(40.0, abs=0.5)
    assert one.payload["others"]["in_turn"] is False


def test_without_a_witness_it_reads_as_a_possible_parting(lost: Berth) -> None:
    answer = lost.ask(lambda ledger: queries.events_json(ledger, kind="load-loss"))
    by_line = {event["line"]: event for event in answer["events"]}
    text = sentence(by_line["L2"])
    assert "possible parting: verify on deck, keep clear" in text
    assert "a lower bound on what the line bore" in text
    assert "parted" not in text
    assert sentence(by_line["L1"]).count("its hook stayed closed while the load went") == 1
    assert "let go under load" in sentence(by_line["L5"])
    assert by_line["L3"]["evidence"]["released"]["for"] == ["its hook, closed while it was loaded, opened"]
    assert "unless it is classed let-go or instrument" in events_text(answer)


def test_after_a_loss_that_is_not_known_to_be_harmless_the_line_is_inspected(lost: Berth) -> None:
    rules = {row["line"]: [said["rule"] for said in row["advice_list"]] for row in lost.ask(status)["lines"]}
    advised = {line for line, found in rules.items() if "inspect-before-reuse" in found}
    assert advised == {"L1", "L2", "L3"}


def test_severity_follows_the_class(lost: Berth) -> None:
    bands = {line: event.payload["severity"] for line, event in losses(lost).items()}
    assert bands == {"L1": "alarm", "L2": "alarm", "L3": "alarm", "L4": "note", "L5": "note", "L6": "note"}


def test_a_persons_word_decides_and_is_taken_back_with_its_row(lost: Berth, tmp_path: Path) -> None:
    berth = lost.copy(tmp_path / "b")
    berth.write(
        "services.csv",
        "line,at,action,detail\n"
        "L1,2026-03-03T08:00:00Z,inspection,not parted; eye jumped off\n"
        "L2,2026-03-03T08:00:00Z,retire,parted; in the chock\n",
    )
    berth.night()
    found = losses(berth)
    assert (found["L1"].payload["class"], found["L2"].payload["class"]) == ("undetermined", "parted")
    assert berth.audit() == []
    (berth.root / "services.csv").unlink()
    berth.night()
    assert {line: event.payload["class"] for line, event in losses(berth).items()} == {
        line: event.payload["class"] for line, event in losses(lost).items()
    }


def test_deliveries_cut_by_the_hour_and_late_give_the_same_events_and_agree(lost: Berth, tmp_path: Path) -> None:
    berth = moored(tmp_path / "b")
    hours: dict[int, list[Row]] = {}
    for row in (row for line in GONE for row in told(line)):
        hours.setdefault(row[0] // (3600 * S), []).append(row)
    for hour in sorted(hours, reverse=True):
        berth.deliver(f"hooks_{hour}.csv", sorted(hours[hour]))
        berth.night()
    berth.deliver("states_1.csv", hook_states())
    berth.night()
    assert berth.audit() == []

    def without(event: Event) -> dict[str, Any]:
        return {"id": event.event, **event.payload}

    assert {k: without(v) for k, v in losses(berth).items()} == {k: without(v) for k, v in losses(lost).items()}


def test_a_loss_has_its_evidence_in_the_berth_day_that_it_lies_on(lost: Berth) -> None:
    days = lost.rows("SELECT day, marks FROM berth_days ORDER BY day")
    assert [(str(day), marks.count("unloaded_us")) for day, marks in days] == [("2026-03-02", 0), ("2026-03-03", 6)]
    assert lost.night().run_id is None
    assert lost.audit() == []
