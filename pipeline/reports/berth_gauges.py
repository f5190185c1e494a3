"""Sensors and brakes: findings that stand, zero checks, calibrations, and what is known of each winch's brake."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from pipeline.reports.figures import Figure, Instant, Link, command, instant, kn
from pipeline.reports.page import QUALITY
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.tables import Cell, Column, Row, Table
from schemas.registers import Calibration
from schemas.times import DAY_US

SOON_DAYS: Final = 30
"""How long before it is due a calibration is named. House rule."""
OFF: Final = ("holds above set", "renders late", "renders early")


def findings(snapshot: Snapshot) -> Table:
    """Findings that stand, warnings first, newest first."""
    trace = command("findings")
    columns = (
        Column("about"),
        Column("kind"),
        Column("severity"),
        Column("what was found", wide=True),
        Column("since run", "", "the run that opened it", trace),
    )
    order = {"error": 0, "warning": 1, "info": 2}
    found = sorted(snapshot.findings, key=lambda row: (order.get(row["severity"], 1), -row["run"]))
    rows = [
        Row(
            [
                row["subject"],
                Link(row["kind"], QUALITY),
                row["severity"],
                row["text"],
                Figure(row["run"], trace, "", 0),
            ],
            mark="warning" if row["severity"] not in ("info",) else "",
        )
        for row in found
    ]
    return Table("findings-table", "Findings that stand", columns, rows, empty="no finding stands")


def zeros(snapshot: Snapshot) -> Table:
    """The last zero check of each tension channel, those that are off first."""
    trace = command("zeros")
    columns = (
        Column("channel"),
        Column("place"),
        Column("without a line from"),
        Column("read", "kN", "its mean in that time", trace),
        Column("register's zero", "kN", "", trace),
        Column("off by", "kN", "", trace),
        Column("allowed", "kN", "", trace),
        Column("said by", wide=True),
        Column("verdict"),
    )
    rows = [_zero(one, snapshot) for one in snapshot.zeros["zeros"]]
    rows.sort(key=lambda row: (row.mark == "", str(row.cells[0])))
    return Table("zeros-table", "Last zero check of each tension channel", columns, rows)


def _zero(one: Mapping[str, Any], snapshot: Snapshot) -> Row:
    trace = command("zeros", "--channel", one["channel"])
    counted = [check for check in one["checks"] if check["counted"]]
    if not counted:
        return Row([one["channel"], one["place"], "never checked", *[None] * 5, "not known"])
    last = counted[-1]
    off, limit = last["off_kn"], one["threshold_kn"]
    moved = off is not None and limit is not None and abs(off) > limit
    verdict = "moved" if moved else "not known" if off is None or limit is None else "within"
    return Row(
        [
            one["channel"],
            one["place"],
            Instant(last["from_at"]),
            Figure(last["reading_kn"], trace, "kN", 1),
            Figure(last["register_zero_kn"], trace, "kN", 1, why="none"),
            Figure(off, trace, "kN", 1),
            Figure(limit, trace, "kN", 1),
            one["threshold"] or "",
            verdict,
        ],
        mark="warning" if moved else "",
    )


@dataclass(frozen=True, slots=True)
class Due:
    """A calibration that is overdue or soon due, in words."""

    channel: str
    words: str


def due(snapshot: Snapshot) -> Iterator[Due]:
    """Calibrations in force that are overdue at the end of what is known, or due within `SOON_DAYS`."""
    for channel, row in in_force(snapshot):
        left = None if row is None else _days_left(row, snapshot.known_us)
        if row is None or left is None or left > SOON_DAYS:
            continue
        when = f"was due on {row.due}, {-left:.0f} days ago" if left < 0 else f"is due on {row.due}, in {left:.0f} days"
        yield Due(channel, f"its calibration ({row.certificate or 'no certificate named'}) {when}")


def calibrations(snapshot: Snapshot) -> Table:
    """The calibration in force of each tension channel, soonest due first."""
    columns = (
        Column("channel"),
        Column("place"),
        Column("calibrated"),
        Column("certificate", wide=True),
        Column("uncertainty", "%", "of full scale", command("explain", "LINE")),
        Column("due"),
        Column("days left", "", "when the newest run looked; a day that is due counts wholly as in time", None),
        Column("state"),
    )
    rows: list[tuple[float, Row]] = []
    for channel, row in in_force(snapshot):
        place = snapshot.site.channels[channel].place
        if row is None:
            rows.append((99_999, Row([channel, place, "never on record", *[None] * 4, "uncalibrated"])))
            continue
        left = _days_left(row, snapshot.known_us)
        state = (
            "no due date" if left is None else "overdue" if left < 0 else "soon due" if left <= SOON_DAYS else "in date"
        )
        trace = command("findings", "--channel", channel)
        cells: list[Cell] = [
            channel,
            place,
            instant(row.from_us),
            row.certificate,
            Figure(row.uncertainty_pct, trace, "%", 1, why="not given"),
            None if row.due is None else str(row.due),
            Figure(left, trace, "", 0, why="not known"),
            state,
        ]
        rows.append((99_998 if left is None else left, Row(cells, mark="warning" if state[-3:] == "due" else "")))
    rows.sort(key=lambda item: (item[0], str(item[1].cells[0])))
    return Table(
        "calibrations-table", "Calibration in force of each tension channel", columns, [row for _, row in rows]
    )


def in_force(snapshot: Snapshot) -> Iterator[tuple[str, Calibration | None]]:
    """Each tension channel with its newest calibration when the newest run looked; None where none is on record."""
    for name, channel in snapshot.site.channels.items():
        if channel.quantity == "tension":
            made = [row for row in snapshot.site.calibrations_of(name) if row.from_us <= snapshot.known_us]
            yield name, made[-1] if made else None


def _days_left(row: Calibration, known_us: int) -> float | None:
    """Days until the end of the day on which it is due, negative once it is overdue; None without a date."""
    return None if row.overdue_from_us is None else (row.overdue_from_us - known_us) / DAY_US


def brakes(snapshot: Snapshot) -> Table:
    """Every winch's brake, worst first."""
    trace = command("brakes")
    columns = (
        Column("winch"),
        Column("verdict"),
        Column("set to", "kN", "", trace),
        Column("tested or set on"),
        Column("let go", "", "how many times on record since it was set", trace),
        Column("last let go at", "kN", "", trace),
        Column("of setting", "%", "", trace),
        Column("held", "kN", "largest load above its setting that it held", trace),
        Column("of setting", "%", "", trace),
        Column("highest load", "kN", "", trace),
        Column("when"),
    )
    rows = [_brake(one) for one in snapshot.brakes["brakes"]]
    empty = "no winch is registered, and no channel is one's"
    return Table("brakes-table", "Brakes of winches, worst first", columns, rows, empty=empty)


def _brake(one: Mapping[str, Any]) -> Row:
    trace = command("brakes", "--place", one["place"])
    out = one["let_go"][-1] if one["let_go"] else None
    held, high = one["held"], one["highest"]
    verdict = one["verdict"] or "no setting registered"

    def load(found: Mapping[str, Any] | None, name: str = "kn", why: str = "none on record") -> Figure:
        value = None if found is None else found[name]
        least = found is not None and bool(found["at_least"])
        return Figure(value, trace, "kN" if name == "kn" else "%", 0, why, least)

    return Row(
        [
            one["place"],
            verdict + ("; test due" if one["test_due"] else ""),
            kn(one["brake_set_kn"], trace, why="not registered"),
            one["tested_on"] or "not on record",
            Figure(len(one["let_go"]), trace, "", 0),
            load(out),
            load(out, "pct_of_set"),
            load(held),
            load(held, "pct_of_set"),
            load(high),
            None if high is None else Instant(high["at"]),
        ],
        mark="warning" if verdict in OFF or verdict == "not exercised" or one["test_due"] else "",
    )
