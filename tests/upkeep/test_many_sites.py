"""Many sites in one command: each by itself, none stopped by another; one roll-up that leaves no site out unsaid."""

from __future__ import annotations

import os
import time
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from pipeline.backup import back_up
from pipeline.errors import RegisterError, StoreError
from pipeline.fleet import fleet
from pipeline.ledger.words import CALIBRATED, CAUTION, SEVERITY_INDEX
from pipeline.lock import hold
from pipeline.many import WORST_FIRST, each_site, worst
from tests.cli.command import tautlog
from tests.night.berth import Berth, make_berth, record, values

HOUR_US = 3_600_000_000


def berth(root: Path, **more: Any) -> Berth:
    made = make_berth(root, **more)
    made.deliver("hooks_1.csv", record("2026-03-02T06:00") + record("2026-03-02T06:00", hook="H2"))
    return made


def test_each_site_has_its_night_and_the_worst_exit_code_is_told(tmp_path: Path) -> None:
    sites = [berth(tmp_path / name) for name in ("good", "busy", "misspelt", "last")]
    sites[2].edit("lines.csv", "L1,S1,rope", "L1,S1,roep")
    with hold(sites[1].root / "run.lock", "nightly"):
        ran = tautlog("nightly", *(site.root for site in sites), "--json")
    assert ran.code == 78
    told = ran.json
    assert told["version"] == 1
    assert [(site["site"], site["exit"]) for site in told["sites"]] == [
        (str(site.root), code) for site, code in zip(sites, (0, 75, 78, 0), strict=True)
    ]
    assert "another run holds the site" in told["sites"][1]["error"]
    assert "unknown spec 'roep'" in told["sites"][2]["error"]
    assert f"tautlog: {sites[1].root}: " in ran.err
    assert f"tautlog: {sites[2].root}: lines.csv:2: unknown spec 'roep'" in ran.err
    assert [site.runs() for site in sites] == [1, 0, 0, 1]
    assert told["sites"][0].keys() - {"site", "exit"} == {
        "run_id", "receipts", "findings", "days", "entries_posted", "events",
    }  # fmt: skip


def test_text_of_several_sites_names_each(tmp_path: Path) -> None:
    sites = [berth(tmp_path / name) for name in ("one", "two")]
    ran = tautlog("nightly", *(site.root for site in sites))
    assert ran.code == 0
    assert [line for line in ran.out.splitlines() if line.startswith(str(tmp_path))] == [f"{s.root}:" for s in sites]


def test_one_site_is_answered_as_ever(tmp_path: Path) -> None:
    one = berth(tmp_path / "one")
    told = tautlog("nightly", one.root, "--json").json
    assert set(told) == {"version", "run_id", "receipts", "findings", "days", "entries_posted", "events"}
    ran = tautlog("nightly", tmp_path)
    assert (ran.code, ran.out) == (78, "")


def test_a_bug_in_one_site_is_told_with_its_lines_and_stops_no_other(tmp_path: Path) -> None:
    def run_one_site(site: Path) -> tuple[str, int]:
        if site.name == "breaks":
            raise KeyError("something nobody thought of")
        if site.name == "full":
            raise OSError(28, "No space left on device")
        if site.name == "torn":
            raise StoreError("torn", next_step="mend it")
        return site.name, 1

    sites = [tmp_path / name for name in ("a", "breaks", "full", "torn", "b")]
    outcomes = list(each_site(sites, run_one_site))
    assert [(o.site.name, o.exit_code, o.result) for o in outcomes] == [
        ("a", 1, "a"),
        ("breaks", 70, None),
        ("full", 74, None),
        ("torn", 74, None),
        ("b", 1, "b"),
    ]
    assert "KeyError: 'something nobody thought of'" in outcomes[1].error
    assert "this is a bug" in outcomes[1].error
    assert "No space left on device; next: " in outcomes[2].error
    assert outcomes[3].error == "torn; next: mend it"


def test_a_run_that_told_its_failure_itself_stops_no_other(tmp_path: Path) -> None:
    def run_one_site(site: Path) -> tuple[None, int]:
        try:
            raise StoreError("torn")
        except StoreError as error:
            raise SystemExit(74) from error

    outcomes = list(each_site([tmp_path, tmp_path], run_one_site))
    assert [(o.exit_code, o.error) for o in outcomes] == [(74, "torn")] * 2


def test_a_stop_by_hand_stops_all(tmp_path: Path) -> None:
    def run_one_site(site: Path) -> tuple[None, int]:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        list(each_site([tmp_path, tmp_path], run_one_site))


def test_the_worst_of_several_codes_is_by_what_is_at_stake() -> None:
    assert WORST_FIRST == (70, 74, 78, 65, 75, 1, 0)
    for worse, better in pairwise(WORST_FIRST):
        assert worst([better, worse]) == worst([worse, better]) == worse


