"""What was done to lines, held against where they were rigged; and lines outside of what was fitted to them."""

from pathlib import Path
from typing import Any

import pytest

from pipeline.ledger import index
from pipeline.ledger.account import exact_sum
from pipeline.ledger.status import status
from tests.night.berth import SPEC, Berth, make_berth, record, values

DAY, NEXT = "2026-03-02", "2026-03-03"
MORNING = "2026-03-02T00:00:00Z,2026-03-02T12:00:00Z"
SERVICES = "line,at,action,detail\n"


def berth_with(tmp_path: Path, riggings: list[str], services: str) -> Berth:
    berth = make_berth(tmp_path / "b", riggings, files={"services.csv": SERVICES + services})
    berth.deliver("hooks_1.csv", record(f"{DAY}T06:00") + record(f"{DAY}T13:00", hook="H2"))
    berth.night(through=DAY)
    return berth


def told(berth: Berth) -> list[tuple[str, str, str]]:
    return [(one.kind, one.severity, one.text) for one in berth.ask(index.findings).values()]


def test_a_change_of_the_end_outboard_without_a_service_is_a_finding_until_it_is_entered(tmp_path: Path) -> None:
    riggings = [f"L1,H1,{MORNING},a,100", "L1,H2,2026-03-02T12:00:00Z,,b,100"]
    berth = berth_with(tmp_path, riggings, "")
    [(kind, severity, text)] = told(berth)
    assert (kind, severity) == ("service-disagrees", "warning")
    assert "services.csv has no end-for-end between" in text
    assert {zone for zone, _ in berth.posted()} == {"a", "b"}  # the zone comes from rigging.csv alone
    berth.write("services.csv", SERVICES + "L1,2026-03-02T12:00:00Z,end-for-end,\n")
    berth.night()
    assert told(berth) == []


@pytest.mark.parametrize(
    ("after", "turns", "finding"),
    [("a", 0, False), ("a", 1, True), ("a", 2, False), ("b", 0, True), ("b", 1, False), ("b", 2, True)],
)
def test_each_end_for_end_turns_the_line_once(tmp_path: Path, after: str, turns: int, finding: bool) -> None:
    services = "".join(f"L1,2026-03-02T10:0{n}:00Z,end-for-end,\n" for n in range(turns))
    berth = berth_with(tmp_path, [f"L1,H1,{MORNING},a,100", f"L1,H2,2026-03-02T12:00:00Z,,{after},100"], services)
    assert berth.findings() == ([("service-disagrees", "L1")] if finding else [])


@pytest.mark.parametrize(
    ("stop", "retired", "finding"),
    [
        ("2026-03-02T12:00:00Z", "2026-03-02T12:00:00Z", False),
        ("2026-03-02T12:00:00Z", "2026-03-02T11:59:59Z", True),
        ("", "2026-03-02T12:00:00Z", True),
        ("", "2999-01-01T00:00:00Z", False),
    ],
)
def test_a_line_rigged_after_it_was_retired_is_an_error(tmp_path: Path, stop: str, retired: str, finding: bool) -> None:
    berth = berth_with(tmp_path, [f"L1,H1,2026-03-02T00:00:00Z,{stop},a,100"], f"L1,{retired},retire,\n")
    found = told(berth)
    assert [(kind, severity) for kind, severity, _ in found] == ([("rigged-after-retirement", "error")] * finding)
    assert all("not for use" in text for _, _, text in found)


@pytest.mark.parametrize(
    ("detail", "read"),
    [
        ('"zone a, 12 m"', True),
        ('"zone b, 0.5 m; chafed at the chock"', True),
        ("12 m", False),
        ('"zone a, twelve m"', False),
        ('"zone a, 0 m"', False),
        ('"zone a, -3 m"', False),
        ('"Zone a, 12 m"', False),
        ("", False),
    ],
)
def test_a_crop_whose_detail_cannot_be_read_is_a_finding(tmp_path: Path, detail: str, read: bool) -> None:
    berth = berth_with(tmp_path, [f"L1,H1,{MORNING},a,100"], f"L1,2026-03-02T14:00:00Z,crop,{detail}\n")
    assert berth.findings() == ([] if read else [("crop-unreadable", "L1")])


