"""The manifest tables: what a run adds, one Parquet file a table. The ledger's SQL tables have the same
columns.

Every row carries `run` and `seq` (its place in the run's table, from 1), so that "newest" means the largest
(run, seq). Nothing is ever changed or taken away: a row that no longer holds is followed by one that says so
(`op`). Columns ending in `_us` are UTC microseconds since 1970-01-01; `day` is a UTC day; JSON columns hold
canonical JSON text (sorted keys, no spaces).
"""

from __future__ import annotations

from collections.abc import Callable

import dataframely as dy
import polars as pl

LIFE_PRECISION, LIFE_SCALE = 38, 30


def _one_of(*words: str) -> Callable[[pl.Expr], pl.Expr]:
    def known(column: pl.Expr) -> pl.Expr:
        return column.is_in(words)

    return known


def _count() -> dy.Int64:
    return dy.Int64(min=0)


def _name() -> dy.String:
    return dy.String(min_length=1)


def _digest() -> dy.String:
    return dy.String(regex="^[0-9a-f]{64}$")


def _op(*words: str) -> dy.String:
    return dy.String(check=_one_of(*words))


class Row(dy.Schema):
    """What every table's row carries."""

    run = dy.Int64(primary_key=True, min=1)
    seq = dy.Int64(primary_key=True, min=1)


class Runs(Row):
    """One row a run: what ran, and with which registers (`archive`: JSON of path to SHA-256).

    `prev` is the SHA-256 of the previous run's manifest, null for the first. `horizon_us` is what coverage is
    reckoned up to; `through` the day of `--through`, null without it.
    """

    run_id = _name()
    prev = dy.String(nullable=True, regex="^[0-9a-f]{64}$")
    started_us = dy.Int64()
    program = _name()
    through = dy.Date(nullable=True)
    horizon_us = dy.Int64(nullable=True)
    archive = _name()
    meta = _name()


class Receipts(Row):
    """What became of every line of one raw file. Newest by `sha256` holds."""

    file = _name()
    sha256 = _digest()
    bytes = _count()
    layout = dy.String()
    layout_digest = dy.String()
    lines = _count()
    header = _count()
    blank = _count()
    ignored = _count()
    stored = _count()
    duplicate = _count()
    quarantined = _count()
    cells_quarantined = _count()
    first_us = dy.Int64(nullable=True)
    last_us = dy.Int64(nullable=True)
    quarantine_path = dy.String(nullable=True)
    quarantine_digest = dy.String(nullable=True, regex="^[0-9a-f]{64}$")
    op = _op("new", "reread", "withdrawn")
    reason = dy.String()

    @dy.rule()
    def nothing_is_lost(cls) -> pl.Expr:
        """Promise 1: every line of the file is in exactly one of the six."""
        kinds = ("header", "blank", "ignored", "stored", "duplicate", "quarantined")
        return pl.col("lines") == pl.sum_horizontal(kinds)


class Parts(Row):
    """What one raw file holds of one place and day: a samples file. Live when added and not dropped since."""

    part = _name()
    sha256 = _digest()
    place = _name()
    day = dy.Date()
    rows = _count()
    first_us = dy.Int64()
    last_us = dy.Int64()
    digest = _digest()
    head_digest = dy.String()
    tail_digest = dy.String()
    channels = dy.List(dy.String())
    op = _op("add", "drop")
    reason = dy.String()


class Flags(Row):
    """The flags file of one place and day. Newest by (place, day) is live, if set."""

    place = _name()
    day = dy.Date()
    path = _name()
    digest = _digest()
    inputs_digest = dy.String()
    op = _op("set", "drop")


class Sheets(Row):
    """A day sheet: row `row` of file `path`. Live when added and not dropped since. `inputs`: digests."""

    sheet = _name()
    path = _name()
    digest = _digest()
    row = _count()
    place = _name()
    channel = _name()
    day = dy.Date()
    from_us = dy.Int64()
    to_us = dy.Int64()
    inputs = _name()
    cycles = _count()
    observed_us = _count()
    op = _op("add", "drop")


class SheetMarks(Row):
    """What a sheet hands to the events: excursions, slip runs (`payload`: JSON). Live while its sheet is."""

    sheet = _name()
    kind = _name()
    payload = _name()


