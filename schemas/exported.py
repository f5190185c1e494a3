"""What an export holds, column by column: its data dictionary, and the JSON Schema of each table.

Kinds and nullability come from the schemas that the program runs on, where there are any: the manifest tables
(`schemas.tables`) and the registers' models (`schemas.registers`). Units come from the columns' own names, which carry
them. Titles, descriptions and where a word is defined are said here and in the modules beside this one.

`VERSION` is raised when a table or a column comes, goes, or changes its kind, unit or nullability; what a reader of the
last version has to do is then told in `schemas/migrations.md`. Better words raise nothing.
"""

from __future__ import annotations

import types
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any, Final, Literal, Union, get_args, get_origin

import polars as pl
from pydantic import BaseModel

from schemas.tables import LIFE_PRECISION, LIFE_SCALE, Row

VERSION: Final = 1
"""Of the dictionary. Every version has its note in `schemas/migrations.md`."""

Kind = Literal["text", "json", "whole", "number", "exact", "truth", "day", "instant", "list"]
POLARS: Final[Mapping[str, pl.DataType]] = {
    "text": pl.String(),
    "json": pl.String(),
    "whole": pl.Int64(),
    "number": pl.Float64(),
    "exact": pl.Decimal(LIFE_PRECISION, LIFE_SCALE),
    "truth": pl.Boolean(),
    "day": pl.Date(),
    "instant": pl.Datetime("us", "UTC"),
    "list": pl.List(pl.String()),
}
DUCKDB: Final[Mapping[str, str]] = {
    "text": "VARCHAR",
    "json": "VARCHAR",
    "whole": "BIGINT",
    "number": "DOUBLE",
    "exact": f"DECIMAL({LIFE_PRECISION}, {LIFE_SCALE})",
    "truth": "BOOLEAN",
    "day": "DATE",
    "instant": "TIMESTAMP",
    "list": "VARCHAR[]",
}
_JSON_TYPE: Final[Mapping[str, dict[str, Any]]] = {
    "text": {"type": "string"},
    "json": {"type": "string", "contentMediaType": "application/json"},
    "whole": {"type": "integer"},
    "number": {"type": "number"},
    "exact": {"type": "string", "pattern": f"^-?[0-9]{{1,{LIFE_PRECISION - LIFE_SCALE}}}[.][0-9]{{{LIFE_SCALE}}}$"},
    "truth": {"type": "boolean"},
    "day": {"type": "string", "format": "date"},
    "instant": {"type": "string", "format": "date-time"},
    "list": {"type": "array", "items": {"type": "string"}},
}
_UNITS: Final = {
    "kn": "kN",
    "mpa": "MPa",
    "us": "us",
    "ms": "ms",
    "s": "s",
    "min": "min",
    "h": "h",
    "days": "d",
    "years": "a (365.25 d)",
    "hz": "Hz",
    "m": "m",
    "mm": "mm",
    "pct": "%",
    "deg": "deg",
    "c": "degC",
    "bytes": "byte",
}
_ROW_KINDS: Final[Mapping[str, Kind]] = {
    "String": "text",
    "Int64": "whole",
    "Float64": "number",
    "Decimal": "exact",
    "Bool": "truth",
    "Date": "day",
    "List": "list",
}


@dataclass(frozen=True)
class Column:
    """One column. `of`: its name in the schema it comes from. `defined`: where its words are defined."""

    name: str
    kind: Kind
    nullable: bool
    title: str
    description: str
    unit: str | None
    defined: str
    of: str


@dataclass(frozen=True)
class Table:
    """One table. `one_row`: what a row is.

    `workbook`: whether the workbook has a sheet of it; `not_for_people`: columns that the sheet leaves out.
    """

    name: str
    title: str
    one_row: str
    description: str
    defined: str
    columns: tuple[Column, ...]
    workbook: bool = True
    not_for_people: tuple[str, ...] = ()

    def schema(self) -> dict[str, pl.DataType]:
        """Names and types of the table's columns, in order."""
        return {column.name: POLARS[column.kind] for column in self.columns}


@dataclass(frozen=True)
class Said:
    """What is said of a column by hand. `kind` and `nullable` only where no schema says them, or says less."""

    name: str
    title: str
    description: str
    of: str | None = None
    kind: Kind | None = None
    nullable: bool | None = None
    unit: str | None = None
    defined: str | None = None


def unit_of(name: str) -> str | None:
    """The unit that a column's name carries at its end; None for a name without one."""
    return _UNITS.get(name.rsplit("_", 1)[-1])


