"""What other lines did about a loss of load: neighbours that take it up, and lines that go in turn."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.events.take_up import BIN_US, Aside, OtherLine, aside

AT = 100_000
"""The bin of the loss."""
AT_US = AT * BIN_US + 4_000_000
MBL_KN = 1000.0


def line(
    name: str,
    *,
    role: str = "breast",
    before: float = 100.0,
    after: float = 100.0,
    change: int = AT,
    noise: float = 1.0,
    last: int = AT + 200,
    to_bin: int | None = None,
) -> OtherLine:
    """A line at `before` kN up to bin `change`, at `after` from there on."""
    bins = np.arange(AT - 480, last)
    kn = np.where(bins < change, before, after) + noise * np.random.default_rng(len(name) + ord(name[-1])).normal(
        size=bins.size
    )
    return OtherLine(name, f"{name}-pin", role, MBL_KN, None if to_bin is None else to_bin * BIN_US, bins, kn)


def told(*others: OtherLine, own: OtherLine | None = None, mean_kn: float = 200.0) -> Aside:
    own = line("L0", before=200.0, after=0.0) if own is None else own
    return aside(own, AT_US, mean_kn, [own, *others])


def test_a_neighbour_that_rises_by_more_than_it_usually_changes_took_load_up() -> None:
    (one,) = told(line("L1", after=140.0)).neighbours
    assert one.took_up
    assert one.before_kn == pytest.approx(100.0, abs=1.0)
    assert one.after_kn == pytest.approx(140.0, abs=1.0)


@pytest.mark.parametrize(
    "neighbour",
    [line("L1", after=60.0), line("L1"), line("L1", after=110.0, noise=40.0), line("L1", after=103.0, noise=0.0)],
    ids=["falls", "stays", "in its noise", "under a fiftieth"],
)
def test_what_falls_stays_or_vanishes_in_the_usual_changes_is_not_visible(neighbour: OtherLine) -> None:
    assert not told(neighbour).neighbours[0].took_up


def test_a_ship_may_take_a_motion_period_to_find_her_place() -> None:
    """The neighbour rises over four bins only: the mean of three minutes sees it."""
    slow = line("L1", after=140.0, change=AT + 4)
    assert told(slow).neighbours[0].took_up


def test_lines_of_other_roles_and_on_the_same_hook_are_no_neighbours() -> None:
    own = line("L0", before=200.0, after=0.0)
    same_hook = replace(line("L2", after=140.0), channel=own.channel)
    assert told(line("L1", role="spring", after=140.0), same_hook, own=own).neighbours == ()
    assert told(line("L1", role="", after=140.0), own=replace(own, role="")).neighbours == ()


def test_without_an_hour_before_nothing_is_visible() -> None:
    short = line("L1", after=140.0)
    late = replace(short, bins=short.bins[-240:], mean_kn=short.mean_kn[-240:])
    (one,) = told(late).neighbours
    assert (one.usual_kn, one.took_up) == (None, False)


def let_go(name: str, minutes: float) -> OtherLine:
    """A line let go so many minutes from the loss, and out of the register half a minute later."""
    gone = AT + round(minutes * 6)
    return line(name, after=0.0, change=gone, last=gone + 3, to_bin=gone + 3)


def test_lines_let_go_one_after_another_go_in_turn_the_first_and_the_last_too() -> None:
    first = told(*(let_go(f"L{n}", n) for n in range(1, 7)), own=let_go("L0", 0))
    last = told(*(let_go(f"L{n}", -n) for n in range(1, 7)), own=let_go("L0", 0))
    assert (first.others, first.gone, first.near, first.in_turn) == (6, 6, 5, True)
    # The last loaded bin of the line that went five minutes before begins ten seconds earlier.
    assert (last.others, last.gone, last.near, last.in_turn) == (6, 6, 4, True)


def test_a_line_that_goes_alone_does_not_go_in_turn() -> None:
    alone = told(*(line(f"L{n}") for n in range(1, 7)))
    assert (alone.others, alone.gone, alone.in_turn) == (6, 0, False)


def test_a_line_that_goes_ten_minutes_before_the_others_does_not_go_in_turn() -> None:
    before = told(*(let_go(f"L{n}", 10 + n) for n in range(1, 7)))
    assert (before.gone, before.near, before.in_turn) == (6, 0, False)


def test_where_the_record_ends_soon_after_it_is_not_known() -> None:
    assert told(*(line(f"L{n}", last=AT + 10) for n in range(1, 7)), own=line("L0", last=AT + 10)).in_turn is None


def test_one_other_line_is_no_turn() -> None:
    assert told(let_go("L1", 1)).in_turn is None


@given(
    st.permutations([line("L1", after=140.0), line("L2"), let_go("L3", 2), let_go("L4", 3), line("L5", role="head")])
)
def test_the_order_of_lines_does_not_matter(lines: list[OtherLine]) -> None:
    same = told(line("L1", after=140.0), line("L2"), let_go("L3", 2), let_go("L4", 3), line("L5", role="head"))
    assert told(*lines) == same


def test_it_survives_json() -> None:
    found = told(line("L1", after=140.0 + 1 / 3), line("L2", last=AT))
    assert Aside.from_payload(json.loads(json.dumps(found.to_payload()))) == found
