"""What is in no figure of a statement: told apart, with its band, or with why there is none."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.ledger.database import open_ledger
from pipeline.ledger.queries import answer_text
from pipeline.ledger.statement import statement
from pipeline.ledger.zone_days import gaps_by_day, rigged_by_day
from pipeline.outlook.blocks import DAY_US, Day
from pipeline.outlook.extremes import ReturnLevel, return_level
from pipeline.outlook.forecast import CAUTION
from pipeline.render import statement_text
from schemas.registers import Rigging
from schemas.times import day_start_us, rfc3339_us
from tests.ledger import makers

H_US = 3_600_000_000
UNIT = 2**70
"""A day's life that a season of them does not use up: 2^-30."""
CALIBRATED = (b'source = "invented for the demo"', b'source = "laboratory report 12"\ncalibrated = true')
OPENED = b"L1,ship-one,rope-44,main,2026-01-01,0.24,condition report 4\n"
RIGGING = b"line,channel,from,to,outboard_end,share_pct,share_basis,share_low,share_high\n"


def registers(**files: bytes) -> Mapping[str, bytes]:
    """The registers with whole files replaced (named without their ending)."""
    names = {"spec": "specs/rope-44.toml", "rigging": "rigging.csv", "lines": "lines.csv", "site": "site.toml"}
    return {**makers.REGISTERS, **{names[name]: text for name, text in files.items()}}


def calibrated(**files: bytes) -> Mapping[str, bytes]:
    """Registers that allow a date: a calibrated curve, an opening with its source, all else measured."""
    lines = makers.REGISTERS["lines.csv"].replace(b"L1,ship-one,rope-44,main,2026-01-01,,\n", OPENED)
    return registers(**{"spec": makers.REGISTERS["specs/rope-44.toml"].replace(*CALIBRATED), "lines": lines, **files})


def season(
    lives: list[int], *, observed_h: list[float] | None = None, zone: str = "a", share: str = "season", **worn: Any
) -> dict[str, Any]:
    """Rows of successive days of L1: closed life of each [units], and the hours observed (all of it by default)."""
    hours = [24.0] * len(lives) if observed_h is None else observed_h
    days = [makers.DAY + timedelta(days=i) for i in range(len(lives))]
    return {
        "sheets": [
            makers.sheet(
                f"{share}-{day}",
                day=day,
                from_us=day_start_us(day),
                to_us=day_start_us(day) + DAY_US,
                observed_us=round(seen * H_US),
            )
            for day, seen in zip(days, hours, strict=True)
            if seen > 0
        ],
        "states": [
            makers.state("L1", zone=zone, day=day, life_units=str(units), sheets=[f"{share}-{day}"], residue_kn=[0.0])
            | {"residue_us": [day_start_us(day)]}
            for day, units, seen in zip(days, lives, hours, strict=True)
            if seen > 0
        ],
        "wear_days": [
            makers.wear_day("L1", zone=zone, day=day, **worn) for day, seen in zip(days, hours, strict=True) if seen > 0
        ],
        "through": days[-1],
    }


def told(site: Path, line: str = "L1", **rows: Any) -> dict[str, Any]:
    """Commit these rows, and the statement of a line thereafter; as JSON it holds no NaN."""
    makers.commit(site, **rows)
    with open_ledger(site) as ledger:
        answer = statement(ledger, line)
    json.loads(answer_text(answer), parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))
    assert "What is not in these figures" in statement_text(answer)
    return answer


def rigging(start: str, end: str | None) -> Rigging:
    row = {"line": "L", "channel": "c", "from": start, "to": end, "outboard_end": "a", "share_pct": 100}
    return Rigging.model_validate(row)


def days_seen(*observed_h: float) -> dict[date, Day]:
    """Days rigged all day, in a row, of which so many hours were observed."""
    return {makers.DAY + timedelta(days=i): Day(1, round(hours * H_US), DAY_US) for i, hours in enumerate(observed_h)}


