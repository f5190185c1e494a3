"""Three kinds of raw log, each as a draft: its lines, and what each line counts as by DESIGN's rules."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, timedelta, timezone

import numpy as np
from numpy.typing import NDArray

from sample_logs import text, world
from sample_logs.sensors import MODES, WinchRecord

Ints = NDArray[np.int64]

HEADER, BLANK, IGNORED, STORED, DUPLICATE, QUARANTINED = b"hbisdq"
KINDS = {
    "header": HEADER, "blank": BLANK, "ignored": IGNORED,
    "stored": STORED, "duplicate": DUPLICATE, "quarantined": QUARANTINED,
}  # fmt: skip

SHIP_TIME = timezone(timedelta(hours=1))  # the ship keeps UTC+1 all the way; the quay changes its clocks
PREAMBLE = ("Hook logger export", "Loads in t, clock of the quay", "--------")
OWN_CELLS = ("---", "9999,9", "", "ERR", "1O,35")  # what a hook cell may hold instead of a number
DASHES, NINES, EMPTY, ERROR, LETTER_O = range(len(OWN_CELLS))
HOOK_CELLS = text.Decimals(-300, 13_000, digits=2, mark=",", own=OWN_CELLS)
WINCH_HEADER = "Time,Winch,Load_kN,Payout_m,Brake,Mode,Layer"
_LOADS = text.Decimals(-100, 13_000, digits=1)
_PAYOUTS = text.Decimals(-200, 9_000, digits=2)


@dataclass
class Draft:
    """A raw file before it is written: lines without their ends, and the kind of each."""

    night: int
    name: str
    layout: str
    lines: list[bytes]
    kinds: bytearray
    packing: str = ""  # "", ".gz", ".zst"
    newline: bytes = b"\n"
    final_newline: bool = True
    bad_cells: int = 0
    receipt: bool = True  # false: bytes delivered before, noted without a receipt
    dirt: list[str] = field(default_factory=list)

    def content(self) -> bytes:
        """The bytes of the file before packing."""
        return self.newline.join(self.lines) + (self.newline if self.final_newline else b"")

    def tally(self) -> dict[str, int]:
        """Lines by kind; with `lines` their sum."""
        count = Counter(self.kinds)
        return {"lines": len(self.lines), **{name: count[kind] for name, kind in KINDS.items()}}

    def replace(self, row: int, line: bytes, kind: int) -> None:
        self.lines[row] = line
        self.kinds[row] = kind

    def insert(self, row: int, line: bytes, kind: int) -> None:
        self.lines.insert(row, line)
        self.kinds.insert(row, kind)


def step_us(steps: Ints) -> Ints:
    """UTC microseconds of steps."""
    start_us = round(world.START.timestamp()) * 1_000_000
    return start_us + steps * (1_000_000 // world.RATE_HZ)


def hook_file(
    name: str, pins: dict[str, Ints], steps: Ints, *, night: int, preamble: Sequence[str] = PREAMBLE
) -> Draft:
    """A wide file of one hook group, which the file's name tells.

    `pins` are indices into HOOK_CELLS by place, one for each of `steps`.
    """
    rows = len(steps)
    columns = [text.day_first(step_us(steps), world.ZONE)]
    for cells in pins.values():
        columns += [text.constant(";", rows), HOOK_CELLS.take(cells)]
    body = text.squeeze([*columns, text.constant("\n", rows)]).split(b"\n")[:-1]
    head = [line.encode("ascii") for line in (*preamble, ";".join(["Time", *pins]))]
    kinds = bytearray([HEADER] * len(head) + [STORED] * len(body))
    return Draft(night, name, f"quay-hooks-{name.split('_')[1]}", head + body, kinds)


def winch_file(name: str, records: Sequence[WinchRecord], first: int, last: int, *, night: int) -> Draft:
    """A long file of all winches over the steps [first, last); its logger never ends the last line."""
    steps = records[0].steps
    inside = (steps >= first) & (steps < last)
    kept = np.stack([record.kept & inside for record in records], axis=1)
    at, which = np.nonzero(kept)

    def pick(field_: str) -> Ints:
        return np.asarray(np.stack([getattr(record, field_) for record in records], axis=1)[at, which])

    comma = text.constant(",", len(at))
    columns = [
        text.rfc3339(step_us(steps[at]), SHIP_TIME), comma,
        text.Words([record.place for record in records]).take(which), comma,
        _LOADS.take(_LOADS.of(pick("load_deci_kn"))), comma,
        _PAYOUTS.take(_PAYOUTS.of(pick("payout_cm"))), comma,
        text.Words(("OPEN", "SET")).take(pick("brake_set")), comma,
        text.Words(MODES).take(pick("mode")), comma,
        text.Words(("0", "1", "2", "3")).take(pick("layer")), text.constant("\n", len(at)),
    ]  # fmt: skip
    body = text.squeeze(columns).split(b"\n")[:-1]
    kinds = bytearray([HEADER] + [STORED] * len(body))
    return Draft(night, name, "ship-winches", [WINCH_HEADER.encode(), *body], kinds, final_newline=False)


def sentence(body: str) -> bytes:
    """An NMEA 0183 sentence with its checksum (exclusive or of the bytes between `$` and `*`)."""
    parity = 0
    for byte in body.encode("ascii"):
        parity ^= byte
    return f"${body}*{parity:02X}".encode("ascii")


def _cell_lines(steps: Ints, cells: dict[str, Ints]) -> list[bytes]:
    """One XDR sentence a second holding every fairlead cell: type N (force), unit N."""
    rows = len(steps)
    parts = [text.constant("YXXDR", rows)]
    for transducer, newtons in cells.items():
        number = np.abs(newtons)
        digits = np.stack([number // 10**k % 10 + 48 for k in (6, 5, 4, 3, 2, 1, 0)], axis=1).astype(np.uint8)
        leading = np.logical_and.accumulate(digits == 48, axis=1)
        leading[:, -1] = False
        sign = np.where(newtons < 0, ord("-"), 0).astype(np.uint8)[:, np.newaxis]
        parts += [text.constant(",N,", rows), sign, np.where(leading, 0, digits).astype(np.uint8)]
        parts += [text.constant(f",N,{transducer}", rows)]
    stamp = text.rfc3339(step_us(steps), UTC)
    columns = [stamp, text.constant(" $", rows), *parts, text.constant("*", rows), text.checksum(parts)]
    return text.squeeze([*columns, text.constant("\n", rows)]).split(b"\n")[:-1]


def cell_file(name: str, steps: Ints, cells: dict[str, Ints], wind_m_s: NDArray[np.float64], *, night: int) -> Draft:
    """NMEA 0183 of the fairlead cells at these steps, with wind, air and clock sentences in between."""
    lines, kinds = [], bytearray()
    for step, line in zip(steps.tolist(), _cell_lines(steps, cells), strict=True):
        lines.append(line)
        kinds.append(STORED)
        second = step // world.RATE_HZ
        stamp = line[: line.index(b" ") + 1]
        for other in _others(second, float(wind_m_s[step])):
            lines.append(stamp + sentence(other))
            kinds.append(IGNORED)
    return Draft(night, name, "fairlead-cells", lines, kinds)


def _others(second: int, wind_m_s: float) -> list[str]:
    """Valid sentences that hold no line load: wind every 20 s, air temperature and clock every minute."""
    found = []
    if second % 20 == 0:
        found.append(f"WIMWV,{100 + second // 20 % 7:.1f},T,{wind_m_s:.1f},M,A")
    if second % 60 == 0:
        when = world.instant(second * world.RATE_HZ)
        found.append(f"YXXDR,C,{13.5 + 2.0 * (second // 3600 % 24 == 14):.1f},C,AIR")
        found.append(f"GPZDA,{when:%H%M%S}.00,{when:%d,%m,%Y},00,00")
    return found
