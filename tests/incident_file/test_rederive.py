"""What is compared, and how differences are named; a scratch site touches no object store."""

from __future__ import annotations

import copy
import json
import shutil
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import DataError, RegisterError
from pipeline.incident.record import as_json
from pipeline.incident.rederive import compared, rederive, without_store
from pipeline.incident.seal import write_seal
from tests.incident_file.made import made_incident


def test_a_record_does_not_differ_from_itself_after_it_was_filed() -> None:
    made = as_json(made_incident())
    assert list(compared(json.loads(json.dumps(made)), made)) == []


def test_a_figure_that_moved_by_the_least_there_is_is_named_by_its_number() -> None:
    filed, again = as_json(made_incident()), as_json(made_incident())
    figure = again["part_a"]["load"]["lines"][0]["highest"]
    figure["value"] = 905.0000000000001
    (told,) = compared(filed, again)
    assert told == f"figure {figure['number']} (highest of L07).value: 905.0 filed, 905.0000000000001 made again"


@pytest.mark.parametrize(
    ("filed", "again", "told"),
    [
        ({"a": 1}, {"a": 1.0}, "a: 1 filed, 1.0 made again"),
        ({"a": 0.0}, {"a": None}, "a: 0.0 filed, null made again"),
        ({"a": True}, {"a": 1}, "a: true filed, 1 made again"),
        ({"a": [1, 2]}, {"a": [1]}, "a: 2 filed, 1 made again"),
        ({"number": "H.2", "text": "x"}, {"number": "H.2", "text": "y"}, 'H.2.text: "x" filed, "y" made again'),
        ({"a": 1}, {}, "a: only filed"),
        ({}, {"a": 1}, "a: only made again"),
    ],
)
def test_any_other_difference_is_named_by_where_it_stands(filed: object, again: object, told: str) -> None:
    assert list(compared(filed, again)) == [told]


def test_a_line_that_the_scratch_site_must_lack_is_no_difference() -> None:
    filed = {"archive": [["site.toml", "1"], ["lines.csv", "2"]]}
    assert list(compared(filed, {"archive": [["site.toml", "9"], ["lines.csv", "2"]]})) == []
    assert list(compared(filed, {"archive": [["site.toml", "1"], ["lines.csv", "9"]]})) != []


@given(
    st.sampled_from(['store = "s3://bucket/prefix"\n', "  store  =  's3://b' # where\n", ""]),
    st.sampled_from(["", "\n[policy]\nmax_gap_s = 10.0\n"]),
)
def test_the_object_store_is_taken_out_of_the_sites_document_and_nothing_else(store: str, policy: str) -> None:
    text = f'[site]\nid = "b"\n{store}name = "Berth"\ntimezone = "UTC"\n{policy}'
    before = tomllib.loads(text)
    before["site"].pop("store", None)
    assert tomllib.loads(without_store(text.encode()).decode()) == before


def test_a_store_that_cannot_be_taken_out_line_by_line_is_refused() -> None:
    with pytest.raises(RegisterError, match="cannot be taken out"):
        without_store(b'site = { id = "b", store = "s3://bucket/x", name = "n" }\n')


def test_a_record_of_another_version_is_not_read_as_ours(folder: Path, tmp_path: Path) -> None:
    other = Path(shutil.copytree(folder, tmp_path / "other"))
    filed = json.loads((other / "incident.json").read_bytes())
    changed = copy.deepcopy(filed) | {"version": 99}
    (other / "incident.json").write_text(json.dumps(changed))
    write_seal(other)
    with pytest.raises(DataError, match="another version of tautlog made this incident file"):
        rederive(other, workers="serial", watch=None)


@pytest.mark.parametrize(
    ("key", "value"), [("sha256", "../../site/site.toml"), ("file", "../hooks_1.csv"), ("file", ".."), ("file", "")]
)
def test_no_name_in_a_record_leads_out_of_the_folder(folder: Path, tmp_path: Path, key: str, value: str) -> None:
    other = Path(shutil.copytree(folder, tmp_path / "other"))
    filed = json.loads((other / "incident.json").read_bytes())
    filed["evidence"]["raw_files"][0][key] = value
    (other / "incident.json").write_text(json.dumps(filed))
    write_seal(other)
    with pytest.raises(DataError, match="is no file name"):
        rederive(other, workers="serial", watch=None)
