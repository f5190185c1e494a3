"""The page of candidate ropes: the answer of `compare`, to the digit; an order only where both ways agree."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import sample_logs
from pipeline.cli import tautlog
from pipeline.compare import compare, read_specs
from pipeline.reports.making import all_pages, common_of
from pipeline.reports.page import COMPARE, Page
from pipeline.reports.ropes import candidates_of, compared_view
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.writing import page_html
from tests.reports.read import Reading, numbers_in, read_html, read_page

CANDIDATE = Path(sample_logs.__file__).parent / "candidates" / "aramid-42.toml"


@pytest.fixture(scope="module")
def answer(demo: Snapshot) -> dict[str, Any]:
    return compare(demo.ledger, read_specs([CANDIDATE]))


def reading_of(demo: Snapshot, answer: dict[str, Any]) -> Reading:
    common = common_of(demo, all_pages(demo))
    shown = compared_view(answer, read_specs([CANDIDATE]))
    return read_html(page_html(Page(COMPARE, "Ropes compared", "compare.html.j2", shown), common))


def test_every_figure_of_a_comparison_is_in_the_answer_of_compare_to_the_last_digit(
    demo: Snapshot, demo_root: Path, answer: dict[str, Any]
) -> None:
    figures = [fig for fig in reading_of(demo, answer).figures if fig.said.startswith("tautlog compare ")]
    assert len(figures) > 12 * 2 * 2 * 4
    told = CliRunner().invoke(tautlog, ["compare", str(demo_root), "--spec", str(CANDIDATE), "--json"])
    assert told.exit_code == 0
    known = numbers_in(told.stdout)
    assert [fig for fig in figures if fig.value not in known] == []


def test_an_order_stands_only_where_compare_gives_one_else_why_there_is_none(
    demo: Snapshot, answer: dict[str, Any]
) -> None:
    text = reading_of(demo, answer).text
    ranked = [line for line in answer["lines"] if line["ranked"] is not None]
    assert text.count("Used least under both, first:") == len(ranked)
    for line in answer["lines"]:
        if line["ranked"] is None:
            assert f"No order: {line['why']}." in text
    torn = {**answer, "lines": [{**line, "ranked": None, "why": "they disagree"} for line in answer["lines"]]}
    assert "Used least" not in reading_of(demo, torn).text
    assert reading_of(demo, torn).text.count("No order: they disagree.") == len(answer["lines"])


def test_the_caution_the_basis_and_what_is_not_reckoned_stand_beside_the_figures(
    demo: Snapshot, answer: dict[str, Any]
) -> None:
    text = reading_of(demo, answer).text
    assert answer["caution"] in text
    assert "never a percent of life or a date" in text
    for rope in answer["lines"][0]["ropes"]:
        for what, why in rope["not_reckoned"].items():
            assert f"{what} of {rope['spec']} ({why})" in text
        assert all(why in text for why in rope["basis_reasons"])
    assert all(words in text for words in (answer["weight"], *answer["limits"]))


def test_a_rope_weaker_than_ship_design_mbl_is_told_whatever_it_would_have_used(
    demo: Snapshot, answer: dict[str, Any]
) -> None:
    assert "Break force below ship design MBL" not in reading_of(demo, answer).text
    weak = [
        {**line, "ropes": [line["ropes"][0], {**line["ropes"][1], "break_force_kn": 900.0}]} for line in answer["lines"]
    ]
    text = reading_of(demo, {**answer, "lines": weak}).text
    assert text.count("Break force below ship design MBL") == len(answer["lines"])


def test_candidates_are_the_specs_that_no_line_uses_and_those_named_each_once(demo: Snapshot) -> None:
    named = read_specs([CANDIDATE])
    used = {line.spec for line in demo.site.lines.values()}
    without = replace(demo.site, specs={name: spec for name, spec in demo.site.specs.items() if name in used})
    assert candidates_of(without, []) == []
    for site in (without, demo.site):
        assert [spec.id for spec in candidates_of(site, named)] == ["aramid-42"]
    assert [spec.id for spec in candidates_of(demo.site, [])] == ["aramid-42"]


def test_the_demo_has_a_candidate_to_compare_each_of_its_main_lines_with(demo_pages: Path, demo: Snapshot) -> None:
    text = read_page(demo_pages / "compare.html").text
    assert "aramid-42" in text
    mains = [name for name, line in demo.site.lines.items() if line.part == "main"]
    assert len(mains) == 12
    assert [name for name in mains if name not in text] == []


def test_without_a_candidate_the_page_says_how_to_get_one(demo: Snapshot) -> None:
    common = common_of(demo, all_pages(demo))
    none: dict[str, Any] = {"candidates": None, "lines": [], "answer": None}
    text = read_html(page_html(Page(COMPARE, "Ropes compared", "compare.html.j2", none), common)).text
    assert "There is no candidate to compare with." in text
    assert "tautlog pages SITE --candidate FILE" in text
