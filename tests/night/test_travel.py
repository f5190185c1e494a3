"""Travel in day sheets: each metre once, however the logs came, over midnights, and only of the line's own rigging."""

import random
from itertools import pairwise
from pathlib import Path

import pytest

from pipeline.ledger import index
from pipeline.sheets.sheet import Sheet
from pipeline.site import open_site
from pipeline.store.sheets import read_sheets
from schemas.times import rfc3339_us, us_to_rfc3339
from tests.night.berth import Berth, make_berth, record
from tests.night.test_brakes import CHANNELS
from tests.night.winch import LAYOUT

RIGGED = "L1,W1-pull,2026-03-02T00:00:00Z,,a,100"
BEFORE_MIDNIGHT_US = rfc3339_us("2026-03-02T23:59:00Z")
Row = tuple[int, float, float]
"""Instant [us], pull [kN], payout [m]."""


def winch_berth(root: Path, rigging: str = RIGGED, *, policy: str = "") -> Berth:
    berth = make_berth(root, [rigging], files={"layouts/winch.toml": LAYOUT}, policy=policy)
    (root / "layouts" / "hooks.toml").unlink()
    berth.write("channels.csv", CHANNELS)
    return berth


def deliver(berth: Berth, name: str, rows: list[Row]) -> None:
    text = [f"{us_to_rfc3339(at)},{kn},{m:.3f},1" for at, kn, m in rows]
    berth.deliver(name, "\n".join(("at,pull,payout,brake", *text, "")).encode())


def sheets(berth: Berth) -> list[Sheet]:
    """The live sheets, in order of time."""
    site = open_site(berth.root)
    refs = berth.ask(index.sheets)
    found = [read_sheets(site.store, ref.path, [ref.sheet])[ref.sheet] for ref in refs]
    return sorted(found, key=lambda sheet: sheet.slice.from_us)


def travel(berth: Berth) -> dict[str, dict[int, float]]:
    """Metres by day and class."""
    return {
        sheet.slice.day.isoformat(): dict(zip(sheet.travel_classes.tolist(), sheet.travel_m.tolist(), strict=True))
        for sheet in sheets(berth)
    }


def through_midnight(seed: int = 1) -> list[Row]:
    """Two minutes of a winch that tends, every half second: from a minute before midnight to a minute after."""
    rng, payout, rows = random.Random(seed), 30.0, []
    for i in range(240):
        payout += rng.choice((0, 0, 0.5, -0.25, 0.004, -0.004))
        rows.append((BEFORE_MIDNIGHT_US + i * 500_000, round(rng.uniform(90, 110), 1), payout))
    return rows


def moved(rows: list[Row]) -> float:
    """What a winch whose moves are none or far over the deadband went: every step of that size."""
    steps = [b[2] - a[2] for a, b in pairwise(rows)]
    return sum(abs(step) for step in steps if abs(step) > 0.1)


def test_a_winch_that_tends_through_midnight_has_each_metre_once(tmp_path: Path) -> None:
    rows = [(at, kn, round(payout * 4) / 4) for at, kn, payout in through_midnight()]
    berth = winch_berth(tmp_path / "b")
    deliver(berth, "winch_1.csv", rows)
    berth.night(through="2026-03-03")
    found = travel(berth)
    assert list(found) == ["2026-03-02", "2026-03-03"]
    assert set(found["2026-03-03"]) <= {17, 18, 19, 20, 21, 22}
    # The step over midnight is of the day on which it ends.
    assert sum(found["2026-03-02"].values()) == pytest.approx(moved(rows[:120]))
    assert sum(found["2026-03-03"].values()) == pytest.approx(moved(rows[119:]))
    assert berth.audit() == []


def test_travel_does_not_depend_on_how_and_when_the_logs_came(tmp_path: Path) -> None:
    rows, once = through_midnight(2), winch_berth(tmp_path / "once")
    deliver(once, "winch_1.csv", rows)
    once.night(through="2026-03-03")
    cut = winch_berth(tmp_path / "cut")
    deliver(cut, "winch_3.csv", rows[130:])
    cut.night(through="2026-03-03")
    early = travel(cut)
    deliver(cut, "winch_1.csv", rows[:70])
    deliver(cut, "winch_2.csv", rows[50:140])
    cut.night(through="2026-03-03")
    assert travel(cut) == travel(once)
    assert travel(cut)["2026-03-03"] != early["2026-03-03"]
    assert cut.audit() == []


def test_a_late_turn_of_the_evening_before_is_seen_by_the_day_after(tmp_path: Path) -> None:
    # Out by 0.5 m before midnight, by 0.015 m after it: less than the deadband, but the same way.
    def at(second: float, payout: float) -> Row:
        return (BEFORE_MIDNIGHT_US + round(second * 1e6), 100.0, payout)

    evening = [at(0, 30.0), *(at(second, 30.5) for second in range(1, 60))]
    berth = winch_berth(tmp_path / "b")
    deliver(berth, "winch_2.csv", [at(60, 30.5), at(61, 30.515)])
    berth.night(through="2026-03-03")
    assert travel(berth)["2026-03-03"] == {}
    deliver(berth, "winch_1.csv", evening)
    berth.night(through="2026-03-03")
    assert travel(berth) == {"2026-03-02": {20: 0.5}, "2026-03-03": {20: pytest.approx(0.015)}}
    assert travel(berth.anew()) == travel(berth)
    assert berth.audit() == []


def test_only_what_went_while_the_line_was_rigged_is_its_travel(tmp_path: Path) -> None:
    rows = [(BEFORE_MIDNIGHT_US + i * 1_000_000, 100.0, 30.0 + i) for i in range(30)]
    berth = winch_berth(tmp_path / "b", "L1,W1-pull,2026-03-02T23:59:10Z,2026-03-02T23:59:20Z,a,50")
    deliver(berth, "winch_1.csv", rows)
    berth.night(through="2026-03-03")
    # Samples 10 .. 19: nine steps of a metre, at half of 100 kN.
    assert travel(berth) == {"2026-03-02": {10: 9.0}}


def test_readings_that_are_missing_tell_no_move(tmp_path: Path) -> None:
    berth = winch_berth(tmp_path / "b")
    at = [us_to_rfc3339(BEFORE_MIDNIGHT_US + i * 1_000_000) for i in range(4)]
    rows = (f"{at[0]},100,30.0,1", f"{at[1]},100,---,1", f"{at[2]},100,31.0,1", f"{at[3]},---,31.5,1")
    berth.deliver("winch_1.csv", "\n".join(("at,pull,payout,brake", *rows, "")).encode())
    berth.night(through="2026-03-03")
    # The last move has a tension exactly a second old.
    assert travel(berth)["2026-03-02"] == {20: 1.5}


def test_another_deadband_makes_the_sheets_again_and_posts_nothing(tmp_path: Path) -> None:
    berth = winch_berth(tmp_path / "b")
    deliver(berth, "winch_1.csv", through_midnight(3))
    berth.night(through="2026-03-03")
    before, lives = travel(berth), berth.posted()
    berth.edit("site.toml", "settle_s = 0\n", "settle_s = 0\ntravel_deadband_m = 0.3\n")
    night = berth.night(through="2026-03-03")
    assert night.entries_posted == 0
    assert berth.posted() == lives
    assert sum(travel(berth)["2026-03-02"].values()) < sum(before["2026-03-02"].values())
    assert berth.audit() == []


def test_a_place_without_a_payout_has_no_travel(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    berth.night(through="2026-03-02")
    assert travel(berth) == {"2026-03-02": {}}
