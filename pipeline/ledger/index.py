"""What the night reads from the ledger: what is live now, as plain rows. Works on snapshots too."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable
from dataclasses import fields
from datetime import date
from typing import Any, TypeVar

from pipeline.ledger.database import Ledger
from pipeline.ledger.rows import (
    AirDay,
    BerthDay,
    ChannelDay,
    Entry,
    Event,
    Finding,
    FlagFile,
    Key,
    Mark,
    Part,
    Receipt,
    SheetRef,
    State,
    WearDay,
)
from schemas.times import DAY_US, day_start_us

R = TypeVar("R")
_JSON = frozenset({"inputs", "payload", "basis", "evidence", "carried", "facts", "marks", "balance"})


def receipts(ledger: Ledger) -> dict[str, Receipt]:
    """The newest receipt of every raw file, by SHA-256 (`op` tells whether it was withdrawn)."""
    rows = load(ledger, Receipt, "live_receipts", order="run, seq")
    return {row.sha256: row for row in rows}


def all_receipts(ledger: Ledger) -> list[Receipt]:
    """Every receipt ever written, oldest first."""
    return load(ledger, Receipt, "receipts", order="run, seq")


def parts(ledger: Ledger, keys: Collection[tuple[str, date]] | None = None) -> list[Part]:
    """Live samples files, of all or of the given (place, day)s; sorted by place, day, first_us, part."""
    return load(ledger, Part, "live_parts", order="place, day, first_us, part", among=(("place", "day"), keys))


def flags(ledger: Ledger, keys: Collection[tuple[str, date]] | None = None) -> dict[tuple[str, date], FlagFile]:
    """Live flags files by (place, day)."""
    rows = load(ledger, FlagFile, "live_flags", order="place, day", among=(("place", "day"), keys))
    return {(row.place, row.day): row for row in rows}


def sheets(ledger: Ledger, keys: Collection[tuple[str, date]] | None = None) -> list[SheetRef]:
    """Live day sheets, of all or of the given (channel, day)s; sorted by channel, day, from_us, sheet."""
    order = "channel, day, from_us, sheet"
    return load(ledger, SheetRef, "live_sheets", order=order, among=(("channel", "day"), keys))


def marks(ledger: Ledger, *kinds: str, channels: Collection[str] | None = None) -> list[Mark]:
    """Marks of some kinds of live sheets, by channel, day, from_us, then as the sheet gave them."""
    among = (("channel",), None if channels is None else [(channel,) for channel in channels])
    order = "channel, day, from_us, run, seq"
    where = f"kind IN ({', '.join('?' * len(kinds))})"
    return load(ledger, Mark, "live_sheet_marks", order=order, where=where, given=list(kinds), among=among)


def states(ledger: Ledger, line: str | None = None) -> dict[tuple[str, str, date], State]:
    """Live states by (line, zone, day), in that order, of all lines or of one. Without residues."""
    among = (("line",), None if line is None else [(line,)])
    rows = load(ledger, State, "live_states", order="line, zone, day", among=among)
    return {(row.line, row.zone, row.day): row for row in rows}


def residues(
    ledger: Ledger, keys: Collection[tuple[str, str, date]]
) -> dict[tuple[str, str, date], tuple[list[float], list[int]]]:
    """The turning points still open after each given (line, zone, day): values [kN] and times [us]."""
    clause, given = _among(("line", "zone", "day"), keys)
    found = ledger.rows(f"SELECT line, zone, day, residue_kn, residue_us FROM live_states WHERE {clause}", given)
    return {(line, zone, day): (kn, us) for line, zone, day, kn, us in found}


def carried(ledger: Ledger, keys: Collection[tuple[str, str, date]]) -> dict[tuple[str, str, date], dict[str, Any]]:
    """What each given (line, zone, day) left to the next besides its residue: rope temperature, open swing."""
    clause, given = _among(("line", "zone", "day"), keys)
    found = ledger.rows(f"SELECT line, zone, day, carried FROM live_wear_days WHERE {clause}", given)
    return {(line, zone, day): json.loads(text) for line, zone, day, text in found}


def air_days(ledger: Ledger) -> dict[tuple[str, date], AirDay]:
    """Live ten-minute means of air channels, by (channel, day)."""
    return {(row.channel, row.day): row for row in load(ledger, AirDay, "live_air_days", order="channel, day")}


def berth_days(ledger: Ledger) -> dict[date, BerthDay]:
    """Live berth days by day, in that order."""
    return {row.day: row for row in load(ledger, BerthDay, "live_berth_days", order="day")}


def channel_days(ledger: Ledger) -> dict[tuple[str, date], ChannelDay]:
    """Live channel days by (channel, day), in that order."""
    rows = load(ledger, ChannelDay, "live_channel_days", order="channel, day")
    return {(row.channel, row.day): row for row in rows}


def wear_days(ledger: Ledger, line: str | None = None) -> dict[tuple[str, str, date], WearDay]:
    """Live wear days by (line, zone, day), in that order, of all lines or of one."""
    among = (("line",), None if line is None else [(line,)])
    rows = load(ledger, WearDay, "live_wear_days", order="line, zone, day", among=among)
    return {(row.line, row.zone, row.day): row for row in rows}


def day_facts(ledger: Ledger, line: str | None = None) -> dict[tuple[str, str, date], dict[str, Any]]:
    """What live wear days counted or saw besides lives, by (line, zone, day), in that order."""
    return ledger.once(("day facts", line), lambda: _day_facts(ledger, line))


def _day_facts(ledger: Ledger, line: str | None) -> dict[tuple[str, str, date], dict[str, Any]]:
    clause, given = _among(("line",), None if line is None else [(line,)])
    found = ledger.rows(f"SELECT line, zone, day, facts FROM live_wear_days WHERE {clause} ORDER BY ALL", given)
    return {(line, zone, day): json.loads(text) for line, zone, day, text in found}


def postings(ledger: Ledger, line: str | None = None) -> dict[Key, Entry]:
    """Live postings by (line, zone, day, mechanism): at most one each."""
    among = (("line",), None if line is None else [(line,)])
    rows = load(ledger, Entry, "live_entries", order="line, zone, day, mechanism", among=among)
    return {row.key: row for row in rows}


def events(ledger: Ledger) -> dict[str, Event]:
    """Live events by id, in order of line, from_us, kind."""
    return ledger.once("events", lambda: _events(ledger))


def _events(ledger: Ledger) -> dict[str, Event]:
    return {row.event: row for row in load(ledger, Event, "live_events", order="line, from_us, kind")}


def findings(ledger: Ledger) -> dict[str, Finding]:
    """Open findings by id, in the order they were opened."""
    return {row.finding: row for row in load(ledger, Finding, "live_findings", order="run, seq")}


def horizon_us(ledger: Ledger) -> int | None:
    """Up to when coverage is reckoned: the latest live stored sample of the site, or the end of the latest
    `--through` day any run was given, whichever is later. None when there is neither.
    """
    latest_us = ledger.single("SELECT max(last_us) FROM live_parts")
    through = latest_through(ledger)
    ends = [latest_us] if latest_us is not None else []
    if through is not None:
        ends.append(day_start_us(through) + DAY_US)
    return max(ends) if ends else None


def latest_through(ledger: Ledger) -> date | None:
    """The latest day that any run was given as `--through`; None when none ever was."""
    through: date | None = ledger.single("SELECT max(through) FROM runs")
    return through


def known_us(ledger: Ledger) -> int:
    """Up to when the newest run knew things to have happened: its clock, or the horizon where that is later.

    A run that only took files away has looked at nothing.
    """
    started_us = ledger.single("SELECT max(started_us) FROM runs WHERE run NOT IN (SELECT run FROM removed)")
    return max(started_us or 0, horizon_us(ledger) or 0)


RECKONED = "reckoned"
"""Key of a run's `meta`: that it brought sheets and accounts up to date. Nights of older manifests lack it; of theirs
the flags tell."""


def unreckoned(ledger: Ledger) -> int:
    """How many places' days have samples that no night has looked at yet."""
    return int(
        ledger.single(
            f"""
            SELECT count(*) FROM (SELECT place, day, max(run) AS run FROM live_parts GROUP BY place, day) AS p
            LEFT JOIN live_flags AS f ON p.place = f.place AND p.day = f.day
            WHERE (f.run IS NULL OR f.run < p.run)
                AND p.run > (SELECT coalesce(max(run), 0) FROM runs WHERE contains(meta, '"{RECKONED}":true'))
            """
        )
    )


