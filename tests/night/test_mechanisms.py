"""Creep, heat and abrasion beside fatigue: the same however the logs came, audited, reposted one by one."""

import random
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from pipeline.ledger import index
from tests.extent import few
from tests.night.berth import SPEC, Berth, make_berth, record

TABLES = """
[creep]
log10_tau0_s = -13.0
u0_kj_mol = 110.0
gamma_kj_mol = 50.0
floor = 0.05
fitted_load = [0.05, 0.7]
fitted_c = [-5.0, 60.0]
sustained_range = 0.5
source = "invented for the test"
[heat]
loss_factor = 0.1
stiffness = 10.0
conductivity_w_mk = 0.3
specific_heat_j_kgk = 1800.0
source = "invented for the test"
[abrasion]
friction = 0.1
stiffness = 20.0
allowable_work_kj = { smooth = 4000.0, worn = 1000.0 }
source = "invented for the test"
"""
RIGGING = """line,channel,from,to,outboard_end,share_pct,inboard_m,wrap_deg,surface
L1,H1,2026-03-02T00:00:00Z,2026-03-04T12:00:00Z,a,100,20,30,smooth
L1,H1,2026-03-04T12:00:00Z,,b,100,20,30,worn
L2,H2,2026-03-02T00:00:00Z,,a,100,20,30,smooth
"""
DAYS = ("2026-03-02", "2026-03-03", "2026-03-04", "2026-03-05")
MECHANISMS = {"fatigue", "creep", "abrasion"}
Live = dict[tuple[str, str, str, str], Any]


def rope_berth(root: Path) -> Berth:
    """Two main lines of one rope with constants for every mechanism, over chocks; L2's spec is a copy of L1's."""
    berth = make_berth(root, ())
    berth.write("specs/rope.toml", SPEC + TABLES)
    berth.write("specs/other.toml", SPEC.replace('id = "rope"', 'id = "other"') + TABLES)
    berth.edit("lines.csv", "L2,S1,rope", "L2,S1,other")
    berth.write("rigging.csv", RIGGING)
    return berth


def logs() -> list[list[Any]]:
    """A log a day, of both hooks, over the midnights too."""
    return [
        [
            row
            for hook in ("H1", "H2")
            for start in ("00:00", "11:55", "23:50")
            for row in record(f"{day}T{start}", 300, hook=hook)
        ]
        for day in DAYS
    ]


def live(berth: Berth) -> Live:
    """Life by line, zone, day and mechanism."""
    entries = berth.ask(index.postings).values()
    return {(e.line, e.zone, e.day.isoformat(), e.mechanism): e.life for e in entries}


def left(berth: Berth) -> dict[Any, Any]:
    """What every day left to the next, and what was only counted."""
    return {key: (dict(row.carried), dict(row.facts)) for key, row in berth.ask(index.wear_days).items()}


