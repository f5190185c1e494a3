"""Names and ids that other programs would take for code, paths or terminal commands: they stay names."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from tests.cli.command import Ran, tautlog
from tests.extent import few
from tests.night.berth import CHANNEL_COLUMNS, Berth, log_text, make_berth, record

SQL = "L'; DROP TABLE entries; --"
HTML = '<script>alert("1")</script>'
FORMULA = "=cmd|' /C calc'!A0"
PLACES = ("../../../evil", "/etc", "..", f"{HTML} %2e%2e/x")
FILES = (
    "hooks_1\n\x1b[31mred\x1b]0;title\x07.csv",
    "hooks_2'; DROP TABLE runs; --.csv",
    "hooks_3<script>&amp;.csv",
    "hooks_4\u202egnp.csv",
    "hooks_%2e%2e%2f5.csv",
    os.fsdecode(b"hooks_6\xff\xfe.csv"),
    "=hooks_none@\x9b.txt",
)


def hostile_berth(root: Path) -> Berth:
    berth = make_berth(root)
    rows = [
        f'H{n},tension,load-pin,1,3000,"{place.replace(chr(34), chr(34) * 2)}",' for n, place in enumerate(PLACES, 1)
    ]
    berth.write("channels.csv", "\n".join((CHANNEL_COLUMNS, *rows)) + "\n")
    ids = [SQL, HTML, FORMULA, "@sum"]
    quoted = ['"' + name.replace('"', '""') + '"' for name in ids]
    berth.write("ships.csv", 'ship,design_mbl_kn,source\n"@ship",1000,"made\nup \x1b[5m"\n')
    berth.write("lines.csv", "line,ship,spec,part,in_service\n" + "".join(f"{q},@ship,rope,main,\n" for q in quoted))
    berth.rig(*(f"{q},H{n},2026-03-02T00:00:00Z,,a,100" for n, q in enumerate(quoted, 1)))
    for n, name in enumerate(FILES):
        hook = f"H{n % 4 + 1}"
        berth.deliver(name, log_text(record(f"2026-03-02T{5 + n:02d}:00", hook=hook)) + f"rubbish {n}\n".encode())
    return berth


def is_plain(text: str) -> bool:
    """Whether a terminal shows the text and obeys none of it."""
    return all(character.isprintable() or character == "\n" for character in text)


def everything_in(folder: Path) -> set[Path]:
    return {Path(inner) / name for inner, _, names in os.walk(folder) for name in names}


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> tuple[Berth, Ran, set[Path]]:
    around = tmp_path_factory.mktemp("around")
    berth = hostile_berth(around / "b")
    return berth, tautlog("nightly", berth.root, "--through", "2026-03-02"), everything_in(around)


def test_a_night_with_hostile_names_ends_well_and_leaves_its_folder_alone(night: tuple[Berth, Ran, set[Path]]) -> None:
    berth, ran, files = night
    assert ran.code == 1, ran.err
    assert all(path.is_relative_to(berth.root) for path in files)
    kept = {path.relative_to(berth.root).parts[0] for path in files}
    assert {"raw", "store", "quarantine", "manifests", "published"} <= kept
    assert len(list((berth.root / "store" / "samples").iterdir())) == len(PLACES)
    assert len(list((berth.root / "raw").iterdir())) == len(FILES) - 1


@pytest.mark.parametrize("what", ["receipts", "findings", "status", "events", "audit"])
def test_no_answer_obeys_a_name(night: tuple[Berth, Ran, set[Path]], what: str) -> None:
    berth, ran, _ = night
    text, json = tautlog(what, berth.root), tautlog(what, berth.root, "--json")
    assert is_plain(text.out + text.err + ran.out)
    assert is_plain(json.out.replace("\r", ""))
    assert json.json["version"] == 1
    assert text.code == 0


def test_statements_find_lines_by_any_id_and_the_ledger_stands(night: tuple[Berth, Ran, set[Path]]) -> None:
    berth, _, _ = night
    for line in (SQL, HTML, FORMULA, "@sum"):
        ran = tautlog("statement", berth.root, line, "--history")
        assert ran.code == 0
        assert is_plain(ran.out)
        entries = tautlog("statement", berth.root, line, "--json").json["entries"]
        assert len(entries) == 1
        assert tautlog("trace", berth.root, entries[0]["entry"]).code == 0
        assert tautlog("cycles", berth.root, line).code == 0
    assert tautlog("events", berth.root, "--line", SQL, "--json").json["events"] == []


@pytest.mark.parametrize("word", ["\x1b[31mL9", "E1-1\x07", "nothing\r\n", "\u202eL1"])
def test_an_error_shows_a_name_and_does_not_obey_it(night: tuple[Berth, Ran, set[Path]], word: str) -> None:
    berth, _, _ = night
    for ran in (tautlog("statement", berth.root, word), tautlog("trace", berth.root, word)):
        assert ran.code in (65, 78)
        assert is_plain(ran.err)
        assert ran.err.count("\n") == 1
    usage = tautlog("events", berth.root, "--from", word)
    assert (usage.code, is_plain(usage.err)) == (2, True)


def test_a_folder_whose_name_commands_the_terminal_is_shown_and_not_obeyed(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    # On a terminal click passes on what it is given: the text must be plain before it gets there.
    monkeypatch.setattr("click.utils.should_strip_ansi", lambda *_: False)
    missing = tautlog("status", tmp_path / "no\x1b[2Jsuch\nfolder")
    assert missing.code == 78
    assert "no\\x1b[2Jsuch\\nfolder" in missing.err
    assert is_plain(missing.err)


@pytest.mark.parametrize("folder", few(["%2e%2e {a,b} #1", "it's 3", "a\nb", 'q"uote; --'], 1))
def test_a_site_may_stand_in_a_folder_of_almost_any_name(
    night: tuple[Berth, Ran, set[Path]], folder: str, tmp_path: Path
) -> None:
    berth, _, _ = night
    root = tmp_path / folder
    shutil.copytree(berth.root, root, symlinks=True)
    Berth(root).deliver("hooks_late.csv", record("2026-03-02T23:00"))
    ran = tautlog("nightly", root)
    assert ran.code == 1, ran.err
    assert is_plain(ran.out + ran.err)
    assert tautlog("audit", root).code == 0
    assert tautlog("rebuild", root).code == 0


@pytest.mark.parametrize("folder", ["why?", "all*", "b[3]"])
def test_a_folder_whose_name_is_a_pattern_to_the_database_is_refused(tmp_path: Path, folder: str) -> None:
    make_berth(tmp_path / folder)
    ran = tautlog("nightly", tmp_path / folder)
    assert ran.code == 78
    assert f"found {folder[-1] if folder != 'b[3]' else '['}" in ran.err


@pytest.mark.parametrize("odd", ["H\x1b1", "H\u202e1", "H\x001", "H\u20281", "H\x7f"])
def test_an_id_with_control_characters_is_refused_with_its_row(tmp_path: Path, odd: str) -> None:
    berth = make_berth(tmp_path / "b")
    berth.write("channels.csv", f"{CHANNEL_COLUMNS}\n{odd},tension,load-pin,1,3000,h1,\n")
    ran = tautlog("nightly", berth.root)
    assert ran.code == 78
    assert is_plain(ran.err)
    assert "channels.csv:2" in ran.err