def all_sheets(ledger: Ledger, names: Collection[str]) -> dict[str, SheetRef]:
    """Sheets by id, live or not."""
    rows = load(
        ledger, SheetRef, "sheets", order="run, seq", where="op = 'add'", among=(("sheet",), [(n,) for n in names])
    )
    return {row.sheet: row for row in rows}


def head_archive(ledger: Ledger) -> dict[str, str]:
    """Path to SHA-256 of every register that the newest run used; empty before the first run."""
    found = ledger.rows("SELECT archive FROM runs ORDER BY run DESC LIMIT 1")
    archive: dict[str, str] = json.loads(found[0][0]) if found else {}
    return archive


def load(
    ledger: Ledger,
    kind: type[R],
    table: str,
    *,
    order: str,
    where: str = "true",
    given: Iterable[object] = (),
    among: tuple[tuple[str, ...], Collection[tuple[Any, ...]] | None] = ((), None),
) -> list[R]:
    """Rows of a table or view as frozen dataclasses. `among`: columns and allowed values (None: any)."""
    names = [f.name for f in fields(kind)]  # type: ignore[arg-type]
    clause, keys = _among(*among)
    columns = ", ".join(f'"{name}"' for name in names)
    sql = f"SELECT {columns} FROM {table} WHERE {where} AND {clause} ORDER BY {order}"
    found = ledger.rows(sql, [*given, *keys])
    parse = [_parser(kind, name) for name in names]
    if all(read is None for read in parse):
        return [kind(*row) for row in found]
    return [
        kind(*[cell if read is None else read(cell) for read, cell in zip(parse, row, strict=True)]) for row in found
    ]


