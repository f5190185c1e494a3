"""Line pages: every figure is in the answer of the command that it names, to the digit; nothing says more than it."""

from __future__ import annotations

import json
import shlex
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from playwright.sync_api import Browser

from pipeline.cli import tautlog
from pipeline.ledger.words import CALIBRATED, SEVERITY_INDEX
from pipeline.reports.berth_doing import RULES
from pipeline.reports.line import high_loads
from pipeline.reports.line_account import life_series
from pipeline.reports.line_beside import MOST_EVENTS, events_view, in_series, outlook_view
from pipeline.reports.shown import constant, register
from pipeline.reports.snapshot import Snapshot
from pipeline.wear import MECHANISMS
from tests.reports.opened import PHONE, opened
from tests.reports.read import Reading, numbers_in, read_page

LINES = ["L01", "L04", "L07", "T07"]
Ask = Callable[[str], tuple[str, set[str]]]
"""An answer, and every number in it."""


@pytest.fixture(scope="module")
def ask(demo_root: Path) -> Ask:
    """What a command as a page names it answers with `--json`, by the command line itself."""

    @cache
    def asked(command: str) -> tuple[str, set[str]]:
        program, *words = shlex.split(command)
        assert program == "tautlog"
        given = [str(demo_root) if word == "SITE" else word for word in words]
        found = CliRunner().invoke(tautlog, [*given, "--json"])
        assert found.exit_code in (0, 1), found.output
        return found.stdout, numbers_in(found.stdout)

    return asked


@cache
def page(folder: Path, line: str) -> Reading:
    return read_page(folder / "lines" / f"{line}.html")


@pytest.mark.parametrize("line", LINES)
def test_every_figure_that_names_a_command_is_in_its_answer_to_the_last_digit(
    demo_pages: Path, ask: Ask, line: str
) -> None:
    """Commands that lay a day open are asked in a test of their own: each goes through the day's sheets."""
    asked = [fig for fig in page(demo_pages, line).figures if fig.said.startswith("tautlog ")]
    quick = [fig for fig in asked if " --day " not in fig.said and not fig.said.startswith("tautlog trace ")]
    assert len(quick) > 40
    assert {fig.said.split()[1] for fig in quick} >= {"statement", "events", "status", "explain"}
    assert [fig for fig in quick if fig.value not in ask(fig.said)[1]] == []


def test_every_figure_of_a_day_is_in_what_explain_lays_open_of_it(demo_pages: Path, ask: Ask) -> None:
    days = [fig for fig in page(demo_pages, "L07").figures if " --day " in fig.said]
    assert len({fig.said for fig in days}) == 3
    assert [fig for fig in days if fig.value not in ask(fig.said)[1]] == []


@pytest.mark.parametrize("line", LINES)
def test_every_entry_stands_with_its_own_life_and_the_command_that_walks_it_back(
    demo_pages: Path, ask: Ask, line: str
) -> None:
    answer = json.loads(ask(f"tautlog statement SITE {line}")[0], parse_float=str, parse_int=str)
    entries = {(f"tautlog trace SITE {row['entry']}", row["life"]) for row in answer["entries"]}
    shown = [(fig.said, fig.value) for fig in page(demo_pages, line).figures if fig.said.startswith("tautlog trace ")]
    assert set(shown) == entries
    assert len(shown) == len(entries)


@pytest.mark.parametrize("line", LINES)
def test_the_consumed_shown_against_time_ends_at_the_account_to_the_last_digit(demo: Snapshot, line: str) -> None:
    answer = demo.statement(line)
    series = life_series(answer)
    assert any(of_zone for of_zone in series.values())
    for zone, of_zone in series.items():
        for name in MECHANISMS:
            consumed = answer["consumed"]["zones"][zone][name]
            assert (of_zone[name][-1][1] if name in of_zone else None) == (consumed if name in of_zone else None)
            assert name in of_zone or not consumed


