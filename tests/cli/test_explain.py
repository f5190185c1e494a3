"""`tautlog explain`: what its text and its JSON hold, what it says of sums that differ, and of what is not there."""

from collections.abc import Iterable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from pipeline.ledger.words import CAUTION, NOT_MODELLED
from tests.cli.command import tautlog
from tests.night.berth import Berth, make_berth, record, values

OBJECT = {
    "version": int, "line": str, "zone": str, "day": str, "until": str, "unreckoned_days": int, "part": str,
    "ship": str, "spec": str, "material": str, "construction": str, "diameter_mm": Decimal, "mass_kg_per_m": Decimal,
    "break_force": dict, "design_mbl": dict, "air": dict, "constants": dict, "grid": dict, "carried": dict,
    "sheets": list, "fatigue": dict, "creep": dict, "heat": dict, "abrasion": dict, "leaves": dict, "account": dict,
    "basis": str, "basis_reasons": list, "not_reckoned": dict, "not_modelled": list, "caution": str,
}  # fmt: skip
SHEET = {
    "sheet", "path", "sha256", "run", "channel", "place", "from", "to", "begins", "ends", "share", "observed_s",
    "calibrations",
}  # fmt: skip
CYCLE = {
    "low_kn", "high_kn", "R", "Lm", "second_slope", "N", "life_of_one", "count", "life_of_one_units", "life_units",
    "life",
}  # fmt: skip
LEVEL = {
    "sheet", "bin_from", "class_kn", "load_kn", "load_ratio", "core_c", "rupture_s", "seconds", "life_units", "life",
    "why", "swing_at_most_kn",
}  # fmt: skip
SUM = {"units", "life", "entry", "posted", "agrees", "says"}


def flat(text: str) -> str:
    return " ".join(text.split())


def keys(items: Iterable[Any]) -> set[frozenset[str]]:
    return {frozenset(item) for item in items}


def test_json_is_an_object_of_version_1_with_all_its_parts(site: Path) -> None:
    answer = tautlog("explain", site, "L1", "--json").json
    assert {name: type(value) for name, value in answer.items()} == {
        name: Decimal if kind is Decimal else kind for name, kind in OBJECT.items()
    }
    assert keys(answer["sheets"]) == {frozenset(SHEET)}
    assert keys(answer["fatigue"]["cycles"]) == {frozenset(CYCLE)}
    assert keys(answer["creep"]["items"]) == {frozenset(LEVEL)}
    assert keys(answer[name]["sum"] for name in ("fatigue", "creep", "abrasion")) == {frozenset(SUM)}
    assert set(answer["constants"]["fatigue"]) == {"constants", "source", "calibrated", "caveat"}
    assert answer["constants"]["creep"] is None
    assert set(answer["account"]["zones"]) == {"a", "b"}
    assert (answer["caution"], answer["not_modelled"]) == (CAUTION, list(NOT_MODELLED))


def test_without_options_it_is_the_worse_zone_and_the_last_day(site: Path) -> None:
    answer = tautlog("explain", site, "L2", "--json").json
    stated = tautlog("statement", site, "L2", "--json").json
    assert answer["zone"] == stated["consumed"]["worst"] == "b"
    assert answer["day"] == max(entry["day"] for entry in stated["entries"])
    assert answer == tautlog("explain", site, "L2", "--zone", "b", "--day", answer["day"], "--json").json


def test_sums_bands_and_pending_are_those_of_the_statement(site: Path) -> None:
    for line in ("L1", "L2", "T1"):
        told = tautlog("explain", site, line, "--json").json["account"]
        stated = tautlog("statement", site, line, "--json").json
        for zone, row in told["zones"].items():
            (free,) = [p["life"] for p in stated["bands"] if (p["zone"], p["where"]) == (zone, "outboard length")]
            assert row["bands_posted"]["outboard length"] == free
            assert max(row["bands_posted"].values()) == stated["consumed"]["zones"][zone]["total"]
            assert row["pending"]["life"] == stated["pending"]["zones"][zone]
            assert row["sum"]["fatigue"] == stated["consumed"]["zones"][zone]["fatigue"]
        assert (told["strength"], told["together"]) == (stated["strength"], stated["together"])


def test_text_has_inputs_constants_sums_and_the_caution(site: Path) -> None:
    ran = tautlog("explain", site, "L1")
    text = flat(ran.out)
    assert (ran.code, ran.err) == (0, "")
    assert CAUTION in text
    assert f"In no figure: {', '.join(NOT_MODELLED)}." in text
    assert "Break force 1200 kN (from specs, rope); ship design MBL 1000 kN (invented for the test)" in text
    assert "Air: 20 °C (house rule: site.toml gives no ambient_c)" in text
    assert "fatigue NO invented for the test a = 3.1, b = 0.4, m = 4.5" in text
    assert "severity index, which ranks lines and is never a percent of life or a date" in text
    assert "N = 10^(a - b*Lm) * R^-m" in text
    assert "Not reckoned, which is not zero: creep (spec rope has no [creep])." in text
    assert "retirement line 750 kN (75 % of ship design MBL 1000 kN)" in text
    (sheet,) = tautlog("explain", site, "L1", "--json").json["sheets"]
    assert sheet["sha256"][:20] in text
    told = tautlog("explain", site, "L1", "--json").json["fatigue"]["sum"]
    assert f"Sum: {told['life']:f}; the sum of the items is the live entry {told['entry']}, to the last digit." in text


