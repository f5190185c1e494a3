"""The data dictionary: each column has its entry and each entry its column; versions and their notes; JSON Schema."""

from __future__ import annotations

import csv
import importlib.resources
import json
import re
from typing import Any

import polars as pl
import pytest
from jsonschema import Draft202012Validator
from pydantic import BaseModel

from pipeline.exports.frames import TABLES
from pipeline.site import REGISTERS
from schemas.exported import POLARS, VERSION, unit_of
from schemas.exported_ledger import LEFT_OUT
from schemas.tables import TABLES as MANIFEST_TABLES
from tests.exports.conftest import Exported
from tests.exports.golden import GOLDEN, digest_of, shape_now

CHANGED = (
    "the export's schemas changed: raise VERSION in schemas/exported.py, write in schemas/migrations.md what a reader "
    "of the last version has to do, then run `python -m tests.exports.golden` and put the digest it prints under it"
)


def notes() -> dict[int, str]:
    """The migration notes by version."""
    text = (importlib.resources.files("schemas") / "migrations.md").read_text(encoding="utf-8")
    found = re.split(r"^## Version (\d+)\n", text, flags=re.MULTILINE)[1:]
    return {int(version): note for version, note in zip(found[::2], found[1::2], strict=True)}


def test_the_schemas_are_those_that_were_agreed_on_or_have_a_new_version() -> None:
    assert json.loads(GOLDEN.read_text(encoding="utf-8")) == shape_now(), CHANGED


def test_every_version_has_its_migration_note() -> None:
    assert sorted(notes()) == list(range(1, VERSION + 1)), CHANGED
    assert all(len(note.split()) > 10 for note in notes().values())
    assert f"shape: {digest_of(shape_now())}" in notes()[VERSION], CHANGED


@pytest.mark.parametrize("name", TABLES)
def test_each_column_has_its_entry_and_each_entry_its_column(exported: Exported, name: str) -> None:
    entry = json.loads((exported.folder / "dictionary.json").read_bytes())["tables"][name]
    frame = exported.table(name)
    with (exported.folder / "csv" / f"{name}.csv").open(newline="", encoding="utf-8") as handle:
        header = next(csv.reader(handle))
    assert list(entry["properties"]) == entry["required"] == frame.columns == header
    assert json.loads((exported.folder / "schemas" / f"{name}.json").read_bytes()) == entry
    for column in TABLES[name].columns:
        told = entry["properties"][column.name]
        assert frame.schema[column.name] == POLARS[column.kind]
        assert len(told["title"]) > 1
        assert len(told["description"]) > 3
        assert told["x-defined"]
        assert ("null" in told["type"]) == column.nullable
        assert (told["x-unit"] is None) == (column.kind not in ("whole", "number", "exact"))


@pytest.mark.parametrize("name", TABLES)
def test_rows_are_as_the_json_schema_says(exported: Exported, name: str) -> None:
    schema = json.loads((exported.folder / "schemas" / f"{name}.json").read_bytes())
    # Outside check: the reference validator of JSON Schema, and the draft's own meta-schema.
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema)
    for row in exported.table(name).head(20).to_dicts():
        validator.validate({key: _as_json(cell) for key, cell in row.items()})
    first = schema["required"][0]
    assert not validator.is_valid({**dict.fromkeys(schema["required"]), first: {}})


def _as_json(cell: Any) -> Any:
    if isinstance(cell, str | int | float | bool | list) or cell is None:
        return cell
    return f"{cell:f}" if hasattr(cell, "as_tuple") else cell.isoformat()


def test_every_table_of_the_ledger_is_exported_or_left_out_with_its_reason() -> None:
    assert set(MANIFEST_TABLES) <= set(TABLES) | set(LEFT_OUT)
    assert not set(LEFT_OUT) & set(TABLES)


@pytest.mark.parametrize(("register", "model"), REGISTERS.items())
def test_every_column_of_every_register_is_exported(register: str, model: type[BaseModel]) -> None:
    table = TABLES[register.removesuffix(".csv")]
    assert [column.of for column in table.columns] == list(model.model_fields)


def test_every_column_of_an_exported_ledger_table_is_exported_or_no_use_to_others() -> None:
    of_the_program = {
        "seq",
        "op",
        "reason",
        "layout_digest",
        "inputs_digest",
        "head_digest",
        "tail_digest",
        "bins",
        "means",
    }
    for name in set(MANIFEST_TABLES) & set(TABLES):
        left = set(MANIFEST_TABLES[name].columns()) - {column.of for column in TABLES[name].columns}
        assert left <= of_the_program, name


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("peak_kn", "kN"),
        ("observed_us", "us"),
        ("mooring_h", "h"),
        ("peak_pct", "%"),
        ("core_c", "degC"),
        ("sheets", None),
    ],
)
def test_units_are_those_that_names_carry(name: str, unit: str | None) -> None:
    assert unit_of(name) == unit


def test_what_is_said_of_lives_says_that_they_may_be_no_percent_of_life(exported: Exported) -> None:
    found = json.loads((exported.folder / "dictionary.json").read_bytes())
    assert "never a percent of life and never a date" in found["severity_index"]
    for name in ("entries", "live_entries", "line_days", "line_status"):
        assert "severity index" in json.dumps(found["tables"][name])
        assert "basis" in found["tables"][name]["properties"]
    assert "inspection" in found["caution"]


def test_parquet_carries_its_own_dictionary(exported: Exported) -> None:
    told = pl.read_parquet_metadata(exported.folder / "parquet" / "live_entries.parquet")
    assert json.loads(told["tautlog.schema"])["x-version"] == VERSION