def test_a_factor_on_fatigue_is_on_the_fatigue_shown_against_time_and_on_nothing_else() -> None:
    def row(day: str, mechanism: str, life: str) -> dict[str, Any]:
        return {"day": day, "zone": "a", "mechanism": mechanism, "life": Decimal(life)}

    entries = [row("2026-01-01", "fatigue", "0.1"), row("2026-01-02", "fatigue", "0.2"),
               row("2026-01-02", "creep", "0.05")]  # fmt: skip
    found = life_series({"factor": 3.0, "entries": entries})
    # By hand: 3 x 0.1 and 3 x (0.1 + 0.2); creep as it is.
    assert found["a"]["fatigue"] == [(date(2026, 1, 1), Decimal("0.3")), (date(2026, 1, 2), Decimal("0.9"))]
    assert found["a"]["creep"] == [(date(2026, 1, 2), Decimal("0.05"))]
    assert found["b"] == {}


def test_a_severity_index_is_never_called_a_percent_of_life_or_a_date(demo_pages: Path, demo: Snapshot) -> None:
    for line in demo.site.lines:
        assert demo.statement(line)["basis"] == SEVERITY_INDEX
        text = page(demo_pages, line).text
        assert "The figures are a severity index ." in text or "The figures are a severity index." in text
        assert "it is never a percent of life or a date" in text
        assert "% of life" not in text
        assert "From None" not in text
        assert "No figure here extends a limit of the maker, the company or the calendar." in text
        charts = {chart["id"]: chart for chart in page(demo_pages, line).charts}
        assert all(chart["y"]["label"] == SEVERITY_INDEX for name, chart in charts.items() if name.startswith("life-"))


def test_a_date_is_shown_only_of_a_calibrated_account() -> None:
    reached = {"earliest": "2031-05-01", "median": None, "latest": None, "words": "when"}
    life = Decimal("0.001")
    forecast = {
        "reckoned": True, "zone": "a", "band": "outboard length", "last_days": 30, "from_day": "2026-01-01",
        "to_day": "2026-01-30", "per_rigged_day": life, "low": life, "high": life, "measured": "m",
        "reached": reached, "no_date": [], "caution": "as if",
    }  # fmt: skip
    answer = {
        "line": "L1",
        "unobserved": {"reckoned": False, "why": "w"},
        "forecast": forecast,
        "return_peaks": {"reckoned": False, "why": "w"},
        "shares": None,
    }
    assert outlook_view({**answer, "basis": SEVERITY_INDEX})["forecast"]["reached"] is None
    assert outlook_view({**answer, "basis": CALIBRATED})["forecast"]["reached"] == reached


@pytest.mark.parametrize("line", LINES)
def test_a_page_says_what_is_not_modelled_what_is_not_reckoned_and_what_was_not_observed(
    demo_pages: Path, demo: Snapshot, line: str
) -> None:
    text, answer = page(demo_pages, line).text, demo.statement(line)
    assert "In no figure: " + ", ".join(answer["not_modelled"]) in text
    for what, why in answer["not_reckoned"].items():
        assert f"{what}: {why}" in text
    for why in answer["basis_reasons"]:
        assert why in text
    for said in answer["advice_list"]:
        assert said["because"] in text
    assert "what was not observed" in text


def test_a_line_page_says_how_many_open_half_cycles_closed_ones_leave_out_as_explain_has_them(
    demo_pages: Path, ask: Ask
) -> None:
    zones = json.loads(ask("tautlog explain SITE L07")[0])["account"]["zones"]
    rows = [row for zone in zones.values() for row in zone["pending"]["half_cycles"]]
    beyond = [row for row in rows if row["R"] > 0.5]  # the upper end of hmpe-44's valid_r
    widest = max(rows, key=lambda row: row["high_kn"] - row["low_kn"])
    text = page(demo_pages, "L07").text
    assert beyond
    assert (
        f"leave out the {len(rows)} half cycles that are still open, {len(beyond)} of them with a range above" in text
    )
    assert f"goes from {widest['low_kn']:.0f} kN to {widest['high_kn']:.0f} kN in zone" in text


def test_unobserved_time_of_the_line_and_of_its_worse_zone_are_told_apart(demo_pages: Path, demo: Snapshot) -> None:
    answer = demo.statement("L01")
    whole_h = answer["service"]["outside_records"]["rigged_unobserved_h"]
    text = page(demo_pages, "L01").text
    assert whole_h > answer["unobserved"]["hours"]
    assert f"{whole_h:.2f} h of the whole line, both zones" in text
    assert f"{answer['unobserved']['hours']:.2f} h of zone {answer['unobserved']['zone']}, the worse" in text


