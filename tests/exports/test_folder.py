"""An export's folder: whole or not there, the same bytes again, never onto what no export made; and its command."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.errors import RegisterError
from pipeline.exports import making
from pipeline.exports.frames import TABLES
from tests.cli.command import tautlog
from tests.exports.conftest import Exported, export


def bytes_of(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


@pytest.fixture
def copied(exported: Exported, tmp_path: Path) -> Path:
    """An export that may be changed."""
    shutil.copytree(exported.folder, tmp_path / "out")
    return tmp_path / "out"


def test_made_again_it_is_the_same_bytes_in_another_process_zone_and_language(
    exported: Exported, tmp_path: Path
) -> None:
    again = tmp_path / "again"
    code = "import sys, pathlib, tests.exports.conftest as c; c.export(*map(pathlib.Path, sys.argv[1:]))"
    env = os.environ | {"TZ": "Pacific/Apia", "LC_ALL": "C", "PYTHONHASHSEED": "7"}
    subprocess.run([sys.executable, "-c", code, exported.berth.root, again], check=True, env=env)
    assert bytes_of(again) == bytes_of(exported.folder)


def test_the_manifest_names_every_file_with_its_digest(exported: Exported) -> None:
    found = bytes_of(exported.folder)
    manifest = json.loads((exported.folder / "manifest.json").read_bytes())
    assert {name: told["sha256"] for name, told in manifest["files"].items()} | {
        "manifest.json": found["manifest.json"]
    } == found
    assert exported.answer["manifest_sha256"] == found["manifest.json"]
    [(run, run_id)] = exported.berth.rows("SELECT run, run_id FROM runs ORDER BY run DESC LIMIT 1")
    assert (manifest["run"], manifest["run_id"], manifest["dictionary_version"]) == (run, run_id, 1)
    assert set(manifest["tables"]) == set(TABLES)


def test_an_export_is_replaced_whole(exported: Exported, copied: Path) -> None:
    (copied / "csv" / "entries.csv").write_text("altered")
    (copied / "workbook.xlsx").unlink()
    export(exported.berth.root, copied)
    assert bytes_of(copied) == bytes_of(exported.folder)
    assert [path.name for path in copied.parent.iterdir()] == ["out"]


def test_of_some_tables_it_holds_only_these(exported: Exported, copied: Path) -> None:
    export(exported.berth.root, copied, "events", "lines")
    assert sorted(bytes_of(copied)) == sorted(
        ["READ-ME.txt", "dictionary.json", "manifest.json"]
        + [
            f"{kind}/{name}.{end}"
            for name in ("events", "lines")
            for kind, end in (("csv", "csv"), ("parquet", "parquet"), ("schemas", "json"))
        ]
    )


@pytest.mark.parametrize("name", ["o'ut", "..x", "sqlite:x", "{a}%2F;--"])
def test_a_folder_may_be_called_anything(exported: Exported, tmp_path: Path, name: str) -> None:
    before = bytes_of(exported.folder)
    export(exported.berth.root, tmp_path / name)
    assert bytes_of(tmp_path / name) == before


@pytest.mark.parametrize("name", ["o[1]", "o*", "o?"])
def test_a_folder_whose_name_the_database_takes_for_a_pattern_is_refused(
    exported: Exported, tmp_path: Path, name: str
) -> None:
    with pytest.raises(RegisterError, match="patterns"):
        export(exported.berth.root, tmp_path / name)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("stranger", ["notes.txt", "csv/mine.csv", "new/deep.txt"])
def test_a_folder_with_anything_else_in_it_is_left_alone(exported: Exported, copied: Path, stranger: str) -> None:
    (copied / stranger).parent.mkdir(exist_ok=True)
    (copied / stranger).write_text("mine")
    before = bytes_of(copied)
    with pytest.raises(RegisterError, match=re.escape(stranger)):
        export(exported.berth.root, copied)
    assert bytes_of(copied) == before


def test_a_folder_that_is_no_export_is_left_alone(exported: Exported, tmp_path: Path) -> None:
    (tmp_path / "x").mkdir()
    (tmp_path / "x" / "manifest.json").write_text('{"what": "another program", "files": {}}')
    (tmp_path / "file").write_text("mine")
    (tmp_path / "empty").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "empty")
    for name in ("x", "file", "link"):
        with pytest.raises(RegisterError):
            export(exported.berth.root, tmp_path / name)
    assert (tmp_path / "file").read_text() == "mine"
    export(exported.berth.root, tmp_path / "empty", "lines")


@pytest.mark.parametrize("name", [".", "inbox", "store/new", "published/current", "manifests"])
def test_the_site_s_own_folders_are_refused(exported: Exported, name: str) -> None:
    before = sorted(exported.berth.root.rglob("*"))
    with pytest.raises(RegisterError, match="own folders"):
        export(exported.berth.root, exported.berth.root / name)
    assert sorted(exported.berth.root.rglob("*")) == before


@pytest.mark.parametrize("most_bytes", [1_000, 30_000, 300_000])
def test_a_disk_that_refuses_leaves_what_was_there_and_no_draft(
    exported: Exported, copied: Path, most_bytes: int
) -> None:
    before = bytes_of(copied)
    # The kernel refuses files beyond a size: a table as Parquet or as CSV, or the database.
    code = (
        "import resource, sys; from pipeline.cli import main; "
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({most_bytes}, {most_bytes})); main()"
    )
    words = ["export", str(exported.berth.root), "--to", str(copied), "--workers", "serial"]
    ran = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True)
    assert ran.returncode == 74, ran.stderr
    assert "cannot write" in ran.stderr
    assert bytes_of(copied) == before
    assert [path.name for path in copied.parent.iterdir()] == ["out"]


def test_statements_set_by_processes_are_those_set_here(
    exported: Exported, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipeline.exports import setting
    from pipeline.exports.source import Source
    from pipeline.ledger.database import open_published

    monkeypatch.setattr(setting, "FEW", 0)
    with open_published(exported.berth.root) as ledger, setting.statements_by(Source(ledger), "2") as made:
        by_line = made.write(tmp_path / "statements")
    manifest = json.loads((exported.folder / "manifest.json").read_bytes())
    assert by_line == manifest["statements"]
    for name in by_line.values():
        assert (tmp_path / name).read_bytes() == (exported.folder / name).read_bytes()


def test_the_command_answers_in_words_and_as_json(exported: Exported, tmp_path: Path) -> None:
    words = tautlog("export", exported.berth.root, "--to", tmp_path / "a", "--table", "services")
    assert (words.code, words.err) == (0, "")
    assert "begin as a formula does, and are left as they are" in words.out
    assert "supports, and never replaces, inspection" in words.out
    answer = tautlog("export", exported.berth.root, "--to", tmp_path / "a", "--table", "services", "--json")
    assert answer.json["version"] == 1
    assert answer.json["tables"] == {"services": 9}
    assert answer.json["manifest_sha256"] in words.out


def test_the_command_names_the_nearest_table(exported: Exported, tmp_path: Path) -> None:
    ran = tautlog("export", exported.berth.root, "--to", tmp_path / "a", "--table", "live_entry")
    assert ran.code == 2
    assert "live_entries" in ran.err
    assert not (tmp_path / "a").exists()


def test_the_command_ends_with_the_code_of_what_is_wrong(exported: Exported, tmp_path: Path) -> None:
    (tmp_path / "mine").write_text("x")
    assert tautlog("export", exported.berth.root, "--to", tmp_path / "mine").code == 78
    assert tautlog("export", tmp_path, "--to", tmp_path / "a").code == 78
    fresh = exported.berth.copy(tmp_path / "fresh").emptied()
    ran = tautlog("export", fresh.root, "--to", tmp_path / "a")
    assert (ran.code, "nothing is published yet" in ran.err) == (74, True)


def test_the_folders_refused_are_those_that_the_program_keeps() -> None:
    assert {"raw", "store", "manifests", "published", "quarantine", "inbox", "pages"} <= set(making.THE_SITES_OWN)
