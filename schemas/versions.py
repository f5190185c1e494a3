"""Versions of what is committed, and the columns that came after the first: how newer code reads older manifests.

A manifest says the version it was written in, and what it holds is never changed. A table that a later version added is
simply not named by an older manifest; a column that one added is filled in, when an older manifest is read, with the
default declared here. Nothing else may change about a table once it was released: no column is taken away, renamed or
given another meaning. A manifest of a version beyond `MANIFEST_VERSION` is refused.
"""

from __future__ import annotations

from dataclasses import dataclass

MANIFEST_VERSION = 3
"""What this program writes. It reads every version up to it. 1: release 0.1.0. 2: table `removed`.
3: tables `wear_days`, `air_days`, `berth_days`."""


@dataclass(frozen=True, slots=True)
class AddedColumn:
    """A column that manifests before version `since` do not have; `default`: its value in all their rows, as SQL.

    The default says "not known then" (`NULL`), or what was true of every row when nothing else was possible.
    """

    table: str
    column: str
    since: int
    default: str


ADDED_TABLES = ("removed", "wear_days", "air_days", "berth_days")
"""Tables that came after version 1: an older manifest or snapshot does not have them."""
ADDED_COLUMNS: tuple[AddedColumn, ...] = ()
"""Every column that was added to a table after version 1, oldest first."""


def filled_in(table: str, version: int, added: tuple[AddedColumn, ...] = ADDED_COLUMNS) -> dict[str, str]:
    """The columns of a table that a manifest of this version lacks, each with the SQL of its default."""
    return {row.column: row.default for row in added if row.table == table and row.since > version}