def test_what_a_rule_asks_has_one_mark_on_the_line_and_on_the_berth_page(demo_pages: Path) -> None:
    html = (demo_pages / "lines" / "L07.html").read_text(encoding="utf-8")
    mark = RULES["inspect-before-reuse"][0]
    assert f'<li class="{mark}"><strong>inspect before reuse</strong> <span class="badge {mark}">{mark}</span>' in html


def test_a_tail_stands_beside_its_main_line_and_the_other_way_round(demo: Snapshot) -> None:
    assert [line for line, _, _ in in_series(demo.site, "L07")] == ["T07"]
    assert [line for line, _, _ in in_series(demo.site, "T07")] == ["L07"]


def test_peak_loads_that_are_spikes_are_no_stretch_of_high_load(demo: Snapshot) -> None:
    peaks = [event for event in demo.events if event["kind"] == "peak-load"]
    assert peaks
    certain = [event["event"] for event in peaks if event["doubtful"] is None]
    found = high_loads(demo.site, demo.events)
    assert sorted(event for one in found for event in one.events) == sorted(certain)
    doubted = [{**event, "doubtful": "spikes"} for event in peaks]
    assert high_loads(demo.site, doubted) == []


def test_events_are_listed_newest_first_notes_are_counted_and_the_rest_is_said() -> None:
    def event(nth: int, severity: str) -> dict[str, Any]:
        at = f"2026-01-01T{nth // 60:02}:{nth % 60:02}:00Z"
        return {
            "event": f"e{nth:03}", "kind": "slack", "severity": severity, "line": "L1", "from_at": at, "to_at": at,
            "peak_kn": 1.0, "peak_at": at, "peak_pct": 0.1, "peak_pct_of": "break force", "lasted_s": 5.0,
            "slack_s": 5.0, "phase": "all fast", "times": 1, "tending": [], "lowest_kn": 0.0,
        }  # fmt: skip

    found = [event(nth, "warning") for nth in range(MOST_EVENTS + 7)] + [event(500, "note")]
    view = events_view("L1", found)
    assert len(view["table"].rows) == MOST_EVENTS
    assert view["left_out"].value == 7
    assert [(figure.value, kind) for figure, kind in view["notes"]] == [(1, "slack")]
    ats = [row.cells[0].at for row in view["table"].rows]
    assert ats == sorted(ats, reverse=True)


def test_a_constant_is_shown_with_the_digits_it_was_written_with() -> None:
    said = register("specs/x.toml", "[fatigue] a")
    shown = [constant(value, said).text for value in (9.80665, 3.2, 1370.0, 44, Decimal("0.12"), 0.0, 1e-30)]
    assert shown == ["9.80665", "3.2", "1\N{NARROW NO-BREAK SPACE}370", "44", "0.12", "0", "1.000e-30"]


@pytest.mark.parametrize("line", LINES)
def test_no_two_things_of_a_page_have_one_anchor(demo_pages: Path, line: str) -> None:
    ids = page(demo_pages, line).ids
    assert sorted(set(ids)) == sorted(ids)


@pytest.mark.parametrize("line", ["L04", "T07"])
def test_a_line_page_opens_offline_draws_its_charts_and_zooms_those_against_time_together(
    demo_pages: Path, browser: Browser, line: str
) -> None:
    with opened(browser, demo_pages / "lines" / f"{line}.html") as found:
        boxes = found.page.locator(".chart-box")
        assert boxes.count() >= 5
        assert found.page.locator(".chart-box[data-drawn=true]").count() == boxes.count()
        before = found.page.locator("#peaks").get_attribute("data-from")
        found.page.locator("#temperature").get_by_role("button", name="Zoom in").click()
        assert found.page.locator("#peaks").get_attribute("data-from") != before
        assert found.complaints == []
        assert found.from_outside == []


def test_a_line_page_fits_a_phone(demo_pages: Path, browser: Browser) -> None:
    with opened(browser, demo_pages / "lines" / "L07.html", PHONE) as found:
        assert found.page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
