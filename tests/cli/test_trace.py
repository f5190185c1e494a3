"""Every figure can be walked back to the raw file and the line in it."""

import gzip
import hashlib
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import DataError
from pipeline.ledger.database import open_published
from pipeline.tracing.trace import trace_json
from tests.cli.command import tautlog
from tests.night.berth import Berth, make_berth, record, values


def raw_line(site: Path, found: Any) -> str:
    """The text of a line of a raw file; the file must have the bytes that its name says."""
    data = (site / "raw" / found["sha256"]).read_bytes()
    assert hashlib.sha256(data).hexdigest() == found["sha256"]
    text = gzip.decompress(data) if data[:2] == b"\x1f\x8b" else data
    line: str = text.decode().splitlines()[found["line"] - 1]
    return line


def assert_proven(site: Path, point: Any, channel: str) -> None:
    """That the raw lines under a point say the channel's value at its instant."""
    assert point["channel"] == channel
    assert point["raw"]
    for found in point["raw"]:
        assert raw_line(site, found) == f"{point['at']},{channel},{found['value']}"


def test_an_entry_is_walked_back_to_the_raw_lines_of_its_heaviest_cycles(site: Path) -> None:
    (entry,) = tautlog("statement", site, "L2", "--json").json["entries"]
    trace = tautlog("trace", site, entry["entry"], "--json").json["trace"]
    assert (trace["is"], trace["line"], trace["zone"], trace["day"]) == ("entry", "L2", "b", "2026-03-02")
    assert trace["life"] == entry["life"]
    for sheet in trace["sheets"]:
        assert hashlib.sha256((site / sheet["path"]).read_bytes()).hexdigest() == sheet["sha256"]
    assert trace["sheets_now"] == trace["sheets"]
    assert trace["basis"] == "severity index"
    assert "never replaces, inspection" in trace["caution"]
    cycles = trace["heaviest_cycles"]
    lives = [cycle["life"] for cycle in cycles]
    assert len(cycles) == 5
    assert lives == sorted(lives, reverse=True)
    for cycle in cycles:
        for point in cycle["points"]:
            assert_proven(site, point, "H2")
            assert [found["file"] for found in point["raw"]] == ["hooks_1.csv.gz"]
            assert point["kn"] == point["raw"][0]["value"] / 2  # half of the hook is its share


def test_the_cycles_of_an_entry_are_those_that_cycles_lists(site: Path) -> None:
    (entry,) = tautlog("statement", site, "L1", "--json").json["entries"]
    trace = tautlog("trace", site, entry["entry"], "--json").json["trace"]
    listed = tautlog("cycles", site, "L1", "--json").json["cycles"]
    assert trace["cycles_closed"] == len(listed)
    assert {cycle["cycle"] for cycle in trace["heaviest_cycles"]} <= {cycle["cycle"] for cycle in listed}


def test_an_event_is_walked_back_to_its_first_peak_and_last_sample(site: Path) -> None:
    (event,) = tautlog("events", site, "--json").json["events"]
    trace = tautlog("trace", site, event["event"], "--json").json["trace"]
    assert (trace["is"], trace["kind"], trace["line"]) == ("event", "peak-load", "L1")
    samples = {sample["what"]: sample for sample in trace["samples"]}
    for what, at in (("first", event["from_at"]), ("peak", event["peak_at"]), ("last", event["to_at"])):
        assert samples[what]["at"] == at
        assert_proven(site, samples[what], "H1")
    assert samples["peak"]["raw"][0]["value"] == event["peak_kn"]


def test_a_cycle_is_walked_back_to_its_two_turning_points(site: Path) -> None:
    for cycle in tautlog("cycles", site, "L1", "--json").json["cycles"]:
        trace = tautlog("trace", site, cycle["cycle"], "--json").json["trace"]
        first, second = trace["points"]
        assert (first["at"], second["at"]) == (cycle["from_at"], cycle["to_at"])
        kn = []
        for point in (first, second):
            assert_proven(site, point, "H1")
            kn.append(float(point["raw"][0]["value"]))
        assert abs(kn[0] - kn[1]) == float(cycle["range_kn"])


