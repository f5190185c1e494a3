"""Files of the store are whole or not there, originals keep every bit, and no name leads out of the store."""

import hashlib
import os
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import StoreError
from pipeline.readers import BadCell, PlaceRows, QuarantinedLine
from pipeline.store.depot import Depot
from pipeline.store.files import digest_of, place_day, unique_name
from pipeline.store.raw import QuarantineWriter, keep_raw
from pipeline.store.samples import SampleWriter
from pipeline.store.strays import strays, sweep
from tests.store.makers import MIDNIGHT_US, Line, place_rows

DAY = date(2026, 3, 1)


def files_in(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


def test_a_written_file_is_told_with_the_digest_of_its_bytes(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "er" / "a.parquet"

    def write(target: Path) -> None:
        target.write_bytes(b"all of it")

    digest = Depot(path.parent).write(path.name, write)
    assert path.read_bytes() == b"all of it"
    assert digest == digest_of(path) == hashlib.sha256(b"all of it").hexdigest()
    assert files_in(tmp_path) == ["deep/er/a.parquet"]


def failing(error: BaseException) -> Callable[[Path], None]:
    def write(target: Path) -> None:
        target.write_bytes(b"half of")
        raise error

    return write


@pytest.mark.parametrize("before", [None, b"what stood there"])
@pytest.mark.parametrize(
    ("error", "seen"),
    [
        (OSError(28, "No space left on device"), StoreError),
        (ValueError("not a table"), ValueError),
        (KeyboardInterrupt(), KeyboardInterrupt),
    ],
)
def test_a_writer_that_fails_leaves_nothing_half_written(
    tmp_path: Path, before: bytes | None, error: BaseException, seen: type[BaseException]
) -> None:
    path = tmp_path / "a.parquet"
    if before is not None:
        path.write_bytes(before)
    with pytest.raises(seen):
        Depot(path.parent).write(path.name, failing(error))
    assert files_in(tmp_path) == ([] if before is None else ["a.parquet"])
    assert before is None or path.read_bytes() == before


def test_a_disk_that_refuses_is_told_with_the_file_and_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "in the way").write_bytes(b"")
    path = tmp_path / "in the way" / "a.parquet"
    with pytest.raises(StoreError, match="next: free space or rights") as told:
        Depot(path.parent).write(path.name, failing(OSError()))
    assert told.value.file == str(path)


NAMES = st.one_of(
    st.sampled_from(["..", ".", "../x", "../../etc", "/", "/etc", "a/b", "a\\b", "%2E%2E", "\0", " ", "hook 3", "é/ü"]),
    st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=20),
)


@settings(deadline=None)
@given(st.lists(NAMES, min_size=2, max_size=2, unique=True))
def test_any_place_has_a_folder_of_its_own_inside_the_store(names: list[str]) -> None:
    root = Path("/somewhere/store")
    folders = [root / place_day("samples", name, DAY) for name in names]
    assert folders[0] != folders[1]
    for folder in folders:
        assert Path(os.path.normpath(folder)) == folder
        assert folder.parent.parent == root / "samples"
        assert folder.name == "2026-03-01"
        assert "\0" not in str(folder)


@pytest.mark.parametrize("place", ["..", "../x", "../../../x", "/x", "hook/3"])
def test_samples_of_a_place_with_a_name_like_a_path_stay_inside_the_store(tmp_path: Path, place: str) -> None:
    store = tmp_path / "site" / "store"
    [rows] = [rows for rows in place_rows([Line(2, MIDNIGHT_US, {"gauge": 1.0})]) if rows.at_us.size > 0]
    with SampleWriter(Depot(store), "ab" * 32, {"gauge": "kN"}) as writer:
        writer.add(PlaceRows(place, rows.at_us, rows.line_no, rows.values, rows.absent))
        [part] = writer.close()
    assert part.place == place
    assert files_in(tmp_path) == ["site/store/" + part.part]


def test_only_files_that_no_manifest_names_are_swept_away(tmp_path: Path) -> None:
    store, raw, kept = tmp_path / "store", tmp_path / "raw", tmp_path / "pages" / "kept"
    named, stray, hidden = store / "a" / "named", store / "a" / "stray", raw / ".x.draft"
    for path in (named, stray, hidden, kept):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"")
    folders = [Depot(folder) for folder in (store, raw, tmp_path / "quarantine")]
    assert strays(folders, {named}) == [stray, hidden]
    assert sweep(folders, {named}) == 2
    assert files_in(tmp_path) == ["pages/kept", "store/a/named"]
    assert sweep(folders, {named}) == 0


def test_names_are_never_given_twice() -> None:
    assert len({unique_name("run-7") for _ in range(1000)}) == 1000
    assert unique_name("run-7").startswith("run-7-")


# ---------------------------------------------------------------- originals

ODD_BYTES = bytes(range(256)) * 3 + b"\r\n half a li"


def original(folder: Path, data: bytes = ODD_BYTES) -> tuple[Path, str]:
    folder.mkdir(exist_ok=True)
    source = folder / "log.csv"
    source.write_bytes(data)
    return source, hashlib.sha256(data).hexdigest()


