"""The demo's lines and its candidate: figures against the line's own account, and what the answer may say."""

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from pipeline.compare import compare, read_specs
from pipeline.ledger.account import accounts, last_site
from pipeline.ledger.database import Ledger
from pipeline.render_compare import compare_text
from tests.compare.conftest import CANDIDATE

MAINS = [f"L{i:02d}" for i in range(1, 13)]


def ropes(answer: dict[str, Any], line: str) -> tuple[dict[str, Any], dict[str, Any]]:
    (found,) = [row for row in answer["lines"] if row["line"] == line]
    own, candidate = found["ropes"]
    return own, candidate


def test_every_main_line_with_a_record_is_compared_its_own_rope_first(by_class: dict[str, Any]) -> None:
    assert [row["line"] for row in by_class["lines"]] == MAINS
    assert all(rope["own"] == (i == 0) for row in by_class["lines"] for i, rope in enumerate(row["ropes"]))


def test_from_the_sheets_a_lines_own_rope_has_the_lines_account(demo_ledger: Ledger, exactly: dict[str, Any]) -> None:
    booked = accounts(demo_ledger, last_site(demo_ledger), MAINS)
    for line in MAINS:
        load, account = ropes(exactly, line)[0]["equal_load"], booked[line]
        posted = account.posted[account.worse_zone]
        assert load["zone"] == account.worse_zone
        assert load["used"] == account.used(account.worse_zone)
        assert account.unposted == ()
        assert load["fatigue"] == (posted["fatigue"] or 0) + account.pending[account.worse_zone]
        assert (load["creep"], load["abrasion"]) == (posted["creep"], posted["abrasion"])
        assert load["fatigue"] > 0


def test_a_candidate_with_a_lines_own_constants_is_priced_to_the_lines_account_to_the_last_digit(
    demo_ledger: Ledger,
) -> None:
    site = last_site(demo_ledger)
    alike: dict[tuple[str, float], list[str]] = {}
    for line in MAINS:
        alike.setdefault((site.spec_of(line).id, site.break_force_kn(line)), []).append(line)
    creep = abrasion = Decimal(0)
    for (spec, force_kn), lines in alike.items():
        twin = site.specs[spec].model_copy(update={"id": "twin", "break_force_kn": force_kn})
        answer = compare(demo_ledger, [twin], lines, exact=True, workers="serial")
        for line in lines:
            own, priced = ropes(answer, line)
            assert priced["equal_load"] == own["equal_load"]
            creep += priced["equal_load"]["creep"] or 0
            abrasion += priced["equal_load"]["abrasion"] or 0
    assert creep > 0
    assert abrasion > 0


def test_under_equal_motion_the_own_rope_uses_what_it_uses_under_equal_load(
    by_class: dict[str, Any], exactly: dict[str, Any]
) -> None:
    for answer in (by_class, exactly):
        for line in MAINS:
            own, _ = ropes(answer, line)
            assert {**own["equal_load"], "scale": 1.0} == own["equal_motion"]


def test_the_error_of_classes_is_told_by_mechanism_and_small_for_fatigue(
    by_class: dict[str, Any], exactly: dict[str, Any]
) -> None:
    for line in MAINS:
        against_account = ropes(by_class, line)[0]["class_error"]
        against_sheets = ropes(exactly, line)[0]["class_error"]
        assert against_account == against_sheets
        assert 0 < abs(against_account["fatigue"]) < 0.03
        true = ropes(exactly, line)[0]["equal_load"]["fatigue"]
        assert float(ropes(by_class, line)[0]["equal_load"]["fatigue"] / true - 1) == pytest.approx(
            against_account["fatigue"], abs=1e-12
        )


def test_creep_that_classes_cannot_tell_is_null_with_why_and_a_bound_that_holds(
    by_class: dict[str, Any], exactly: dict[str, Any]
) -> None:
    for line in MAINS:
        coarse, true = ropes(by_class, line)[0], ropes(exactly, line)[0]
        assert coarse["equal_load"]["creep"] is None
        assert "--exact" in coarse["not_reckoned"]["creep"]
        assert coarse["class_error"]["creep"] is None
        assert true["equal_load"]["creep"] is not None
        assert true["equal_load"]["creep_at_most"] is None
        # Rope that cycling warms may creep more than any at air temperature, but not by a twentieth here.
        assert true["equal_load"]["creep"] <= coarse["equal_load"]["creep_at_most"] * Decimal("1.05")


