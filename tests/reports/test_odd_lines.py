"""Line pages of what is odd: names and texts that would be markup, lines never rigged, both ends used, days waiting."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.ledger.still import open_still
from pipeline.reports.making import all_pages, common_of
from pipeline.reports.shown import line_path
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.writing import page_html
from tests.night.berth import SPEC, Berth, make_berth, record
from tests.reports.read import Reading, read_html

EVIL = "<img src=x onerror=alert(1)>'&{{ 7*7 }}"
SAID = "</script><script>alert(2)</script>{% raw %}"


@pytest.fixture(scope="module")
def berth(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    """EVIL was rigged by both ends and has a day that waits; T1 shares its hook; L2 lay on another; L9 never lay."""
    made = make_berth(
        tmp_path_factory.mktemp("odd") / "b",
        [
            f'"{EVIL}",H1,2026-03-02T00:00:00Z,2026-03-03T00:00:00Z,a,100',
            f'"{EVIL}",H1,2026-03-03T00:00:00Z,,b,100',
            "T1,H1,2026-03-03T00:00:00Z,,a,100",
            "L2,H2,2026-03-02T00:00:00Z,,b,50",
        ],
        files={
            "specs/rope.toml": SPEC.replace("invented for the test", f"invented {SAID}").replace(
                "[fatigue]", "[fatigue]\nfactor = 3.0"
            ),
            "services.csv": f'line,at,action,detail\n"{EVIL}",2026-03-03T00:00:00Z,end-for-end,"{SAID}"\n',
            "lines.csv": "line,ship,spec,part,in_service\n"
            + "".join(
                f'"{name}",S1,rope,{part},\n'
                for name, part in ((EVIL, "main"), ("L2", "main"), ("L9", "main"), ("T1", "tail"))
            ),
        },
    )
    made.deliver("hooks_1.csv", record("2026-03-02T05:00") + record("2026-03-02T06:00", hook="H2"))
    made.deliver("hooks_2.csv", record("2026-03-03T06:00"))
    made.night()
    return made


@pytest.fixture(scope="module")
def snapshot(berth: Berth) -> Iterator[Snapshot]:
    with Snapshot(open_still(berth.root)) as opened:
        yield opened


def html_of(snapshot: Snapshot, path: str) -> str:
    pages = all_pages(snapshot)
    [page] = [page for page in pages if page.path == path]
    return page_html(page, common_of(snapshot, pages))


def page_of(snapshot: Snapshot, line: str) -> Reading:
    return read_html(html_of(snapshot, line_path(line)))


@pytest.mark.parametrize("path", [line_path(EVIL), line_path("T1"), "method.html", "compare.html"])
def test_names_and_texts_of_registers_are_text(snapshot: Snapshot, path: str) -> None:
    html = html_of(snapshot, path)
    assert "<img" not in html
    assert "alert(2)</script>" not in html
    assert "onerror=" not in html.replace("onerror=alert(1)&gt;", "")


def test_what_is_hostile_is_still_to_be_read(snapshot: Snapshot) -> None:
    text = page_of(snapshot, EVIL).text
    assert f"Line {EVIL}" in text
    assert SAID in text
    assert "7*7" in text  # no template was made of a name
    assert line_path(EVIL).startswith("lines/")
    assert Path(line_path(EVIL)).name.replace(".", "").replace("-", "").isalnum()


def test_both_ends_are_drawn_the_worse_one_solid(snapshot: Snapshot) -> None:
    [life] = [chart for chart in page_of(snapshot, EVIL).charts if chart["id"] == "life-fatigue"]
    worst = snapshot.statement(EVIL)["consumed"]["worst"]
    dashes = {one["name"]: one["dash"] for one in life["series"]}
    posted = {row["zone"] for row in snapshot.statement(EVIL)["entries"] if row["life"]}
    assert set(dashes) == {f"zone {zone}" for zone in posted}
    assert dashes.get(f"zone {worst}", "solid") == "solid"


def test_a_factor_and_days_that_wait_are_said(snapshot: Snapshot) -> None:
    page, answer = page_of(snapshot, EVIL), snapshot.statement(EVIL)
    assert answer["unposted"]
    assert "Days that wait for a later sample" in page.text
    assert "Fatigue shown is times the spec's factor 3" in page.text
    assert "end-for-end" in page.text


def test_a_line_that_was_never_rigged_has_a_page_that_says_so(snapshot: Snapshot) -> None:
    text = page_of(snapshot, "L9").text
    for words in ("Rigged last never", "Nothing was recorded of it.", "No tension is reckoned.", "none is on record"):
        assert words in text
    assert page_of(snapshot, "L9").charts == []


def test_a_tail_stands_beside_only_the_line_it_hung_with(snapshot: Snapshot) -> None:
    assert "T1" in page_of(snapshot, EVIL).text
    assert "Rigged in series with it: each feels the same load and has its own account" in page_of(snapshot, "T1").text
    assert "nothing is registered on its channels with it" in page_of(snapshot, "L2").text
