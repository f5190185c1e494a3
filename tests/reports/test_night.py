"""The end of a night: its pages are written where something new is published, and their failure undoes nothing."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from pipeline.cli import tautlog
from pipeline.errors import StoreError
from tests.night.berth import Berth, make_berth, record


@dataclass(frozen=True)
class Ran:
    """What a night ended with. Errors that the command line would tell are in `error`."""

    code: int
    answer: Any
    error: BaseException | None
    stages: list[str]


def night(root: Path, *words: str) -> Ran:
    done = CliRunner().invoke(tautlog, ["nightly", str(root), "--json", "--log", "text", *words])
    error = done.exception if isinstance(done.exception, StoreError) else None
    assert error is not None or done.exit_code in (0, 1), done.output
    answer = json.loads(done.stdout) if done.stdout else None
    return Ran(done.exit_code, answer, error, [line.split()[0] for line in done.stderr.splitlines()])


@pytest.fixture
def berth(tmp_path: Path) -> Berth:
    made = make_berth(tmp_path / "b")
    made.deliver("hooks_1.csv", record("2026-03-02T06:00"))
    return made


def test_a_night_writes_pages_when_something_new_is_published_and_only_then(berth: Berth) -> None:
    assert "pages" in night(berth.root).stages
    index = berth.root / "pages" / "index.html"
    before = (index.read_bytes(), index.stat().st_mtime_ns)
    assert "pages" not in night(berth.root).stages
    assert (index.read_bytes(), index.stat().st_mtime_ns) == before
    berth.deliver("hooks_2.csv", record("2026-03-03T06:00"))
    assert "pages" in night(berth.root).stages
    assert "2026-03-03" in index.read_text(encoding="utf-8")
    assert [path.name for path in berth.root.iterdir() if path.name.startswith(".pages")] == []


def test_a_night_that_is_told_so_leaves_pages_alone(berth: Berth) -> None:
    assert "pages" not in night(berth.root, "--no-pages").stages
    assert not (berth.root / "pages").exists()
    assert "pages" in night(berth.root).stages


def test_an_empty_site_has_no_pages_and_that_is_no_error(tmp_path: Path) -> None:
    assert night(make_berth(tmp_path / "b").root).error is None


def test_pages_that_cannot_be_written_are_an_error_and_the_night_stands(berth: Berth) -> None:
    (berth.root / "pages").mkdir()
    (berth.root / "pages" / "mine.txt").write_text("somebody else's")
    failed = night(berth.root, "--through", "2026-03-02")
    assert failed.error is not None
    assert "something else than pages" in str(failed.error)
    assert failed.error.exit_code == 74  # type: ignore[attr-defined]
    assert berth.runs() == 1
    assert len(berth.posted()) == 1
    assert berth.audit() == []
    assert (berth.root / "pages" / "mine.txt").read_text() == "somebody else's"
