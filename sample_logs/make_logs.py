"""`python -m sample_logs.make_logs OUT` makes the raw logs and their ground truth anew, byte for byte.

OUT/raw/night1, night2, night3 are the deliveries, one a night; OUT/truth holds what really happened and what
each file consists of. The same versions of numpy and of the packing libraries give the same bytes.
"""

from __future__ import annotations

import argparse
import csv
import gzip
import hashlib
import io
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, tzinfo
from pathlib import Path

import numpy as np
import zstandard

from sample_logs import dirt, sensors, text, truth, world, writers
from sample_logs.model import Call, simulate
from sample_logs.writers import Draft

FILE_COLUMNS = (
    "night", "file", "layout", "lines", "header", "blank", "ignored", "stored", "duplicate", "quarantined",
    "cells_quarantined", "content_sha256", "dirt",
)  # fmt: skip
NOTES = """Notes of the berth, 2026-10-24
Ship alongside 10:10 local, all fast 11:06. Squall about midnight, wind off the berth.
This file is no log: no layout knows it.
"""
TRANSDUCERS = {"SPRING1": "F1", "SPRING2": "F2"}


def _night(label: str) -> int:
    """The night in which files of this day (as their own clock names it) are delivered."""
    return int(label[6:8]) - 23


def _labels(steps: writers.Ints, clock: tzinfo, form: str) -> list[tuple[str, writers.Ints]]:
    """Steps grouped by the file they belong to, as the logger's own clock names it, in file order."""
    local_us = text.local_columns(writers.step_us(steps), clock)[0]
    unit_us = 3_600_000_000 if "%H" in form else 86_400_000_000
    groups, which = np.unique(local_us // unit_us, return_inverse=True)
    named = [np.datetime64(int(group) * unit_us, "us").item().strftime(form) for group in groups]
    return [(name, steps[which == k]) for k, name in enumerate(named)]


def hook_drafts(call: Call, group: str, form: str) -> list[Draft]:
    """Files of one hook group, an hour each or a day each."""
    pins = {place: sensors.hook_centi_tf(call, place) for place in sensors.HOOK_GROUPS[group]}
    steps = sensors.hook_steps(pins)
    cells = dirt.worn_sensors({place: values[steps] for place, values in pins.items()}, steps)
    drafts = []
    for label, part in _labels(steps, world.ZONE, form):
        where = np.searchsorted(steps, part)
        own = {place: values[where] for place, values in cells.items()}
        drafts.append(writers.hook_file(f"pins_{group}_{label}.csv", own, part, night=_night(label)))
        drafts[-1].packing = ".zst"
    return drafts


def winch_drafts(call: Call) -> list[Draft]:
    """A file a day of all winches, by the ship's clock."""
    rows = [row for row, line in enumerate(world.LINES) if line.brake is not None]
    records = [sensors.winch_record(call, row) for row in rows]
    drafts = []
    for label, part in _labels(records[0].steps, writers.SHIP_TIME, "%Y%m%d"):
        first, last = int(part[0]), int(part[-1]) + 1
        name = f"winches_{label}.csv"
        drafts.append(writers.winch_file(name, records, first, last, night=_night(label)))
        drafts[-1].packing = ".gz" if label.endswith("24") else ".zst"
    return drafts


def cell_drafts(call: Call) -> list[Draft]:
    """A file a day of the fairlead cells, by UTC."""
    drafts = []
    for label, part in _labels(sensors.cell_steps(), UTC, "%Y%m%d"):
        cells = {name: sensors.cell_newton(call, place, part) for name, place in TRANSDUCERS.items()}
        draft = writers.cell_file(f"cells_{label}.log", part, cells, call.wind_m_s, night=_night(label))
        draft.packing = ".zst"
        drafts.append(draft)
    return drafts


def drafts_of(call: Call) -> list[Draft]:
    """Every raw file of the three nights, dirt included."""
    north = {draft.name: draft for draft in hook_drafts(call, "north", "%Y%m%d_%H")}
    south, winches, cells = hook_drafts(call, "south", "%Y%m%d"), winch_drafts(call), cell_drafts(call)
    torn = north.pop("pins_north_20261024_15.csv")
    torn.packing = ""
    dirt.spoil_hooks(south[0])
    dirt.spoil_winches(winches[0])
    dirt.empty_payouts(winches[0], b"W05", b"2026-10-24T15:00", b"2026-10-24T15:05")
    dirt.spoil_sentences(cells[0])
    same = north["pins_north_20261024_08.csv"]
    twice = north["pins_north_20261025_01.csv"]
    for draft in (twice, south[1]):
        draft.dirt.append("local 01:00 to 02:00 twice: the end of summer time")
    extra = [
        *dirt.half_written(torn),
        dirt.exported_again(north["pins_north_20261025_06.csv"], 3),
        dirt.corrected(north["pins_north_20261024_13.csv"], 3, "pins_north_20261024_1300.csv", 600),
        dirt.inside_repeated_hour(twice, 2, "pins_north_20261025_0105.csv", 3004, 1200),
        replace(same, night=2, receipt=False, dirt=["the very same bytes again: no new receipt"]),
    ]
    return [*north.values(), *south, *winches, *cells, *extra]


def pack(content: bytes, packing: str) -> bytes:
    """Bytes as they are delivered; no time or name goes into them."""
    if packing == ".gz":
        return gzip.compress(content, compresslevel=9, mtime=0)
    if packing == ".zst":
        return zstandard.ZstdCompressor(level=19).compress(content)
    return content


def _csv(path: Path, columns: Iterable[str], rows: Iterable[Iterable[object]]) -> None:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(list(columns))
    writer.writerows([list(row) for row in rows])
    path.write_text(out.getvalue(), encoding="utf-8")


def _file_row(draft: Draft) -> list[object]:
    digest = hashlib.sha256(draft.content()).hexdigest()
    name = draft.name + draft.packing
    counts: list[object] = [*draft.tally().values(), draft.bad_cells] if draft.receipt else [""] * 8
    return [f"night{draft.night}", name, draft.layout, *counts, digest, "; ".join(draft.dirt)]


def make_logs(out: Path, *, call: Call | None = None, packed: bool = True) -> None:
    """Writes raw/ and truth/ under `out`; with `packed` false no file is compressed."""
    call = simulate() if call is None else call
    drafts = sorted(drafts_of(call), key=lambda draft: (draft.night, draft.name))
    for draft in drafts:
        folder = out / "raw" / f"night{draft.night}"
        folder.mkdir(parents=True, exist_ok=True)
        content = draft.content()
        target = folder / (draft.name + draft.packing if packed else draft.name)
        target.write_bytes(pack(content, draft.packing) if packed else content)
    (out / "raw" / "night1" / "berth_notes.txt").write_text(NOTES, encoding="utf-8")
    (out / "truth").mkdir(exist_ok=True)
    _csv(out / "truth" / "events.csv", truth.COLUMNS, (event.row() for event in truth.true_events(call)))
    notes = ["night1", "berth_notes.txt", *[""] * 10, "no layout knows it"]
    _csv(out / "truth" / "files.csv", FILE_COLUMNS, [*map(_file_row, drafts), notes])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("out", type=Path, help="folder that gets raw/ and truth/")
    make_logs(parser.parse_args().out)


if __name__ == "__main__":
    main()