def test_the_demos_candidate_is_stronger_on_paper_and_uses_more_under_both_methods(
    by_class: dict[str, Any], exactly: dict[str, Any]
) -> None:
    first = dict.fromkeys(("class", "sheets"), 0)
    for kind, answer in (("class", by_class), ("sheets", exactly)):
        for line in MAINS:
            own, candidate = ropes(answer, line)
            assert candidate["break_force_kn"] > own["break_force_kn"]
            assert candidate["equal_load"]["peak_share"] < own["equal_load"]["peak_share"]
            (row,) = [row for row in answer["lines"] if row["line"] == line]
            assert row["ranked"] in (None, ["hmpe-44", "aramid-42"])
            first[kind] += row["ranked"] is not None
    assert min(first.values()) > len(MAINS) / 2


def test_where_abrasion_by_class_decides_it_the_error_of_classes_keeps_ropes_from_being_ordered(
    by_class: dict[str, Any],
) -> None:
    (row,) = [row for row in by_class["lines"] if row["line"] == "L12"]
    own, candidate = row["ropes"]
    assert own["equal_load"]["used"] == own["equal_load"]["abrasion"]
    assert own["equal_load"]["used"] < candidate["equal_load"]["used"]
    assert own["class_error"]["abrasion"] > 0.2
    assert (row["ranked"], "closer together than they are known" in row["why"]) == (None, True)


def test_the_same_ropes_in_workers_give_the_same_answer(demo_ledger: Ledger, exactly: dict[str, Any]) -> None:
    again = compare(demo_ledger, read_specs([CANDIDATE]), ["L07"], exact=True, workers="2")
    assert again["lines"] == [row for row in exactly["lines"] if row["line"] == "L07"]


def test_a_tail_is_compared_in_series_with_its_main_line(demo_ledger: Ledger) -> None:
    (row,) = compare(demo_ledger, read_specs([CANDIDATE]), ["T05"])["lines"]
    scale = row["ropes"][1]["equal_motion"]["scale"]
    site = last_site(demo_ledger)
    (tail,) = [r for r in site.riggings if r.line == "T05"]
    (main,) = [r for r in site.riggings if r.line == "L05" and r.from_us == tail.from_us]
    assert tail.outboard_m is not None
    assert main.outboard_m is not None
    assert main.inboard_m is not None
    # By hand: metres over (EA / break force * break force) of each, and the ratio of what both give together.
    own = tail.outboard_m / (site.spec_of("T05").stiffness.static * site.break_force_kn("T05"))  # type: ignore[union-attr]
    new = tail.outboard_m / (40.0 * 1520.0)
    rest = (main.outboard_m + main.inboard_m) / (25.0 * 1370.0)
    assert scale == pytest.approx((own + rest) / (new + rest), rel=1e-12)
    assert scale > 1


def test_a_tail_that_is_stiffer_than_its_own_feels_a_higher_peak_under_equal_motion(demo_ledger: Ledger) -> None:
    (row,) = compare(demo_ledger, read_specs([CANDIDATE]), ["T05"])["lines"]
    candidate = row["ropes"][1]
    assert candidate["equal_motion"]["peak_kn"] > candidate["equal_load"]["peak_kn"]
    assert candidate["equal_motion"]["fatigue"] > candidate["equal_load"]["fatigue"]


def test_the_text_says_what_a_figure_is_and_never_calls_a_rope_better(
    by_class: dict[str, Any], exactly: dict[str, Any]
) -> None:
    for answer in (by_class, exactly):
        text = compare_text(answer)
        flat = " ".join(text.split())
        for word in ("better", "best", "recommend", "choose", "safe "):
            assert word not in flat.lower()
        assert "severity index" in flat
        assert "common practice, no source" in flat
        assert "Used least under both, first: hmpe-44, aramid-42; an order by life used alone, of no fitness." in flat
        assert answer["caution"] in flat
        assert '"invented for the demo"' in flat
        for row in answer["lines"]:
            for rope in row["ropes"]:
                assert f"{rope['break_force_kn'] / rope['mass_kg_per_m']:.0f}" in flat


def test_the_readme_shows_what_the_command_prints(demo_ledger: Ledger) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    (shown,) = [block for block in readme.split("```") if block.lstrip().startswith("$ tautlog compare demo-site")]
    printed = compare_text(compare(demo_ledger, read_specs([CANDIDATE]), ["L07"], exact=True, workers="serial"))
    lines = [line for line in shown.strip().splitlines()[1:] if line != "..."]
    assert lines
    assert [line for line in lines if line not in printed.splitlines()] == []
