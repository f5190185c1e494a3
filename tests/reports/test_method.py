"""The page of methods says what the program does: its words, its formulas, the constants of the site's own archive."""

from __future__ import annotations

import inspect
from importlib import import_module

import pytest

from pipeline.cli_options import EVENT_KINDS
from pipeline.errors import Bug
from pipeline.quality import CHECKS
from pipeline.reports.method_table import PARTS, Of, Section
from pipeline.reports.own_words import paragraphs, source_of
from pipeline.wear import MECHANISMS

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
