"""`tautlog incident`: usage, exit codes, and what a person reads."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.cli.command import tautlog

AT = "2026-10-25T00:31:12Z"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "give SITE, --line, --at and --out; or --verify and a folder"),
        (["S", "--line", "L1", "--at", AT], "give SITE, --line, --at and --out"),
        (["S", "--verify", "D"], "--verify stands alone"),
        (["--verify", "D", "--line", "L1"], "--verify stands alone"),
        (["S", "--line", "L1", "--at", "noon", "--out", "D"], "neither a day nor a time"),
        (["S", "--line", "L1", "--at", AT, "--window", "0", "--out", "D"], "--window"),
    ],
)
def test_2_is_a_wrong_use(words: list[str], told: str) -> None:
    ran = tautlog("incident", *words)
    assert (ran.code, ran.out) == (2, "")
    assert told in ran.err


def test_65_is_a_folder_that_is_no_incident_file(tmp_path: Path) -> None:
    for folder in (tmp_path, tmp_path / "nowhere"):
        ran = tautlog("incident", "--verify", folder)
        assert (ran.code, ran.out) == (65, "")
        assert "not an incident file" in ran.err


def test_78_is_a_line_that_is_not_registered_and_a_folder_that_holds_something(
    berth_root: Path, tmp_path: Path
) -> None:
    ran = tautlog("incident", berth_root, "--line", "l1", "--at", AT, "--out", tmp_path / "out")
    assert (ran.code, ran.out) == (78, "")
    assert "no line is called 'l1'; next: did you mean L1?" in ran.err
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "x").write_text("x")
    ran = tautlog("incident", berth_root, "--line", "L1", "--at", AT, "--out", tmp_path / "full")
    assert ran.code == 78
    assert "an incident file needs a folder of its own" in ran.err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["full"]


def test_74_is_a_site_of_which_nothing_is_published_yet(berth_root: Path, tmp_path: Path) -> None:
    fresh = Path(shutil.copytree(berth_root, tmp_path / "fresh", ignore=shutil.ignore_patterns("published")))
    ran = tautlog("incident", fresh, "--line", "L1", "--at", AT, "--out", tmp_path / "out")
    assert ran.code == 74
    assert "nothing is published yet" in ran.err


def test_1_is_an_altered_folder_and_the_item_is_named(folder: Path, tmp_path: Path) -> None:
    other = Path(shutil.copytree(folder, tmp_path / "other"))
    (raw,) = [path for path in (other / "raw").iterdir() if path.read_bytes().count(b"H2")]
    raw.write_bytes(raw.read_bytes().replace(b"H2", b"H3", 1))
    ran = tautlog("incident", "--verify", other)
    assert ran.code == 1
    assert f"raw/{raw.name}: altered: its SHA-256 is not that of the manifest" in ran.out
    assert "Not found by this: a folder altered and sealed anew." in ran.out
    told = tautlog("incident", "--verify", other, "--json").json
    assert (told["version"], told["agrees"], told["rederived"], told["differences"]) == (1, False, False, [])
    assert [fault.split(":")[0] for fault in told["faults"]] == [f"raw/{raw.name}"]
