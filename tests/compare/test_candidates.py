"""Candidates on a small berth: worse constants use more, and what cannot be compared is said."""

from pathlib import Path
from typing import Any

import pytest

from pipeline.compare import compare, read_specs
from tests.cli.command import tautlog
from tests.night.berth import SPEC, Berth, make_berth, record

RIGGINGS = ("L1,H1,2026-03-02T00:00:00Z,,a,100", "L2,H2,2026-03-02T00:00:00Z,2026-03-03T00:00:00Z,b,100")


@pytest.fixture(scope="module")
def berth(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    """L1 over two days; L2 until the midnight between them."""
    made = make_berth(tmp_path_factory.mktemp("ropes") / "b", RIGGINGS)
    for day in ("2026-03-02", "2026-03-03"):
        made.deliver(f"hooks_{day}.csv", record(f"{day}T06:00", 200) + record(f"{day}T06:00", 200, hook="H2"))
    made.night(through="2026-03-03")
    return made


def spec(folder: Path, name: str, old: str = "", new: str = "", more: str = "") -> Path:
    text = SPEC.replace('id = "rope"', f'id = "{name}"')
    assert old in text
    path = folder / f"{name}.toml"
    path.write_text(text.replace(old, new, 1) + more, encoding="utf-8")
    return path


def run(berth: Berth, files: list[Path], *, exact: bool, lines: tuple[str, ...] = ()) -> list[dict[str, Any]]:
    asked = berth.ask(lambda ledger: compare(ledger, read_specs(files), lines, exact=exact, workers="serial"))
    found: list[dict[str, Any]] = asked["lines"]
    return found


@pytest.mark.parametrize("exact", [False, True])
@pytest.mark.parametrize(
    ("old", "new"),
    [("a = 3.1", "a = 3.0"), ("b = 0.4", "b = 0.9"), ("break_force_kn = 1200", "break_force_kn = 1100")],
    ids=["fewer cycles", "more of the mean", "weaker"],
)
def test_a_candidate_with_worse_constants_uses_more_under_equal_load(
    berth: Berth, tmp_path: Path, old: str, new: str, exact: bool
) -> None:
    for line in run(berth, [spec(tmp_path, "worse", old, new)], exact=exact):
        own, worse = line["ropes"]
        assert own["equal_load"]["fatigue"] > 0
        assert worse["equal_load"]["fatigue"] > own["equal_load"]["fatigue"]


@pytest.mark.parametrize("exact", [False, True])
def test_a_candidate_with_the_same_constants_uses_the_same(berth: Berth, tmp_path: Path, exact: bool) -> None:
    for line in run(berth, [spec(tmp_path, "twin")], exact=exact):
        own, twin = line["ropes"]
        assert {**own["equal_load"]} == twin["equal_load"]
        assert line["ranked"] is None


def test_a_tenfold_life_at_every_cycle_is_a_tenth_of_the_life_used(berth: Berth, tmp_path: Path) -> None:
    for line in run(berth, [spec(tmp_path, "tenfold", "a = 3.1", "a = 4.1")], exact=True):
        own, tenfold = line["ropes"]
        assert float(own["equal_load"]["fatigue"] / tenfold["equal_load"]["fatigue"]) == pytest.approx(10, rel=1e-12)


def test_without_stiffness_or_lengths_there_is_no_equal_motion_and_no_order(berth: Berth, tmp_path: Path) -> None:
    stiff = spec(tmp_path, "stiff", more='[stiffness]\nstatic = 40.0\nsource = "invented for the test"\n')
    for line in run(berth, [stiff], exact=False):
        assert line["ropes"][1]["equal_motion"] is None
        assert line["ropes"][1]["equal_motion_why"] == "spec rope has no [stiffness]"
        assert line["ranked"] is None
        assert "equal motion is not reckoned for stiff" in line["why"]


def test_a_line_without_a_record_says_so(berth: Berth, tmp_path: Path) -> None:
    (line,) = run(berth, [spec(tmp_path, "twin")], exact=True, lines=("T1",))
    assert (line["ropes"], line["ranked"], line["why"]) == ([], None, "nothing was recorded of it")


def test_abrasion_that_only_one_rope_has_constants_for_gives_no_order(berth: Berth, tmp_path: Path) -> None:
    rubbed = berth.copy(tmp_path / "b")
    rubbed.write(
        "rigging.csv",
        "line,channel,from,to,outboard_end,share_pct,inboard_m,outboard_m,wrap_deg,surface\n"
        "L1,H1,2026-03-02T00:00:00Z,,a,100,20,40,30,rough\n",
    )
    rubbed.write("specs/rope.toml", SPEC + '[stiffness]\nstatic = 20.0\nsource = "invented for the test"\n')
    rubbed.night()
    abrasion = (
        "[abrasion]\nfriction = 0.1\nstiffness = 20.0\nallowable_work_kj = { rough = 900.0 }\n"
        'source = "invented for the test"\n[stiffness]\nstatic = 30.0\nsource = "invented for the test"\n'
    )
    (line,) = run(rubbed, [spec(tmp_path, "rubs", more=abrasion)], exact=True)
    own, rubs = line["ropes"]
    assert own["equal_load"]["abrasion"] is None
    assert rubs["equal_load"]["abrasion"] > 0
    assert rubs["equal_load"]["used"] >= rubs["equal_load"]["abrasion"]
    assert rubs["equal_motion"]["scale"] == pytest.approx(1.5)
    assert rubs["equal_motion"]["reckoned_by"] == {"fatigue": "sheets", "creep": "class", "abrasion": "class"}
    assert line["why"] == "abrasion is not reckoned for rope, and is for the others"
    # Equal motion rests on the stiffness of both ropes.
    assert '[stiffness] of spec rubs says of its source: "invented for the test"' in rubs["basis_reasons"]
    assert '[stiffness] of spec rope says of its source: "invented for the test"' in rubs["basis_reasons"]


def test_creep_that_only_one_rope_has_constants_for_gives_no_order(berth: Berth, tmp_path: Path) -> None:
    rigged = berth.copy(tmp_path / "b")
    rigged.write(
        "rigging.csv",
        "line,channel,from,to,outboard_end,share_pct,inboard_m,outboard_m\nL1,H1,2026-03-02T00:00:00Z,,a,100,20,40\n",
    )
    stiffness = '[stiffness]\nstatic = 20.0\nsource = "invented for the test"\n'
    rigged.write("specs/rope.toml", SPEC + stiffness)
    rigged.night()
    creep = (
        "[creep]\nlog10_tau0_s = -13.0\nu0_kj_mol = 129.0\ngamma_kj_mol = 54.0\nfloor = 0.05\n"
        'fitted_load = [0.05, 0.7]\nfitted_c = [-5.0, 60.0]\nsource = "invented for the test"\n'
    )
    # Ten times the cycles: it would come first but for what nobody knows of the other's creep.
    (line,) = run(rigged, [spec(tmp_path, "creeps", "a = 3.1", "a = 4.1", more=stiffness + creep)], exact=True)
    assert line["ranked"] is None
    assert line["why"] == "creep is not reckoned for rope, and is for the others"


def test_an_unknown_line_a_spec_that_is_none_and_an_id_given_twice_end_with_78(berth: Berth, tmp_path: Path) -> None:
    good = spec(tmp_path, "good")
    ran = tautlog("compare", berth.root, "--spec", good, "--line", "L3")
    assert (ran.code, "no line is called 'L3'" in ran.err) == (78, True)
    broken = tmp_path / "broken.toml"
    broken.write_text('id = "broken"\n', encoding="utf-8")
    assert tautlog("compare", berth.root, "--spec", broken).code == 78
    ran = tautlog("compare", berth.root, "--spec", good, "--spec", good)
    assert (ran.code, "two candidates have the id 'good'" in ran.err) == (78, True)
    other = spec(tmp_path, "rope", "a = 3.1", "a = 2.0")
    ran = tautlog("compare", berth.root, "--spec", other)
    assert (ran.code, "another spec with the id 'rope'" in ran.err) == (78, True)
    assert tautlog("compare", berth.root, "--spec", tmp_path / "none.toml").code == 2


def test_the_command_prints_text_and_json(berth: Berth, tmp_path: Path) -> None:
    good = spec(tmp_path, "good", "a = 3.1", "a = 2.9")
    for words in ((), ("--exact", "--workers", "serial")):
        ran = tautlog("compare", berth.root, "--spec", good, "--json", *words)
        assert (ran.code, ran.err) == (0, "")
        assert ran.json["version"] == 1
        assert ran.json["exact"] == bool(words)
        assert {line["line"] for line in ran.json["lines"]} == {"L1", "L2"}
        told = tautlog("compare", berth.root, "--spec", good, *words)
        assert told.code == 0
        assert "good" in told.out
