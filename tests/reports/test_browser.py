"""Pages in a browser without a network: one of each kind opens, complains of nothing, asks for nothing from outside,
and can be read by everybody, on every screen and on paper.
"""

from __future__ import annotations

import json
from io import BytesIO
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page
from pypdf import PdfReader

from tests.reports.opened import LAPTOP, PHONE, WALL, opened

AXE = Path(__file__).parents[2] / ".axe" / "node_modules" / "axe-core" / "axe.min.js"
A4_MM, MARGIN_MM, PX_PER_MM = (210.0, 297.0), 12.0, 96 / 25.4


def kinds(folder: Path) -> list[Path]:
    """The single pages, and of each folder the largest page, which has most on it, and the smallest, with least."""
    found = sorted(folder.glob("*.html"))
    for below in sorted(path for path in folder.iterdir() if path.is_dir() and path.name != "static"):
        pages = sorted(below.glob("*.html"), key=lambda path: (-path.stat().st_size, path.name))
        found += dict.fromkeys([pages[0], pages[-1]])
    return found


def _span(page: Page) -> tuple[float, float]:
    box = page.locator(".chart-box").first
    return float(box.get_attribute("data-from") or "nan"), float(box.get_attribute("data-to") or "nan")


def test_each_kind_of_page_opens_without_a_complaint_or_a_request_to_outside(
    browser: Browser, demo_pages: Path
) -> None:
    for path in kinds(demo_pages):
        with opened(browser, path) as found:
            undrawn = found.page.locator(".chart-box:not([data-drawn])").count()
            assert (path.name, found.complaints, found.from_outside, undrawn) == (path.name, [], [], 0)


def test_nothing_foreign_may_run_or_be_fetched_even_if_it_were_there(browser: Browser, demo_pages: Path) -> None:
    with opened(browser, demo_pages / "index.html", reach="ready") as found:
        found.page.evaluate(
            """() => {
            const s = document.createElement("script"); s.textContent = "window.ran = 1"; document.body.append(s);
            const i = document.createElement("img"); i.src = "https://example.invalid/x"; document.body.append(i); }"""
        )
        assert found.page.evaluate("() => window.ran") is None
        assert len([line for line in found.complaints if "Content Security Policy" in line]) == 2


def test_charts_are_drawn_and_zoom_by_button_keyboard_and_drag(browser: Browser, demo_pages: Path) -> None:
    with opened(browser, demo_pages / "index.html") as found:
        page = found.page
        whole = _span(page)
        box = page.locator(".chart-box").first
        box.get_by_role("button", name="Zoom in").click()
        assert _span(page) == (whole[0] + (whole[1] - whole[0]) / 4, whole[1] - (whole[1] - whole[0]) / 4)
        box.get_by_role("button", name="Whole").focus()
        page.keyboard.press("Enter")
        everything = _span(page)
        area = box.locator(".chart").bounding_box()
        assert area is not None
        y = area["y"] + area["height"] / 2
        page.mouse.move(area["x"] + area["width"] * 0.4, y)
        page.mouse.down()
        page.mouse.move(area["x"] + area["width"] * 0.6, y, steps=4)
        page.mouse.up()
        low, high = _span(page)
        assert everything[0] < low < high < everything[1]
        # Something is drawn: the canvas is not of one colour.
        colours = page.evaluate(
            """() => { const find = (at) => { for (const e of at.querySelectorAll("*")) {
              if (e.tagName === "CANVAS" && e.width) return e;
              const f = e.shadowRoot && find(e.shadowRoot); if (f) return f; } };
              const c = find(document); const d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data;
              return new Set(new Uint32Array(d.buffer)).size; }"""
        )
        assert colours > 10


def test_tables_sort_by_the_figure_and_filter_by_words(browser: Browser, demo_pages: Path) -> None:
    with opened(browser, demo_pages / "index.html", reach="ready") as found:
        table = found.page.locator("#worst-table-table")
        keys = "rows => rows.map(row => Number(row.querySelector('td:nth-child(10) [value], td:nth-child(10)').value))"
        head = table.locator("thead th").nth(8)
        head.get_by_role("button").click()
        posted = table.locator("tbody tr").evaluate_all(keys.replace("10", "9"))
        assert head.get_attribute("aria-sort") == "ascending"
        assert posted == sorted(posted)
        head.get_by_role("button").click()
        assert table.locator("tbody tr").evaluate_all(keys.replace("10", "9")) == sorted(posted, reverse=True)
        found.page.locator("#worst-table .filter").fill("tail T0")
        shown = table.locator("tbody tr:visible th").all_inner_texts()
        assert len(shown) == 9
        assert all(name.startswith("T0") for name in shown)
        assert found.page.locator("#worst-table .count").inner_text() == "9 of 24 rows"


def test_forces_and_times_are_shown_as_the_reader_chose_and_figures_stay_what_they_are(
    browser: Browser, demo_pages: Path
) -> None:
    with opened(browser, demo_pages / "index.html", reach="ready") as found:
        page = found.page
        peak = page.locator("#limits-table tbody tr").first.locator("data").first
        at = page.locator("#limits-table tbody tr").first.locator("time")
        shown = (peak.inner_text(), at.inner_text())
        assert shown == ("905", "2026-10-26 05:18:56")
        page.locator("#unit").select_option("tf")
        page.locator("#clock").select_option("local")
        # 905.2 kN / 9.80665 = 92.30 tf (by hand); Lisbon keeps UTC since 25 October 2026 (Directive 2000/84/EC).
        assert (peak.inner_text(), at.inner_text()) == ("92.3", "2026-10-26 05:18:56 +00:00")
        assert peak.get_attribute("value") == "905.2"
        page.locator("#unit").select_option("kip")
        assert peak.inner_text() == "203.5"  # 905.2 / 4.4482216 = 203.50, by hand
        page.reload()
        page.wait_for_selector("html[data-ready]", state="attached")
        assert page.locator("#unit").input_value() == "kip"
        assert page.locator("#limits-table thead").inner_text().count("kN") == 0


