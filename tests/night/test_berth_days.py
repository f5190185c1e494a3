"""What all lines did together: a surge over midnight, balance and episodes of real nights; what a night makes anew."""

import math
import random
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.ledger import index
from pipeline.ledger.berth import balance_json, episodes_json
from pipeline.ledger.database import Ledger
from pipeline.store.depot import Depot
from pipeline.store.sheets import read_traces
from pipeline.tracing.trace import trace_json
from schemas.times import rfc3339_us
from tests.night.berth import CAPACITY_KN, CHANNEL_COLUMNS, DESIGN_MBL_KN, Berth, Row, log_text, make_berth

S = 1_000_000
STEP_S = 5
FROM, TO = "2026-03-02T21:00:00Z", "2026-03-03T03:00:00Z"
PASSES = "2026-03-02T23:58:00Z"
LINES = {"L1": ("head", 1.0), "L2": ("stern", -1.0), "L3": ("spring", 1.2), "L4": ("spring", -1.2), "L5": ("head", 0.8)}
COLUMNS = "line,channel,from,to,outboard_end,share_pct,role,pretension_kn"


def rigged(*, plan: str = "100") -> str:
    rows = [
        f"{line},H{line[1:]},2026-03-02T18:00:00Z,,a,100,{role},{plan if line == 'L1' else ''}"
        for line, (role, _) in LINES.items()
    ]
    return "\n".join((COLUMNS, *rows)) + "\n"


def moored(root: Path) -> Berth:
    """A ship with five lines that lead fore and aft."""
    berth = make_berth(root)
    channels = [f"H{line[1:]},tension,load-pin,0.2,{CAPACITY_KN},H{line[1:]}," for line in LINES]
    berth.write("channels.csv", "\n".join((CHANNEL_COLUMNS, *channels)) + "\n")
    rows = [f"{line},S1,rope,main,2026-01-01" for line in LINES]
    berth.write("lines.csv", "\n".join(("line,ship,spec,part,in_service", *rows)) + "\n")
    berth.write("rigging.csv", rigged())
    return berth


def told(line: str, *, kn: float = 80.0) -> list[Row]:
    """What a line's hook tells: pretension, a little noise, and a ship that passes over midnight."""
    rng, sign = random.Random(line), LINES[line][1]
    from_us, to_us, passes_us = rfc3339_us(FROM), rfc3339_us(TO), rfc3339_us(PASSES)
    rows: list[Row] = []
    for at in range(from_us, to_us, STEP_S * S):
        along = (at - passes_us) / (120 * S)
        pulse = kn * math.sin(math.pi * along) if 0 <= along <= 2 else 0.0
        rows.append((at, f"H{line[1:]}", round(120 + rng.gauss(0, 2) + sign * pulse, 1)))
    return rows


def by_hour() -> dict[str, list[Row]]:
    """The whole record, a file an hour."""
    hours: dict[str, list[Row]] = {}
    for line in LINES:
        for row in told(line):
            hours.setdefault(f"hooks_{row[0] // (3600 * S)}.csv", []).append(row)
    return {name: sorted(rows) for name, rows in hours.items()}


