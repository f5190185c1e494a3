"""The folder of pages: its links arrive, it names nothing from outside, its figures are those of `--json`."""

from __future__ import annotations

import json
import re
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from pipeline.cli import tautlog
from pipeline.errors import StoreError
from pipeline.reports import fresh
from pipeline.reports.making import make_pages

MOST_BYTES = 1_500_000


class Parsed(HTMLParser):
    """Links, sources, ids and figures of a page."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.links: list[str] = []
        self.sources: list[str] = []
        self.ids: list[str] = []
        self.figures: list[dict[str, str | None]] = []
        self.tags: Counter[str] = Counter()
        self.feed(path.read_text(encoding="utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.tags[tag] += 1
        if tag == "a" and given.get("href") is not None:
            self.links.append(str(given["href"]))
        if tag == "link":
            self.sources.append(str(given["href"]))
        if given.get("src") is not None:
            self.sources.append(str(given["src"]))
        if given.get("id") is not None:
            self.ids.append(str(given["id"]))
        if tag == "data":
            self.figures.append(given)


@pytest.fixture(scope="module")
def parsed(demo_pages: Path) -> dict[str, Parsed]:
    return {str(path.relative_to(demo_pages)): Parsed(path) for path in sorted(demo_pages.rglob("*.html"))}


def test_every_link_arrives_at_a_page_and_an_anchor_there(parsed: dict[str, Parsed], demo_pages: Path) -> None:
    lost = []
    for name, page in parsed.items():
        for link in page.links:
            target, _, anchor = link.partition("#")
            there = (
                name
                if not target
                else str(((demo_pages / name).parent / target).resolve().relative_to(demo_pages.resolve()))
            )
            if there not in parsed or (anchor and anchor not in parsed[there].ids):
                lost.append((name, link))
    assert lost == []


def test_ids_of_a_page_are_its_own(parsed: dict[str, Parsed]) -> None:
    assert {name: found for name, page in parsed.items() if (found := _twice(page.ids))} == {}


def test_no_page_names_a_source_outside_of_its_folder_or_holds_a_script_of_its_own(parsed: dict[str, Parsed]) -> None:
    for name, page in parsed.items():
        up = "../" * name.count("/")
        assert (name, sorted(page.sources)) == (name, [f"{up}static/pages.css", f"{up}static/pages.js"])


def test_no_page_is_large(parsed: dict[str, Parsed], demo_pages: Path) -> None:
    assert [name for name in parsed if (demo_pages / name).stat().st_size >= MOST_BYTES] == []


def test_no_word_of_ours_holds_a_character_that_a_page_refuses(parsed: dict[str, Parsed], demo_pages: Path) -> None:
    """Registers and logs of the demo hold none either: what refuses characters stands in the way of nothing honest."""
    told = [name for name in parsed if "\N{REPLACEMENT CHARACTER}" in (demo_pages / name).read_text(encoding="utf-8")]
    assert told == []


def test_every_figure_has_its_trace(parsed: dict[str, Parsed]) -> None:
    bare = [
        (name, f) for name, page in parsed.items() for f in page.figures if not (f["title"] or "").startswith("from ")
    ]
    assert bare == []
    assert sum(len(page.figures) for page in parsed.values()) > 300


def test_figures_of_lines_equal_those_of_json_to_the_digit(parsed: dict[str, Parsed], demo_root: Path) -> None:
    told = _answer("status", demo_root)
    shown = {f["value"] for f in parsed["index.html"].figures}
    wanted = [row[name] for row in told["lines"] for name in ("used", "consumed", "unposted", "pending")]
    wanted += [row["coverage"][name] for row in told["lines"] for name in ("rigged_s", "observed_s", "share")]
    wanted += [row["service"][name] for row in told["lines"] for name in ("calls", "mooring_h", "age_years")]
    assert [value for value in wanted if value not in shown] == []


def test_figures_of_balance_brakes_and_episodes_equal_those_of_json(parsed: dict[str, Parsed], demo_root: Path) -> None:
    shown = {f["value"] for f in parsed["index.html"].figures}
    [call] = _answer("balance", demo_root)["calls"]
    wanted = [line[name] for role in call["roles"] for line in role["lines"] for name in ("mean_kn", "planned_kn")]
    wanted += [one["brake_set_kn"] for one in _answer("brakes", demo_root)["brakes"]]
    wanted += [one["let_go"][-1]["pct_of_set"] for one in _answer("brakes", demo_root)["brakes"] if one["let_go"]]
    assert [value for value in wanted if value not in shown] == []


def test_the_loads_of_the_plan_are_those_of_balance_to_the_digit_and_name_it(demo_pages: Path, demo_root: Path) -> None:
    html = (demo_pages / "index.html").read_text(encoding="utf-8")
    loads = re.findall(r'<title>from tautlog balance SITE</title><tspan data-kn="([^"]+)">', html)
    [call] = _answer("balance", demo_root)["calls"]
    hours = [line["last_hour_kn"] for role in call["roles"] for line in role["lines"]]
    assert sorted(loads) == sorted(kn for kn in hours if kn is not None)
    assert html.count("data-kn=") == len(loads) > 0


def test_a_severity_index_is_never_called_a_percent_of_life(demo_pages: Path) -> None:
    text = (demo_pages / "index.html").read_text(encoding="utf-8")
    assert "severity index" in text
    for words in ("% of life", "percent of its life", "life used (calibrated)", "remaining life"):
        assert words not in text


def test_the_same_snapshot_makes_the_same_bytes(demo_root: Path, demo_pages: Path, tmp_path: Path) -> None:
    make_pages(demo_root, tmp_path / "again")
    files = sorted(path.relative_to(demo_pages) for path in demo_pages.rglob("*") if path.is_file())
    assert [
        str(file) for file in files if (demo_pages / file).read_bytes() != (tmp_path / "again" / file).read_bytes()
    ] == []


def test_pages_are_swapped_in_whole_and_leave_nothing_beside(demo_root: Path, tmp_path: Path) -> None:
    folder = tmp_path / "to" / "pages"
    folder.parent.mkdir()
    for _ in range(2):
        ran = CliRunner().invoke(
            tautlog, ["pages", str(demo_root), "--to", str(folder), "--json"], catch_exceptions=False
        )
        told = json.loads(ran.stdout)
        assert (ran.exit_code, told["version"]) == (0, 1)
        assert [path.name for path in folder.parent.iterdir()] == ["pages"]
        for page in told["pages"]:
            assert (folder / page["path"]).stat().st_size == page["bytes"]
        (folder / "index.html").write_text("old")


def test_a_folder_of_somebody_elses_is_left_alone(demo_root: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "thesis.txt").write_text("years of work")
    with pytest.raises(StoreError, match="something else than pages"):
        make_pages(demo_root, mine)
    link = tmp_path / "link"
    link.symlink_to(mine)
    with pytest.raises(StoreError, match="something else than pages"):
        make_pages(demo_root, link)
    assert [path.name for path in mine.iterdir()] == ["thesis.txt"]


def test_fresh_pages_are_told_from_those_of_an_older_run_or_program(
    demo_root: Path, demo_pages: Path, tmp_path: Path
) -> None:
    assert not fresh.are_wanted(demo_root, demo_pages)
    assert fresh.are_wanted(demo_root, tmp_path)
    mark = json.loads((demo_pages / fresh.MARK).read_text())
    mark["made_of"]["pages_sha256"] = "0" * 64
    (tmp_path / fresh.MARK).write_text(json.dumps(mark))
    assert fresh.are_wanted(demo_root, tmp_path)


def _answer(command: str, root: Path) -> Any:
    """An answer of `--json` with its numbers as they are written."""
    ran = CliRunner().invoke(tautlog, [command, str(root), "--json"], catch_exceptions=False)
    return json.loads(ran.stdout, parse_float=str, parse_int=str)


def _twice(names: list[str]) -> list[str]:
    return [name for name, count in Counter(names).items() if count > 1]
