"""A frame for each exported table, with exactly the columns that the dictionary says, in its order and of its types."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from pipeline.errors import Bug
from pipeline.exports import answers
from pipeline.exports.source import Source
from pipeline.ledger.exported import frame as ledger_frame
from schemas.exported import POLARS, Column, Table
from schemas.exported_answers import ANSWER_TABLES
from schemas.exported_ledger import LEDGER_TABLES
from schemas.exported_registers import REGISTER_TABLES

if TYPE_CHECKING:
    import polars as pl

TABLES: Final = {table.name: table for table in (*ANSWER_TABLES, *LEDGER_TABLES, *REGISTER_TABLES)}
"""Every exported table by name, in the order in which they are told."""


def frame_of(source: Source, table: Table) -> pl.DataFrame:
    """The rows of one table. Bug: what is made of them is not what the dictionary says."""
    import polars as pl

    if table.name in answers.ROWS:
        rows = answers.ROWS[table.name](source)
        made = pl.DataFrame(list(rows), schema=table.schema(), orient="row")
    else:
        raw = ledger_frame(source.ledger, table.name)
        made = _ADDED[table.name](source, raw) if table.name in _ADDED else raw
        made = made.select(_as_said(column, made.columns) for column in table.columns)
    return checked(made, table)


def checked(made: pl.DataFrame, table: Table) -> pl.DataFrame:
    """The frame, if it is what the dictionary says; else Bug."""
    if dict(made.schema) != table.schema():
        raise Bug(f"table {table.name} is not what the dictionary says", found=str(made.schema))
    empty = [column.name for column in table.columns if not column.nullable and made[column.name].null_count() > 0]
    if empty:
        raise Bug(f"table {table.name} holds nulls in {', '.join(empty)}", expected="never null, says the dictionary")
    return made


def _as_said(column: Column, there: Sequence[str]) -> pl.Expr:
    """A column under its exported name and type, from that name or the ledger's; instants from microseconds."""
    import polars as pl

    source = column.name if column.name in there else column.of
    return pl.col(source).cast(POLARS[column.kind]).alias(column.name)


def _with_basis(source: Source, raw: pl.DataFrame) -> pl.DataFrame:
    """Entries, each with what its figure is called; what the ledger calls basis goes by `rests_on`."""
    import polars as pl

    called = pl.col("line").replace_strict(source.basis, default=None, return_dtype=pl.String())
    return raw.with_columns(called.alias("basis"), pl.col("basis").alias("rests_on"))


def _line_days(source: Source, raw: pl.DataFrame) -> pl.DataFrame:
    import polars as pl

    from pipeline.wear.fatigue import to_decimal

    life = POLARS["exact"]
    facts = [{} if text is None else json.loads(text) for text in raw["facts"]]

    def lives(units: Iterable[str | None]) -> pl.Series:
        return pl.Series([None if text is None else to_decimal(int(text)) for text in units], dtype=life)

    def fact(name: str, kind: pl.DataType) -> pl.Series:
        return pl.Series([found.get(name) for found in facts], dtype=kind)

    called = pl.col("line").replace_strict(source.basis, default=None, return_dtype=pl.String())
    return raw.with_columns(
        called.alias("basis"),
        lives(raw["life_units"]).alias("fatigue_life"),
        lives(raw["creep_units"]).alias("creep_life"),
        lives(raw["abrasion_units"]).alias("abrasion_life"),
        fact("cycles_total", POLARS["whole"]).alias("cycles"),
        fact("peak_kn", POLARS["number"]).alias("peak_kn"),
        fact("peak_us", POLARS["whole"]).alias("peak_at"),
        fact("core_c", POLARS["number"]).alias("core_c"),
    )


def _events(source: Source, raw: pl.DataFrame) -> pl.DataFrame:
    import polars as pl

    found: list[Mapping[str, Any]] = [json.loads(text) for text in raw["payload"]]
    text = POLARS["text"]
    return raw.with_columns(
        pl.Series("severity", [one.get("severity") for one in found], dtype=text),
        pl.Series("peak_at_least", [bool(one.get("peak_at_least")) for one in found], dtype=pl.Boolean()),
        pl.Series("peak_pct_of", [one.get("peak_pct_of") for one in found], dtype=text),
    )


_ADDED: Final[Mapping[str, Callable[[Source, pl.DataFrame], pl.DataFrame]]] = {
    "entries": _with_basis,
    "live_entries": _with_basis,
    "line_days": _line_days,
    "events": _events,
}