class States(Row):
    """The fold's state after one day of a line's zone. Newest by (line, zone, day) is live, if set.

    `residue_kn`, `residue_us`: the turning points still open, in time order. `life_units`: the day's closed
    cycles in integer units of 2^-100, as decimal text. `postable`: the day is complete and may be posted.
    """

    line = _name()
    zone = _op("a", "b")
    day = dy.Date()
    sheets = dy.List(dy.String())
    residue_kn = dy.List(dy.Float64())
    residue_us = dy.List(dy.Int64())
    life_units = dy.String(regex="^[0-9]+$")
    basis = _name()
    postable = dy.Bool()
    op = _op("set", "drop")


class WearDays(Row):
    """What one day of a line's zone took besides fatigue. Newest by (line, zone, day) is live, if set.

    `creep_units`, `abrasion_units`: in units of 2^-100, null where the mechanism is not reckoned. `carried`: JSON of
    the rope's temperature and the open swing after the day. `facts`: JSON of counts and temperatures: no life.
    `cycle_*`: cycles closed by the day, by 5 kN class of their low and high; `level_*`: time at level by class.
    """

    line = _name()
    zone = _op("a", "b")
    day = dy.Date()
    creep_units = dy.String(nullable=True, regex="^[0-9]+$")
    abrasion_units = dy.String(nullable=True, regex="^[0-9]+$")
    carried = _name()
    facts = _name()
    cycle_low = dy.List(dy.Int64())
    cycle_high = dy.List(dy.Int64())
    cycle_count = dy.List(dy.Int64())
    level_class = dy.List(dy.Int64())
    level_us = dy.List(dy.Int64())
    op = _op("set", "drop")


class AirDays(Row):
    """What a thermometer [degC] or anemometer [m/s] read on a day: ten-minute means. Newest by channel and day."""

    channel = _name()
    place = _name()
    day = dy.Date()
    quantity = _op("temperature", "wind")
    bins = dy.List(dy.Int64())
    means = dy.List(dy.Float64())
    op = _op("set", "drop")


class BerthDays(Row):
    """What all lines of a site did together on a day. Newest by `day` is live, if set.

    `inputs_digest`: of all that decides it. `marks`: JSON, by kind of event, of what is handed to the events.
    `balance`: JSON, by call, of what each line bore while all lines were fast.
    """

    day = dy.Date()
    inputs_digest = _digest()
    marks = _name()
    balance = _name()
    op = _op("set", "drop")


class Entries(Row):
    """A posting, or the reversal of one. Live: postings that nothing reverses."""

    entry = _name()
    line = _name()
    zone = _op("a", "b")
    day = dy.Date()
    mechanism = _op("fatigue", "creep", "abrasion")
    life = dy.Decimal(LIFE_PRECISION, LIFE_SCALE)
    kind = _op("posting", "reversal")
    reverses = dy.String(nullable=True)
    reason = _name()
    spec = _name()
    spec_digest = _digest()
    policy_digest = _digest()
    basis = _name()
    sheets = dy.List(dy.String())

    @dy.rule()
    def reversals_name_what_they_reverse(cls) -> pl.Expr:
        return (pl.col("kind") == "reversal") == pl.col("reverses").is_not_null()


class Events(Row):
    """A named happening of one line. Newest by `event` is live, if added. `payload`: the kind's own."""

    event = _name()
    kind = _name()
    line = _name()
    channel = _name()
    place = _name()
    from_us = dy.Int64()
    to_us = dy.Int64()
    peak_kn = dy.Float64()
    peak_us = dy.Int64()
    peak_pct = dy.Float64(nullable=True)
    payload = _name()
    op = _op("add", "supersede")
    reason = dy.String()


class Findings(Row):
    """Something wrong with data, registers, sensors or brakes. Newest by `finding` is live, if open."""

    finding = _name()
    kind = _name()
    subject = dy.String()
    severity = _op("info", "warning", "error")
    text = _name()
    evidence = _name()
    scope = dy.String()
    op = _op("open", "close")
    reason = dy.String()


class Removed(Row):
    """A file taken away by decision, and by which run it had been superseded (null for what no manifest names)."""

    path = _name()
    sha256 = _digest()
    bytes = _count()
    kind = _op("sheets", "flags", "ledger", "published")
    superseded_run = dy.Int64(nullable=True)
    reason = _name()


TABLES: dict[str, type[Row]] = {
    "runs": Runs,
    "receipts": Receipts,
    "parts": Parts,
    "flags": Flags,
    "sheets": Sheets,
    "sheet_marks": SheetMarks,
    "states": States,
    "wear_days": WearDays,
    "air_days": AirDays,
    "berth_days": BerthDays,
    "entries": Entries,
    "events": Events,
    "findings": Findings,
    "removed": Removed,
}
