"""Copies between site folders: whole and proven, or not there; what was there before is kept."""

from __future__ import annotations

import hashlib
import threading
from pathlib import Path

import pytest

from pipeline.errors import StoreError
from pipeline.store.copies import aside_path, copy_changing, copy_named, files_of_people, sweep_drafts

CONTENT = b"at,hook,kn\n2026-03-02T06:00:00Z,H1,1.5\n"
SHA256 = hashlib.sha256(CONTENT).hexdigest()


@pytest.fixture
def source(tmp_path: Path) -> Path:
    path = tmp_path / "source"
    path.write_bytes(CONTENT)
    return path


def test_a_known_file_is_copied_once_with_its_rights(source: Path, tmp_path: Path) -> None:
    source.chmod(0o444)
    target = tmp_path / "new" / "folder" / "copy"
    assert copy_named(source, target, SHA256) == "copied"
    assert (target.read_bytes(), target.stat().st_mode & 0o777) == (CONTENT, 0o444)
    assert copy_named(source, target, SHA256) == "there"
    source.unlink()
    assert copy_named(source, target, SHA256) == "only there"
    assert [path.name for path in target.parent.iterdir()] == ["copy"]


def test_a_source_that_is_altered_or_gone_leaves_nothing(source: Path, tmp_path: Path) -> None:
    target = tmp_path / "copy"
    assert copy_named(source, target, "0" * 64) == "altered"
    assert copy_named(tmp_path / "nowhere", target, SHA256) == "missing"
    assert [path.name for path in tmp_path.iterdir()] == ["source"]


def test_a_copy_cut_short_is_made_again(source: Path, tmp_path: Path) -> None:
    (tmp_path / "copy").write_bytes(CONTENT[:-3])
    assert copy_named(source, tmp_path / "copy", SHA256) == "copied"
    assert (tmp_path / "copy").read_bytes() == CONTENT


def test_a_target_that_cannot_be_written_is_told(source: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"in the way")
    with pytest.raises(StoreError, match="cannot write"):
        copy_named(source, tmp_path / "file" / "copy", SHA256)
    with pytest.raises(StoreError, match="cannot write"):
        copy_changing(source, tmp_path / "file", "copy")


def test_a_source_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(StoreError, match="folder: cannot be read: Is a directory"):
        copy_changing(tmp_path / "folder", tmp_path / "target", "copy")


def test_a_changed_file_replaces_the_copy_and_keeps_what_stood_there(source: Path, tmp_path: Path) -> None:
    root = tmp_path / "backup"
    assert copy_changing(source, root, "specs/rope.toml") == (SHA256, "copied")
    assert copy_changing(source, root, "specs/rope.toml") == (SHA256, "there")
    source.write_bytes(b"new")
    found = copy_changing(source, root, "specs/rope.toml")
    assert found == (hashlib.sha256(b"new").hexdigest(), "copied")
    assert (root / "specs" / "rope.toml").read_bytes() == b"new"
    assert aside_path(root, "specs/rope.toml", SHA256).read_bytes() == CONTENT
    assert copy_changing(tmp_path / "nowhere", root, "specs/rope.toml") is None
    assert not list(root.rglob("*.draft"))


def test_a_file_that_is_written_to_meanwhile_is_left_to_the_next_copy(source: Path, tmp_path: Path) -> None:
    source.write_bytes(b"x" * (32 << 20))
    began, stop = threading.Event(), threading.Event()

    def log() -> None:
        with source.open("ab", buffering=0) as write:
            while not stop.is_set():
                write.write(b"more\n")
                began.set()

    logger = threading.Thread(target=log)
    logger.start()
    try:
        began.wait()
        assert copy_changing(source, tmp_path / "backup", "inbox/log.csv") is None
    finally:
        stop.set()
        logger.join()
    assert not [path for path in (tmp_path / "backup").rglob("*") if path.is_file()]
    assert copy_changing(source, tmp_path / "backup", "inbox/log.csv") is not None


def test_people_files_are_all_but_the_programs_and_hidden_ones(tmp_path: Path) -> None:
    for name in ("site.toml", "specs/a.toml", "inbox/sub/log.csv", "store/x", ".hidden", "inbox/.half", ".git/config"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("x")
    (tmp_path / "specs" / "circle").symlink_to(tmp_path)
    found = list(files_of_people(tmp_path, frozenset({"store"})))
    assert sorted(found) == ["inbox/sub/log.csv", "site.toml", "specs/a.toml"]


def test_drafts_of_a_copying_that_died_are_swept(tmp_path: Path) -> None:
    (tmp_path / "raw").mkdir()
    (tmp_path / "raw" / ".abc.draft").write_text("half")
    (tmp_path / "raw" / "abc").write_text("whole")
    sweep_drafts(tmp_path)
    assert [path.name for path in (tmp_path / "raw").iterdir()] == ["abc"]