def kept_in(folder: Path, source: Path) -> Path:
    """Keep an original that is whole; where it stands."""
    kept = keep_raw(Depot(folder), source)
    assert kept is not None
    assert kept.size == source.stat().st_size
    return folder / kept.sha256


def test_an_original_is_kept_bit_for_bit_and_read_only_and_its_source_untouched(tmp_path: Path) -> None:
    source, sha256 = original(tmp_path / "inbox")
    source.chmod(0o640)
    kept = kept_in(tmp_path / "raw", source)
    assert kept == tmp_path / "raw" / sha256
    assert kept.read_bytes() == source.read_bytes() == ODD_BYTES
    assert kept.stat().st_mode & 0o777 == 0o444
    assert source.stat().st_mode & 0o777 == 0o640
    assert files_in(tmp_path / "raw") == [sha256]


def test_whoever_still_writes_to_the_source_cannot_reach_the_original(tmp_path: Path) -> None:
    source, _ = original(tmp_path / "inbox")
    with source.open("ab") as still_open:
        kept = kept_in(tmp_path / "raw", source)
        still_open.write(b"more")
    assert kept.read_bytes() == ODD_BYTES


def test_of_a_symbolic_link_the_bytes_are_kept(tmp_path: Path) -> None:
    source, _ = original(tmp_path / "elsewhere")
    link = tmp_path / "log.csv"
    link.symlink_to(source)
    kept = kept_in(tmp_path / "raw", link)
    assert not kept.is_symlink()
    assert kept.read_bytes() == ODD_BYTES


def test_an_original_that_is_there_already_is_not_written_again(tmp_path: Path) -> None:
    source, sha256 = original(tmp_path / "inbox")
    first = kept_in(tmp_path / "raw", source).stat()
    again = kept_in(tmp_path / "raw", source).stat()
    assert (first.st_ino, first.st_mtime_ns) == (again.st_ino, again.st_mtime_ns)
    assert files_in(tmp_path / "raw") == [sha256]


def test_a_source_that_was_written_to_meanwhile_is_not_whole_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source, _ = original(tmp_path / "inbox")
    sync = os.fsync

    def write_on_and_sync(handle: int) -> None:
        with source.open("ab") as growing:
            growing.write(b"a line more\n")
        sync(handle)

    monkeypatch.setattr(os, "fsync", write_on_and_sync)
    assert keep_raw(Depot(tmp_path / "raw"), source) is None
    assert files_in(tmp_path / "raw") == []


def test_a_source_that_is_gone_is_told_as_that(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        keep_raw(Depot(tmp_path / "raw"), tmp_path / "never was")


# ---------------------------------------------------------------- quarantine

QUARANTINED = st.lists(
    st.builds(
        QuarantinedLine,
        line_no=st.integers(1, 2**40),
        raw=st.binary(max_size=30),
        reason=st.sampled_from(["field-count", "undecodable"]),
        detail=st.text(st.characters(exclude_categories=["Cs"]), max_size=5),
    ),
    max_size=8,
)
BAD_CELLS = st.lists(
    st.builds(
        BadCell,
        line_no=st.integers(1, 2**40),
        column=st.just("Load_t"),
        channel=st.just("hook-3-tension"),
        text=st.binary(max_size=8).map(lambda data: data.decode("utf-8", "surrogateescape")),
        reason=st.just("not a number"),
    ),
    max_size=8,
)


@settings(deadline=None)
@given(pieces=st.lists(st.tuples(QUARANTINED, BAD_CELLS), max_size=3))
def test_quarantine_keeps_every_rows_and_cells_bytes_line_and_reason(
    tmp_path_factory: pytest.TempPathFactory, pieces: list[tuple[list[QuarantinedLine], list[BadCell]]]
) -> None:
    folder = tmp_path_factory.mktemp("quarantine")
    with QuarantineWriter(Depot(folder), "ab" * 32) as writer:
        for lines, cells in pieces:
            writer.add(lines, cells)
        kept = writer.close()
    expected: list[tuple[int, str, str, str, bytes]] = []
    for lines, cells in pieces:
        expected += [(q.line_no, "row", q.reason, q.detail, q.raw) for q in lines]
        expected += [(c.line_no, "cell", c.reason, "", c.text.encode("utf-8", "surrogateescape")) for c in cells]
    if kept is None:
        assert expected == []
        assert files_in(folder) == []
        return
    name, digest = kept
    assert digest == digest_of(folder / name)
    found = pq.read_table(folder / name).to_pylist()
    assert sorted((r["raw_line"], r["what"], r["reason"], r["detail"], r["bytes"]) for r in found) == sorted(expected)


def test_quarantine_of_a_file_that_could_not_be_read_is_taken_away(tmp_path: Path) -> None:
    def fail_half_way() -> None:
        with QuarantineWriter(Depot(tmp_path), "ab" * 32) as writer:
            writer.add([QuarantinedLine(1, b"x", "field-count", "")], [])
            raise RuntimeError("disk")

    with pytest.raises(RuntimeError, match="disk"):
        fail_half_way()
    assert files_in(tmp_path) == []
