"""When a day is posted, how far coverage is reckoned, and what each line feels of the hook it lies on."""

from collections.abc import Iterable
from pathlib import Path

import pytest

from tests.night.berth import Berth, felt, lives, make_berth, record, values

STILL = "L1,H1,2026-03-02T00:00:00Z,,a,100"


def days(posted: Iterable[tuple[str, str]]) -> list[str]:
    return sorted(day for _, day in posted)


def by_day(berth: Berth, line: str, zone: str = "a") -> dict[str, object]:
    """Posted life of one zone; days on which none closed left out."""
    return {day: life for (found, day), life in berth.posted(line).items() if found == zone and life}


# ------------------------------------------------------------------------------------------- when a day is posted


def test_a_day_waits_for_a_later_sample_of_its_own_channel(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b", [STILL])
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    assert berth.night().entries_posted == 0
    assert berth.unposted() == ["2026-03-02"]
    berth.deliver("hooks_2.csv", record("2026-03-03T06:00", hook="H2"))  # another hook tells nothing of this one
    assert berth.night().entries_posted == 0
    berth.deliver("hooks_3.csv", record("2026-03-02T12:00"))  # nor does more of the same day
    assert berth.night().entries_posted == 0
    berth.deliver("hooks_4.csv", values("2026-03-03T00:00", ["---"]))  # a sentinel is a reading: missing
    berth.night()
    assert berth.entered() == [("L1", "a", "2026-03-02", "posting", "posted")]
    assert berth.audit() == []


def test_a_day_waits_no_longer_than_its_rigging(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b", ["L1,H1,2026-03-02T00:00:00Z,2026-03-02T09:00:00Z,a,100"])
    rows = record("2026-03-02T06:00")
    berth.deliver("hooks_1.csv", rows)
    berth.night()
    assert by_day(berth, "L1") == lives(felt(rows, begins="2026-03-02T00:00", ends="2026-03-02T09:00"))
    assert berth.audit() == []


def test_through_posts_the_days_up_to_it_and_no_other(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b", [STILL, "L2,H2,2026-03-02T00:00:00Z,,a,100"])
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    berth.deliver("hooks_2.csv", record("2026-03-03T06:00", hook="H2"))
    berth.night(through="2026-03-02")
    assert days(berth.posted("L1")) == ["2026-03-02"]
    assert days(berth.posted("L2")) == []
    assert berth.unposted("L2") == ["2026-03-03"]
    assert berth.audit() == []


def test_through_is_remembered(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b", [STILL])
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    berth.night(through="2026-03-03")
    berth.deliver("hooks_2.csv", record("2026-03-03T06:00"))
    berth.night()
    assert days(berth.posted()) == ["2026-03-02", "2026-03-03"]
    assert berth.night(through="2026-03-02").run_id is None  # an earlier day takes nothing back
    assert berth.coverage()[0] == 2 * 86_400
    assert berth.audit() == []


def test_a_rigging_that_turns_out_not_to_have_ended_takes_back_what_waits_again(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b", ["L1,H1,2026-03-02T00:00:00Z,2026-03-02T09:00:00Z,a,100"])
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    berth.night()
    berth.rig(STILL)
    berth.night()
    ((_, _, day, kind, reason),) = berth.entered()
    assert (day, kind) == ("2026-03-02", "reversal")
    assert reason == "nothing is left to post for this line, zone and day: it waits for a later sample again"
    assert berth.unposted() == ["2026-03-02"]
    assert berth.live() == berth.anew().live()
    assert berth.audit() == []


# ------------------------------------------------------------------------------------------- coverage


def test_coverage_runs_to_the_sites_latest_sample_and_never_to_the_clock(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b", [STILL])
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    berth.night()
    assert berth.coverage() == (6 * 3600 + 78, 78)
    berth.deliver("hooks_2.csv", values("2026-03-02T18:00", [1.0], hook="H2"))
    berth.night()
    assert berth.coverage() == (18 * 3600, 78)  # 12 hours rigged and not observed
    berth.night(through="2026-03-03")
    assert berth.coverage() == (2 * 86_400, 78)
    assert berth.audit() == []


def test_a_gap_is_not_observed_ends_an_excursion_and_inserts_nothing(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b", [STILL], policy="cluster_gap_s = 30\n")
    first = values("2026-03-02T06:00", [100.0, 600.0, 300.0, 620.0])
    second = values("2026-03-02T06:02", [610.0, 200.0, 250.0, 90.0])  # 114 s after the last reading before it
    berth.deliver("hooks_1.csv", first + second)
    berth.night(through="2026-03-02")
    assert berth.coverage()[1] == 3 * 2 + 10 + 3 * 2
    assert [(event.peak_kn, event.payload["excursions"]) for event in berth.events()] == [(620.0, 2), (610.0, 1)]
    assert by_day(berth, "L1") == lives(felt(first, second, begins="2026-03-02T00:00"))
    assert berth.audit() == []


def test_a_sensor_that_reports_nothing_is_rigged_time_not_observed(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b", [STILL])
    berth.deliver("hooks_1.csv", values("2026-03-02T06:00", [100.0, "---", "---", 90.0, 110.0]))
    berth.night()
    assert berth.coverage() == (6 * 3600 + 8, 2 + 2)
    assert berth.audit() == []


# ------------------------------------------------------------------------------------------- edges of riggings


def test_a_rigging_from_midnight_to_midnight_has_its_day_and_is_let_go_on_the_next(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b", ["L1,H1,2026-03-03T00:00:00Z,2026-03-04T00:00:00Z,a,100"])
    before, own, after = (
        record(f"2026-03-0{day}T00:00") + record(f"2026-03-0{day}T23:59", count=30) for day in (2, 3, 4)
    )
    berth.deliver("hooks_1.csv", before + own + after)
    berth.night()
    assert by_day(berth, "L1") == lives(felt(own, begins="2026-03-03T00:00", ends="2026-03-04T00:00"))
    assert berth.coverage() == (86_400, 39 * 2 + 10 + 29 * 2 + 2)  # the last reading stands to the rigging's end
    assert [point["kn"] for point in berth.cycles()["residue"]][-1] == 0.0
    assert berth.audit() == []


def test_a_line_that_moves_hook_at_noon_feels_each_hook_in_its_time(tmp_path: Path) -> None:
    berth = make_berth(
        tmp_path / "b",
        ["L1,H1,2026-03-02T00:00:00Z,2026-03-02T12:00:00Z,a,100", "L1,H2,2026-03-02T12:00:00Z,,a,100"],
    )
    hook1 = record("2026-03-02T11:59", 60)
    hook2 = record("2026-03-02T11:59", 60, hook="H2", seed=2)
    berth.deliver("hooks_1.csv", hook1 + hook2)
    berth.night(through="2026-03-02")
    noon = felt([], begins="2026-03-02T12:00")
    own = felt(hook1[:30], begins="2026-03-02T00:00", ends="2026-03-02T12:00") + noon + felt(hook2[30:])
    assert by_day(berth, "L1") == lives(own)
    assert berth.coverage() == (86_400, 60 + 58)
    assert berth.audit() == []


def test_a_line_turned_end_for_end_wears_one_zone_then_the_other(tmp_path: Path) -> None:
    berth = make_berth(
        tmp_path / "b",
        ["L1,H1,2026-03-02T00:00:00Z,2026-03-02T12:00:00Z,a,100", "L1,H1,2026-03-02T12:00:00Z,,b,100"],
    )
    rows = record("2026-03-02T11:59", 60)
    berth.deliver("hooks_1.csv", rows)
    berth.night(through="2026-03-02")
    assert by_day(berth, "L1", "a") == lives(felt(rows[:30], begins="2026-03-02T00:00", ends="2026-03-02T12:00"))
    assert by_day(berth, "L1", "b") == lives(felt(rows[30:], begins="2026-03-02T12:00"))
    assert berth.audit() == []


def test_cycles_run_on_across_a_midnight(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b", [STILL])
    rows = record("2026-03-02T23:59", 60)
    berth.deliver("hooks_1.csv", rows)
    berth.night(through="2026-03-03")
    expected = lives(felt(rows, begins="2026-03-02T00:00"))
    assert sorted(expected) == ["2026-03-02", "2026-03-03"]
    assert by_day(berth, "L1") == expected
    assert berth.audit() == []


# ------------------------------------------------------------------------------------------- who shares a hook


def test_a_main_line_and_its_tail_share_sheets_and_an_event_and_each_has_its_entry(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b", [STILL, STILL.replace("L1", "T1")])
    rows = values("2026-03-02T06:00", [100.0, 640.0, 120.0, 300.0, 90.0])
    berth.deliver("hooks_1.csv", rows)
    berth.night(through="2026-03-02")
    ((sheets_of_main,), (sheets_of_tail,)) = (
        [entry["sheets"] for entry in berth.statement(line)["entries"]] for line in ("L1", "T1")
    )
    assert sheets_of_main == sheets_of_tail
    assert len(berth.sheets()) == 1
    assert by_day(berth, "L1") == by_day(berth, "T1") == lives(felt(rows, begins="2026-03-02T00:00"))
    (event,) = berth.events()
    assert event.line == "L1"
    assert event.peak_pct == pytest.approx(64.0)  # of a design MBL of 1000 kN
    (tail,) = event.payload["tails"]
    assert tail == {"line": "T1", "peak_pct": pytest.approx(640 / 12), "peak_pct_of": "break force"}
    assert berth.audit() == []


def test_two_lines_that_share_a_hook_feel_their_shares_of_it(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b", [STILL.replace("a,100", "a,50"), STILL.replace("L1", "L2").replace("100", "50")])
    rows = record("2026-03-02T06:00")
    berth.deliver("hooks_1.csv", rows)
    berth.night(through="2026-03-02")
    half = lives(felt(rows, share=0.5, begins="2026-03-02T00:00"))
    assert by_day(berth, "L1") == by_day(berth, "L2") == half
    assert half["2026-03-02"] < lives(felt(rows, begins="2026-03-02T00:00"))["2026-03-02"] / 16
    assert berth.coverage("L1") == berth.coverage("L2")
    assert berth.audit() == []