def said(
    name: str,
    title: str,
    description: str,
    kind: Kind | None = None,
    *,
    of: str | None = None,
    nullable: bool | None = None,
    unit: str | None = None,
    defined: str | None = None,
) -> Said:
    """A column in words."""
    return Said(name, title, description, of, kind, nullable, unit, defined)


def of_row(row: type[Row], defined: str, *columns: Said) -> tuple[Column, ...]:
    """Columns of a manifest table: kind and nullability from its schema, but for those that are not in it.

    A whole number of microseconds whose name is given anew as `…_at` becomes an instant.
    """
    known = row.columns()
    made = []
    for one in columns:
        of = one.of or one.name
        found = known.get(of)
        if found is None:
            made.append(_stated(one, defined))
            continue
        kind = one.kind or _ROW_KINDS[type(found).__name__]
        if of.endswith("_us") and one.name.endswith("_at"):
            kind = "instant"
        made.append(_column(one, kind, bool(found.nullable), defined))
    return tuple(made)


def of_model(model: type[BaseModel], defined: str, *columns: Said) -> tuple[Column, ...]:
    """Columns of a register: kind and nullability from its model."""
    made = []
    for one in columns:
        field = model.model_fields[one.of or one.name]
        kind, nullable = _kind_of(field.annotation)
        made.append(_column(one, one.kind or kind, nullable, defined))
    return tuple(made)


def of_answer(defined: str, *columns: Said) -> tuple[Column, ...]:
    """Columns of a table that is made from an answer: each says its kind, and whether it may be null."""
    return tuple(_stated(one, defined) for one in columns)


def json_schema(table: Table) -> dict[str, Any]:
    """The JSON Schema of one row (2020-12). `x-` keys: unit, kind, types in Parquet and DuckDB, where defined."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:tautlog:export:{VERSION}:{table.name}",
        "title": table.title,
        "description": f"{table.description} One row: {table.one_row}.",
        "x-version": VERSION,
        "x-defined": table.defined,
        "type": "object",
        "properties": {column.name: _property(column) for column in table.columns},
        "required": [column.name for column in table.columns],
        "additionalProperties": False,
    }


def shape(tables: Sequence[Table]) -> dict[str, Any]:
    """What may not change without a new version: tables, columns in order, kinds, units, nullability."""
    return {
        "version": VERSION,
        "tables": {
            table.name: {
                column.name: [column.kind, column.unit, "nullable" if column.nullable else "never null"]
                for column in table.columns
            }
            for table in tables
        },
    }


def _property(column: Column) -> dict[str, Any]:
    told = dict(_JSON_TYPE[column.kind])
    if column.nullable:
        told["type"] = [told["type"], "null"]
    return {
        **told,
        "title": column.title,
        "description": column.description,
        "x-unit": column.unit,
        "x-kind": column.kind,
        "x-parquet": str(POLARS[column.kind]),
        "x-duckdb": DUCKDB[column.kind],
        "x-defined": column.defined,
    }


def _stated(one: Said, defined: str) -> Column:
    if one.kind is None or one.nullable is None:
        raise TypeError(f"column {one.name}: no schema says its kind and nullability; say them")
    return _column(one, one.kind, one.nullable, defined)


def _column(one: Said, kind: Kind, nullable: bool, defined: str) -> Column:
    if one.nullable is not None:
        nullable = one.nullable
    unit = one.unit
    if unit is None and kind in ("whole", "number", "exact"):
        unit = unit_of(one.name) or "1"
    return Column(
        one.name, kind, nullable, one.title, one.description, unit, one.defined or defined, one.of or one.name
    )


def _kind_of(annotation: Any) -> tuple[Kind, bool]:
    """Kind and nullability of a model's field. A day or instant stays text, for a spreadsheet holds either."""
    options = get_args(annotation) if get_origin(annotation) in (Union, types.UnionType) else (annotation,)
    nullable = type(None) in options
    plain = {get_args(one)[0] if hasattr(one, "__metadata__") else one for one in options if one is not type(None)}
    if any(get_origin(one) is Literal for one in plain) or plain == {str}:
        return "text", nullable
    if plain == {float} or plain == {float, int}:
        return "number", nullable
    kinds: dict[Any, Kind] = {int: "whole", Decimal: "exact", datetime: "instant", bool: "truth"}
    if len(plain) == 1 and (only := next(iter(plain))) in kinds:
        return kinds[only], nullable
    if all(isinstance(one, types.UnionType) or one in (date, datetime) for one in plain):
        return "text", nullable
    raise TypeError(f"no kind for {annotation}")