def test_rigged_time_is_cut_at_midnights_and_at_the_horizon() -> None:
    rows = [rigging("2026-03-02T22:00:00Z", "2026-03-04T01:00:00Z"), rigging("2026-03-04T03:00:00Z", None)]
    found = rigged_by_day(rows, rfc3339_us("2026-03-04T04:30:00Z"))
    assert found == {
        date(2026, 3, 2): 2 * H_US,
        date(2026, 3, 3): 24 * H_US,
        date(2026, 3, 4): round(2.5 * H_US),
    }
    assert rigged_by_day(rows, rfc3339_us("2026-03-02T22:00:00Z")) == {}
    assert rigged_by_day(rows, None) == {}


def test_a_day_has_one_gap_and_days_unseen_are_one_gap_with_those_beside_them() -> None:
    # By hand: 1 h alone; 2 + 24 + 24 + 3 h as one outage; 5 h and 6 h of neighbouring days, each its own.
    found = gaps_by_day(days_seen(23, 24, 22, 0, 0, 21, 24, 19, 18))
    assert found == (53 * H_US, 6 * H_US, 5 * H_US, 1 * H_US)


def test_gaps_on_either_side_of_time_not_rigged_are_two() -> None:
    days = days_seen(0, 24, 0)
    del days[makers.DAY + timedelta(days=1)]
    assert gaps_by_day(days) == (DAY_US, DAY_US)
    assert gaps_by_day(days_seen(24, 24)) == ()