@pytest.fixture(scope="module")
def sites(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """North with an event and a silent channel, east calibrated, south never run, west torn, a backup of north."""
    root = tmp_path_factory.mktemp("fleet")
    silent = "channel,quantity,kind,rate_hz,capacity,place,expected_every_h\n"
    silent += "H1,tension,load-pin,0.5,3000,H1,\nH2,tension,load-pin,0.5,3000,H2,3\n"
    rigged = ("L1,H1,2026-03-02T00:00:00Z,,a,100", "L2,H2,2026-03-02T00:00:00Z,,b,100")
    (root / "north").mkdir()
    north = berth(root / "north" / "quay", riggings=rigged, files={"channels.csv": silent})
    north.deliver("hooks_2.csv", values("2026-03-02T18:00", [100.0, 620.0, 80.0]))
    (north.root / "inbox" / "photo.jpg").write_bytes(b"x")
    north.night(through="2026-03-02")
    east = make_berth(root / "east", ("L1,H1,2026-03-02T00:00:00Z,,a,100", "L2,H2,2026-03-02T00:00:00Z,,a,100"))
    east.edit("specs/rope.toml", '"invented for the test"', '"a rope of the test\'s world"\ncalibrated = true')
    in_force = [f"{hook},2026-01-01T00:00:00Z,0,1" for hook in ("H1", "H2")]
    east.write("calibrations.csv", "\n".join(["channel,from,zero_kn,gain", *in_force]) + "\n")
    east.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    east.night(through="2026-03-02")
    make_berth(root / "south")
    west = berth(root / "west")
    west.night()
    (west.root / "published" / "current" / "ledger.duckdb").write_bytes(b"torn")
    back_up(north.root, root / "spare")
    (root / "reports").mkdir()
    os.symlink(root, root / "reports" / "up")
    return root


def test_the_roll_up_ranks_lines_only_among_those_of_the_same_basis(sites: Path) -> None:
    told = fleet(sites, now_us=time.time_ns() // 1000)
    groups = {group["basis"]: [(line["site"], line["line"]) for line in group["lines"]] for group in told["lines"]}
    assert list(groups) == ["no figure", CALIBRATED, SEVERITY_INDEX]
    assert groups["no figure"] == [("east", "L2")]
    assert groups[CALIBRATED] == [("east", "L1")]
    # The larger one first: L1 of north felt 620 kN.
    assert groups[SEVERITY_INDEX] == [("north/quay", "L1"), ("north/quay", "L2")]
    first, second = told["lines"][2]["lines"]
    assert first["consumed"] + first["pending"] > second["consumed"] + second["pending"] > Decimal(0)
    assert all(line["advice_list"] for group in told["lines"] for line in group["lines"])
    assert told["caution"] == CAUTION
    assert "twist" in told["not_modelled"]


def test_no_site_is_left_out_unsaid(sites: Path) -> None:
    told = fleet(sites, now_us=time.time_ns() // 1000)
    assert [site["site"] for site in told["sites"]] == ["east", "north/quay"]
    unreadable = {site["site"]: site for site in told["unreadable"]}
    assert unreadable.keys() == {"south", "west"}
    assert "nothing is published yet" in unreadable["south"]["error"]
    assert unreadable["south"]["advice"] == "run `tautlog nightly` on this site"
    assert "cannot be read" in unreadable["west"]["error"]
    assert unreadable["west"]["advice"] == "run `tautlog rebuild` on this site"
    assert told["backups"] == ["spare"]


def test_findings_are_counted_and_silent_channels_named_with_advice(sites: Path) -> None:
    told = fleet(sites, now_us=time.time_ns() // 1000)
    north = told["sites"][1]
    assert north["findings"]["warning"] >= 2
    assert told["findings"]["warning"] == sum(site["findings"]["warning"] for site in told["sites"])
    silent = {(found["site"], found["kind"], found["channel"]) for found in told["silent"]}
    assert ("north/quay", "silent-channel", "H2") in silent
    assert all(found["advice"] for found in told["silent"])


def test_a_site_without_a_run_for_long_is_overdue(sites: Path) -> None:
    assert fleet(sites, now_us=time.time_ns() // 1000)["overdue"] == []
    told = fleet(sites, now_us=time.time_ns() // 1000 + 40 * HOUR_US)
    assert [site["site"] for site in told["overdue"]] == ["east", "north/quay"]
    assert "no night came to its end for 40 h" in told["overdue"][0]["advice"]
    assert fleet(sites, now_us=time.time_ns() // 1000 + 40 * HOUR_US, overdue_h=48)["overdue"] == []


def test_the_command_says_all_of_it_and_exits_by_the_worst_site(sites: Path) -> None:
    ran = tautlog("fleet", sites)
    assert ran.code == 74
    for words in ("2 sites read, 2 not", "north/quay", "Severity index: never a percent of life or a date", "west"):
        assert words in ran.out
    assert CAUTION in ran.out
    assert tautlog("fleet", sites, "--json").json["version"] == 1
    assert tautlog("fleet", sites / "north").code == 0


def test_the_roll_up_waits_for_nobody_and_touches_nothing(sites: Path) -> None:
    def state() -> dict[str, int]:
        return {str(path): path.stat().st_mtime_ns for path in sorted(sites.rglob("*")) if path.is_file()}

    before = state()
    with hold(sites / "east" / "run.lock", "nightly"):
        held = state()
        assert [site["site"] for site in fleet(sites, now_us=time.time_ns() // 1000)["sites"]] == ["east", "north/quay"]
        assert state() == held
    assert before.keys() == state().keys()


def test_a_folder_without_sites_is_told_so(tmp_path: Path) -> None:
    with pytest.raises(RegisterError, match="no site below this folder"):
        fleet(tmp_path, now_us=0)
    assert tautlog("fleet", tmp_path).code == 78
