"""What all events of a day cost beside reading its samples: many lines on one 10 Hz log, CPU seconds, alternately.

Timed as reading: the day's own sample files of every place, as `look` reads them (columns decoded, readings live).
Timed as events, from flagged readings to rows of events, all that the night does for them of such a day:

- each slice's tension, from an edge before to an edge after it, which of its readings count, and its trace
  (`slice_near`; sheets rest on the tension too, but all of it is counted here);
- its excursions, which a sheet keeps for peak-load alone, and its marks;
- the berth days of that day and of the one before, on which the lines were made fast, with reading the stored traces.
  Balance and clock offsets come out of them besides, and are not taken off;
- all events, made of the marks of all sheets and berth days.

Not timed: flags, cycles, swings and levels, which are made without events too; findings of a place's gauges, which are
no events; and what is written.

The lines are hooks with roles, all fast, on calm texture, so that the most that is done of most slices is to gather
their traces: whatever lowest and highest tension of ten seconds leave open is gone through sample by sample. `rough`
has the same day with the swing of every third line so much enlarged that it goes slack in waves, some hundred times.
Nothing is recorded on the days beside, so that no slice has an edge, and one trace a line is read. For orientation
fewer lines are therefore timed over three such days too: all of them reckoned at once, edges and all; and the newest
alone, by a night that found the others there. It makes the berth day before anew, whose edge has come, so that for one
day's events it opens the traces of three, and pays what a night of many days shares out among them.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from ops.bench_site import FIRST_DAY, Line, bench_site, channel_names, dated, run_night
from pipeline.ledger import index
from pipeline.ledger.database import open_ledger
from pipeline.ledger.rows import Mark
from pipeline.manifest import canonical_json
from pipeline.night.account import SheetPlace
from pipeline.night.berth_days import asides_of, berth_days_again, lost_of, plateaus_of, surges_of
from pipeline.night.happenings import event_rows_now, row_of
from pipeline.night.intake import LiveParts
from pipeline.night.look import DayJob, Looked, SliceNear, look, slice_near
from pipeline.night.marks import MARK_KINDS, Found, Near, marks_of, travelled
from pipeline.night.plan import Plan, SheetPlan, make_plan
from pipeline.sheets.sheet import Sheet, excursions_of, make_sheet
from pipeline.site import Site, open_site
from pipeline.store.days import Readings, read_readings
from pipeline.store.samples import Part, store_part
from sample_logs.wide import make_wide_log

WANTED = 0.5
FEW = 6
"""Lines of the three days."""
ROLES = ("head", "breast", "spring", "spring", "breast", "stern")
ROUGH = 4.0
"""By how much the swing of a line is enlarged."""


def events_against_reading(work: Path, channels: int, hours: float, repeats: int) -> list[Line]:
    """The rows of the benchmark's table: events over reading; for orientation a rough sea, and a day among others."""
    day = _Day(_site(work, "events-site", channels, hours, days=1))
    day.measure(1)  # loads compiled code
    reading, calm = day.measure(repeats)
    day.prove()
    _, rough = day.measure(repeats, rough=True)
    days = _Day(_site(work, "events-days", min(channels, FEW), hours, days=3))
    of_three, three = days.measure(repeats)
    days.prove()
    of_newest, newest = days.measure(repeats, newest=True)
    days.prove()
    ratio = calm / reading
    return [
        (
            f"all events of a day of {channels} channels at 10 Hz / reading its store files",
            f"{ratio:.2f}",
            f"at most {WANTED}",
            ratio <= WANTED,
        ),
        ("  CPU seconds, for orientation", f"{calm:.2f} / {reading:.2f}", "", True),
        ("  the same with every third line slack in waves", f"{rough / reading:.2f}", "", True),
        ("  of three days at once, with their edges", f"{three / of_three:.2f}", "", True),
        ("  of the newest of them, by a night of its own", f"{newest / of_newest:.2f}", "", True),
    ]


def _site(work: Path, name: str, channels: int, hours: float, *, days: int) -> Path:
    """A site of so many lines and days, the same log each day, after its night."""
    names, log = channel_names(channels), work / f"hooks_{FIRST_DAY}.csv"
    start = datetime(FIRST_DAY.year, FIRST_DAY.month, FIRST_DAY.day, tzinfo=UTC)
    make_wide_log(log, channels=names, rate_hz=10, start=start, hours=hours, seed=3)
    logs = [log, *(dated(log, FIRST_DAY + timedelta(days=day)) for day in range(1, days))]
    root = bench_site(work / name, logs, names)
    _with_roles(root)
    for one in logs:
        one.unlink()
    run_night(root)
    return root


def _with_roles(root: Path) -> None:
    lines = (root / "rigging.csv").read_text().splitlines()
    rows = [f"{line},{ROLES[i % len(ROLES)]}" for i, line in enumerate(lines[1:])]
    (root / "rigging.csv").write_text("\n".join([lines[0] + ",role", *rows]) + "\n")