ABRASION = """[abrasion]
friction = 0.1
stiffness = 8.0
source = "invented for the test"
[abrasion.allowable_work_kj]
worn = 900
"""
RIGGED = "line,channel,from,to,outboard_end,share_pct,inboard_m,outboard_m,wrap_deg,surface\n"


def test_abrasion_of_real_nights_lies_in_bands_that_a_crop_moves_and_posts_nothing_anew(tmp_path: Path) -> None:
    rows = [
        f"L1,H1,{DAY}T00:00:00Z,{DAY}T12:00:00Z,a,100,20,40,30,worn",
        f"L1,H1,{NEXT}T00:00:00Z,{NEXT}T12:00:00Z,a,100,20,40,30,worn",
    ]
    files = {"specs/rope.toml": SPEC + ABRASION, "rigging.csv": RIGGED + "\n".join(rows) + "\n"}
    berth = make_berth(tmp_path / "b", files=files)
    berth.deliver("hooks_1.csv", record(f"{DAY}T06:00") + record(f"{NEXT}T06:00", seed=2))
    berth.night(through=NEXT)
    posted = {e["day"]: e["life"] for e in berth.statement()["entries"] if e["mechanism"] == "abrasion"}
    assert set(posted) == {DAY, NEXT}
    assert all(life > 0 for life in posted.values())
    assert bands(berth) == [(40.0, exact_sum(posted.values()))]

    berth.write("services.csv", f'{SERVICES}L1,{DAY}T18:00:00Z,crop,"zone a, 12 m"\n')
    night = berth.night()
    assert night.entries_posted == 0
    assert sorted(bands(berth)) == [(28.0, posted[DAY]), (40.0, posted[NEXT])]
    zone = berth.statement()["consumed"]["zones"]["a"]
    assert zone["abrasion"] == exact_sum(posted.values())
    assert zone["total"] == max(*posted.values(), zone["fatigue"])

    berth.write("services.csv", f'{SERVICES}L1,{DAY}T18:00:00Z,crop,"zone a, 60 m"\n')
    berth.night()
    assert bands(berth) == [(40.0, posted[NEXT])]
    assert berth.audit() == []


def bands(berth: Berth) -> list[tuple[float, Any]]:
    pieces = berth.statement()["bands"]
    return [(one["position_m"], one["life"]) for one in pieces if one["where"] == "contact band" and one["zone"] == "a"]


# ---------------------------------------------------------------------------- outside of what was fitted


def test_cycles_beyond_a_curve_are_counted_in_one_finding_that_closes_when_it_no_longer_holds(tmp_path: Path) -> None:
    # By hand, over 1200 kN: 100-700 closes (R 0.5, Lm 1/3), and 100-160 (R 0.05, Lm 0.11); 0-700-0 stays open.
    points = [0.0, 100.0, 700.0, 100.0, 700.0, 100.0, 160.0, 100.0, 0.0]
    fitted = SPEC + "valid_r = [0.1, 0.4]\nvalid_lm = [0.0, 0.3]\n"
    riggings = [f"L1,H1,{DAY}T00:00:00Z,{DAY}T12:00:00Z,a,100"]
    berth = make_berth(tmp_path / "b", riggings, files={"specs/rope.toml": fitted})
    berth.deliver("hooks_1.csv", values(f"{DAY}T06:00", points))
    berth.night(through=DAY)
    counted = {"total": 2, "beyond_r": 1, "below_r": 1, "outside_lm": 1, "compressed": 0}
    assert berth.statement()["outside"]["cycles"] == counted
    [(severity, text)] = [one[1:] for one in told(berth) if one[0] == "cycles-outside-curve"]
    assert severity == "warning"
    assert "of 2 closed cycles 1 with a range above valid_r and 1 with a mean outside valid_lm of spec rope" in text

    berth.write("specs/rope.toml", SPEC + "valid_r = [0.1, 0.9]\nvalid_lm = [0.0, 0.9]\n")
    berth.night()
    assert [one for one in told(berth) if one[0] == "cycles-outside-curve"] == []
    # Small cycles are many: they are shown, and no finding.
    assert berth.statement()["outside"]["cycles"]["below_r"] == 1


