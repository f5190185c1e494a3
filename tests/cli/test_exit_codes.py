"""Exit codes as DESIGN.md lists them; an error names file, line, what was found and expected, and what to do."""

import json
import os
from pathlib import Path

import pytest

from pipeline import cli
from pipeline.lock import hold
from tests.cli.command import tautlog
from tests.night.berth import Berth, make_berth, record


@pytest.fixture
def berth(tmp_path: Path) -> Berth:
    return make_berth(tmp_path / "b")


def test_0_is_done(berth: Berth) -> None:
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    assert tautlog("nightly", berth.root).code == 0
    assert tautlog("nightly", berth.root, "--through", "2026-03-02").code == 0
    assert tautlog("audit", berth.root).code == 0
    assert tautlog("rebuild", berth.root).code == 0


def test_1_is_done_with_findings_or_quarantine(berth: Berth) -> None:
    berth.deliver("hooks_1.csv", b"at,hook,kn\n2026-03-02T06:00:00Z,H1,1.5\nlater,H1,2.5\n")
    ran = tautlog("nightly", berth.root, "--json")
    assert ran.code == 1
    assert [r["quarantined"] for r in ran.json["receipts"]] == [1]
    (berth.root / "inbox" / "photo.jpg").write_bytes(b"x")
    ran = tautlog("nightly", berth.root)
    assert ran.code == 1
    assert "no layout matches this file's name" in ran.out


def test_1_is_also_an_audit_that_does_not_agree(berth: Berth) -> None:
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    berth.night()
    (berth.root / "raw" / "guest").write_bytes(b"x")
    ran = tautlog("audit", berth.root)
    assert ran.code == 1
    assert "1 differences" in ran.out
    assert "raw/guest: no manifest names it" in ran.out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["nigthly", "S"], "No such command 'nigthly'"),
        (["nightly"], "Missing argument 'SITE...'"),
        (["nightly", "S", "--through", "31.03.2026"], "'31.03.2026' is not a day; write it as 2026-03-31"),
        (["cycles", "S", "L1", "--from", "noon"], "'noon' is neither a day nor a time like 2026-03-31T06:00:00Z"),
        (["cycles", "S", "L1", "--from", "2026-03-31T06:00:00"], "is neither a day nor a time like"),
        (["events", "S", "--kind", "parting"], "'parting' is not one of 'peak-load', 'brake-render'"),
        (["ingest", "S", "no-such-file.csv"], "no-such-file.csv' does not exist"),
    ],
)
def test_2_is_a_wrong_use(words: list[str], told: str) -> None:
    ran = tautlog(*words)
    assert (ran.code, ran.out) == (2, "")
    assert told in ran.err


def test_65_is_a_reference_that_names_nothing(site: Path) -> None:
    for ref in ("E99-1", "L1/a/1/2", "L1/a/x/y", ""):
        ran = tautlog("trace", site, ref)
        assert (ran.code, ran.out) == (65, "")
        assert f"nothing is called {ref!r}; expected an entry as `statement` prints it" in ran.err


def test_65_is_a_named_file_that_cannot_be_read(berth: Berth, tmp_path: Path) -> None:
    torn = tmp_path / "hooks_1.csv.gz"
    torn.write_bytes(b"no gzip at all")
    ran = tautlog("ingest", berth.root, torn)
    assert ran.code == 65
    assert "hooks_1.csv.gz: not a sound gzip stream" in " ".join(ran.out.split())


def test_70_is_a_bug_and_says_that_nothing_was_committed() -> None:
    @cli.tautlog.command("breaks")
    def breaks() -> None:
        raise KeyError("something nobody thought of")

    try:
        ran = tautlog("breaks")
    finally:
        del cli.tautlog.commands["breaks"]
    assert ran.code == 70
    assert "KeyError: 'something nobody thought of'" in ran.err
    assert "this is a bug" in ran.err
    assert "report the lines above" in ran.err


