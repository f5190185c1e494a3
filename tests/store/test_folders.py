"""A folder made whole beside its place: what is refused leaves what was there, what was killed is swept later."""

import os
import time
from pathlib import Path

import pytest

from pipeline.store.folders import STRAY_S, draft_beside, swap_in, sweep_beside


def test_a_draft_takes_the_place_of_what_was_there(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    for words in ("first", "second"):
        draft = draft_beside(folder)
        draft.mkdir()
        (draft / "a").write_text(words, encoding="utf-8")
        swap_in(draft, folder)
    assert (folder / "a").read_text(encoding="utf-8") == "second"
    assert list(tmp_path.iterdir()) == [folder]


def test_where_a_draft_cannot_take_the_place_what_was_there_stays(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "a").write_text("first", encoding="utf-8")
    with pytest.raises(FileNotFoundError):
        swap_in(draft_beside(folder), folder)
    assert (folder / "a").read_text(encoding="utf-8") == "first"
    assert list(tmp_path.iterdir()) == [folder]


def test_only_drafts_of_this_folder_that_are_old_are_swept(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    old, young, others = draft_beside(folder), draft_beside(folder), draft_beside(tmp_path / "else")
    for draft in (old, young, others):
        draft.mkdir()
    for draft in (old, others):
        os.utime(draft, (time.time() - 2 * STRAY_S,) * 2)
    sweep_beside(folder)
    assert sorted(tmp_path.iterdir()) == sorted([young, others])
