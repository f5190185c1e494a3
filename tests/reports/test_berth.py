"""The berth's first screen: what needs doing, the gravest first and each line once, and nothing left out."""

from __future__ import annotations

from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.reports.berth_doing import _linked, todo
from pipeline.reports.berth_short import short
from pipeline.reports.figures import Figure, Instant, Link
from pipeline.reports.snapshot import Snapshot
from tests.extent import examples

LINES = [f"L{i}" for i in range(6)]


def words_of(cells: Any) -> str:
    """What stands in a row of the box, as words."""
    return "".join(
        one.text if isinstance(one, Link | Figure) else one.at if isinstance(one, Instant) else str(one)
        for one in cells
    )


def test_each_line_stands_once_under_each_heading_the_largest_peak_first(demo: Snapshot) -> None:
    for task in todo(demo):
        named = [one.text for item in task.items for one in item["of"]]
        assert (task.do, len(named)) == (task.do, len(set(named)))
    inspect = next(task for task in todo(demo) if task.do == "Inspect before reuse")
    loads = [max(event["peak_kn"] for event in demo.events_of(item["of"][0].text)) for item in inspect.items]
    assert inspect.items[0]["of"][0].text == "L09"
    assert loads[0] == max(loads)


def test_a_line_and_its_tail_are_one_item_and_what_is_said_of_one_alone_has_its_name(demo: Snapshot) -> None:
    inspect = next(task for task in todo(demo) if task.do == "Inspect before reuse")
    (item,) = [item for item in inspect.items if "L07" in [one.text for one in item["of"]]]
    assert [one.text for one in item["of"]] == ["L07", "T07"]
    common, *own = item["because"]
    assert "largest peak-load 905 kN" in common
    assert [words[:5] for words in own] == ["L07: ", "T07: "]


def test_nothing_that_the_advice_says_is_left_out_of_what_needs_doing(demo: Snapshot) -> None:
    told = "\n".join(words for task in todo(demo) for item in task.items for words in item["because"])
    for row in demo.status["lines"]:
        for said in row["advice_list"]:
            assert said["because"] in told


def test_registers_that_contradict_each_other_about_a_line_are_to_be_settled(demo: Snapshot) -> None:
    (settle,) = [task for task in todo(demo) if task.do == "Settle what registers say"]
    assert [[one.text for one in item["of"]] for item in settle.items] == [["L02"]]
    assert "end for end" in settle.items[0]["because"][0]


def test_the_box_names_worst_lines_brakes_sensors_and_what_has_no_calibration(demo: Snapshot) -> None:
    told = {row["what"]: words_of(row["words"]) for row in short(demo)}
    assert told["Worst main line"].startswith("L07 (inspect before reuse; no rule retires a main line here)")
    assert "its own is known, which may be all that puts it first" in told["Worst main line"]
    assert told["Brakes to check"] == "W04 holds above set; W10 renders early"
    assert told["Sensors to mend or check"].startswith("H2-tension calibration-overdue, flat-line")
    assert "no calibration on record: F1-tension, F2-tension" in told["Sensors to mend or check"]


@given(
    st.dictionaries(st.sampled_from(LINES), st.sets(st.sampled_from("pqrs"), min_size=1)).map(
        lambda found: {line: dict.fromkeys(sorted(own)) for line, own in found.items()}
    )
)
@settings(max_examples=examples(60))
def test_lines_are_together_just_where_shared_reasons_join_them(
    reasons: dict[str, dict[str, None]],
) -> None:
    groups = _linked(reasons)
    assert sorted(line for group in groups for line in group) == sorted(reasons)
    for group in groups:
        own = {words for line in group for words in reasons[line]}
        others = {words for other in groups if other is not group for line in other for words in reasons[line]}
        assert own.isdisjoint(others)
        reached = {group[0]}
        for _ in group:
            reached |= {line for line in group if any(set(reasons[line]) & set(reasons[other]) for other in reached)}
        assert reached == set(group)
