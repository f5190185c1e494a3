"""Pages of happenings and of data quality in a browser without a network: they draw, zoom, filter, and fit."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from pipeline.reports.making import make_pages
from pipeline.reports.page import EVENTS, QUALITY
from tests.night.berth import Berth
from tests.reports.happened import make_happened
from tests.reports.opened import LAPTOP, PHONE, WALL, opened


@pytest.fixture(scope="module")
def berth(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    """A berth with its pages; only asked, never changed."""
    made = make_happened(tmp_path_factory.mktemp("seen") / "b")
    make_pages(made.root, made.root / "pages")
    return made


@pytest.fixture(scope="module")
def folder(berth: Berth) -> Path:
    return berth.root / "pages"


def of_kind(folder: Path, title: str) -> Path:
    """The first page of a title."""
    return next(path for path in sorted(folder.glob("e*/*.html")) if f"<title>{title}" in path.read_text())


def span(page: Page, chart: str) -> tuple[float, float]:
    box = page.locator(f"#{chart}")
    return float(box.get_attribute("data-from") or "nan"), float(box.get_attribute("data-to") or "nan")


@pytest.mark.parametrize("title", ["peak-load", "Episode", "Notes"])
def test_it_draws_zooms_asks_for_nothing_outside_and_complains_of_nothing(
    browser: Browser, folder: Path, title: str
) -> None:
    with opened(browser, of_kind(folder, title)) as found:
        charts = found.page.locator(".chart-box")
        assert charts.count() >= 1
        assert charts.count() == found.page.locator(".chart-box[data-drawn=true]").count()
        low, high = span(found.page, "chart-tension")
        found.page.locator("#chart-tension").get_by_role("button", name="Zoom in").click()
        nearer = span(found.page, "chart-tension")
        assert nearer[1] - nearer[0] == pytest.approx((high - low) / 2)
        assert (found.from_outside, found.complaints) == ([], [])


def test_charts_of_one_event_zoom_together(browser: Browser, folder: Path) -> None:
    with opened(browser, of_kind(folder, "peak-load of L1")) as found:
        found.page.locator("#chart-others").get_by_role("button", name="Zoom in").click()
        assert span(found.page, "chart-tension") == span(found.page, "chart-others")


def test_the_list_is_narrowed_by_kind_line_severity_and_day(browser: Browser, folder: Path) -> None:
    with opened(browser, folder / EVENTS, reach="ready") as found:
        table, rows = found.page.locator("#events"), found.page.locator("#events tbody tr:visible")
        assert rows.count() == 3
        table.get_by_label("severity").select_option("alarm")
        assert [row.split()[2] for row in rows.all_inner_texts()] == ["alarm"]
        table.get_by_label("severity").select_option("any")
        table.get_by_label("line").select_option("L2")
        assert rows.count() == 2
        table.get_by_label("kind").select_option("peak-load")
        assert rows.count() == 2
        table.get_by_label("from day").fill("2026-03-03")
        assert rows.count() == 0
        table.get_by_label("from day").fill("2026-03-02")
        table.get_by_label("to day").fill("2026-03-02")
        assert rows.count() == 2
        assert "2 of 3 rows" in table.inner_text()
        table.get_by_label("to day").fill("2026-03-01")
        assert rows.count() == 0


def test_a_row_of_the_list_leads_to_the_page_of_its_event(browser: Browser, folder: Path) -> None:
    with opened(browser, folder / EVENTS, reach="ready") as found:
        row = found.page.locator("#events tbody tr").filter(has_text="alarm")
        row.get_by_role("link", name="peak-load").click()
        assert found.page.locator("h1").inner_text() == "peak-load of L1"


def test_hostile_bytes_run_nowhere(browser: Browser, folder: Path) -> None:
    with opened(browser, folder / QUALITY) as found:
        assert found.page.locator("main script:not([type='application/json'])").count() == 0
        assert "<script>alert(1)</script>" in found.page.locator("#examples").inner_text()
        assert found.complaints == []


@pytest.mark.parametrize("size", [PHONE, LAPTOP, WALL])
@pytest.mark.parametrize("dark", [False, True])
def test_nothing_stands_out_over_the_edge_of_a_screen(
    browser: Browser, folder: Path, size: tuple[int, int], dark: bool
) -> None:
    for path in (folder / EVENTS, folder / QUALITY, of_kind(folder, "peak-load"), of_kind(folder, "Episode")):
        with opened(browser, path, size, dark=dark) as found:
            assert found.page.evaluate("document.documentElement.scrollWidth") <= size[0]


def test_each_page_is_well_under_its_size(folder: Path) -> None:
    sizes = {path: path.stat().st_size for path in folder.rglob("*.html")}
    assert len(sizes) >= 8
    assert max(sizes.values()) < 1_500_000
