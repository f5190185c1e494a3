"""Pictures: no peak is lost, labels do not cover one another, what is not known is drawn as such."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.incident import chart, svg
from pipeline.incident.plan import plan
from pipeline.incident.record import BerthLine
from tests.incident_file.made import AT_US, HOSTILE, made_incident

SVG = "{http://www.w3.org/2000/svg}"
POINTS = st.lists(st.none() | st.tuples(st.floats(0, 20), st.floats(-100, 100)), max_size=60).map(
    lambda found: _in_order(found)
)


def _in_order(found: list[tuple[float, float] | None]) -> list[tuple[float, float] | None]:
    across = iter(sorted(point[0] for point in found if point is not None))
    return [None if point is None else (next(across), point[1]) for point in found]


@given(POINTS)
def test_an_outline_keeps_highest_and_lowest_and_every_gap_and_adds_nothing(
    points: list[tuple[float, float] | None],
) -> None:
    drawn = list(svg.outline(points))
    assert {point for point in drawn if point is not None} <= set(points)
    for pick in (min, max):
        heights = [[p[1] for p in some if p is not None] for some in (points, drawn)]
        assert pick(heights[0], default=None) == pick(heights[1], default=None)
    # A gap parts what was drawn before it from what was drawn after it.
    assert drawn.count(None) == points.count(None) + 1


def test_the_still_picture_of_the_window_has_the_lost_lines_highest_reading() -> None:
    incident = made_incident()
    picture = ET.fromstring(chart.still(incident, (AT_US - 1_800_000_000, AT_US + 1_800_000_000), style=False))
    (lost,) = [found for found in picture.iter(f"{SVG}path") if found.get("class") == "c-line c-lost"]
    heights = [float(point.split(" ")[1]) for point in re.split("[ML]", lost.get("d") or "") if point]
    # The lane's base is at 74, it is 46 high, and the scale ends at 1.05 times the highest reading, which is its own.
    assert min(heights) == pytest.approx(74 - 46 / 1.05, abs=0.06)


def test_pictures_are_well_formed_whatever_names_hold() -> None:
    incident = made_incident()
    berth = tuple(replace(line, line=HOSTILE) for line in incident.part_a.berth)
    for when in ("before", "at", "after"):
        picture = ET.fromstring(plan(berth, when, words=HOSTILE, style=True))
        assert picture.tag == f"{SVG}svg"
        assert not list(picture.iter(f"{SVG}img"))


@pytest.mark.parametrize("count", [1, 2, 12, 14])
def test_no_label_of_the_plan_covers_another_and_none_leaves_the_picture(count: int) -> None:
    (line, *_) = made_incident().part_a.berth
    roles = ("head", "breast", "spring", "stern")
    lines = [_unregistered(line, f"L{i:02d}", roles[i % 4]) for i in range(count)]
    picture = ET.fromstring(plan(lines, "before", words="before", style=False))
    at = [
        float(found.get("x") or "nan") for found in picture.iter(f"{SVG}text") if re.match(r"L\d\d$", found.text or "")
    ]
    assert len(at) == count
    assert all(after - before >= 55 for before, after in zip(sorted(at), sorted(at)[1:], strict=False))
    assert 20 <= min(at) <= max(at) <= 880


def test_a_load_that_is_not_known_is_written_so_and_a_lost_line_is_not_drawn_as_bearing() -> None:
    picture = plan(made_incident().part_a.berth, "after", words="after", style=False)
    assert picture.count(">not known<") == 5
    assert picture.count(">lost its load<") == 1
    assert picture.count("c-rope c-none") == 5
    assert picture.count("c-rope c-lost c-none") == 1


def test_the_wider_a_line_is_drawn_the_higher_its_load_on_one_scale_in_all_three_pictures() -> None:
    berth = made_incident().part_a.berth
    found: list[tuple[float, float]] = []
    for when in ("before", "at"):
        picture = ET.fromstring(plan(berth, when, words=when, style=False))
        ropes = [one for one in picture.iter(f"{SVG}line") if "c-rope" in (one.get("class") or "")]
        labels = [one.text or "" for one in picture.iter(f"{SVG}text") if (one.text or "").endswith(" kN")]
        found += [
            (float(label[:-3]), float(rope.get("stroke-width") or "nan"))
            for label, rope in zip(labels, ropes, strict=True)
        ]
    assert len(found) == 12
    assert [width for _, width in sorted(found)] == sorted(width for _, width in found)


def _unregistered(line: BerthLine, name: str, role: str) -> BerthLine:
    return replace(line, line=name, role=role, lost=False, chock_ahead_m=None, lead_deg=None)