def test_unobserved_time_has_its_price_from_observed_days_and_stands_in_no_total(site: Path) -> None:
    # By hand: all observed days are alike, so an unseen day and a half took one and a half times their life.
    rows = season([UNIT] * 30, observed_h=[24.0] * 20 + [0.0] + [24.0] * 8 + [12.0])
    rows["states"][-1]["life_units"] = str(UNIT // 2)
    found = told(site, **rows)
    price = found["unobserved"]
    assert price["reckoned"]
    assert (price["zone"], price["band"], price["hours"], price["gaps"]) == ("a", "outboard length", 36.0, 2)
    for name in ("low", "median", "high"):
        assert float(price[name]) == pytest.approx(1.5 * 2.0**-30, rel=1e-9)
    assert found["consumed"]["zones"]["a"]["total"] == 0  # nothing was posted
    assert found["entries"] == []
    assert "never posted" in price["words"]


def test_the_interval_is_wide_where_days_differ(site: Path) -> None:
    lives = [UNIT * (1 + 30 * (i % 9 == 0)) for i in range(60)]
    price = told(site, **season(lives, observed_h=[0.0 if i in (30, 31) else 24.0 for i in range(60)]))["unobserved"]
    assert 0 < price["low"] < price["median"] < price["high"]
    assert price["high"] > 3 * price["low"]


def test_too_short_a_record_has_neither_price_nor_rate_and_says_why(site: Path) -> None:
    found = told(site, **season([UNIT] * 5, observed_h=[12.0] * 5))
    assert found["unobserved"]["reckoned"] is found["forecast"]["reckoned"] is False
    assert "2.5 days observed; at least 20 are needed" in found["unobserved"]["why"]
    assert found["unobserved"]["hours"] == 60.0
    assert "2.5 days observed" in found["forecast"]["why"]
    assert "median" not in found["unobserved"]


def test_a_line_that_was_never_rigged_has_no_outlook(site: Path) -> None:
    found = told(site, "L3", **season([UNIT] * 3))
    assert found["unobserved"]["why"] == "all of its rigged time was observed"
    assert not found["forecast"]["reckoned"]
    assert found["shares"] is None


def test_the_forecast_rests_on_the_last_rigged_days_alone(site: Path) -> None:
    changed = registers(site=makers.REGISTERS["site.toml"] + b"\n[policy]\nforecast_days = 25\n")
    found = told(site, registers=changed, **season([50 * UNIT] * 15 + [UNIT] * 25))["forecast"]
    assert found["reckoned"]
    assert (found["last_days"], found["from_day"], found["to_day"]) == (25, "2026-03-17", "2026-04-10")
    for name in ("per_rigged_day", "low", "high"):
        assert float(found[name]) == pytest.approx(2.0**-30, rel=1e-9)
    assert found["caution"] == CAUTION
    assert "47 % of storm records" in found["measured"]


def test_the_factor_of_the_spec_is_in_price_and_rate_as_in_every_figure_shown(site: Path) -> None:
    spec = makers.REGISTERS["specs/rope-44.toml"].replace(b"m = 2.0\n", b"m = 2.0\nfactor = 1.5\n")
    found = told(site, registers=registers(spec=spec), **season([UNIT] * 30))
    assert float(found["forecast"]["per_rigged_day"]) == pytest.approx(1.5 * 2.0**-30, rel=1e-9)


def test_a_severity_index_never_has_a_date(site: Path) -> None:
    found = told(site, **season([2**94] * 30))["forecast"]
    assert found["reached"] is None
    assert found["no_date"] == ["the figures are a severity index", "its opening is unknown"]


def test_a_calibrated_line_with_a_known_opening_has_a_date(site: Path) -> None:
    # By hand: an opening of 0.24 and 30 days of 1/64 leave 0.29125: 18.64 days of 1/64 from the end of the 30th.
    made = season([2**94] * 30)
    for row in made["states"]:
        row["postable"] = False  # not posted, and counted all the same
    answer = told(site, registers=calibrated(), **made)
    assert answer["basis"] == "life used (calibrated)"
    found = answer["forecast"]
    begun, on = makers.DAY + timedelta(days=30), "2026-04-19"
    assert (begun + timedelta(days=18)).isoformat() == on
    assert found["no_date"] == []
    assert {name: found["reached"][name] for name in ("earliest", "median", "latest")} == dict.fromkeys(
        ("earliest", "median", "latest"), on
    )
    assert "retirement, inspection and calendar come before it" in found["reached"]["words"]
    assert f"From {on} on" in statement_text(answer)


def test_coverage_under_95_percent_takes_the_date_away(site: Path) -> None:
    hours = [24.0] * 20 + [22.0] * 10
    found = told(site, registers=calibrated(), **season([2**94] * 30, observed_h=hours))["forecast"]
    # By hand: 700 of 720 h are 97.2 %, enough.
    assert found["no_date"] == []
    hours = [22.0] * 30
    # Replaced by the same days with less of each seen: 91.6 %.
    found = told(site, registers=calibrated(), **season([2**94] * 30, observed_h=hours, share="less"))["forecast"]
    assert found["no_date"] == ["only 91.6 % of its rigged time was observed, not 95 % (house rule)"]
    assert found["reached"] is None


def test_a_line_turned_end_for_end_has_no_date_for_the_end_that_rests(site: Path) -> None:
    rows = (
        b"line,channel,from,to,outboard_end,share_pct\n"
        b"L1,hook-1-tension,2026-03-02T00:00:00Z,2026-04-01T00:00:00Z,a,100\n"
        b"L1,hook-1-tension,2026-04-01T00:00:00Z,,b,100\n"
    )
    made = season([2**94] * 30)
    made["through"] = date(2026, 4, 1)
    # The day on the other end, seen in full.
    made["sheets"].append(makers.sheet("b", day=date(2026, 4, 1), observed_us=DAY_US))
    made["states"].append(makers.state("L1", zone="b", day=date(2026, 4, 1), sheets=["b"], residue_kn=[0.0]))
    found = told(site, registers=calibrated(rigging=rows), **made)["forecast"]
    assert found["no_date"] == ["its worse zone a is not the one rigged last"]


def test_where_abrasion_is_worse_the_contact_band_is_told(site: Path) -> None:
    made = season([UNIT] * 30, observed_h=[24.0] * 29 + [0.0], abrasion_units=str(7 * UNIT))
    for row in made["states"]:
        row["postable"] = False
    found = told(site, **made)
    assert found["unobserved"]["band"] == found["forecast"]["band"] == "contact band"
    assert float(found["forecast"]["per_rigged_day"]) == pytest.approx(7 * 2.0**-30, rel=1e-9)


def test_registers_changed_since_the_last_night_are_told_and_reckon_nothing(site: Path) -> None:
    rows = b"line,channel,from,to,outboard_end,share_pct\nL1,hook-1-tension,2026-03-05T00:00:00Z,,a,100\n"
    found = told(site, registers=registers(rigging=rows), **season([UNIT] * 30))
    for name in ("unobserved", "forecast"):
        assert found[name]["why"] == "the registers changed since 2026-03-02 was reckoned: run `tautlog nightly`"


def excursion(sheet: str, at_us: int, peak_kn: float, *, at_least: bool = False) -> dict[str, Any]:
    payload = {"first_us": at_us, "last_us": at_us, "peak_kn": peak_kn, "peak_us": at_us, "at_least": at_least}
    return makers.mark(sheet, json.dumps({**payload, "runs_in": False, "runs_on": False}))


def stormy(days: int, every: int) -> tuple[dict[str, Any], np.ndarray, np.ndarray]:
    """A season with two excursions an hour apart every so many days; the instants and peaks of the larger ones."""
    rows = season([UNIT] * days)
    peaks = 650 + np.random.default_rng(7).exponential(100.0, len(range(0, days, every)))
    rows["sheet_marks"], at = [], []
    for i, peak_kn in zip(range(0, days, every), peaks.tolist(), strict=True):
        day = makers.DAY + timedelta(days=i)
        at.append(day_start_us(day) + 6 * H_US)
        rows["sheet_marks"] += [
            excursion(f"season-{day}", at[-1], peak_kn),
            excursion(f"season-{day}", at[-1] + H_US, 650 + (peak_kn - 650) / 2),
        ]
    return rows, np.array(at), peaks


def test_a_year_with_thirty_clusters_has_a_return_peak_with_its_interval(site: Path) -> None:
    rows, at_us, peaks = stormy(400, 10)
    found = told(site, **rows)["return_peaks"]
    assert found["reckoned"]
    # 50 % of a ship design MBL of 1300 kN; the smaller peak of each pair is of the same cluster.
    assert (found["threshold_kn"], found["clusters"], found["observed_days"], found["years"]) == (650.0, 40, 400.0, 10)
    alone = return_level(at_us, at_us, peaks, threshold_kn=650.0, gap_us=DAY_US, observed_us=400 * DAY_US, years=10.0)
    assert isinstance(alone, ReturnLevel)
    assert (found["level_kn"], found["low_kn"], found["high_kn"]) == (alone.level_kn, alone.low_kn, alone.high_kn)
    assert found["low_kn"] < found["level_kn"]
    assert not found["at_least"]


def test_a_short_record_has_no_return_peak_and_tells_clusters_and_days(site: Path) -> None:
    rows, _, _ = stormy(40, 10)
    # Marks of a sheet that is no longer live, and of one that is not this line's.
    rows["sheets"] += [makers.sheet("gone"), makers.sheet("gone", op="drop"), makers.sheet("of another")]
    at_us = day_start_us(makers.DAY) + 100 * DAY_US
    rows["sheet_marks"] += [excursion("gone", at_us, 900.0), excursion("of another", at_us, 900.0)]
    answer = told(site, **rows)
    found = answer["return_peaks"]
    assert (found["reckoned"], found["clusters"], found["observed_days"]) == (False, 4, 40.0)
    assert found["why"].startswith("record too short: 4 clusters of peaks in 40.0 observed days")
    assert "record too short" in statement_text(answer)


def test_a_clipped_peak_makes_the_return_peak_a_least_one(site: Path) -> None:
    rows, at_us, _ = stormy(400, 10)
    rows["sheet_marks"].append(excursion("season-2026-03-02", int(at_us[0]) + 2 * H_US, 651.0, at_least=True))
    answer = told(site, **rows)
    assert answer["return_peaks"]["at_least"]
    assert "at least (a clipped peak is among them)" in statement_text(answer)


def test_a_channel_that_keeps_means_has_no_return_peak(site: Path) -> None:
    rows, _, _ = stormy(400, 10)
    head, *channels = makers.REGISTERS["channels.csv"].splitlines()
    kept = b"\n".join([head + b",recorded", *(row + b",mean" for row in channels)]) + b"\n"
    found = told(site, registers={**makers.REGISTERS, "channels.csv": kept}, **rows)["return_peaks"]
    assert found == {"reckoned": False, "why": "hook-1-tension keeps means, which cut peaks off"}


def test_a_tail_has_no_return_peak_of_its_own(site: Path) -> None:
    lines = makers.REGISTERS["lines.csv"].replace(b"L3,ship-one,rope-44,main", b"L3,ship-one,rope-44,tail")
    found = told(site, "L3", registers=registers(lines=lines), **season([UNIT] * 3))["return_peaks"]
    assert found == {"reckoned": False, "why": "reckoned for main lines; a tail feels what its main line feels"}


def test_an_assumed_share_bands_fatigue_by_the_power_of_the_range(site: Path) -> None:
    rows = RIGGING + b"L1,hook-1-tension,2026-03-02T00:00:00Z,,a,50,assumed,40,60\n"
    found = told(site, registers=registers(rigging=rows), **season([UNIT] * 3))["shares"]
    # By hand: each day one cycle from class 0 to class 20, 100 kN of 1000, N = 10^3 * R^-2; 0.8 and 1.2 squared.
    whole = 3 * 0.1**2 / 1000
    assert found["reckoned"]
    assert float(found["at_share"]) == pytest.approx(whole, rel=1e-12)
    assert float(found["at_share_low"]) == pytest.approx(whole * 0.64, rel=1e-12)
    assert float(found["at_share_high"]) == pytest.approx(whole * 1.44, rel=1e-12)
    assert (found["least"], found["most"]) == (found["at_share_low"], found["at_share_high"])
    assert found["unbounded"] == []


def test_days_with_a_measured_share_count_alike_at_either_end(site: Path) -> None:
    rows = (
        RIGGING + b"L1,hook-1-tension,2026-03-02T00:00:00Z,2026-03-04T00:00:00Z,a,100,measured,,\n"
        b"L1,hook-1-tension,2026-03-04T00:00:00Z,2026-03-05T00:00:00Z,a,50,assumed,25,100\n"
        b"L1,hook-1-tension,2026-03-05T00:00:00Z,,a,40,assumed,,\n"
    )
    answer = told(site, registers=registers(rigging=rows), **season([UNIT] * 4))
    found, one = answer["shares"], 0.1**2 / 1000
    # By hand: three days as they are, one at a quarter and at four times its life.
    assert float(found["at_share_low"]) == pytest.approx(3.25 * one, rel=1e-12)
    assert float(found["at_share_high"]) == pytest.approx(7 * one, rel=1e-12)
    assert found["unbounded"] == ["hook-1-tension from 2026-03-05T00:00:00Z (40 %)"]
    assert "Without bounds: hook-1-tension" in statement_text(answer)


def test_an_assumed_share_without_bounds_has_no_band_and_says_so(site: Path) -> None:
    rows = RIGGING + b"L1,hook-1-tension,2026-03-02T00:00:00Z,,a,50,assumed,,\n"
    found = told(site, registers=registers(rigging=rows), **season([UNIT] * 3))["shares"]
    assert (found["reckoned"], found["unbounded"]) == (False, ["hook-1-tension from 2026-03-02T00:00:00Z (50 %)"])
    assert "share_low and share_high" in found["why"]


def test_a_measured_share_has_no_band(site: Path) -> None:
    assert told(site, **season([UNIT] * 3))["shares"] is None


def test_the_text_calls_the_forecast_a_band_and_the_figures_an_index(site: Path) -> None:
    text = statement_text(told(site, **season([UNIT] * 30, observed_h=[24.0] * 29 + [12.0])))
    block = text[text.index("What is not in these figures") :]
    assert "(severity index) a rigged day" in block
    assert "a band of drawn paths and no assurance" in block
    assert "No date: the figures are a severity index; its opening is unknown." in block
    assert "no forecast is a reason to keep a line longer" in block
    assert "percent of life" not in block


def test_figures_are_the_same_to_the_last_digit_however_often_asked(site: Path) -> None:
    lives = [UNIT * (1 + i % 7) for i in range(40)]
    first = told(site, **season(lives, observed_h=[24.0] * 39 + [6.0]))
    with open_ledger(site) as ledger:
        again = statement(ledger, "L1")
    assert Decimal(first["unobserved"]["high"]) == again["unobserved"]["high"]
    assert answer_text(first) == answer_text(again)
