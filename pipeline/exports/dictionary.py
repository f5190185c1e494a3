"""The data dictionary of an export, and its READ-ME. Pure."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.exports.views import VIEWS
from pipeline.ledger.words import CAUTION, NOT_MODELLED
from schemas.exported import VERSION, Table, json_schema
from schemas.exported_ledger import INDEX

README = """\
An export of tautlog: what is published of one site, for other programs and for people.

{caution}

What a figure of life used is called stands beside it, as `basis`. {index}
In no figure of life: {not_modelled}.
An empty cell is not zero: it is not known, or there is none.

manifest.json      of which run of the ledger this is, and the SHA-256 of every other file (sha256sum gives the same)
dictionary.json    every table and column: title, description, unit, kind, whether it may be null, where it is defined
schemas/           the same as a JSON Schema for a row of each table
parquet/           tables as Parquet; decimals exact, instants UTC
csv/               tables as CSV (RFC 4180, UTF-8, CRLF). Nothing: null; "": an empty text; lists and details: JSON
{whole}
The dictionary is of version {version}. What changes from version to version stands in schemas/migrations.md of tautlog.

CSV and spreadsheets. What a CSV cell holds is exactly what the ledger holds. A spreadsheet that opens a CSV file may
take a text that begins with = + - @, a tab or a line end for a formula, and run it. Open workbook.xlsx in a spreadsheet
instead, in which every text is a text; or have columns imported as text. {formulas}
"""
WHOLE = """\
export.duckdb      the tables in a DuckDB file, with views for dashboards; DESCRIBE and duckdb_columns() tell comments
workbook.xlsx      an Excel workbook for people; its first sheet says what is not in it
statements/        a statement of each line as PDF
"""


def dictionary(tables: Sequence[Table]) -> dict[str, Any]:
    """The whole dictionary: its version, cautions, the JSON Schema of each table, and the views of the DuckDB file."""
    return {
        "version": VERSION,
        "caution": CAUTION,
        "severity_index": INDEX,
        "not_modelled": list(NOT_MODELLED),
        "tables": {table.name: json_schema(table) for table in tables},
        "views": {
            view.name: {"description": view.comment, "columns": dict(view.columns), "query": view.query}
            for view in VIEWS
        },
    }


def readme(formula_like: Mapping[str, Mapping[str, int]], *, whole: bool) -> str:
    """The text of READ-ME.txt; `formula_like`: by table and column, how many cells begin so."""
    cells = [f"{table}.csv, {column}: {n}" for table, columns in formula_like.items() for column, n in columns.items()]
    formulas = "No text in these files begins so." if not cells else f"Texts that begin so: {'; '.join(cells)}."
    return README.format(
        caution=CAUTION,
        index=INDEX,
        not_modelled=", ".join(NOT_MODELLED),
        whole=WHOLE if whole else "",
        version=VERSION,
        formulas=formulas,
    )


def as_text(found: Mapping[str, Any]) -> str:
    """JSON text, in the order given."""
    return json.dumps(found, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
