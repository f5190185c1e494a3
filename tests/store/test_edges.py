"""Edge digests: they change exactly when a reading changes that a neighbouring day may look at."""

import tempfile
from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.store.edges import EDGE_US
from pipeline.store.samples import Part
from schemas.times import DAY_US
from tests.extent import examples
from tests.store.makers import CUTS, MIDNIGHT_US, SECOND_US, UNITS, Line, bits, raw_files, write

INSTANTS = st.one_of(
    st.sampled_from([0, 1, EDGE_US - 1, EDGE_US, DAY_US // 2, DAY_US - EDGE_US - 1, DAY_US - EDGE_US, DAY_US - 1]),
    st.integers(0, 12).map(lambda i: i * 2 * 3600 * SECOND_US - (i == 12)),
).map(lambda us: MIDNIGHT_US + us)
"""One day, at and beside the borders of its edges."""
CHANNELS = ("pin", "brake")
"""A brake tells a state (unit 1), which holds until the next is told: its last before the tail counts, however old."""
WHOLE = st.integers(-3, 3).map(float)
FILES = raw_files(numbers=WHOLE, instants=INSTANTS, channels=CHANNELS)

Edge = list[tuple[str, int, list[int]]]


def edges(lines: list[Line]) -> tuple[Edge, Edge]:
    """Readings of the day's head, and of its tail with the brake's last before it, in order of time, then of line."""
    in_time = sorted(lines, key=lambda line: line.at_us)
    told = [(name, line.at_us, bits([line.raw[name]])) for name in CHANNELS for line in in_time if name in line.raw]
    tail_us = MIDNIGHT_US + DAY_US - EDGE_US
    last_us = max((at for name, at, _ in told if name == "brake" and at < tail_us), default=-1)
    head = [r for r in told if r[1] < MIDNIGHT_US + EDGE_US]
    tail = [r for r in told if r[1] >= tail_us or r[:2] == ("brake", last_us)]
    return head, tail


def the_part(lines: list[Line], cuts: list[int], units: Mapping[str, str] = UNITS) -> Part | None:
    """The one part that sorted whole numbers of one place and day make, however they are cut."""
    with tempfile.TemporaryDirectory() as folder:
        in_time = sorted(lines, key=lambda line: line.at_us)
        parts = write(Path(folder), in_time, cuts=cuts, units=units)
    return parts[0] if parts else None


@st.composite
def changes(draw: st.DrawFn) -> tuple[list[Line], list[Line]]:
    """A file, and the same with one line changed, moved, or taken out."""
    lines = draw(FILES.filter(lambda found: len(found) > 1))
    i = draw(st.integers(0, len(lines) - 1))
    line = lines[i]
    instead = draw(
        st.one_of(
            st.just([]),
            st.just([Line(line.line_no + 1000, line.at_us, line.raw)]),
            INSTANTS.map(lambda at_us: [Line(line.line_no, at_us, line.raw)]),
            st.dictionaries(st.sampled_from(CHANNELS), WHOLE, min_size=1).map(
                lambda raw: [Line(line.line_no, line.at_us, raw)]
            ),
        )
    )
    return lines, [*lines[:i], *instead, *lines[i + 1 :]]


@settings(deadline=None, max_examples=examples(150))
@given(changes())
def test_a_digest_changes_exactly_when_an_edge_reading_does(both: tuple[list[Line], list[Line]]) -> None:
    before, after = (the_part(lines, []) for lines in both)
    assert before is not None
    assert after is not None
    (head, tail), (new_head, new_tail) = (edges(lines) for lines in both)
    assert (before.head_digest == after.head_digest) == (head == new_head)
    assert (before.tail_digest == after.tail_digest) == (tail == new_tail)
    assert (before.head_digest == "") == (head == [])


@pytest.mark.parametrize(
    ("us", "in_head", "in_tail"),
    [
        (0, True, False),
        (EDGE_US - 1, True, False),
        (EDGE_US, False, False),
        (DAY_US - EDGE_US - 1, False, False),
        (DAY_US - EDGE_US, False, True),
    ],
)
def test_the_edges_reach_from_the_first_instant_of_the_day_up_to_its_next(
    us: int, in_head: bool, in_tail: bool
) -> None:
    last = Line(9, MIDNIGHT_US + DAY_US - 1, {"pin": 0.0})
    one, other = (the_part([Line(2, MIDNIGHT_US + us, {"pin": kn}), last], []) for kn in (1.0, 2.0))
    assert one is not None
    assert other is not None
    assert (one.head_digest != other.head_digest) == in_head
    assert (one.tail_digest != other.tail_digest) == in_tail


@settings(deadline=None)
@given(FILES.filter(len), CUTS)
def test_a_digest_does_not_tell_where_the_file_was_cut_into_pieces(lines: list[Line], cuts: list[int]) -> None:
    # Where a piece holds a channel more or less, another part begins: pieces alike keep to one.
    alike = [Line(line.line_no, line.at_us, {"pin": 1.0, "brake": 2.0, **line.raw}) for line in lines]
    whole, in_pieces = the_part(alike, []), the_part(alike, cuts)
    assert whole is not None
    assert in_pieces is not None
    assert (whole.head_digest, whole.tail_digest) == (in_pieces.head_digest, in_pieces.tail_digest)


def test_the_same_number_in_another_unit_is_another_reading() -> None:
    lines = [Line(2, MIDNIGHT_US, {"pin": 1.0}), Line(3, MIDNIGHT_US + DAY_US - 1, {"pin": 1.0})]
    first, second = the_part(lines, [], {"pin": "tf"}), the_part(lines, [], {"pin": "kN"})
    assert first is not None
    assert second is not None
    assert first.head_digest != second.head_digest
    assert first.tail_digest != second.tail_digest
