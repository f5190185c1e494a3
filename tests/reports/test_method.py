"""The page of methods says what the program does: its words, its formulas, the constants of the site's own archive."""

from __future__ import annotations

import hashlib
import inspect
import json
import tomllib
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser

from pipeline.cli_options import EVENT_KINDS
from pipeline.errors import Bug
from pipeline.quality import CHECKS
from pipeline.reports.method_table import PARTS, Of, Section
from pipeline.reports.own_words import paragraphs, source_of
from pipeline.reports.snapshot import Snapshot
from pipeline.wear import MECHANISMS
from tests.reports.opened import PHONE, opened
from tests.reports.read import Reading, read_page

SECTIONS = [section for part in PARTS for section in part.sections]
SHOWN = [one for section in SECTIONS for one in section.shows]


def test_every_mechanism_kind_of_event_and_check_has_its_entry_and_only_one() -> None:
    covered = sorted(name for section in SECTIONS for name in section.covers)
    assert covered == sorted((*MECHANISMS, *EVENT_KINDS, *CHECKS))


def test_anchors_are_told_apart() -> None:
    anchors = [section.anchor for section in SECTIONS]
    assert len(set(anchors)) == len(anchors)


@pytest.mark.parametrize("one", SHOWN, ids=lambda one: one.module)
def test_what_is_shown_is_public_and_says_something_of_itself(one: Of) -> None:
    source = source_of(one.module)
    for name in one.names:
        assert not name.startswith("_")
        said = source.said[name]
        assert said.words or said.written.startswith(("'", '"')), f"{one.module}.{name} says nothing of itself"


@pytest.mark.parametrize("one", SHOWN, ids=lambda one: one.module)
def test_what_is_shown_is_what_python_itself_reads_at_the_head_of_what_runs(one: Of) -> None:
    module = import_module(one.module)
    source = source_of(one.module)
    assert source.words == inspect.getdoc(module)
    for name in one.names:
        thing = getattr(module, name)
        if inspect.isfunction(thing) or inspect.isclass(thing):
            assert source.said[name].words == inspect.getdoc(thing)


@pytest.mark.parametrize("one", SHOWN, ids=lambda one: one.module)
def test_constants_shown_have_the_value_that_runs(one: Of) -> None:
    module = import_module(one.module)
    for name in one.names:
        thing = getattr(module, name)
        if isinstance(thing, int | float | str):
            # Evaluated among the module's own names, as it was when the module was loaded.
            assert eval(source_of(one.module).said[name].written, vars(module)) == thing


@pytest.mark.parametrize("section", [s for s in SECTIONS if s.formulas is not None], ids=lambda s: s.anchor)
def test_formulas_are_those_that_explain_lays_a_day_open_by(section: Section) -> None:
    assert section.formulas is not None
    assert import_module(section.formulas).FORMULAS


def test_every_mechanism_has_formulas_limits_and_constants() -> None:
    for section in SECTIONS:
        if set(section.covers) & set(MECHANISMS):
            words = " ".join(source_of(one.module).words for one in section.shows)
            assert section.formulas is not None
            assert section.tables == section.covers
            assert "Limits" in words


def test_paragraphs_keep_formulas_in_shape_and_know_limits_and_code() -> None:
    found = paragraphs("First of `x`.\nGoes on.\n\n    a = b\n      + c\n\nLimits: none `y`.")
    assert [(one["kind"], one["limits"]) for one in found] == [("text", False), ("pre", False), ("text", True)]
    assert found[0]["parts"] == [("First of ", False), ("x", True), (". Goes on.", False)]
    assert found[1]["parts"] == [("    a = b\n      + c", True)]


def test_a_module_that_is_not_there_is_a_bug() -> None:
    with pytest.raises(Bug, match="no source"):
        source_of("pipeline.wear.telepathy")


@pytest.fixture(scope="module")
def page(demo_pages: Path) -> Reading:
    return read_page(demo_pages / "method.html")


def test_every_constant_shown_is_the_one_in_the_file_of_the_spec(page: Reading, demo_root: Path) -> None:
    """Worked out ones (`a` of a published curve) and defaults stand in no file."""
    found = 0
    for fig in page.figures:
        file, _, key = fig.said.partition(": ")
        if not file.startswith("specs/"):
            continue
        told: Any = tomllib.loads((demo_root / file).read_text(encoding="utf-8"))
        table, _, name = key.removeprefix("[").partition("] ")
        for part in [table, *name.split(".")] if key.startswith("[") else [key]:
            told = told.get(part) if isinstance(told, dict) else None
        if told is not None:
            found += 1
            assert json.loads(fig.value) in (told if isinstance(told, list) else [told])
    assert found > 60


def test_the_files_named_are_archived_under_the_digests_shown(page: Reading, demo_root: Path) -> None:
    for name in ("site.toml", "rigging.csv", "specs/hmpe-44.toml"):
        assert f"{name} {hashlib.sha256((demo_root / name).read_bytes()).hexdigest()}" in page.text


def test_every_threshold_of_the_policy_stands_with_its_value_and_who_says_so(page: Reading, demo: Snapshot) -> None:
    shown = {fig.said: fig.value for fig in page.figures if fig.said.startswith("site.toml: [policy] ")}
    policy = demo.site.policy
    for name in type(policy).model_fields:
        value = getattr(policy, name)
        if isinstance(value, int | float) and not isinstance(value, bool):
            assert json.loads(shown[f"site.toml: [policy] {name}"]) == value
    assert "house rule, no published source" in page.text


def test_every_word_of_a_mechanism_s_head_is_on_the_page(page: Reading) -> None:
    for module in ("pipeline.wear.fatigue", "pipeline.wear.creep", "pipeline.wear.abrasion", "pipeline.wear.heat"):
        words = source_of(module).words.replace("`", "")
        assert "".join(words.split()) in "".join(page.text.split())


def test_the_page_of_methods_opens_offline_and_fits_a_phone(demo_pages: Path, browser: Browser) -> None:
    with opened(browser, demo_pages / "method.html", PHONE) as found:
        assert found.page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
        assert found.complaints == []
        assert found.from_outside == []
