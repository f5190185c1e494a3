"""Findings, balance and episodes as a watchkeeper reads them: filters, evidence, and nothing of a misspelt name."""

from pathlib import Path

import pytest

from tests.cli.command import tautlog
from tests.night.berth import Berth, make_berth, record, values

ROLES = "line,channel,from,to,outboard_end,share_pct,role"


@pytest.fixture(scope="module")
def berth(tmp_path_factory: pytest.TempPathFactory) -> Berth:
    """Two head lines, one loaded above the limit as the other is, and a hook whose readings differ."""
    berth = make_berth(tmp_path_factory.mktemp("told") / "b")
    rows = [f"{line},H{line[1]},2026-03-02T00:00:00Z,,a,100,head" for line in ("L1", "L2")]
    berth.write("rigging.csv", "\n".join((ROLES, *rows)) + "\n")
    for number, hook in enumerate(("H1", "H2")):
        berth.deliver(
            f"hooks_{number}.csv", values("2026-03-02T06:00", [100.0, 560.0, 600.0 + number, 90.0], hook=hook)
        )
    berth.deliver("hooks_8.csv", record("2026-03-02T07:00", 20, hook="H2"))
    berth.deliver("hooks_9.csv", record("2026-03-02T07:00", 20, hook="H2", seed=2))
    berth.night(through="2026-03-02")
    return berth


def test_findings_are_told_by_kind_and_channel_with_their_evidence(berth: Berth) -> None:
    every = tautlog("findings", berth.root, "--json").json["findings"]
    (found,) = tautlog("findings", berth.root, "--kind", "conflict", "--json").json["findings"]
    assert (found["kind"], found["subject"], found["evidence"]["instants"]) == ("conflict", "H2", 20)
    about = tautlog("findings", berth.root, "--channel", "H2", "--json").json["findings"]
    assert about == [one for one in every if one["subject"] == "H2"]
    text = tautlog("findings", berth.root, "--kind", "conflict", "--channel", "H2").out
    assert "instants 20" in " ".join(text.split())
    assert "hooks_9.csv" in text
    assert tautlog("findings", berth.root, "--channel", "H1", "--kind", "conflict").out == "No findings stand.\n"


def test_no_findings_of_a_misspelt_channel_are_not_taken_for_good_news(berth: Berth) -> None:
    ran = tautlog("findings", berth.root, "--channel", "h2")
    assert (ran.code, ran.out) == (78, "")
    assert "did you mean H2?" in ran.err


def test_balance_says_which_line_bore_most_and_by_how_much(berth: Berth) -> None:
    text = " ".join(tautlog("balance", berth.root).out.split())
    assert "head: L1 bore most" in text
    assert "peaks are not in them" in text
    assert "keep a line longer" in text


def test_events_of_two_lines_are_one_episode_with_the_caution(berth: Berth) -> None:
    (episode,) = tautlog("episodes", berth.root, "--json").json["episodes"]
    assert (episode["lines"], episode["kinds"]) == (["L1", "L2"], {"peak-load": 2})
    assert (episode["first"]["line"], episode["largest"]["line"]) == ("L1", "L2")
    text = " ".join(tautlog("episodes", berth.root).out.split())
    assert "2 lines together (2 peak-load): first L1 with peak-load at 2026-03-02T06:00:02Z, largest 601 kN" in text
    assert "is inspected before it is used again" in text
    assert "No episodes." in tautlog("episodes", berth.root, "--to", "2026-03-01").out


def test_a_site_without_roles_is_told_which_lines_are_in_no_balance(tmp_path: Path) -> None:
    berth = make_berth(tmp_path / "b")
    berth.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    berth.night()
    (call,) = tautlog("balance", berth.root, "--json").json["calls"]
    assert (call["roles"], call["without_role"]) == ([], ["L1"])
    assert "Without a role in rigging.csv, and in no balance: L1." in tautlog("balance", berth.root).out
