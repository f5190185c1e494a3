"""Every figure with a value names something that it rests on, and everything that is named is in the folder."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from pipeline.incident import make_incident
from pipeline.incident.evidence import copy_all
from pipeline.incident.raw_lines import RawLines, Want, by_day
from pipeline.incident.record import Incident, RegisterRow, figures
from pipeline.incident.traced import holds, untraced
from pipeline.ledger.account import last_site
from pipeline.ledger.database import Ledger, open_published
from pipeline.nightly import run_night
from pipeline.site import Site
from sample_logs.incident_demo import demo_incident, write_incident_site
from sample_logs.scenarios import write_site
from sample_logs.scenarios.incident import IncidentCase, make_incident_case
from schemas.documents import Layout
from schemas.times import DAY_US

KINDS = ("load-loss", "peak", "brake-render", "take-up", "slack", "let-go")


@pytest.fixture(scope="module")
def copies(ledger: Ledger, incident: Incident, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Raw copies and registers of the package's incident, as its folder has them."""
    folder = tmp_path_factory.mktemp("copies")
    copy_all(last_site(ledger), incident, folder)
    return folder


def test_every_figure_with_a_value_leads_to_something_in_the_folder(
    ledger: Ledger, incident: Incident, copies: Path
) -> None:
    assert list(untraced(incident, last_site(ledger), copies)) == []
    known = [one for one in figures(incident) if one.value is not None]
    assert len(known) > 300
    assert {kind for one in known for kind in KINDS if one.key.startswith(f"happening.{kind}.")} == set(KINDS)
    assert all(one.refs or one.of_figures or one.of_registers for one in known)


@pytest.mark.long
@pytest.mark.parametrize("seed", [None, 5, 9, 14])
def test_so_do_the_figures_of_the_demo_and_of_incidents_of_other_kinds(seed: int | None, tmp_path: Path) -> None:
    """None: the demo. Seeds of the family tune: their gaps, filters, clipped pins and hooks differ."""
    case = demo_incident() if seed is None else make_incident_case(seed, family="tune")
    incident, site = _made(case, tmp_path / "site", demo=seed is None)
    copy_all(site, incident, tmp_path / "copies")
    assert list(untraced(incident, site, tmp_path / "copies")) == []


def _made(case: IncidentCase, root: Path, *, demo: bool) -> tuple[Incident, Site]:
    if demo:
        write_incident_site(root, case)
    else:
        write_site(case.scenario, root)
    run_night(root)
    lost = case.losses[-1]
    with open_published(root) as ledger:
        return make_incident(ledger, line=lost.line, at_us=lost.unloaded_us, window_min=15.0), last_site(ledger)


def _instant(incident: Incident, **change: Any) -> Incident:
    """The same incident, the figure of its instant changed."""
    return replace(incident, part_a=replace(incident.part_a, instant=replace(incident.part_a.instant, **change)))


def _ref(incident: Incident, **change: Any) -> Incident:
    return _instant(incident, refs=(replace(incident.part_a.instant.refs[0], **change),))


def _day(incident: Incident, **change: Any) -> Incident:
    life, *rest = incident.part_b.lives
    days = replace(life.days[0], days=(replace(life.days[0].days[0], **change),))
    return replace(incident, part_b=replace(incident.part_b, lives=(replace(life, days=(days,)), *rest)))


FALSE: dict[str, tuple[Callable[[Incident], Incident], str]] = {
    "nothing named": (lambda i: _instant(i, refs=(), of_figures=()), "names nothing that it rests on"),
    "no such figure": (lambda i: _instant(i, of_figures=("A-9.1",)), "rests on A-9.1, which nothing is called"),
    "itself": (lambda i: _instant(i, of_figures=(i.part_a.instant.number,)), "which nothing is called"),
    "another line": (lambda i: _ref(i, line_no=i.part_a.instant.refs[0].line_no + 1), "does not hold"),
    "beyond the last line": (lambda i: _ref(i, line_no=10_000_000), "does not hold"),
    "another value": (lambda i: _ref(i, value=123456.5), "does not hold 123456.5"),
    "another channel": (lambda i: _ref(i, channel="nowhere"), "of nowhere"),
    "another file": (lambda i: _ref(i, sha256="0" * 64), "not among the raw copies"),
    "another row": (lambda i: _instant(i, of_registers=(RegisterRow("rigging.csv", 2, "no line"),)), "has no no line"),
    "beyond the last row": (lambda i: _instant(i, of_registers=(RegisterRow("lines.csv", 999, "L01"),)), "line 999"),
    "no such register": (lambda i: _instant(i, of_registers=(RegisterRow("x.csv", 2, "L01"),)), "x.csv, line 2 has no"),
    "no such key": (lambda i: _instant(i, of_registers=(RegisterRow("site.toml", None, "site.x"),)), "has no site.x"),
    "another day": (lambda i: _day(i, day="1999-01-01"), "no raw copy holds"),
    "no file of a day": (lambda i: _day(i, sha256=()), "no raw copy holds"),
}


