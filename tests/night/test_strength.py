"""Strength left as a statement tells it: against break tests, against the retirement line, and with what to do."""

from decimal import Decimal
from pathlib import Path
from statistics import NormalDist

import pytest

from pipeline.ledger.status import status
from pipeline.render import statement_text
from tests.night.berth import BREAK_FORCE_KN, DESIGN_MBL_KN, SPEC, make_berth, record

DAY, NEXT = "2026-03-02", "2026-03-03"
STRENGTH = '[strength_left]\nexponent = 1.0\nat_end = 0.5\nsource = "invented for the test"\n'
LINES = "line,ship,spec,part,in_service,opening_life,opening_source\n"
TESTS = "line,zone,at,position_m,condition,break_kn,laboratory\n"


def test_break_tests_stand_beside_what_the_model_said_of_that_day(tmp_path: Path) -> None:
    files = {
        "specs/rope.toml": SPEC + STRENGTH,
        "lines.csv": f"{LINES}L1,S1,rope,main,2026-01-01,0.2,invented for the test\n",
        "strength_tests.csv": f"{TESTS}L1,a,{DAY}T00:00:00Z,3.5,wet,812,bench\nL1,a,{NEXT}T12:00:00Z,,,640,\n",
    }
    berth = make_berth(tmp_path / "b", [f"L1,H1,{DAY}T00:00:00Z,,a,100"], files=files)
    berth.deliver("hooks_1.csv", record(f"{DAY}T06:00"))
    berth.night(through=DAY)
    told = berth.statement()
    # By hand, exponent 1: a fifth of a life from the register takes a tenth of the break force.
    before, after = told["strength_tests"]
    assert before["predicted_kn"]["outboard length"] == pytest.approx(0.9 * BREAK_FORCE_KN, rel=1e-12)
    used = Decimal("0.2") + told["consumed"]["zones"]["a"]["fatigue"]
    assert after["predicted_kn"]["outboard length"] == pytest.approx(BREAK_FORCE_KN * (1 - float(used) / 2), rel=1e-12)
    text = statement_text(told)
    assert f"Break test of {DAY}T00:00:00Z, zone a, 3.5 m from the eye, wet, bench: 812 kN; the model said" in text
    assert f"Break test of {NEXT}T12:00:00Z, zone a: 640 kN; the model said" in text
    assert f"retirement line {0.75 * DESIGN_MBL_KN:.0f} kN" in text
    assert "no figure here is a reason to keep a line" in text


def test_without_a_model_break_tests_and_the_retirement_line_are_told_all_the_same(tmp_path: Path) -> None:
    files = {"strength_tests.csv": f"{TESTS}L1,a,{DAY}T00:00:00Z,3.5,dry,812,bench\n"}
    berth = make_berth(tmp_path / "b", [f"L1,H1,{DAY}T00:00:00Z,,a,100"], files=files)
    berth.deliver("hooks_1.csv", record(f"{DAY}T06:00"))
    berth.night(through=DAY)
    text = statement_text(berth.statement())
    assert (
        f"Strength left: not reckoned: spec rope has no [strength_left]; retirement line {0.75 * DESIGN_MBL_KN:.0f}"
        in text
    )
    assert "812 kN; the model says nothing." in text


def test_a_statement_says_what_to_do_in_the_words_of_the_status(tmp_path: Path) -> None:
    limits = '[limits]\nmax_calls = 1\nsource = "maker\'s handbook (invented for the test)"\n'
    berth = make_berth(tmp_path / "b", [f"L1,H1,{DAY}T00:00:00Z,,a,100"], files={"specs/rope.toml": SPEC + limits})
    berth.deliver("hooks_1.csv", record(f"{DAY}T06:00"))
    berth.night(through=DAY)
    [row] = [line for line in berth.ask(status)["lines"] if line["line"] == "L1"]
    told = berth.statement()
    assert told["advice_list"] == row["advice_list"]
    assert told["advice_list"][0]["rule"] == "retire"
    assert f"  retire: {told['advice_list'][0]['because']}" in statement_text(told)


def test_the_scatter_of_a_curve_s_tests_gives_fatigue_a_band(tmp_path: Path) -> None:
    rig = [f"L1,H1,{DAY}T00:00:00Z,,a,100"]
    berth = make_berth(tmp_path / "b", rig, files={"specs/rope.toml": SPEC + "factor = 2.0\nscatter = 0.3\n"})
    berth.deliver("hooks_1.csv", record(f"{DAY}T06:00"))
    berth.night(through=DAY)
    told = berth.statement()
    shown = float(told["consumed"]["zones"]["a"]["fatigue"])
    # Nine in ten of a normal log10 N lie within 1.645 standard deviations.
    times = 10 ** (0.3 * NormalDist().inv_cdf(0.95))
    band = told["fatigue_scatter"]["zones"]["a"]
    assert (band["low"], band["high"]) == pytest.approx((shown / times, shown * times), rel=1e-12)
    assert f"zone a {band['low']:.3e} to {band['high']:.3e}, and half of the rest more" in statement_text(told)
    berth.write("specs/rope.toml", SPEC)
    berth.night()
    assert berth.statement()["fatigue_scatter"] is None