@pytest.fixture(scope="module")
def whole_made(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    berth = rope_berth(tmp_path_factory.mktemp("mechanisms") / "b")
    for day, rows in zip(DAYS, logs(), strict=True):
        berth.deliver(f"hooks_{day}.csv", rows)
    berth.night(through=DAYS[-1])
    return berth


@pytest.fixture
def whole(whole_made: Berth, tmp_path: Path) -> Berth:
    return whole_made.copy(tmp_path / "b")


def test_every_mechanism_takes_something_of_every_line(whole: Berth) -> None:
    found = live(whole)
    assert {(line, mechanism) for line, *_, mechanism in found} == {(x, m) for x in ("L1", "L2") for m in MECHANISMS}
    for mechanism in MECHANISMS:
        assert all(
            any(life > 0 for key, life in found.items() if key[0] == x and key[3] == mechanism) for x in ("L1", "L2")
        )
    assert whole.audit() == []


@pytest.mark.parametrize("seed", few(range(4), 1))
def test_cuts_order_and_repetition_change_nothing_that_is_posted_or_carried(
    whole: Berth, tmp_path: Path, seed: int
) -> None:
    rng = random.Random(seed)
    rows = [row for rows in logs() for row in rows]
    rows.sort(key=lambda row: row[0])
    cuts = [0, *sorted(rng.sample(range(1, len(rows)), 9)), len(rows)]
    pieces = [rows[max(0, a - rng.choice((0, 0, 5))) : b] for a, b in pairwise(cuts)]
    pieces += rng.sample(pieces, 2)
    rng.shuffle(pieces)
    berth = rope_berth(tmp_path / "cut")
    nights = sorted(rng.sample(range(len(pieces)), 3))
    for i, piece in enumerate(pieces):
        berth.deliver(f"hooks_{i:02d}.csv", piece)
        if i in nights:
            berth.night()
    berth.night(through=DAYS[-1])
    assert live(berth) == live(whole)
    assert left(berth) == left(whole)
    assert berth.audit() == []


@pytest.mark.parametrize(
    ("edit", "mechanism"),
    [
        (lambda text: text.replace("u0_kj_mol = 110.0", "u0_kj_mol = 109.0"), "creep"),
        (lambda text: text.replace("loss_factor = 0.1", "loss_factor = 0.2"), "creep"),
        (lambda text: text.replace("friction = 0.1", "friction = 0.05"), "abrasion"),
        (lambda text: text.replace("b = 0.4", "b = 0.5"), "fatigue"),
    ],
)
def test_one_changed_constant_reposts_only_the_mechanism_and_the_line_that_read_it(
    whole: Berth, edit: Callable[[str], str], mechanism: str
) -> None:
    before, spec = live(whole), (whole.root / "specs" / "rope.toml").read_text(encoding="utf-8")
    whole.write("specs/rope.toml", edit(spec))
    whole.night()
    entered = whole.rows(
        "SELECT DISTINCT line, mechanism, kind, reason FROM entries WHERE run = (SELECT max(run) FROM runs)"
    )
    assert {(line, m) for line, m, *_ in entered} == {("L1", mechanism)}
    assert {kind for *_, kind, _ in entered} == {"posting", "reversal"}
    assert all("spec or break force changed" in reason for *_, reason in entered)
    after = live(whole)
    assert {key for key in after if after[key] != before[key]} <= {key for key in after if key[0] == "L1"}
    assert after.keys() == before.keys()
    assert whole.audit() == []


def test_another_way_over_the_chock_reposts_abrasion_alone(whole: Berth) -> None:
    whole.edit("rigging.csv", "a,100,20,30,smooth\nL1", "a,100,25,30,smooth\nL1")
    whole.night()
    entered = whole.rows(
        "SELECT DISTINCT line, zone, mechanism, reason FROM entries WHERE run = (SELECT max(run) FROM runs)"
    )
    assert [(line, zone, mechanism) for line, zone, mechanism, _ in entered] == [("L1", "a", "abrasion")]
    assert "way over the chock changed" in entered[0][3]
    assert whole.audit() == []


def test_a_heated_rope_is_warm_after_midnight_and_cools_when_let_go(whole: Berth) -> None:
    found = left(whole)
    heat = {key[2].isoformat(): carried["heat"] for key, (carried, _) in found.items() if key[:2] == ("L1", "a")}
    ambient_c = 20.0
    assert heat["2026-03-02"]["surface_c"] > ambient_c  # cycled up to midnight
    assert heat["2026-03-03"]["surface_c"] > ambient_c
    assert ambient_c <= heat["2026-03-04"]["surface_c"]


# ------------------------------------------------------------------------------------------------------- the air

AIR_CHANNELS = "mast-air,temperature,other,0.01,60,mast,\nmast-wind,wind,other,0.01,60,mast,\n"
AIR_LAYOUT = """name = "mast"
reader = "delimited"
match = "mast_*.csv"
[time]
column = "at"
format = "rfc3339"
[[value]]
column = "air"
channel = "mast-air"
unit = "degC"
[[value]]
column = "wind"
channel = "mast-wind"
unit = "m/s"
"""


def mast_berth(root: Path) -> Berth:
    berth = rope_berth(root)
    berth.write("channels.csv", (root / "channels.csv").read_text(encoding="utf-8") + AIR_CHANNELS)
    berth.write("layouts/mast.toml", AIR_LAYOUT)
    return berth


def mast(air_c: float, wind_m_s: float, days: tuple[str, ...] = DAYS) -> bytes:
    rows = [f"{day}T{h:02d}:{m:02d}:00Z,{air_c},{wind_m_s}" for day in days for h in range(24) for m in range(0, 60, 5)]
    return ("at,air,wind\n" + "\n".join(rows) + "\n").encode()


def blown_on(root: Path, air_c: float, wind_m_s: float) -> Berth:
    berth = mast_berth(root)
    for day, rows in zip(DAYS, logs(), strict=True):
        berth.deliver(f"hooks_{day}.csv", rows)
    berth.deliver("mast_all.csv", mast(air_c, wind_m_s))
    berth.night(through=DAYS[-1])
    return berth


def creep_of(berth: Berth) -> Any:
    return sum(life for (*_, mechanism), life in live(berth).items() if mechanism == "creep")


def test_warmer_air_makes_creep_faster_and_wind_slows_it(tmp_path: Path) -> None:
    cold, warm, windy = (blown_on(tmp_path / name, *air) for name, air in
                         (("cold", (5.0, 0.0)), ("warm", (25.0, 0.0)), ("windy", (25.0, 12.0))))  # fmt: skip
    assert creep_of(cold) < creep_of(windy) < creep_of(warm)
    assert [key for key in live(cold) if key[3] != "creep" and live(cold)[key] != live(warm)[key]] == []
    assert warm.audit() == windy.audit() == []


def test_a_mast_log_that_comes_late_reposts_creep_of_its_days_alone(whole: Berth, tmp_path: Path) -> None:
    berth = mast_berth(tmp_path / "late")
    for day, rows in zip(DAYS, logs(), strict=True):
        berth.deliver(f"hooks_{day}.csv", rows)
    berth.night(through=DAYS[-1])
    assert live(berth) == live(whole)
    berth.deliver("mast_1.csv", mast(30.0, 0.0, DAYS[-1:]))
    berth.night()
    entered = berth.rows("SELECT DISTINCT day, mechanism, reason FROM entries WHERE run = (SELECT max(run) FROM runs)")
    assert {(day.isoformat(), mechanism) for day, mechanism, _ in entered} == {(DAYS[-1], "creep")}
    assert all("readings of the air changed" in reason for *_, reason in entered)
    assert berth.audit() == []


def test_a_mast_log_cut_and_repeated_gives_the_same(tmp_path: Path) -> None:
    whole = blown_on(tmp_path / "whole", 18.0, 3.0)
    berth = mast_berth(tmp_path / "cut")
    for day, rows in reversed([*zip(DAYS, logs(), strict=True)]):
        berth.deliver(f"hooks_{day}.csv", rows)
        berth.deliver(f"mast_{day}.csv", mast(18.0, 3.0, (day,)))
        berth.night()
    berth.deliver("mast_again.csv", mast(18.0, 3.0))
    berth.night(through=DAYS[-1])
    assert live(berth) == live(whole)
    assert left(berth) == left(whole)
    assert berth.audit() == []
