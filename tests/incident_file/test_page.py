"""The page in a browser without a network: it asks for nothing, complains of nothing, zooms, and every link arrives."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from pipeline.incident.page import page_html
from pipeline.incident.record import figures
from pipeline.incident.view import Made, view
from tests.incident_file.made import HOSTILE, made_incident

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="no chromium on this machine: NOTHING of the page was tried; apt-get install chromium"
)
BERLIN = ZoneInfo("Europe/Berlin")
LAPTOP, PHONE = (1280, 900), (390, 844)


@pytest.fixture(scope="module")
def made_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    incident = made_incident()
    shown = view(incident, BERLIN, Made({"figures.json": "0" * 64}, {"tautlog": "0"}))
    path = tmp_path_factory.mktemp("page") / "incident.html"
    path.write_text(page_html(incident, shown, BERLIN), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as driver:
        # As root, as in a container, Chromium has no sandbox; the page is our own.
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"] if os.getuid() == 0 else [])
        yield chromium
        chromium.close()


@dataclass
class Opened:
    """A page, and everything that it asked for or complained of."""

    page: Page
    asked: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)


def opened(browser: Browser, path: Path, size: tuple[int, int] = LAPTOP, *, dark: bool = False) -> Opened:
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, offline=True, color_scheme="dark" if dark else "light"
    )
    found = Opened(context.new_page())
    found.page.on("request", lambda request: found.asked.append(request.url))
    found.page.on("console", lambda message: found.complaints.append(f"{message.type}: {message.text}"))
    found.page.on("pageerror", lambda error: found.complaints.append(str(error)))
    found.page.on("dialog", lambda dialog: found.complaints.append(f"dialog: {dialog.message}"))
    found.page.goto(path.as_uri())
    found.page.wait_for_selector("#traces[data-from]")
    return found


@pytest.fixture
def page(browser: Browser, made_page: Path) -> Iterator[Opened]:
    found = opened(browser, made_page)
    yield found
    found.page.context.close()


def span(page: Page) -> tuple[float, float]:
    at = page.locator("#traces")
    return float(at.get_attribute("data-from") or "nan"), float(at.get_attribute("data-to") or "nan")


def test_it_asks_for_nothing_but_itself_and_complains_of_nothing(page: Opened, made_page: Path) -> None:
    for name in ("Zoom in", "Later", "At the loss", "Whole call", "Window"):
        page.page.get_by_role("button", name=name).click()
    page.page.locator("#traces").hover()
    page.page.emulate_media(media="print")
    assert page.asked == [made_page.as_uri()]
    assert page.complaints == []


def test_what_registers_say_is_text_and_nothing_of_it_runs(page: Opened) -> None:
    assert page.page.locator("img").count() == 0
    shown = page.page.locator("dl.facts").inner_text()
    assert HOSTILE.split("\x1b")[0] in shown
    assert "{{ 7 * 7 }}" in shown
    assert page.page.locator("script").count() == 2


def test_nothing_foreign_may_run_even_if_it_were_there(page: Opened) -> None:
    page.page.evaluate(
        """() => {
        const s = document.createElement("script"); s.textContent = "window.ran = 1"; document.body.append(s);
        const i = document.createElement("img"); i.src = "https://example.invalid/x.png"; document.body.append(i); }"""
    )
    assert page.page.evaluate("() => window.ran") is None
    assert [line for line in page.complaints if "Content Security Policy" in line]


def test_every_link_of_the_page_arrives_at_an_anchor_of_its_own(page: Opened) -> None:
    links = page.page.evaluate("() => [...document.querySelectorAll('a')].map(a => a.getAttribute('href'))")
    ids = page.page.evaluate("() => [...document.querySelectorAll('[id]')].map(e => e.id)")
    assert len(ids) == len(set(ids))
    assert len(links) > sum(1 for _ in figures(made_incident()))
    assert [link for link in links if not link.startswith("#") or link[1:] not in ids] == []


def test_every_figure_shown_leads_to_its_row_and_that_to_its_raw_lines(page: Opened) -> None:
    # From the first figure of the record on: click, and click on what it rests on.
    page.page.locator(".result a.no").first.click()
    row = page.page.locator("tr:target")
    assert "instant of the loss" in row.inner_text()
    row.locator("td").last.locator("a.no").first.click()
    raw = page.page.locator("tr:target")
    assert "winches_20261025.csv" in raw.inner_text()
    assert raw.locator("td").nth(1).inner_text() == "7"


def test_part_a_leads_nowhere_into_part_b_and_names_no_wear(page: Opened) -> None:
    part_a = page.page.locator("section.part").first
    links = part_a.evaluate("e => [...e.querySelectorAll('a')].map(a => a.getAttribute('href'))")
    in_b = page.page.evaluate("() => [...document.querySelectorAll('.part-b [id]')].map(e => '#' + e.id)")
    assert set(links) & set(in_b) == set()
    words = part_a.inner_text().lower()
    for word in ("severity index", "fatigue", "creep", "abrasion", "life used"):
        assert word not in words


def test_buttons_zoom_and_move_the_traces_and_bring_them_back(page: Opened) -> None:
    window = span(page.page)
    assert window == (-1800.0, 1800.0)
    page.page.get_by_role("button", name="Zoom in").click()
    assert span(page.page) == (-900.0, 900.0)
    page.page.get_by_role("button", name="Later").click()
    assert span(page.page) == (-450.0, 1350.0)
    page.page.get_by_role("button", name="At the loss").click()
    assert span(page.page) == (-20.0, 40.0)
    page.page.get_by_role("button", name="Whole call").click()
    assert span(page.page) == (-72000.0, 21600.0)
    assert page.page.locator("#traces").get_attribute("data-coarse") == "true"
    page.page.get_by_role("button", name="Window").click()
    assert span(page.page) == window


def test_a_drag_zooms_and_a_double_click_brings_the_window_back(page: Opened) -> None:
    page.page.locator("#traces").evaluate("e => e.scrollIntoView()")
    box = page.page.locator("#traces").bounding_box()
    assert box is not None
    y = box["y"] + 60
    page.page.mouse.move(box["x"] + box["width"] * 0.4, y)
    page.page.mouse.down()
    page.page.mouse.move(box["x"] + box["width"] * 0.6, y, steps=4)
    page.page.mouse.up()
    low, high = span(page.page)
    assert -800 < low < -300
    assert 200 < high < 700
    page.page.mouse.dblclick(box["x"] + box["width"] * 0.5, y)
    assert span(page.page) == (-1800.0, 1800.0)


def test_the_keyboard_does_all_that_the_buttons_do(page: Opened) -> None:
    page.page.locator("#traces").focus()
    for key, expected in (
        ("+", (-900.0, 900.0)),
        ("ArrowRight", (-450.0, 1350.0)),
        ("ArrowLeft", (-900.0, 900.0)),
        ("-", (-1800.0, 1800.0)),
        ("l", (-20.0, 40.0)),
        ("c", (-72000.0, 21600.0)),
        ("0", (-1800.0, 1800.0)),
    ):
        page.page.keyboard.press(key)
        assert span(page.page) == expected, key


def test_no_peak_is_lost_in_drawing_however_many_readings_fall_on_a_pixel(browser: Browser, made_page: Path) -> None:
    # On a phone 1200 readings of the window lie on under 300 pixels: the highest point drawn stays where it was.
    tops = []
    for size in (PHONE, LAPTOP):
        found = opened(browser, made_page, size)
        # The path's own numbers: in both pictures a lane has the same height.
        d = found.page.locator("#traces path.c-lost").first.get_attribute("d") or ""
        tops.append(min(float(point.split(" ")[1]) for point in d.replace("L", "M").split("M") if point))
        found.page.context.close()
    assert abs(tops[0] - tops[1]) <= 0.11


@pytest.mark.parametrize(("size", "dark"), [(LAPTOP, False), (PHONE, False), (PHONE, True)])
def test_nothing_stands_out_over_the_edge_of_a_screen(
    browser: Browser, made_page: Path, size: tuple[int, int], dark: bool
) -> None:
    found = opened(browser, made_page, size, dark=dark)
    assert found.page.evaluate("() => document.documentElement.scrollWidth") <= size[0]
    paper, ink = found.page.evaluate(
        "() => [getComputedStyle(document.body).backgroundColor, getComputedStyle(document.body).color]"
    )
    assert (_light(paper) < _light(ink)) == dark
    found.page.context.close()


def test_without_a_script_the_traces_of_the_window_stand_there_still(browser: Browser, made_page: Path) -> None:
    context = browser.new_context(java_script_enabled=False, offline=True)
    bare = context.new_page()
    bare.goto(made_page.as_uri())
    assert bare.locator("#traces svg path").count() == 6
    assert bare.locator("#traces svg text", has_text="L07").count() == 1
    context.close()


def test_the_repeated_hour_is_told_apart_by_its_offset(page: Opened) -> None:
    # 00:31 UTC on 25 October 2026 is the first 02:31 in Berlin: EU summer time ends at 01:00 UTC on the last Sunday of
    # October (Directive 2000/84/EC).
    assert "2026-10-25 02:31:12 CEST (+02:00)" in page.page.locator("dl.facts").inner_text()


def test_the_axis_tells_local_time_by_the_offset_of_each_instant(page: Opened) -> None:
    page.page.get_by_role("button", name="Whole call").click()
    shown = page.page.locator("#traces svg text").all_text_contents()
    # 00:00 UTC is 02:00 on the wall, and 02:00 UTC, after the clocks went back, is 03:00.
    pairs = dict(zip(shown[:40:2], shown[1:40:2], strict=True))
    assert (pairs["00:00"], pairs["02:00"]) == ("02:00", "03:00")


def _light(colour: str) -> int:
    return sum(int(part) for part in colour.strip("rgba()").split(",")[:3])