def test_the_plan_of_the_berth_follows_the_unit_that_the_reader_chose(browser: Browser, demo_pages: Path) -> None:
    with opened(browser, demo_pages / "index.html", reach="ready") as found:
        load = found.page.locator(".plan [data-kn]").first
        kn = float(load.get_attribute("data-kn") or "nan")
        assert load.text_content() == f"{kn:.0f} kN"
        found.page.locator("#unit").select_option("tf")
        assert load.text_content() == f"{kn / 9.80665:.1f} tf"
        found.page.locator("#unit").select_option("kN")
        assert load.text_content() == f"{kn:.0f} kN"


def test_the_keyboard_reaches_every_control(browser: Browser, demo_pages: Path) -> None:
    for path in kinds(demo_pages):
        with opened(browser, path) as found:
            found.page.evaluate(
                """() => { const seen = "a[href], button, select, input, summary, [tabindex]";
                const all = [...document.querySelectorAll(seen)].filter(e => e.checkVisibility());
                all.forEach((e, i) => e.dataset.n = i); window.wanted = all.length; window.got = new Set();
                document.addEventListener("focusin", e => window.got.add(e.target.dataset.n)); }"""
            )
            wanted = found.page.evaluate("() => window.wanted")
            # A chart takes the focus once more for itself, a field of a date for each of its parts and its calendar.
            more = found.page.locator(".chart-box").count() + 3 * found.page.locator("input[type=date]").count()
            for _ in range(wanted + more + 2):
                found.page.keyboard.press("Tab")
            missed = found.page.evaluate(
                """() => [...document.querySelectorAll('[data-n]')].filter(e => !window.got.has(e.dataset.n))
                .map(e => e.outerHTML)"""
            )
            assert (path.name, missed) == (path.name, [])


@pytest.mark.skipif(not AXE.exists(), reason="no axe-core: NOBODY looked for barriers; make axe")
@pytest.mark.parametrize("dark", [False, True])
def test_axe_finds_no_serious_barrier(browser: Browser, demo_pages: Path, dark: bool) -> None:
    for path in kinds(demo_pages):
        with opened(browser, path, dark=dark) as found:
            found.page.evaluate(AXE.read_text(encoding="utf-8"))
            told = found.page.evaluate("() => axe.run(document, { resultTypes: ['violations'] })")
            serious = [
                f"{rule['id']}: {node['html'][:200]}"
                for rule in told["violations"]
                if rule["impact"] in ("serious", "critical")
                for node in rule["nodes"][:3]
            ]
            assert (path.name, json.dumps(serious, indent=1)) == (path.name, "[]")


@pytest.mark.parametrize("size", [PHONE, LAPTOP, WALL])
def test_nothing_stands_out_over_the_edge_of_a_screen(
    browser: Browser, demo_pages: Path, size: tuple[int, int]
) -> None:
    for path in kinds(demo_pages):
        with opened(browser, path, size) as found:
            wide = found.page.evaluate("() => document.documentElement.scrollWidth")
            assert (path.name, wide <= size[0]) == (path.name, True)


def test_a_dark_screen_gets_light_ink_on_dark_paper(browser: Browser, demo_pages: Path) -> None:
    for dark in (False, True):
        with opened(browser, demo_pages / "index.html", dark=dark, reach="ready") as found:
            paper, ink = found.page.evaluate(
                "() => [getComputedStyle(document.body).backgroundColor, getComputedStyle(document.body).color]"
            )
            assert (_light(paper) < _light(ink)) == dark


def test_print_fits_a4(browser: Browser, demo_pages: Path) -> None:
    width_px = round((A4_MM[0] - 2 * MARGIN_MM) * PX_PER_MM)
    for path in kinds(demo_pages):
        with opened(browser, path, (width_px, 1000)) as found:
            found.page.emulate_media(media="print")
            wide = found.page.evaluate("() => document.documentElement.scrollWidth")
            assert (path.name, wide <= width_px) == (path.name, True)
            paper = PdfReader(BytesIO(found.page.pdf(prefer_css_page_size=True)))
            for sheet in paper.pages:
                mm = (float(sheet.mediabox.width) / 72 * 25.4, float(sheet.mediabox.height) / 72 * 25.4)
                assert mm == pytest.approx(A4_MM, abs=1.0)


def test_without_a_script_everything_but_charts_stands_there(browser: Browser, demo_pages: Path) -> None:
    context = browser.new_context(java_script_enabled=False, offline=True)
    page = context.new_page()
    page.goto((demo_pages / "index.html").as_uri())
    assert page.locator("#worst-table-table tbody tr").count() == 24
    assert "does not run here" in page.locator("noscript").first.inner_text()
    context.close()


def _light(colour: str) -> int:
    return sum(int(part) for part in colour.strip("rgba()").split(",")[:3])
