"""What a statement tells beside its figures, after real nights: from the same days as coverage and entries."""

import random
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from schemas.times import day_start_us
from tests.night.berth import Berth, Row, make_berth

FIRST, DAYS, LOST = date(2026, 3, 2), 26, (11, 12)
OUTLOOK = ("unobserved", "forecast", "return_peaks", "shares")


def whole_day(nth: int) -> list[Row]:
    """A reading every ten minutes, each of which stands until the next; every fifth day is rough."""
    rng = random.Random(f"outlook {nth}")
    rough = 3.0 if nth % 5 == 0 else 1.0
    begin_us = day_start_us(FIRST + timedelta(days=nth))
    return [(begin_us + i * 600_000_000, "H1", round(100 + rough * rng.uniform(0, 120), 1)) for i in range(144)]


@pytest.fixture(scope="module")
def berth(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    """Days come one file each, the later half first; two in a row never come."""
    made = make_berth(
        tmp_path_factory.mktemp("outlook") / "b",
        ["L1,H1,2026-03-02T00:00:00Z,,a,50,assumed,40,60"],
        policy="max_gap_s = 600\n",
        files={},
    )
    text = (made.root / "rigging.csv").read_text(encoding="utf-8")
    made.write("rigging.csv", text.replace("share_pct\n", "share_pct,share_basis,share_low,share_high\n"))
    days = [nth for nth in range(DAYS) if nth not in LOST]
    for half in (days[12:], days[:12]):
        for nth in half:
            made.deliver(f"hooks_{nth:02d}.csv", whole_day(nth))
        made.night(through=(FIRST + timedelta(days=DAYS - 1)).isoformat())
    return made


def outlook(berth: Berth) -> dict[str, Any]:
    account = berth.statement()
    return {name: account[name] for name in OUTLOOK}


def test_the_unobserved_hours_are_those_that_coverage_lacks(berth: Berth) -> None:
    rigged_s, observed_s = berth.coverage()
    assert rigged_s == DAYS * 86_400
    found = berth.statement()["unobserved"]
    assert found["reckoned"]
    assert found["hours"] * 3600 == pytest.approx(float(rigged_s - observed_s), abs=1e-3)
    # Two days that never came are one gap; the last reading of all stands for nothing.
    assert (found["gaps"], round(found["hours"])) == (2, 48)
    assert 0 < found["low"] < found["median"] < found["high"]


def test_the_rate_is_the_life_of_the_entries_over_the_time_observed(berth: Berth) -> None:
    posted = sum(berth.posted().values(), Decimal(0))
    _, observed_s = berth.coverage()
    found = berth.statement()["forecast"]
    assert float(found["per_rigged_day"]) == pytest.approx(float(posted) / (float(observed_s) / 86_400), rel=1e-9)
    assert found["low"] < found["per_rigged_day"] < found["high"]
    assert found["reached"] is None


def test_the_band_of_an_assumed_share_holds_what_was_posted(berth: Berth) -> None:
    found = berth.statement()["shares"]
    assert found["at_share_low"] < found["posted"] < found["at_share_high"]
    # By hand: life goes with the 4.5th power of the range; the mean load moves it by little (b = 0.4).
    assert float(found["at_share_low"] / found["at_share"]) == pytest.approx(0.8**4.5, rel=0.1)
    assert float(found["at_share_high"] / found["at_share"]) == pytest.approx(1.2**4.5, rel=0.1)
    assert float(found["at_share"] / found["posted"]) == pytest.approx(1, rel=0.1)


def test_it_is_the_same_however_the_logs_came(berth: Berth, tmp_path: Path) -> None:
    fresh = berth.copy(tmp_path / "b").anew()
    assert outlook(fresh) == outlook(berth)