@pytest.mark.parametrize("name", FALSE)
def test_a_trace_that_leads_nowhere_or_to_another_reading_is_told(
    name: str, ledger: Ledger, incident: Incident, copies: Path
) -> None:
    change, told = FALSE[name]
    (found,) = untraced(change(incident), last_site(ledger), copies)
    assert told in found


def test_rows_that_are_there_lead_somewhere(ledger: Ledger, incident: Incident, copies: Path) -> None:
    named = {row for one in figures(incident) for row in one.of_registers}
    assert {row.path for row in named} >= {"rigging.csv", "channels.csv", "lines.csv"}
    # The first line of a register is its header.
    assert all(row.line_no is None or row.line_no >= 2 for row in named)
    assert list(untraced(_instant(incident, of_registers=tuple(named)), last_site(ledger), copies)) == []


WIDE = Layout.model_validate(
    {
        "name": "wide",
        "reader": "delimited",
        "match": "*.csv",
        "text": {"separator": ";", "decimal": ","},
        "time": {"column": "Time", "format": "rfc3339"},
        "value": [
            {"column": "T", "channel": "T", "unit": "tf"},
            {"column": "S", "channel": "S", "unit": "1", "words": {"OPEN": 0, "SET": 1}},
        ],
    }
)


@pytest.mark.parametrize(
    ("text", "value", "unit", "held"),
    [
        ("2026-03-02T00:00:00Z;12,5;SET", 12.5 * 9.80665, "tf", True),  # NIST SP 811: 1 tf = 9.80665 kN
        ("2026-03-02T00:00:00Z;12,5;SET", 12.5, "tf", False),
        ("2026-03-02T00:00:00Z;12,5;SET", 1.0, "1", True),
        ("2026-03-02T00:00:00Z;12,5;SET", 0.0, "1", False),
        ("2026-03-02T00:00:00Z;---;SET", None, "tf", True),
        ("2026-03-02T00:00:00Z;12,5;SET", 12.5, None, False),
    ],
)
def test_a_line_holds_a_value_by_the_unit_and_words_of_its_layout(
    text: str, value: float | None, unit: str | None, held: bool
) -> None:
    assert holds(text, value, WIDE, unit) is held


def test_a_raw_line_looked_up_in_the_store_is_that_of_the_readings_about_the_loss(
    ledger: Ledger, incident: Incident
) -> None:
    names = {file.sha256: file.file for file in incident.evidence.raw_files}
    store = RawLines(ledger, last_site(ledger), names, {}, 0, 0)
    known = list(incident.part_a.instant.refs)
    wants = [Want(ref.channel, ref.raw_us, ref.raw_us + 1) for ref in known]
    assert store.of(wants) == [(ref,) for ref in known]
    first, last = sorted(ref.raw_us for ref in known)
    channel = known[0].channel
    stretch = [Want(channel, first, last + 1, "first"), Want(channel, first, last + 1, "last")]
    assert [ref.raw_us for (ref,) in store.of(stretch)] == [first, last]
    assert store.of([Want(channel, first + 1, first + 2), Want(channel, first, first)]) == [(), ()]


def test_a_stretch_over_midnight_is_looked_at_on_both_days() -> None:
    midnight = 20_000 * DAY_US
    assert by_day(midnight - 5, midnight + 3) == [(midnight - 5, midnight), (midnight, midnight + 3)]
    assert by_day(midnight, midnight + 3) == [(midnight, midnight + 3)]
    assert by_day(midnight - 5, midnight) == [(midnight - 5, midnight)]