def test_a_point_that_two_files_hold_is_walked_back_to_both(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    rows = values("2026-03-02T06:00", [100.0, 700.0, 300.0, 90.0])
    berth.deliver("hooks_1.csv", rows)
    berth.deliver("hooks_2.csv", [*rows[:1], (rows[1][0], "H1", 690.0), *rows[2:]])
    berth.night(through="2026-03-02")
    (event,) = berth.events()
    trace = berth.ask(lambda ledger: trace_json(ledger, event.event))["trace"]
    peak = next(sample for sample in trace["samples"] if sample["what"] == "peak")
    assert sorted((found["file"], found["value"]) for found in peak["raw"]) == [
        ("hooks_1.csv", 700.0),
        ("hooks_2.csv", 690.0),
    ]
    assert_proven(berth.root, peak, "H1")


def test_the_0_kn_of_a_line_let_go_is_told_and_not_given_the_sample_of_that_instant(tmp_path: Path) -> None:
    let_go, made_fast = "2026-03-02T06:00:08Z", "2026-03-02T06:00:12Z"
    berth = make_berth(tmp_path / "b", [f"L1,H1,2026-03-02T06:00:00Z,{let_go},a,100", f"L1,H1,{made_fast},,a,100"])
    berth.deliver("hooks_1.csv", values("2026-03-02T06:00", [30.0, 200.0, 100.0, 150.0, 170.0, 90.0, 10.0, 250.0]))
    berth.night(through="2026-03-02")
    with open_published(berth.root) as ledger:
        found = {
            (cycle["from_at"][-3:-1], cycle["to_at"][-3:-1]): trace_json(ledger, cycle["cycle"])["trace"]["points"]
            for cycle in berth.cycles()["cycles"]
        }
    assert found.keys() == {("04", "06"), ("02", "08")}
    for point in (*found["04", "06"], found["02", "08"][0]):
        assert_proven(berth.root, point, "H1")
        assert not point["rigging_edge"]
    assert found["02", "08"][1] == {"at": let_go, "channel": "H1", "raw": [], "rigging_edge": True}


def test_an_entry_that_was_reversed_says_by_which(berth_asked: Berth) -> None:
    posting, reversal, _ = berth_asked.statement("L1", history=True)["entries"]
    trace = berth_asked.ask(lambda ledger: trace_json(ledger, posting["entry"]))["trace"]
    assert trace["reversed_by"] == reversal["entry"]
    back = berth_asked.ask(lambda ledger: trace_json(ledger, reversal["entry"]))["trace"]
    assert (back["kind"], back["reason"]) == ("reversal", "late or corrected samples")


def test_a_calibrated_and_shared_line_is_walked_back_to_what_the_sensor_said(tmp_path: Path) -> None:
    berth = make_berth(
        tmp_path / "b",
        ["L1,H1,2026-03-02T00:00:00Z,,a,50"],
        files={"calibrations.csv": "channel,from,zero_kn,gain\nH1,2026-03-01T00:00:00Z,10,1.5\n"},
    )
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    berth.night(through="2026-03-02")
    (entry,) = berth.statement()["entries"]
    trace = berth.ask(lambda ledger: trace_json(ledger, entry["entry"]))["trace"]
    for cycle in trace["heaviest_cycles"]:
        for point in cycle["points"]:
            assert_proven(berth.root, point, "H1")
            assert point["kn"] == pytest.approx((point["raw"][0]["value"] - 10) * 1.5 * 0.5)


def test_a_cycle_that_never_was_is_an_error(berth_asked: Berth) -> None:
    with pytest.raises(DataError, match="nothing is called"):
        berth_asked.ask(lambda ledger: trace_json(ledger, "L1/a/1772431200000001/1772431200000002"))


WINCH = """name = "winches"
reader = "delimited"
match = "w_*.csv"
[time]
column = "at"
format = "rfc3339"
[rows]
key = "winch"
[[value]]
column = "kn"
channel = "{key}-tension"
unit = "kN"
[[value]]
column = "out"
channel = "{key}-payout"
unit = "mm"
"""


def test_a_rendered_brake_is_walked_back_to_the_lines_of_tension_and_of_payout(tmp_path: Path) -> None:
    berth = make_berth(
        tmp_path / "b",
        ["L1,W1-tension,2026-03-02T00:00:00Z,,a,100"],
        files={
            "channels.csv": "channel,quantity,kind,rate_hz,capacity,place\n"
            "W1-tension,tension,winch-brake,2,3000,W1\nW1-payout,payout,winch-brake,2,,W1\n",
            "layouts/hooks.toml": WINCH,
        },
    )
    log = "at,winch,kn,out\n" + "".join(
        f"2026-03-02T06:00:{i:02d}Z,W1,{kn},{out}\n"
        for i, (kn, out) in enumerate([(300, 0), (420, 0), (350, 60), (360, 130), (200, 130), (180, 130)])
    )
    berth.deliver("w_1.csv", log.encode())
    berth.night(through="2026-03-02")
    (event,) = berth.events()
    assert (event.kind, event.payload["breakout_kn"], event.payload["payout_m"]) == ("brake-render", 420.0, 0.13)
    trace = berth.ask(lambda ledger: trace_json(ledger, event.event))["trace"]
    lines = {(s["what"], s["channel"]): [raw_line(berth.root, found) for found in s["raw"]] for s in trace["samples"]}
    first, last = ["2026-03-02T06:00:01Z,W1,420,0"], ["2026-03-02T06:00:03Z,W1,360,130"]
    assert lines == {
        ("first", "W1-tension"): first,
        ("first", "W1-payout"): first,
        ("peak", "W1-tension"): first,
        ("last", "W1-tension"): last,
        ("last", "W1-payout"): last,
    }
    assert berth.audit() == []