@pytest.fixture(scope="module")
def passed(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    """All of it delivered in one night."""
    berth = moored(tmp_path_factory.mktemp("berth-days") / "b")
    for name, rows in by_hour().items():
        berth.deliver(name, rows)
    berth.night()
    return berth


def berth_rows(berth: Berth) -> list[tuple[Any, ...]]:
    return berth.rows("SELECT run, day, op FROM berth_days ORDER BY run, seq")


def test_a_ship_that_passes_over_midnight_is_one_surge(passed: Berth) -> None:
    (surge,) = [event for event in passed.events() if event.kind == "surge"]
    assert (surge.line, surge.payload["greatest_line"]) == ("L3", "L3") or surge.line == "L4"
    assert abs(surge.from_us - rfc3339_us(PASSES)) <= 40 * S
    assert abs(surge.to_us - rfc3339_us(PASSES) - 240 * S) <= 40 * S
    changes = {line["line"]: line["rise_kn"] for line in surge.payload["lines"]}
    assert changes.keys() == LINES.keys()
    for line, rise_kn in changes.items():
        assert rise_kn == pytest.approx(80.0 * abs(LINES[line][1]), abs=8.0)


def test_the_peak_of_a_surge_is_the_largest_reading_and_is_walked_back_to_it(passed: Berth) -> None:
    (surge,) = [event for event in passed.events() if event.kind == "surge"]
    near = [row for row in told(surge.line) if surge.from_us <= row[0] < surge.to_us]
    assert surge.peak_kn == max(float(kn) for _, _, kn in near)
    (sample,) = passed.ask(lambda ledger: trace_json(ledger, surge.event))["trace"]["samples"]
    assert sample["line_kn"] == surge.peak_kn
    assert sample["raw"]


def test_each_role_shares_its_load_and_the_plan_is_told_with_its_source(passed: Berth) -> None:
    (call,) = passed.ask(balance_json)["calls"]
    heads = call["roles"][0]
    assert [role["role"] for role in call["roles"]] == ["head", "spring", "stern"]
    for line in heads["lines"]:
        rows = told(line["line"])
        assert line["mean_kn"] == pytest.approx(sum(float(kn) for *_, kn in rows) / len(rows), abs=0.01)
    plans = {line["line"]: (line["planned_kn"], line["planned_by"]) for line in heads["lines"]}
    assert plans == {"L1": (100.0, "rigging.csv"), "L5": (DESIGN_MBL_KN / 10, "policy")}
    assert call["last_hour_to_at"] == TO


def test_a_surge_is_an_episode_of_all_its_lines(passed: Berth) -> None:
    (episode,) = [e for e in passed.ask(episodes_json)["episodes"] if "surge" in e["kinds"]]
    assert set(episode["lines"]) == LINES.keys()
    assert passed.ask(lambda ledger: episodes_json(ledger, to_us=rfc3339_us(FROM)))["episodes"] == []


def test_everything_agrees_and_a_night_with_nothing_new_makes_no_berth_day(passed: Berth, tmp_path: Path) -> None:
    berth = passed.copy(tmp_path / "b")
    assert berth.audit() == []
    assert [(day.isoformat(), op) for _, day, op in berth_rows(berth)] == [("2026-03-02", "set"), ("2026-03-03", "set")]
    assert berth.night().run_id is None
    assert len(berth_rows(berth)) == 2


def test_only_days_beside_what_changed_are_made_again(passed: Berth, tmp_path: Path) -> None:
    berth = passed.copy(tmp_path / "b")
    for day in ("2026-03-04", "2026-03-05"):
        first_us = rfc3339_us(f"{day}T12:00:00Z")
        berth.deliver(f"hooks_{day}.csv", [(first_us + i * STEP_S * S, "H1", 100.0 + i % 7) for i in range(40)])
        berth.night()
    # The last day's sheet is another too, now that later samples tell how long its last one stood.
    assert [day.isoformat() for run, day, _ in berth_rows(berth) if run == 3] == [
        "2026-03-03", "2026-03-04", "2026-03-05",
    ]  # fmt: skip


def test_a_changed_threshold_makes_all_berth_days_again_and_no_sheet(passed: Berth, tmp_path: Path) -> None:
    berth = passed.copy(tmp_path / "b")
    sheets = berth.sheets()
    berth.edit("site.toml", "[policy]\n", "[policy]\nsurge_min_pct = 9.0\n")
    berth.night()
    assert berth.sheets() == sheets
    assert len(berth_rows(berth)) == 4
    assert not [event for event in berth.events() if event.kind == "surge"]
    assert berth.audit() == []


def test_a_register_that_parts_the_roles_otherwise_makes_them_again(passed: Berth, tmp_path: Path) -> None:
    berth = passed.copy(tmp_path / "b")
    berth.write("rigging.csv", rigged().replace(",spring,", ",breast,"))
    berth.night()
    assert len(berth_rows(berth)) == 4
    assert {role["role"] for call in berth.ask(balance_json)["calls"] for role in call["roles"]} == {
        "head", "breast", "stern",
    }  # fmt: skip


def test_late_hours_in_any_order_end_as_one_night_does(passed: Berth, tmp_path: Path) -> None:
    berth = moored(tmp_path / "b")
    files = list(by_hour().items())
    for name, rows in [*files[3:], *files[:3]]:
        berth.deliver(name, rows)
        if name in (files[-1][0], files[1][0]):
            berth.night()
    berth.night()

    def live(ledger: Ledger) -> tuple[Any, ...]:
        marks = [(day.day, dict(day.marks), dict(day.balance)) for day in index.berth_days(ledger).values()]
        events = [(event.event, event.from_us, event.to_us, event.payload) for event in index.events(ledger).values()]
        return marks, events, balance_json(ledger), episodes_json(ledger)

    assert berth.ask(live) == passed.ask(live)
    assert berth.audit() == []


def traces(berth: Berth) -> list[bytes]:
    """The live traces, by channel and day, to the last bit."""
    store = Depot(berth.root / "store")
    found = []
    for ref in berth.ask(index.sheets):
        trace = read_traces(store, ref.path, [ref.sheet])[ref.sheet]
        found += [trace.bins.tobytes(), trace.mean_dan.tobytes(), trace.low_kn.tobytes(), trace.high_kn.tobytes()]
        assert np.all(trace.low_kn <= trace.high_kn)
    return found


@settings(deadline=None, max_examples=4)
@given(st.lists(st.integers(1, 119), min_size=1, max_size=3, unique=True).map(sorted), st.randoms())
def test_traces_do_not_depend_on_how_a_log_was_cut_into_files(
    tmp_path_factory: pytest.TempPathFactory, cuts: list[int], order: random.Random
) -> None:
    rng = random.Random(3)
    rows: list[Row] = [
        (rfc3339_us("2026-03-02T23:58:57Z") + i * 1_100_000, "H1", rng.uniform(50, 400)) for i in range(120)
    ]
    folder = tmp_path_factory.mktemp("cut")
    whole, cut = make_berth(folder / "whole"), make_berth(folder / "cut")
    whole.deliver("hooks_1.csv", rows)
    whole.night()
    pieces = [rows[a:b] for a, b in pairwise([0, *cuts, len(rows)])]
    pieces.append(rows[30:90])  # and a part of it again
    order.shuffle(pieces)
    for number, piece in enumerate(pieces):
        cut.deliver(f"hooks_{number}.csv", log_text(piece))
        if number == 1:
            cut.night()
    cut.night()
    assert traces(cut) == traces(whole)