def test_a_finding_told_anew_with_other_counts_says_so_when_the_old_one_closes(tmp_path: Path) -> None:
    fitted = SPEC + "valid_r = [0.0, 0.01]\n"
    berth = make_berth(tmp_path / "b", files={"specs/rope.toml": fitted})
    berth.deliver("hooks_1.csv", record(f"{DAY}T06:00"))
    berth.night(through=DAY)
    berth.deliver("hooks_2.csv", record(f"{NEXT}T06:00", seed=2))
    berth.night(through=NEXT)
    assert [kind for kind, _ in berth.findings()] == ["cycles-outside-curve"]
    [(reason,)] = berth.rows("SELECT reason FROM findings WHERE op = 'close'")
    assert reason == "told anew, in other words"
    berth.night()
    assert [kind for kind, _ in berth.findings()] == ["cycles-outside-curve"]


CREEP = """[creep]
log10_tau0_s = -12.0
u0_kj_mol = 150.0
gamma_kj_mol = 90.0
floor = 0.05
fitted_load = [0.05, {most}]
fitted_c = [-5.0, 60.0]
source = "invented for the test"
"""


def test_time_under_load_outside_the_fit_is_a_finding_until_the_fit_reaches_so_far(tmp_path: Path) -> None:
    # 600 kN of 1200 kN is a load of 0.5, steady for 398 s: the last stands for nothing, no later one is there.
    berth = make_berth(tmp_path / "b", files={"specs/rope.toml": SPEC + CREEP.format(most=0.4)})
    berth.deliver("hooks_1.csv", values(f"{DAY}T06:00", [600.0] * 200))
    berth.night(through=DAY)
    [(severity, text)] = [(one[1], one[2]) for one in told(berth) if one[0] == "creep-outside-fit"]
    assert severity == "warning"
    assert "0.11 h outside fitted_load" in text
    assert "which is not zero" in text
    assert berth.statement()["outside"]["creep_s"]["outside_load"] == 398.0
    berth.write("specs/rope.toml", SPEC + CREEP.format(most=0.7))
    berth.night()
    assert "creep-outside-fit" not in [kind for kind, _ in berth.findings()]


# ---------------------------------------------------------------------------- tails


def test_a_tail_has_an_account_an_age_and_advice_of_its_own(tmp_path: Path) -> None:
    riggings = [f"L1,H1,{DAY}T00:00:00Z,,a,100", f"T1,H1,{DAY}T00:00:00Z,,a,100"]
    soft = SPEC.replace('id = "rope"', 'id = "soft"').replace("m = 4.5", "m = 6.5")
    limits = '[limits]\nmax_calls = 1\nsource = "maker\'s handbook (invented for the test)"\n'
    lines = "line,ship,spec,part,in_service\nL1,S1,rope,main,2025-01-01\nT1,S1,soft,tail,2026-02-01\n"
    berth = make_berth(tmp_path / "b", riggings, files={"specs/soft.toml": soft + limits, "lines.csv": lines})
    berth.deliver("hooks_1.csv", record(f"{DAY}T06:00"))
    berth.night(through=DAY)
    assert set(berth.posted("L1")) == set(berth.posted("T1")) == {("a", DAY)}
    assert berth.posted("L1") != berth.posted("T1")
    rows = {row["line"]: row for row in berth.ask(status)["lines"]}
    main, tail = rows["L1"], rows["T1"]
    assert main["service"]["age_years"] - tail["service"]["age_years"] == pytest.approx(396 / 365.25)
    assert (main["service"]["calls"], tail["service"]["calls"]) == (1, 1)
    assert "retire" not in [said["rule"] for said in main["advice_list"]]
    assert tail["advice_list"][0]["rule"] == "retire"
    berth.write("services.csv", SERVICES + f"T1,{DAY}T12:00:00Z,retire,\n")
    berth.night()
    rows = {row["line"]: row for row in berth.ask(status)["lines"]}
    assert rows["T1"]["advice_list"][0]["do"] == "not for use"
    assert "not for use" not in rows["L1"]["advice"]
    assert ("rigged-after-retirement", "T1") in berth.findings()