def _parser(kind: type[Any], name: str) -> Any:
    if name in _JSON:
        return json.loads
    if name in ("creep_units", "abrasion_units"):
        return lambda cell: None if cell is None else int(cell)
    return int if name == "life_units" else None


def _among(columns: tuple[str, ...], keys: Collection[tuple[Any, ...]] | None) -> tuple[str, list[list[Any]]]:
    """A condition that the columns' values are among `keys`, and the values to bind."""
    if keys is None:
        return "true", []
    if not keys:
        return "false", []
    names = ", ".join(columns)
    given = ", ".join(f"unnest(?::{'DATE' if name == 'day' else 'VARCHAR'}[])" for name in columns)
    return f"({names}) IN (SELECT {given})", [list(values) for values in zip(*keys, strict=True)]


def named_files(ledger: Ledger) -> dict[str, str]:
    """Every file outside manifests/ that a manifest ever named, live or not: path below the site, SHA-256.

    Those taken away since are among them (`removed.removed_files`).
    """
    return dict(
        ledger.rows(
            """SELECT 'raw/' || sha256, sha256 FROM receipts
            UNION SELECT 'quarantine/' || quarantine_path, quarantine_digest FROM receipts
                WHERE quarantine_path IS NOT NULL
            UNION SELECT 'store/' || part, digest FROM parts
            UNION SELECT 'store/' || path, digest FROM flags
            UNION SELECT 'store/' || path, digest FROM sheets
            ORDER BY 1"""
        )
    )
