"""Paths of pages: no name leaves the folder, and no two names meet in one file."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.reports.page import Page, page_path

HOSTILE = [
    "",
    ".",
    "..",
    "../../x",
    "/etc/passwd",
    "a/b",
    "L 1",
    "l1",
    "CON",
    "<script>",
    "\x00",
    "L\u202e1",
    "é" * 300,
    "a" * 300,
]


@pytest.mark.parametrize("name", HOSTILE)
def test_no_name_leaves_its_folder(name: str) -> None:
    kind, _, file = page_path("lines", name).partition("/")
    assert kind == "lines"
    assert "/" not in file
    assert file.endswith(".html")
    assert not file.startswith(".")
    assert file.isascii()
    assert len(file) < 80


def test_a_plain_name_is_its_file() -> None:
    assert page_path("lines", "L07") == "lines/L07.html"
    assert page_path("events", "722c18aab7c4d37a") == "events/722c18aab7c4d37a.html"


@given(st.sampled_from(["lines", "events"]), st.text(max_size=6), st.text(max_size=6))
def test_two_names_have_two_files_also_where_case_does_not_count(kind: str, one: str, other: str) -> None:
    same = page_path(kind, one).lower() == page_path(kind, other).lower()
    assert same == (one == other)


def test_links_of_a_page_in_a_folder_go_up_first() -> None:
    assert Page("index.html", "", "", {}).root == ""
    assert Page("lines/L07.html", "", "", {}).root == "../"