def test_text_shows_the_twenty_largest_and_what_the_others_sum_to(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00", 200))
    berth.night(through="2026-03-02")
    cycles = tautlog("explain", berth.root, "L1", "--json").json["fatigue"]["cycles"]
    assert len(cycles) > 20
    lives = [cycle["life"] for cycle in cycles]
    assert lives == sorted(lives, reverse=True)
    text = tautlog("explain", berth.root, "L1").out
    assert f"and {len(cycles) - 20} more, together {sum(lives[20:]):.3e} (all with --json)" in text
    assert f"{lives[19]:.6e}" in text
    assert f"{lives[20]:.6e}" not in text


def test_time_that_creep_does_not_count_is_never_said_to_be_harmless(site: Path) -> None:
    items = tautlog("explain", site, "L1", "--json").json["creep"]["items"]
    assert len(items) > 20
    assert {item["life"] for item in items} == {None}
    text = flat(tautlog("explain", site, "L1").out)
    assert f"and {len(items) - 20} more, together 0; for {len(items) - 20} of them no life is claimed" in text
    assert "Time that is not counted is not harmless" in text


def test_a_sum_that_is_not_the_ledgers_is_said_and_points_to_audit(tmp_path: Path) -> None:
    berth = _two_nights(tmp_path)
    answer = tautlog("explain", berth.root, "L1", "--day", "2026-03-02", "--json").json
    assert answer["fatigue"]["sum"]["agrees"] is True
    # An ingest takes the new curve into the registers; no night has priced anything by it.
    berth.edit("specs/rope.toml", "m = 4.5", "m = 4.6")
    berth.deliver("hooks_3.csv", record("2026-03-05T06:00"))
    tautlog("ingest", berth.root)
    told = tautlog("explain", berth.root, "L1", "--day", "2026-03-02", "--json").json["fatigue"]["sum"]
    assert told["agrees"] is False
    assert told["life"] != told["posted"]
    text = flat(tautlog("explain", berth.root, "L1", "--day", "2026-03-02").out)
    assert (
        "THE SUM IS NOT WHAT THE LEDGER HOLDS: run `tautlog nightly`, and if it still differs `tautlog audit`" in text
    )
    assert "NOT RECKONED YET" in text
    berth.night(through="2026-03-05")
    answer = tautlog("explain", berth.root, "L1", "--day", "2026-03-02", "--json").json
    assert answer["fatigue"]["sum"]["agrees"] is True


def test_a_day_that_waits_for_a_later_sample_is_explained_and_said_not_to_be_posted(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    berth.night()
    answer = tautlog("explain", berth.root, "L1", "--json").json
    told = answer["fatigue"]["sum"]
    assert (told["entry"], told["posted"], told["agrees"]) == (None, None, True)
    assert told["says"].startswith("not posted yet")
    assert told["life"] == answer["account"]["zones"]["a"]["not_posted"]["fatigue"] > 0


def test_a_line_nobody_registered_is_told_with_the_nearest_name(site: Path) -> None:
    ran = tautlog("explain", site, "L11")
    assert (ran.code, ran.out) == (78, "")
    assert "no line is called 'L11'" in ran.err
    assert "did you mean L1?" in ran.err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("L1", "--day", "2026-02-20"), "nothing is reckoned of zone a of line L1 on 2026-02-20"),
        (("L1", "--day", "2026-02-20"), "next: the nearest such day is 2026-03-02"),
        (("L1", "--zone", "b"), "nothing is reckoned of zone b of line L1 yet"),
        (("L1", "--zone", "b", "--day", "2026-03-02"), "nothing is reckoned of zone b of line L1 on 2026-03-02"),
    ],
)
def test_a_day_or_zone_of_which_nothing_is_reckoned_is_an_error(site: Path, words: tuple[str, ...], said: str) -> None:
    ran = tautlog("explain", site, *words)
    assert (ran.code, ran.out) == (65, "")
    assert said in ran.err


def test_a_line_without_any_reading_has_nothing_to_explain(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", values("2026-03-02T06:00", [100.0, 200.0]))
    berth.night(through="2026-03-02")
    ran = tautlog("explain", berth.root, "L2")
    assert ran.code == 65
    assert "nothing is reckoned of zone a of line L2 yet" in ran.err


def test_a_sheet_that_is_gone_is_told_with_its_file(tmp_path: Path) -> None:
    berth = _two_nights(tmp_path)
    (sheet,) = tautlog("explain", berth.root, "L1", "--day", "2026-03-02", "--json").json["sheets"]
    (berth.root / sheet["path"]).unlink()
    ran = tautlog("explain", berth.root, "L1", "--day", "2026-03-02")
    assert ran.code == 74
    assert sheet["path"] in ran.err
    assert "`tautlog audit`" in ran.err


@pytest.mark.parametrize("words", [("--day", "yesterday"), ("--zone", "c")])
def test_wrong_words_are_wrong_usage(site: Path, words: tuple[str, str]) -> None:
    assert tautlog("explain", site, "L1", *words).code == 2


def _two_nights(root: Path) -> Berth:
    berth = make_berth(root / "b")
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    berth.night(through="2026-03-02")
    berth.deliver("hooks_2.csv", record("2026-03-03T06:00"))
    berth.night(through="2026-03-03")
    return berth
