"""Rendering told from tension alone, from raw logs through a night: over midnight, with tending, never with payout."""

from pathlib import Path
from typing import Any

import pytest

from pipeline.ledger.brakes import brakes_json
from pipeline.ledger.queries import events_json
from pipeline.render_brakes import brakes_text
from pipeline.render_events import sentence
from pipeline.tracing.trace import trace_json
from schemas.times import rfc3339_us
from tests.events.test_plateau import GIVES_KN, berth
from tests.night.berth import CHANNEL_COLUMNS, RIGGING_COLUMNS, Berth, Row, make_berth

PLACES = ("W1", "H2", "H3", "H4")
LINES = ("L1", "L2", "L3", "L4")


def logs(start: str, *, renders: bool) -> list[Row]:
    """Three readings a bin, with just the bin's lowest, highest and mean tension."""
    begin_us = rfc3339_us(start)
    found: list[Row] = []
    for place, line in zip(PLACES, berth(0, renders=renders), strict=True):
        bins = zip(line.mean_kn.tolist(), line.high_kn.tolist(), strict=True)
        for number, (mean, high) in enumerate(bins):
            low = 2 * mean - high
            for second, kn in ((0, low), (3, high), (6, 3 * mean - low - high)):
                found.append((begin_us + (number * 10 + second) * 1_000_000, place, round(kn, 2)))
    return sorted(found)


def site_of(root: Path, *channels: str) -> Berth:
    """Four lines of one ship, the first on a winch; `channels`: rows of channels.csv besides the tensions."""
    made = make_berth(root, files={"winches.csv": "place,brake_set_kn,set_on\nW1,400,2026-01-01\n"})
    kinds = {"W1": "winch-brake"}
    rows = [f"{place},tension,{kinds.get(place, 'load-pin')},0.3,3000,{place}," for place in PLACES]
    made.write("channels.csv", "\n".join((CHANNEL_COLUMNS, *rows, *channels)) + "\n")
    lines = [f"{line},S1,rope,main,2026-01-01" for line in LINES]
    made.write("lines.csv", "\n".join(("line,ship,spec,part,in_service", *lines)) + "\n")
    rigged = [f"{line},{place},2026-03-02T00:00:00Z,,a,100" for line, place in zip(LINES, PLACES, strict=True)]
    made.write("rigging.csv", "\n".join((RIGGING_COLUMNS, *rigged)) + "\n")
    return made


def renders_of(site: Berth) -> list[dict[str, Any]]:
    return [event for event in site.ask(events_json)["events"] if event["kind"] == "brake-render"]


@pytest.mark.parametrize("start", ["2026-03-02T10:00:00Z", "2026-03-02T23:40:00Z"])
def test_cut_crests_are_a_render_of_the_brake_with_a_confidence_also_over_midnight(tmp_path: Path, start: str) -> None:
    site = site_of(tmp_path / "b")
    site.deliver("hooks_1.csv", logs(start, renders=True))
    site.night(through="2026-03-03")
    (event,) = renders_of(site)
    assert (event["line"], event["basis"], event["payout_m"], event["phase"]) == (
        "L1",
        "tension alone",
        None,
        "all fast",
    )
    assert 0.6 <= event["confidence"] <= 1.0
    assert 0.85 * GIVES_KN < event["breakout_kn"] < 1.15 * GIVES_KN
    assert event["verdict"] == "early"
    assert "told from tension alone, confidence" in sentence(event)
    assert "on our simulator" in sentence(event)
    (brake,) = site.ask(brakes_json)["brakes"]
    assert (brake["verdict"], brake["let_go"][0]["basis"]) == ("renders early", "tension alone")
    assert "told from tension alone, without payout" in " ".join(brakes_text(site.ask(brakes_json)).split())
    traced = site.ask(lambda ledger: trace_json(ledger, event["event"]))["trace"]
    assert traced["samples"][0]["raw"]
    assert site.audit() == []


def test_without_rendering_nothing_is_told(tmp_path: Path) -> None:
    site = site_of(tmp_path / "b")
    site.deliver("hooks_1.csv", logs("2026-03-02T10:00:00Z", renders=False))
    site.night(through="2026-03-03")
    assert renders_of(site) == []


def test_where_payout_is_measured_tension_alone_tells_nothing(tmp_path: Path) -> None:
    site = site_of(tmp_path / "b", "W1-payout,payout,other,0.3,,W1,")
    site.deliver("hooks_1.csv", logs("2026-03-02T10:00:00Z", renders=True))
    site.night(through="2026-03-03")
    assert renders_of(site) == []


def test_while_the_crew_tends_the_winch_nothing_is_told(tmp_path: Path) -> None:
    site = site_of(tmp_path / "b", "W1-brake,brake,other,0.3,,W1,")
    layout = (site.root / "layouts/hooks.toml").read_text(encoding="utf-8")
    told = layout.replace("hooks_", "brakes_").replace('"hooks"', '"brakes"')
    site.write("layouts/brakes.toml", told.replace('unit = "kN"', 'unit = "1"').replace('"{key}"', '"{key}-brake"'))
    site.deliver("hooks_1.csv", logs("2026-03-02T10:00:00Z", renders=True))
    at_us = rfc3339_us("2026-03-02T10:00:00Z")
    states: list[Row] = [(at_us, "W1", 1), (at_us + 1_150_000_000, "W1", 0), (at_us + 1_151_000_000, "W1", 1)]
    site.deliver("brakes_1.csv", states)
    site.night(through="2026-03-03")
    assert renders_of(site) == []
    assert site.audit() == []
