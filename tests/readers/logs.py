"""Raw logs for the tests: layouts and channels made in a line, and what reading gave as plain comparable
values."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pipeline.readers import Piece, ReadNotes, read_log
from schemas.registers import Channel, Layout

BERLIN = ZoneInfo("Europe/Berlin")


def channels(**places: str) -> dict[str, Channel]:
    """Channels by name -> place; the quantity is told by the name's ending (`_brake`, `_payout`), else
    tension."""
    made = {}
    for name, place in places.items():
        quantity = next((q for q in ("brake", "payout", "temperature", "wind") if name.endswith(q)), "tension")
        made[name.replace("_", "-")] = Channel.model_validate(
            {
                "channel": name.replace("_", "-"),
                "quantity": quantity,
                "kind": "other",
                "rate_hz": 1,
                "capacity": None,
                "place": place,
            }
        )
    return made


def wide(
    columns: Mapping[str, str],
    *,
    text: Mapping[str, object] | None = None,
    time: Mapping[str, object] | None = None,
    words: Mapping[str, float] | None = None,
) -> Layout:
    """A wide layout: column -> channel."""
    return layout(
        [{"column": c, "channel": n, "unit": "1" if "brake" in n else "kN"} for c, n in columns.items()],
        text=text,
        time=time,
        words=words,
    )


def long(
    columns: Mapping[str, str],
    *,
    key: str = "winch",
    text: Mapping[str, object] | None = None,
    time: Mapping[str, object] | None = None,
    words: Mapping[str, float] | None = None,
) -> Layout:
    """A long layout: column -> channel with {key}."""
    return layout(
        [{"column": c, "channel": n, "unit": "1" if "brake" in n else "kN"} for c, n in columns.items()],
        rows={"key": key},
        text=text,
        time=time,
        words=words,
    )


def layout(
    values: Sequence[Mapping[str, object]],
    *,
    text: Mapping[str, object] | None = None,
    time: Mapping[str, object] | None = None,
    rows: Mapping[str, object] | None = None,
    words: Mapping[str, float] | None = None,
) -> Layout:
    """A delimited layout; `header_line` 0 is let through as the readers know it."""
    rules = dict(text or {})
    headless = rules.get("header_line") == 0
    if headless:
        del rules["header_line"]
    table: dict[str, Any] = {
        "name": "made-up",
        "reader": "delimited",
        "match": "*",
        "text": rules,
        "time": {"column": "at", "format": "rfc3339", **(time or {})},
        "value": [dict(value) if words is None else {**value, "words": dict(words)} for value in values],
    }
    if rows is not None:
        table["rows"] = dict(rows)
    made = Layout.model_validate(table)
    return made.model_copy(update={"text": made.text.model_copy(update={"header_line": 0})}) if headless else made


def sentences(transducers: Mapping[str, str], **text: object) -> Layout:
    """A layout for NMEA 0183 sentences: transducer -> channel."""
    return Layout.model_validate(
        {
            "name": "made-up",
            "reader": "sentences",
            "match": "*",
            **({"text": text} if text else {}),
            "time": {"prefix": "rfc3339"},
            "value": [{"transducer": t, "channel": c} for t, c in transducers.items()],
        }
    )


@dataclass
class Outcome:
    """What reading gave. `readings`: (line_no, at_us, place, channel) -> number, or "missing"."""

    readings: dict[tuple[int, int, str, str], float | str] = field(default_factory=dict)
    quarantined: list[tuple[int, bytes, str]] = field(default_factory=list)
    bad_cells: list[tuple[int, str, str, str]] = field(default_factory=list)
    lines: int = 0
    header: int = 0
    blank: int = 0
    ignored: int = 0
    good: int = 0
    notes: ReadNotes = field(default_factory=ReadNotes)
    pieces: int = field(default=0, compare=False)

    def balances(self) -> bool:
        """Whether every line is accounted for once, and every good one has a reading."""
        accounted = self.header + self.blank + self.ignored + self.good + len(self.quarantined)
        good = {line_no for line_no, *_ in self.readings}
        return (
            self.lines == accounted
            and self.good == len(good)
            and good.isdisjoint(line_no for line_no, *_ in self.quarantined)
        )

    def reasons(self) -> dict[int, str]:
        """Line number -> why it is in quarantine."""
        return {line_no: reason for line_no, _, reason in self.quarantined}

    def of(self, channel: str) -> list[float | str]:
        """The channel's readings, in order of line."""
        return [self.readings[key] for key in sorted(self.readings) if key[3] == channel]

    def times(self) -> dict[int, int]:
        """Line number -> instant."""
        return {line_no: at_us for line_no, at_us, *_ in self.readings}


def read(
    data: bytes,
    how: Layout,
    known: Mapping[str, Channel],
    *,
    zone: ZoneInfo = BERLIN,
    piece_bytes: int = 1 << 20,
    exact: bool = False,
    name: str = "made.log",
) -> Outcome:
    """Read bytes as a file of that name."""
    out = Outcome()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        for piece in read_log(path, how, known, zone, piece_bytes=piece_bytes, exact=exact, notes=out.notes):
            _add(out, piece)
    out.quarantined.sort()
    out.bad_cells.sort()
    return out


def _add(out: Outcome, piece: Piece) -> None:
    out.pieces += 1
    out.lines += piece.lines
    out.header += piece.header
    out.blank += piece.blank
    out.ignored += piece.ignored
    out.good += piece.good
    out.quarantined += [(line.line_no, line.raw, line.reason) for line in piece.quarantined]
    out.bad_cells += [(cell.line_no, cell.column, cell.channel, cell.text) for cell in piece.bad_cells]
    for rows in piece.rows:
        for channel, numbers in rows.values.items():
            absent = rows.absent.get(channel)
            for row, (line_no, at_us) in enumerate(zip(rows.line_no.tolist(), rows.at_us.tolist(), strict=True)):
                if absent is not None and absent[row]:
                    continue
                key = (line_no, at_us, rows.place, channel)
                assert key not in out.readings, f"{key} stands twice"
                number = float(numbers[row])
                out.readings[key] = "missing" if math.isnan(number) else number
