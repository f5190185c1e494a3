"""What went wrong on the way from the loggers to the inbox, put in on purpose and counted as it is put in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sample_logs import world
from sample_logs.writers import (
    BLANK,
    DASHES,
    DUPLICATE,
    EMPTY,
    ERROR,
    HEADER,
    HOOK_CELLS,
    IGNORED,
    LETTER_O,
    NINES,
    OWN_CELLS,
    QUARANTINED,
    STORED,
    Draft,
)

Ints = NDArray[np.int64]

# place, from, to (UTC), what every cell holds instead
SENTINELS = (
    ("H1", "2026-10-25T04:20", "2026-10-25T04:23", DASHES),
    ("H3", "2026-10-24T20:00:00", "2026-10-24T20:00:20", NINES),
    ("H5", "2026-10-25T16:00", "2026-10-25T16:02", EMPTY),
)
STUCK = ("H2", "2026-10-24T17:10", "2026-10-24T17:52")
CUT_ROWS = 400


def worn_sensors(pins: dict[str, Ints], steps: Ints) -> dict[str, Ints]:
    """Hook readings (hundredths of tf) as cell indices, with sentinels and the stuck sensor in them."""
    cells = {place: HOOK_CELLS.of(values).copy() for place, values in pins.items()}
    for place, first, last, own in SENTINELS:
        if place in cells:
            cells[place][(steps >= world.at(first)) & (steps < world.at(last))] = HOOK_CELLS.special(own)
    place, first, last = STUCK
    if place in cells:
        stuck = np.flatnonzero((steps >= world.at(first)) & (steps < world.at(last)))
        cells[place][stuck] = cells[place][stuck[0]]
    return cells


def spoil_hook_cells(draft: Draft, rows: list[int], own: int, column: int) -> None:
    """One cell of each row becomes text that is no number; the rest of the row is good."""
    for row in rows:
        fields = draft.lines[row].split(b";")
        fields[column] = _own(own)
        draft.lines[row] = b";".join(fields)
    draft.bad_cells += len(rows)
    draft.dirt.append(f"{len(rows)} cells hold {_own(own).decode()!r} where a number belongs")


def _own(own: int) -> bytes:
    return OWN_CELLS[own].encode("ascii")


def no_readable_cell(draft: Draft, rows: list[int]) -> None:
    """Every cell of each row is text."""
    for row in rows:
        fields = draft.lines[row].split(b";")
        draft.replace(row, b";".join([fields[0], *[_own(ERROR)] * (len(fields) - 1)]), QUARANTINED)
    draft.dirt.append(f"{len(rows)} rows without one readable cell")


def wrong_fields(draft: Draft, row: int, separator: bytes) -> None:
    """One row loses its last field, the next has one too many."""
    draft.replace(row, draft.lines[row].rsplit(separator, 1)[0], QUARANTINED)
    draft.replace(row + 1, draft.lines[row + 1] + separator + b"0", QUARANTINED)
    draft.dirt.append("a row with a field too few, a row with one too many")


def impossible_time(draft: Draft, row: int) -> None:
    """A time that no calendar has."""
    draft.replace(row, b"24.10.2026 25:61:00.00" + draft.lines[row][22:], QUARANTINED)
    draft.dirt.append("a row whose time is none")


def blanks(draft: Draft, rows: list[int]) -> None:
    """Empty lines, and one of separators only."""
    for place, row in enumerate(rows):
        draft.insert(row, b";;" if place == 0 and draft.layout.startswith("quay-hooks") else b"", BLANK)
    draft.dirt.append(f"{len(rows)} blank lines")


def header_again(draft: Draft, row: int) -> None:
    """The logger restarted and wrote its header once more."""
    draft.insert(row, draft.lines[3], HEADER)
    draft.dirt.append("the header once more, after a restart of the logger")


def half_written(whole: Draft) -> tuple[Draft, Draft]:
    """The file as it was first delivered, its last line torn; and the whole file of the next night."""
    keep = len(whole.lines) - CUT_ROWS
    torn = whole.lines[keep][:17]
    first = replace(
        whole,
        lines=[*whole.lines[:keep], torn],
        kinds=bytearray([*whole.kinds[:keep], QUARANTINED]),
        final_newline=False,
        dirt=[*whole.dirt, "taken while it was being written: the last line is torn"],
    )
    kinds = _seen_before(whole.kinds[:keep]) + whole.kinds[keep:]
    second = replace(
        whole,
        night=whole.night + 1,
        kinds=kinds,
        dirt=[*whole.dirt, f"the torn file again, whole: {CUT_ROWS} rows are new"],
    )
    return first, second


def exported_again(draft: Draft, night: int) -> Draft:
    """The same rows in other bytes: another preamble, CR LF at the ends of lines."""
    again = [b"Hook logger export (repeated)", *draft.lines[1:]]
    return replace(
        draft,
        night=night,
        name=draft.name.replace(".csv", "_again.csv"),
        lines=again,
        kinds=_seen_before(draft.kinds),
        newline=b"\r\n",
        packing="",
        dirt=["a repeated export: the same rows, other bytes"],
    )


def _seen_before(kinds: bytearray) -> bytearray:
    return bytearray(DUPLICATE if kind == STORED else kind for kind in kinds)


def corrected(draft: Draft, night: int, name: str, rows: int) -> Draft:
    """An overlapping export of the first rows in which two values were changed by hand: one up, one down."""
    lines, kinds = draft.lines[: 4 + rows], _seen_before(draft.kinds[: 4 + rows])
    part = replace(draft, night=night, name=name, lines=lines, kinds=kinds, packing="", dirt=[], bad_cells=0)
    for row, centi in ((104, 345), (204, -150)):
        fields = part.lines[row].split(b";")
        fields[1] = f"{float(fields[1].replace(b',', b'.')) + centi / 100:.2f}".replace(".", ",").encode()
        part.replace(row, b";".join(fields), STORED)
    part.dirt.append("an overlapping export with one value raised and one lowered: two conflicts")
    return part


def inside_repeated_hour(draft: Draft, night: int, name: str, first: int, rows: int) -> Draft:
    """A piece of the repeated hour by itself: nothing in it tells which of the two hours it is."""
    lines = [*draft.lines[:4], *draft.lines[first : first + rows]]
    kinds = bytearray([HEADER] * 4 + [QUARANTINED] * rows)
    note = "a piece wholly inside the repeated local hour: undecidable"
    part = replace(draft, night=night, name=name, lines=lines, kinds=kinds, packing="")
    return replace(part, dirt=[note], bad_cells=0)


def spoil_hooks(draft: Draft) -> None:
    """Dirt in a hook file of a day: text in cells, ragged rows, blank lines, a second header."""
    first = 100_000  # while the ship lies alongside
    spoil_hook_cells(draft, [first + k for k in (500, 501, 502, 900, 1300)], ERROR, 1)
    spoil_hook_cells(draft, [first + 1501], LETTER_O, 2)
    no_readable_cell(draft, [first + 2000, first + 2001])
    wrong_fields(draft, first + 2200, b";")
    impossible_time(draft, first + 2400)
    blanks(draft, [first + 2600, first + 2700])
    header_again(draft, first + 3000)


def spoil_winches(draft: Draft) -> None:
    """Dirt in a winch file: text for a load, a stamp without offset, a byte that is no text, a stranger."""
    first = 60_000
    for row in (first + 200, first + 201, first + 207):
        fields = draft.lines[row].split(b",")
        fields[2] = b"#N/A"
        draft.lines[row] = b",".join(fields)
    draft.bad_cells += 3
    for row, old, new in ((first + 500, b"+01:00", b""), (first + 600, b",W", b",\xff")):
        draft.replace(row, draft.lines[row].replace(old, new, 1), QUARANTINED)
    wrong_fields(draft, first + 700, b",")
    stamp = draft.lines[first + 800].split(b",")[0]
    draft.insert(first + 800, stamp + b",TEST,0.0,0.00,SET,STOW,1", IGNORED)
    draft.dirt += ["3 loads read '#N/A'", "a stamp without offset", "a byte that is no UTF-8"]
    draft.dirt += ["a row of no winch"]


def spoil_sentences(draft: Draft) -> None:
    """Dirt among sentences: wrong checksums, a torn sentence, a line of the logger itself, a blank line."""
    rows = [row for row, line in enumerate(draft.lines) if b",SPRING1," in line][20_000::700]
    for row in rows[:7]:
        line = draft.lines[row]
        wrong = b"%02X" % (int(line[-2:], 16) ^ 0x15)
        draft.replace(row, line[:-2] + wrong, QUARANTINED)
    draft.replace(rows[7], draft.lines[rows[7]][:41], QUARANTINED)
    stamp = draft.lines[rows[8]].split(b" ")[0]
    draft.insert(rows[8], stamp + b" link lost", QUARANTINED)
    draft.insert(rows[9], b"", BLANK)
    draft.dirt += ["7 wrong checksums", "a torn sentence", "a line that is no sentence", "a blank line"]


def empty_payouts(draft: Draft, place: bytes, first: bytes, last: bytes) -> None:
    """A winch's payout is empty for a while (the sentinel of this log)."""
    for row, line in enumerate(draft.lines):
        fields = line.split(b",")
        if len(fields) == 7 and fields[1] == place and first <= fields[0] < last:
            fields[3] = b""
            draft.lines[row] = b",".join(fields)
    draft.dirt.append(f"payout of {place.decode()} empty for a while")