def test_74_is_what_the_disk_refuses_or_does_not_hold(berth: Berth) -> None:
    ran = tautlog("status", berth.root)
    assert (ran.code, ran.out) == (74, "")
    assert f"{berth.root}/published/current: nothing is published yet; next: run `tautlog nightly`" in ran.err
    ran = tautlog("new", berth.root)
    assert ran.code == 74
    assert f"{berth.root}: the folder is not empty; next: name a new or empty folder" in ran.err
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    (berth.root / "store").write_text("in the way")
    ran = tautlog("nightly", berth.root)
    assert ran.code == 74
    assert str(berth.root / "store") in ran.err
    assert "next: " in ran.err


def test_75_names_who_holds_the_site_and_readers_still_answer(site: Path) -> None:
    with hold(site / "run.lock", "nightly", heals=False):
        for command in ("nightly", "ingest", "audit", "rebuild"):
            ran = tautlog(command, site)
            assert (ran.code, ran.out) == (75, "")
            holder = f"{site}/run.lock: another run holds the site; found nightly, process {os.getpid()} on "
            assert holder in ran.err
            assert "next: wait for it" in ran.err
        assert tautlog("status", site).code == 0
        assert tautlog("statement", site, "L1").code == 0
        assert tautlog("events", site).code == 0


@pytest.mark.parametrize(
    ("file", "old", "new", "told"),
    [
        (
            "channels.csv",
            "H2,tension",
            "H2,tenson",
            "channels.csv:3: column 'quantity' cannot be used; found 'tenson', expected 'tension', 'payout', 'brake', "
            "'winch-mode', 'hook-state', 'temperature' or 'wind'; next: did you mean 'tension'?",
        ),
        ("rigging.csv", "L1,H1", "L1,H3", "rigging.csv:2: unknown channel 'H3'; found 'H3', expected a channel of"),
        (
            "rigging.csv",
            "2026-03-02T00:00:00Z",
            "2026-03-02",
            "rigging.csv:2: column 'from': not an RFC 3339 time with an offset, such as 2026-03-01T06:30:00Z; found "
            "'2026-03-02'",
        ),
        ("site.toml", "[policy]", "[policy]\npeak_load_pcnt = 40", "site.toml:6: unknown key 'policy.peak_load_pcnt'"),
        ("layouts/hooks.toml", '"kN"', '"kn/h"', "layouts/hooks.toml: unknown unit 'kn/h'"),
        ("lines.csv", "L1,S1,rope", "L1,S1,roep", "lines.csv:2: unknown spec 'roep'"),
    ],
)
def test_78_names_the_row_of_a_register_and_the_nearest_name(
    berth: Berth, file: str, old: str, new: str, told: str
) -> None:
    berth.edit(file, old, new)
    ran = tautlog("nightly", berth.root)
    assert (ran.code, ran.out) == (78, "")
    *logged, said = ran.err.splitlines()
    assert said.startswith(f"tautlog: {told}")
    assert json.loads(logged[-1])["message"] == said.removeprefix("tautlog: ")
    assert not (berth.root / "manifests").exists()


def test_78_is_a_folder_that_is_no_site_and_it_is_left_as_it_was(tmp_path: Path) -> None:
    for command in ("nightly", "ingest", "audit", "rebuild"):
        ran = tautlog(command, tmp_path)
        assert ran.code == 78
        assert f"{tmp_path}: not a site folder: it has no site.toml; next: " in ran.err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("words", [("statement", "L11"), ("cycles", "L11"), ("events", "--line", "L11")])
def test_78_is_a_line_that_nobody_registered_with_the_nearest_name(site: Path, words: tuple[str, ...]) -> None:
    command, *rest = words
    ran = tautlog(command, site, *rest)
    assert (ran.code, ran.out) == (78, "")
    assert "lines.csv: no line is called 'L11'; next: did you mean L1?" in ran.err


def test_78_is_a_demo_in_a_folder_that_holds_something(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    ran = tautlog("demo", tmp_path)
    assert ran.code == 78
    assert "name a new folder" in ran.err
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
