"""The folder: the same bytes when made again, copies bit for bit, samples that lead back to their raw lines."""

from __future__ import annotations

import csv
import hashlib
import json
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.errors import RegisterError, StoreError
from pipeline.incident.record import figures
from pipeline.incident.seal import names_in
from tests.incident_file.conftest import incident_of, write
from tests.incident_file.made import made_incident
from tests.night.berth import Berth

ALWAYS = {
    "READ-ME.txt", "figures.json", "incident.html", "incident.json", "incident.pdf", "made-with.json",
    "manifest.sha256", "manifest.tsq", "samples/flags.csv", "seal.sha256", "site/site.toml", "site/rigging.csv",
    "site/specs/rope.toml", "site/layouts/hooks.toml", "site/layouts/built-in/plain-tensions.toml",
    "samples/call/H1.csv", "samples/call/H1.parquet", "samples/window/H2.csv", "samples/window/H2.parquet",
}  # fmt: skip


def contents(folder: Path) -> dict[str, bytes]:
    return {name: (folder / name).read_bytes() for name in names_in(folder)}


def test_it_holds_what_the_read_me_says_and_copies_of_originals_and_registers_bit_for_bit(
    folder: Path, berth: Berth
) -> None:
    found = contents(folder)
    assert set(found) >= ALWAYS
    delivered = {f"raw/{hashlib.sha256(data).hexdigest()}": data for data in berth.delivered.values()}
    assert {name: data for name, data in found.items() if name.startswith("raw/")} == delivered
    for name in ("site.toml", "rigging.csv", "lines.csv", "specs/rope.toml", "layouts/hooks.toml"):
        assert found[f"site/{name}"] == (berth.root / name).read_bytes()


def test_made_again_it_is_the_same_to_the_byte(folder: Path, berth: Berth, tmp_path: Path) -> None:
    write(berth.root, tmp_path / "again")
    assert contents(tmp_path / "again") == contents(folder)


def test_of_a_site_where_the_files_came_one_by_one_the_other_way_round_it_is_the_same_to_the_byte(
    folder: Path, berth: Berth, tmp_path: Path
) -> None:
    other = berth.copy(tmp_path / "other")
    for program in ("raw", "store", "manifests", "published", "quarantine"):
        for path in sorted((other.root / program).rglob("*"), reverse=True):
            path.unlink() if not path.is_dir() or path.is_symlink() else path.rmdir()
    (other.root / "ledger.duckdb").unlink()
    for name, data in sorted(berth.delivered.items(), reverse=True):
        other.deliver(name, data)
        other.night()
    write(other.root, tmp_path / "again")
    assert other.runs() == 2
    assert contents(tmp_path / "again") == contents(folder)


def test_every_sample_leads_to_the_line_of_the_raw_file_that_says_it(folder: Path) -> None:
    raw = {path.name[:12]: path.read_bytes().decode().splitlines() for path in (folder / "raw").iterdir()}
    checked = 0
    for hook in ("H1", "H2"):
        with (folder / "samples" / "call" / f"{hook}.csv").open(newline="") as text:
            for row in csv.DictReader(text):
                at, said, kn = raw[row["raw"]][int(row["line"]) - 1].split(",")
                assert (said, float(kn)) == (hook, float(row[hook]))
                assert pl.Series([at]).str.to_datetime(time_zone="UTC")[0].isoformat() == (
                    pl.Series([row["at"]]).str.to_datetime(time_zone="UTC")[0].isoformat()
                )
                checked += 1
    assert checked == 240


def test_csv_and_parquet_hold_the_same_rows(folder: Path) -> None:
    for path in sorted((folder / "samples").rglob("*.parquet")):
        table = pl.read_parquet(path)
        text = pl.read_csv(path.with_suffix(".csv"), schema_overrides={"raw": pl.String})
        assert text["at"].str.to_datetime(time_unit="us", time_zone="UTC").to_list() == table["at"].to_list()
        assert text.drop("at").equals(table.drop("at"))


def test_the_window_is_the_calls_rows_of_its_time(folder: Path) -> None:
    call = pl.read_parquet(folder / "samples" / "call" / "H1.parquet")
    window = pl.read_parquet(folder / "samples" / "window" / "H1.parquet")
    assert 0 < window.height <= call.height
    assert window.join(call, on=["at", "raw", "line"], how="anti").is_empty()


def test_every_figure_is_filed_once_with_its_part_and_its_raw_lines(folder: Path) -> None:
    filed: list[dict[str, Any]] = json.loads((folder / "figures.json").read_bytes())["figures"]
    incident = made_incident()
    expected = [figure.number for figure in figures(incident)]
    assert [figure["number"] for figure in filed] == expected
    assert len(set(expected)) == len(expected)
    assert {figure["part"] for figure in filed if figure["number"].startswith("A-")} == {"A"}
    first = next(figure for figure in filed if figure["what"] == "highest of L07")
    assert (first["value"], first["unit"], first["at_least"]) == (905.0, "kN", True)
    assert [ref["line_no"] for ref in first["refs"]] == [7, 8]


def test_nothing_of_machine_clock_or_run_is_in_it(folder: Path, berth: Berth) -> None:
    ledger_runs = [row[0] for row in berth.rows("SELECT run_id FROM runs")]
    told = b"".join(data for name, data in contents(folder).items() if not name.endswith((".pdf", ".parquet")))
    for word in (str(berth.root), *ledger_runs, str(Path.home()) + "/"):
        assert word.encode() not in told


def test_a_folder_that_holds_anything_is_left_alone(folder: Path, berth: Berth, tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "note").write_text("keep")
    with pytest.raises(RegisterError, match="a folder of its own"):
        write(berth.root, tmp_path / "mine")
    assert contents(tmp_path / "mine") == {"note": b"keep"}
    (tmp_path / "empty").mkdir()
    write(berth.root, tmp_path / "empty")
    assert contents(tmp_path / "empty") == contents(folder)


def test_an_original_that_was_altered_makes_no_file_and_leaves_nothing_half_written(
    berth: Berth, tmp_path: Path
) -> None:
    other = berth.copy(tmp_path / "other")
    path = next(path for path in (other.root / "raw").iterdir())
    path.chmod(0o644)
    path.write_bytes(path.read_bytes().replace(b"H", b"h", 1))
    with pytest.raises(StoreError, match="was altered"):
        write(other.root, tmp_path / "out")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["other"]


def test_the_made_up_record_fits_the_site_of_these_tests(berth: Berth) -> None:
    assert len(berth.ask(incident_of).evidence.raw_files) == 2
