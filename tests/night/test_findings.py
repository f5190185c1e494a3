"""What is wrong with the data is a finding with its evidence, and never a silent correction."""

from pathlib import Path

import pytest

from pipeline.errors import RegisterError
from schemas.times import rfc3339_us
from tests.night.berth import CHANNEL_COLUMNS, Berth, felt, lives, log_text, make_berth, record, values

DAY = "2026-03-02"


def kinds(berth: Berth) -> list[str]:
    return sorted(kind for kind, _ in berth.findings())


def test_of_readings_that_differ_the_larger_is_live_and_both_are_kept(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", values(f"{DAY}T06:00", [100.0, 200.0, 150.0, 220.0, 90.0]))
    berth.deliver("hooks_2.csv", values(f"{DAY}T06:00", [100.0, 240.0, "---", 210.0, 90.0]))
    night = berth.night(through=DAY)
    assert [(r.stored, r.duplicate) for r in night.receipts] == [(5, 0), (3, 2)]
    (found,) = night.findings
    assert (found.kind, found.subject, found.severity) == ("conflict", "H1", "warning")
    assert "3 instants" in found.text
    live = values(f"{DAY}T06:00", [100.0, 240.0, 150.0, 220.0, 90.0])  # a value beats a missing one
    assert {day: life for (_, day), life in berth.posted().items()} == lives(felt(live, begins=f"{DAY}T00:00"))
    assert berth.coverage() == (86_400, 8)
    assert berth.audit() == []


def test_readings_that_agree_again_close_the_conflict(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", values(f"{DAY}T06:00", [100.0, 200.0]))
    berth.deliver("hooks_2.csv", values(f"{DAY}T06:00", [100.0, 201.0]))
    (_, second) = berth.night().receipts
    assert kinds(berth) == ["conflict"]
    berth.write("withdrawn.csv", f"sha256,reason\n{second.sha256},a bad copy\n")
    berth.night()
    assert kinds(berth) == []
    (closed,) = berth.rows("SELECT op, reason FROM findings WHERE op = 'close'")
    assert closed == ("close", "no longer so")


def test_a_stamp_more_than_an_hour_after_the_file_came_is_a_finding(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", values("2126-03-02T06:00", [100.0, 200.0]))
    night = berth.night()
    (found,) = night.findings
    assert (found.kind, found.subject) == ("future-stamp", "hooks_1.csv")
    assert found.evidence["last_us"] == rfc3339_us("2126-03-02T06:00:02Z")
    assert found.evidence["arrived_us"] < found.evidence["last_us"] - 3_600_000_000
    assert berth.audit() == []


def test_a_channel_silent_beyond_what_is_expected_is_a_finding_until_it_speaks_again(tmp_path: Path) -> None:
    channels = [f"{hook},tension,load-pin,0.5,3000,{hook},6" for hook in ("H1", "H2", "H3")]
    berth = make_berth(tmp_path / "b", files={"channels.csv": "\n".join((CHANNEL_COLUMNS, *channels)) + "\n"})
    berth.deliver("hooks_1.csv", record(f"{DAY}T06:00") + record(f"{DAY}T06:00", hook="H2"))
    berth.night()
    # The records are old by the clock, so that the site as a whole is silent too.
    assert sorted(berth.findings()) == [("silent-channel", "H3"), ("silent-site", "b1")]
    berth.deliver("hooks_2.csv", record(f"{DAY}T14:00"))
    night = berth.night()
    assert sorted((found.kind, found.subject, found.severity) for found in night.findings) == [
        ("silent-channel", "H2", "warning"),
        ("silent-channel", "H3", "warning"),
        ("silent-site", "b1", "warning"),
    ]
    assert "no reading since 2026-03-02T06:01:18Z; one is expected every 6 h" in [f.text for f in night.findings]
    berth.deliver("hooks_3.csv", record(f"{DAY}T14:00", hook="H2") + record(f"{DAY}T14:00", hook="H3"))
    berth.night()
    assert berth.findings() == [("silent-site", "b1")]


def test_a_file_of_which_nothing_is_read_is_a_finding(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", [])
    berth.night()
    assert berth.findings() == [("nothing-read", "hooks_1.csv")]


def test_a_through_that_can_only_be_mistyped_is_refused_and_not_remembered(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", record(f"{DAY}T06:00"))
    with pytest.raises(RegisterError, match="a year beyond"):
        berth.night(through="2999-12-31")
    berth.night()
    assert berth.posted() == {}


def test_rows_of_an_unregistered_key_are_ignored_and_a_finding(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", record(f"{DAY}T06:00") + record(f"{DAY}T07:00", 3, hook="H7"))
    night = berth.night()
    (receipt,) = night.receipts
    assert (receipt.lines, receipt.header, receipt.ignored, receipt.stored) == (44, 1, 3, 40)
    (found,) = night.findings
    assert (found.kind, found.evidence) == ("unregistered", {"key": "H7", "rows": 3})
    channels = (berth.root / "channels.csv").read_text()
    berth.write("channels.csv", channels + "H7,tension,load-pin,0.5,3000,H7,\n")
    (receipt,) = berth.night().receipts
    assert (receipt.op, receipt.ignored, receipt.stored) == ("reread", 0, 43)
    assert berth.findings() == []
    assert berth.live() == berth.anew().live()


def test_quarantine_is_a_finding_and_keeps_line_bytes_and_reason(tmp_path: Path) -> None:
    import pyarrow.parquet as pq

    berth = make_berth(tmp_path / "b")
    data = (
        log_text(record(f"{DAY}T06:00", 3))
        + b"2026-03-02T06:01:00Z,H1\nlater,H1,3\n\xff\xfe\n2026-03-02T06:02:00Z,H1,x"
    )
    berth.deliver("hooks_1.csv", data)
    night = berth.night()
    (receipt,) = night.receipts
    assert (receipt.lines, receipt.stored, receipt.quarantined) == (8, 3, 4)
    assert not night.clean
    assert ("quarantine", "hooks_1.csv") in berth.findings()
    kept = pq.read_table(berth.root / "quarantine" / str(receipt.quarantine_path)).to_pylist()
    assert [(row["raw_line"], row["bytes"]) for row in kept] == [
        (5, b"2026-03-02T06:01:00Z,H1"),
        (6, b"later,H1,3"),
        (7, b"\xff\xfe"),
        (8, b"2026-03-02T06:02:00Z,H1,x"),
    ]
    assert [row["reason"] for row in kept][:2] == ["field-count", "unreadable-time"]
    assert kept[3]["reason"] == "unterminated"
    assert berth.audit() == []


def test_a_bad_cell_in_a_good_row_is_quarantined_by_itself(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b", files={"layouts/wide.toml": WIDE})
    berth.deliver("wide_1.txt", b"at;H1;H2\n2026-03-02T06:00:00Z;100;#REF\n2026-03-02T06:00:02Z;120;80\n")
    (receipt,) = berth.night().receipts
    assert (receipt.lines, receipt.stored, receipt.quarantined, receipt.cells_quarantined) == (3, 2, 0, 1)
    assert berth.findings() == [("quarantine-cells", "wide_1.txt")]
    assert berth.audit() == []


def test_a_service_that_the_riggings_contradict_is_a_finding_and_the_riggings_hold(tmp_path: Path) -> None:
    riggings = ["L1,H1,2026-03-02T00:00:00Z,2026-03-02T12:00:00Z,a,100", "L1,H2,2026-03-02T12:00:00Z,,a,100"]
    services = "line,at,action,detail\nL1,2026-03-02T12:00:00Z,end-for-end,\n"
    berth = make_berth(tmp_path / "b", riggings, files={"services.csv": services})
    berth.deliver("hooks_1.csv", record(f"{DAY}T06:00") + record(f"{DAY}T13:00", hook="H2"))
    berth.night(through=DAY)
    assert berth.findings() == [("service-disagrees", "L1")]
    assert {zone for zone, _ in berth.posted()} == {"a"}
    berth.edit("rigging.csv", ",,a,100", ",,b,100")
    berth.night()
    assert berth.findings() == []
    assert {zone for zone, _ in berth.posted()} == {"a", "b"}


def test_a_sensor_that_sticks_while_a_line_lies_on_it_is_a_finding_and_still_counts(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    stuck = values(f"{DAY}T06:00", [150.0] * 200, step_s=5)
    berth.deliver("hooks_1.csv", stuck + values(f"{DAY}T07:00", [100.0, 180.0, 90.0]))
    berth.night(through=DAY)
    assert ("flat-line", "H1") in berth.findings()
    assert berth.coverage()[1] == 199 * 5 + 10 + 4  # suspect is not gone
    spare = make_berth(tmp_path / "spare", ["L2,H2,2026-03-02T00:00:00Z,,a,100"])
    spare.deliver("hooks_1.csv", stuck)
    spare.night(through=DAY)
    assert spare.findings() == []  # no line lay on it


WIDE = """name = "wide"
reader = "delimited"
match = "wide_*.txt"
[text]
separator = ";"
[time]
column = "at"
format = "rfc3339"
[[value]]
column = "H1"
channel = "H1"
unit = "kN"
[[value]]
column = "H2"
channel = "H2"
unit = "kN"
"""


def test_a_line_let_go_under_load_is_no_spike_though_the_check_marks_both_sides_of_its_fall(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", values(f"{DAY}T06:00", [1400.0, 1402.0, 1401.0, 0.0, 1.0, 0.0]))
    berth.night(through=DAY)
    assert kinds(berth) == []
    berth.deliver("hooks_2.csv", values(f"{DAY}T08:00", [100.0, 101.0, 1400.0, 100.0, 101.0]))
    berth.night(through=DAY)
    assert kinds(berth) == ["spike"]
    ((text,),) = berth.rows("SELECT text FROM findings WHERE kind = 'spike' AND op <> 'close'")
    assert " 1 of 11 samples" in str(text)
