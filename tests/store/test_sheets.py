"""Sheets and flag runs survive the trip through Parquet: every array, type, instant and bit."""

import tempfile
from dataclasses import fields, replace
from pathlib import Path
from random import Random

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import StoreError
from pipeline.sheets.fold import EMPTY, fold
from pipeline.sheets.sheet import Sheet
from pipeline.store.depot import Depot
from pipeline.store.files import digest_of
from pipeline.store.sheets import TRACE, read_flags, read_sheets, read_traces, write_flags, write_sheets
from tests.sheets.slow import MIDNIGHT_US, TIED_KN, Record, Rigged, Sample, records, sheets

VALUES = st.one_of(TIED_KN, st.floats(-1e6, 1e6), st.just(5e-324))
LEVELS = st.one_of(st.none(), st.sampled_from([0.0, 10.0]))


def same(a: Sheet, b: Sheet) -> bool:
    """Equal in everything: arrays by type, shape and bits."""
    for field in fields(Sheet):
        first, second = getattr(a, field.name), getattr(b, field.name)
        if isinstance(first, np.ndarray):
            if (first.dtype, first.shape) != (second.dtype, second.shape) or first.tobytes() != second.tobytes():
                return False
        elif first != second or repr(first) != repr(second):
            return False
    return True


TRAVELS = st.dictionaries(st.integers(-5, 10**9), st.floats(5e-324, 1e6), max_size=4)


@settings(deadline=None)
@given(records(VALUES), LEVELS, TRAVELS, st.randoms())
def test_sheets_come_back_as_they_were_made(
    record: Record, level_kn: float | None, travel: dict[int, float], order: Random
) -> None:
    classes, metres = np.array(sorted(travel), np.int64), np.array([travel[c] for c in sorted(travel)], np.float64)
    made = {
        f"S{i}": replace(sheet, travel_classes=classes, travel_m=metres)
        for i, sheet in enumerate(sheets(record, level_kn))
    }
    wanted = list(made)
    order.shuffle(wanted)
    with tempfile.TemporaryDirectory() as folder:
        store = Depot(Path(folder))
        path = store / "sheets.parquet"
        digest = write_sheets(store, path.name, made)
        assert digest == digest_of(path)
        found = read_sheets(store, path.name, wanted, trace=True)
        assert list(found) == wanted
        assert all(same(found[name], made[name]) for name in made)
        alone = {name: read_sheets(store, path.name, [name], trace=True)[name] for name in wanted[:2]}
        assert all(same(alone[name], made[name]) for name in alone)


def some_sheets() -> list[Sheet]:
    samples = tuple(Sample(MIDNIGHT_US + i * 1_000_000, float(i * 37 % 11), i % 7 > 0) for i in range(400))
    return sheets(Record(samples, (Rigged(MIDNIGHT_US, None),)), 5.0)


def test_a_sheet_from_the_store_folds_like_the_one_that_was_made(tmp_path: Path) -> None:
    [sheet] = some_sheets()
    write_sheets(Depot(tmp_path), "s.parquet", {"S1": sheet})
    again = read_sheets(Depot(tmp_path), "s.parquet", ["S1"])["S1"]
    a, b = fold(EMPTY, sheet), fold(EMPTY, again)
    assert a.state.residue_kn.tolist() == b.state.residue_kn.tolist()
    assert a.state.residue_us.tolist() == b.state.residue_us.tolist()
    assert again.observed_us == sheet.observed_us > 0


def test_a_sheet_of_a_release_that_kept_no_travel_has_none(tmp_path: Path) -> None:
    [sheet] = some_sheets()
    write_sheets(Depot(tmp_path), "new.parquet", {"S1": sheet})
    table = pl.read_parquet(tmp_path / "new.parquet")
    table.drop("travel_classes", "travel_m").write_parquet(tmp_path / "old.parquet")
    assert same(read_sheets(Depot(tmp_path), "old.parquet", ["S1"], trace=True)["S1"], sheet)


def test_a_sheet_of_a_release_that_kept_no_trace_has_none_and_reads_as_it_was(tmp_path: Path) -> None:
    store, [sheet] = Depot(tmp_path), some_sheets()
    write_sheets(store, "new.parquet", {"S1": sheet})
    pl.read_parquet(tmp_path / "new.parquet").drop(TRACE).write_parquet(tmp_path / "old.parquet")
    assert sheet.trace_bins.size > 0
    untraced = read_sheets(store, "new.parquet", ["S1"])["S1"]
    assert same(read_sheets(store, "old.parquet", ["S1"], trace=True)["S1"], untraced)
    assert read_traces(store, "old.parquet", ["S1"])["S1"].bins.size == 0


def test_a_trace_is_read_alone_and_only_where_it_is_wanted(tmp_path: Path) -> None:
    store, [sheet] = Depot(tmp_path), some_sheets()
    write_sheets(store, "s.parquet", {"S1": sheet})
    assert read_sheets(store, "s.parquet", ["S1"])["S1"].trace_bins.size == 0
    found = read_traces(store, "s.parquet", ["S1"])["S1"]
    for name in ("bins", "mean_dan", "low_kn", "high_kn"):
        assert getattr(found, name).tobytes() == getattr(sheet.trace, name).tobytes()


def test_a_sheets_file_that_lacks_one_is_gone_or_torn_is_told(tmp_path: Path) -> None:
    store = Depot(tmp_path)
    path = store / "s.parquet"
    write_sheets(store, path.name, {"S1": some_sheets()[0]})
    with pytest.raises(StoreError, match="missing") as told:
        read_sheets(store, path.name, ["S1", "S2"])
    assert told.value.expected == "['S2']"
    whole = path.read_bytes()
    for torn in (b"", whole[: len(whole) // 2], whole[:-1]):
        path.write_bytes(torn)
        with pytest.raises(StoreError, match=r"s\.parquet"):
            read_sheets(store, path.name, ["S1"])
    path.unlink()
    with pytest.raises(StoreError, match=r"s\.parquet"):
        read_sheets(store, path.name, ["S1"])


def flag_run(first_us: int, last_us: int, flag: int) -> dict[str, object]:
    return {
        "channel": "hook-3-tension",
        "first": first_us,
        "last": last_us,
        "samples": 3,
        "flag": flag,
        "checks": "spike rate",
    }


@pytest.mark.parametrize("count", [0, 1, 3])
def test_flag_runs_come_back_as_rows(tmp_path: Path, count: int) -> None:
    runs = [flag_run(MIDNIGHT_US + i, MIDNIGHT_US + i + 1, 3) for i in range(count)]
    store = Depot(tmp_path)
    path = store / "f.parquet"
    assert write_flags(store, path.name, runs) == digest_of(path)
    assert read_flags(store, path.name) == runs


def test_a_flags_file_that_is_gone_or_torn_is_told(tmp_path: Path) -> None:
    store = Depot(tmp_path)
    path = store / "f.parquet"
    write_flags(store, path.name, [flag_run(1, 2, 4)])
    path.write_bytes(path.read_bytes()[:-3])
    with pytest.raises(StoreError, match=r"f\.parquet"):
        read_flags(store, path.name)
    path.unlink()
    with pytest.raises(StoreError, match=r"f\.parquet"):
        read_flags(store, path.name)