class _Day:
    """The stored day, or days: the plan, where its sheets lie, and what the night made of it."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._site: Site = open_site(root)
        with open_ledger(root) as ledger:
            parts = LiveParts(store_part(part) for part in index.parts(ledger))
            self._places = {str(ref.inputs["key"]): SheetPlace(ref.sheet, ref.path) for ref in index.sheets(ledger)}
            self._marks: dict[str, list[Mark]] = {}
            for mark in index.marks(ledger, *MARK_KINDS):
                self._marks.setdefault(mark.sheet, []).append(mark)
            self._berth = index.berth_days(ledger)
        self._plan: Plan = make_plan(self._site, parts.days(), None, known_us=time.time_ns() // 1000)
        self._found: list[dict[str, Any]] = []

    def prove(self) -> None:
        """That what was timed made the very events of the night."""
        with open_ledger(self._root) as ledger:
            stored = sorted(canonical_json(row_of(event)) for event in index.events(ledger).values())
        if stored != sorted(canonical_json(row) for row in self._found):
            raise SystemExit("the events that are timed are not those of the night")

    def measure(self, repeats: int, *, rough: bool = False, newest: bool = False) -> tuple[float, float]:
        """Medians of CPU seconds: reading the sample files, and all that events need besides; `newest`: of that day.

        Place by place, so that samples of one alone are in memory: flagged once, then read and marked alternately.
        """
        reading, events = np.zeros(repeats), np.zeros(repeats)
        last = max(day.day for day in self._plan.days.values() if day.parts)
        marks: dict[str, list[Mark]] = {}
        for number, day in enumerate(self._plan.days.values()):
            if newest and day.day != last:
                continue
            channels = tuple(channel for channel in self._site.channels.values() if channel.place == day.place)
            sheets = tuple((self._places[sheet.key].sheet, sheet) for sheet in day.sheets)
            job = DayJob(self._site.store, "", day, channels, self._site.policy, sheets)
            looked = look(job, self._rough if rough and number % 3 == 0 else None)
            made = {name: _sheet(wanted, job, looked) for name, wanted in sheets}
            for again in range(repeats):
                began = time.process_time()
                read_readings(self._site.store, day.parts)
                reading[again] += time.process_time() - began
                for name, wanted in sheets:
                    began = time.process_time()
                    found = _found(wanted, job, looked, made[name])
                    events[again] += time.process_time() - began
                    piece = wanted.slice
                    where = piece.channel, day.place, day.day, piece.from_us, piece.to_us
                    marks[name] = [Mark(name, *where, kind, payload) for kind, payload in found]
        for again in range(repeats):
            began = time.process_time()
            self._found = self._events(marks, last - timedelta(days=1) if newest else None)
            events[again] += time.process_time() - began
        return float(np.median(reading)), float(np.median(events))

    def _events(self, marks: Mapping[str, Sequence[Mark]], since: date | None) -> list[dict[str, Any]]:
        """The berth days, from stored traces, and all events; `since`: what is older than that day is known."""
        marks = marks if since is None else {**self._marks, **marks}
        lost = lost_of(mark for found in marks.values() for mark in found)
        made = berth_days_again(self._site, self._plan, self._places, lost, since=since)
        made = made if since is None else {**self._berth, **made}
        sheet_of = {key: place.sheet for key, place in self._places.items()}
        told = surges_of(made.values()), plateaus_of(made.values()), asides_of(made.values())
        return event_rows_now(self._site, self._plan, sheet_of, marks, *told)

    def _rough(
        self, parts: Sequence[Part], *, from_us: int | None = None, to_us: int | None = None
    ) -> dict[str, Readings]:
        """The stored readings, their swing about their mean enlarged, down to nothing at the least."""
        read = read_readings(self._site.store, parts, from_us=from_us, to_us=to_us)
        return {name: Readings(one.at_us, _enlarged(one.value)) for name, one in read.items()}


def _found(wanted: SheetPlan, job: DayJob, looked: Looked, sheet: Sheet) -> list[Found]:
    """All that events take of a slice's samples."""
    own = slice_near(wanted, looked, job.plan.later)
    samples = own.samples
    arrays = samples.at_us, samples.kn, samples.usable, samples.clipped
    if excursions_of(wanted.slice, *arrays, _max_gap_us(job), own.trace) != sheet.excursions:
        raise SystemExit("the excursions that are timed are not those of the sheet")
    return marks_of(Near.of(wanted, job, looked, own.tension), sheet, samples)


def _sheet(wanted: SheetPlan, job: DayJob, looked: Looked) -> Sheet:
    own: SliceNear = slice_near(wanted, looked, job.plan.later)
    samples = own.samples
    return make_sheet(
        wanted.slice,
        samples.at_us,
        samples.kn,
        samples.usable,
        samples.clipped,
        after_us=samples.after_us,
        max_gap_us=_max_gap_us(job),
        travelled=travelled(Near.of(wanted, job, looked, own.tension)),
        trace=own.trace,
    )


def _max_gap_us(job: DayJob) -> int:
    return round(job.policy.max_gap_s * 1e6)


def _enlarged(value: np.ndarray) -> np.ndarray:
    if value.size == 0:
        return value
    mean = float(np.nanmean(value))
    return np.maximum(mean + ROUGH * (value - mean), 0.0)
