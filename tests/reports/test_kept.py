"""Pages of happenings that did not change are taken over from the making before, and only those."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from pipeline.reports.kept import KEYS, Kept
from pipeline.reports.making import make_pages
from pipeline.reports.page import Page
from schemas.times import rfc3339_us
from tests.night.berth import Berth
from tests.reports.happened import DAY, make_happened


@pytest.fixture(scope="module")
def berth(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    """A berth with its pages; each test leads a copy of it further."""
    made = make_happened(tmp_path_factory.mktemp("kept") / "b")
    make_pages(made.root, made.root / "pages")
    return made


def page(path: str = "events/a.html", key: str | None = "k") -> Page:
    return Page(path, "a", "event.html.j2", {}, key=key)


def made(folder: Path, *, by: str = "program", key: str | None = "k") -> None:
    """A folder in which one page was made."""
    text = b"<p>as it was made</p>"
    (folder / "events").mkdir(parents=True)
    (folder / "events" / "a.html").write_bytes(text)
    Kept(folder, by).write([page(key=key)], folder)


def test_a_page_of_the_same_key_by_the_same_program_is_taken_over(tmp_path: Path) -> None:
    made(tmp_path)
    assert Kept(tmp_path, "program").take(page()) == b"<p>as it was made</p>"


@pytest.mark.parametrize(
    ("by", "wanted"), [("program", page(key="other")), ("another", page()), ("program", page("events/b.html"))]
)
def test_another_key_program_or_path_is_made_anew(tmp_path: Path, by: str, wanted: Page) -> None:
    made(tmp_path)
    assert Kept(tmp_path, by).take(wanted) is None


def test_a_page_without_a_key_is_made_every_time(tmp_path: Path) -> None:
    made(tmp_path, key=None)
    assert Kept(tmp_path, "program").take(page(key=None)) is None


def test_a_page_that_somebody_altered_is_made_anew(tmp_path: Path) -> None:
    made(tmp_path)
    (tmp_path / "events" / "a.html").write_text("altered")
    assert Kept(tmp_path, "program").take(page()) is None


@pytest.mark.parametrize("said", ["", "[]", '{"made_by": 1}', '{"made_by": "x", "keys": [1]}'])
def test_what_cannot_be_read_of_the_pages_before_is_nothing(tmp_path: Path, said: str) -> None:
    made(tmp_path)
    (tmp_path / KEYS).write_text(said)
    assert Kept(tmp_path, "program").take(page()) is None


def test_pages_taken_over_are_those_that_would_be_made(berth: Berth, tmp_path: Path) -> None:
    later = berth.copy(tmp_path / "b")
    # A later day, so that a new run is told of on the pages that are made anew.
    later.deliver("hooks_4.csv", [(rfc3339_us("2026-03-05T12:30:00Z"), "H1", 101.0)])
    later.night()
    make_pages(later.root, later.root / "pages")
    make_pages(later.root, tmp_path / "fresh")
    for path in sorted((tmp_path / "fresh").rglob("*.html")):
        assert (later.root / "pages" / path.relative_to(tmp_path / "fresh")).read_bytes() == path.read_bytes(), path


def test_a_page_is_taken_over_and_not_made_where_nothing_changed(berth: Berth, tmp_path: Path) -> None:
    again = berth.copy(tmp_path / "b")
    folder = again.root / "pages"
    one = next(path for path in (folder / "events").iterdir() if "peak-load" in path.read_text())
    # Marked, and the mark known to be right: were the page made anew, it would be gone.
    one.write_text("marked")
    said = json.loads((folder / KEYS).read_text())
    said["keys"][f"events/{one.name}"][1] = hashlib.sha256(b"marked").hexdigest()
    (folder / KEYS).write_text(json.dumps(said))
    make_pages(again.root, folder)
    assert one.read_text() == "marked"


def test_events_from_an_earlier_day_on_are_given_pages_where_asked_for(berth: Berth, tmp_path: Path) -> None:
    later = berth.copy(tmp_path / "b")
    later.deliver("hooks_4.csv", [(rfc3339_us("2026-03-20T12:30:00Z"), "H1", 101.0)])
    later.night()
    make_pages(later.root, tmp_path / "without")
    make_pages(later.root, tmp_path / "with", events_from_us=rfc3339_us(f"{DAY}T00:00:00Z"))
    assert not (tmp_path / "without" / "events").exists()
    assert len(list((tmp_path / "with" / "events").iterdir())) == 3 + 1
    assert len(list((tmp_path / "without" / "episodes").iterdir())) == 1
