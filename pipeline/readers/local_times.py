"""Blocks of rows in local time to instants in UTC, piece by piece.

Rows of a repeated hour wait until a later row of their series (all rows, or in a long log the rows of one
key), or the end of the file, settles their pass (`folds`). All others are dated at once.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import DataError
from pipeline.readers.blocks import Block, Dated
from pipeline.readers.clock import LEAST_US, MOST_US
from pipeline.readers.folds import passes
from pipeline.readers.pieces import ReadNotes, Reason
from pipeline.readers.zones import Placed, ZoneClock

Ints = NDArray[np.int64]

MOST_WAITING_BYTES = 1 << 30
"""Rows of a repeated hour are held until something settles them. Two hours of a berth's logs are a tenth of this."""


@dataclass(frozen=True)
class _Part:
    """Rows of a run that stand in one block: their row numbers there, local times, and instants."""

    block: Block
    rows: Ints
    local_us: Ints
    first_us: Ints
    later_us: Ints


@dataclass
class _Series:
    """Rows that follow each other: the local time last seen outside a repeated hour, and the run that
    waits."""

    before_us: int | None = None
    run: list[_Part] = field(default_factory=list)


@dataclass
class _Verdict:
    """What is known so far of the rows of one block."""

    at_us: Ints
    undated: dict[int, tuple[Reason, str]] = field(default_factory=dict)
    waiting: list[Ints] = field(default_factory=list)


class LocalTimes:
    """Dates the blocks of one file, in order. `fold`: what the layout says of a run that the file leaves
    open."""

    def __init__(self, clock: ZoneClock, fold: int | None, notes: ReadNotes, *, file: str | None = None) -> None:
        self._file = file
        self._clock = clock
        self._fold = fold
        self._notes = notes
        self._series: dict[int, _Series] = {}
        self._last_us = np.empty(0, np.int64)
        self._seen = np.empty(0, np.bool_)
        self._held_bytes = 0

    def date(self, block: Block) -> list[Dated]:
        """The block with what is known of its rows, after rows of earlier blocks that it settles."""
        placed = self._clock.place(block.at_us)
        verdict = _Verdict(placed.first_us.copy())
        self._mark_impossible(block, placed, verdict)
        older: list[Dated] = []
        if placed.later_us is None and not any(series.run for series in self._series.values()):
            self._remember(block, verdict)
        else:
            good = np.ones(block.at_us.size, np.bool_)
            good[list(verdict.undated)] = False
            self._bring_series_up_to_date(block)
            for code in np.unique(block.code).tolist():
                rows = np.flatnonzero((block.code == code) & good)
                if rows.size:
                    older += self._follow(self._series[code], block, rows, placed, verdict)
            self._remember(block, verdict)
        self._count_held(block)
        waiting = np.concatenate(verdict.waiting) if verdict.waiting else np.empty(0, np.int64)
        return [*older, Dated(block, verdict.at_us, verdict.undated, waiting)]

    def finish(self) -> list[Dated]:
        """The rows that still wait, now that the file has ended."""
        return [dated for series in self._series.values() for dated in self._close(series, None, None, None)]

    def _count_held(self, block: Block) -> None:
        """DataError when more text waits, since last nothing did, than a repeated hour of any berth has."""
        if not any(series.run for series in self._series.values()):
            self._held_bytes = 0
            return
        self._held_bytes += len(block.source.data)
        if self._held_bytes > MOST_WAITING_BYTES:
            raise DataError(
                f"more than {MOST_WAITING_BYTES >> 20} MiB of rows wait for a repeated local hour to be settled",
                file=self._file,
                line_no=block.source.first_line_no,
                expected="an hour or two of rows",
                next_step="have the log written in UTC, or cut into files of a few hours",
            )

    def _mark_impossible(self, block: Block, placed: Placed, verdict: _Verdict) -> None:
        if placed.never is not None:
            detail = "the clock was put forward past this local time"
            verdict.undated.update(dict.fromkeys(np.flatnonzero(placed.never).tolist(), ("nonexistent-time", detail)))
        if int(verdict.at_us.min(initial=0)) < LEAST_US or int(verdict.at_us.max(initial=0)) > MOST_US:
            outside = np.flatnonzero((verdict.at_us < LEAST_US) | (verdict.at_us > MOST_US)).tolist()
            verdict.undated.update(dict.fromkeys(outside, ("unreadable-time", "beyond the calendar in UTC")))

    def _remember(self, block: Block, verdict: _Verdict) -> None:
        """Keep the last local time of each series: in case a repeated hour follows in the next block."""
        codes = int(block.code.max(initial=-1)) + 1
        if codes > self._last_us.size:
            more = codes - self._last_us.size
            self._last_us = np.append(self._last_us, np.zeros(more, np.int64))
            self._seen = np.append(self._seen, np.zeros(more, np.bool_))
        code, local_us = block.code, block.at_us
        if verdict.undated:
            dated = np.ones(code.size, np.bool_)
            dated[list(verdict.undated)] = False
            code, local_us = code[dated], local_us[dated]
        self._last_us[code] = local_us  # of repeated codes the last stands
        self._seen[code] = True

    def _bring_series_up_to_date(self, block: Block) -> None:
        for code in np.unique(block.code).tolist():
            series = self._series.setdefault(code, _Series())
            if not series.run and code < self._seen.size and self._seen[code]:
                series.before_us = int(self._last_us[code])

    def _follow(self, series: _Series, block: Block, rows: Ints, placed: Placed, verdict: _Verdict) -> list[Dated]:
        """Walk the rows of one series: settle the runs that end here, let the last one wait."""
        local_us, first_us = block.at_us[rows], placed.first_us[rows]
        later_us = np.zeros(rows.size, np.int64) if placed.later_us is None else placed.later_us[rows]
        repeated = later_us > 0
        # A run ends where the hour does, and where rows belong to repeated hours of different nights.
        cut = (repeated[1:] != repeated[:-1]) | (repeated[1:] & (np.abs(np.diff(local_us)) >= later_us[1:]))
        bounds = [0, *(np.flatnonzero(cut) + 1).tolist(), rows.size]
        older: list[Dated] = []
        for begin, end in pairwise(bounds):
            if series.run and not (repeated[begin] and self._continues(series, int(local_us[begin]))):
                older += self._close(series, int(local_us[begin]), block, verdict)
            if not repeated[begin]:
                series.before_us = int(local_us[end - 1])
                continue
            part = slice(begin, end)
            series.run.append(_Part(block, rows[part], local_us[part], first_us[part], later_us[part]))
        if series.run and series.run[-1].block is block:
            # It waits: apart from its block, which goes on without it.
            last = series.run.pop()
            verdict.waiting.append(last.rows)
            series.run.append(
                _Part(
                    block.take(last.rows),
                    np.arange(last.rows.size),
                    last.local_us,
                    last.first_us,
                    last.later_us,
                )
            )
        return older

    def _continues(self, series: _Series, local_us: int) -> bool:
        last = series.run[-1]
        return abs(local_us - int(last.local_us[-1])) < int(last.later_us[-1])

    def _close(
        self, series: _Series, after_us: int | None, block: Block | None, verdict: _Verdict | None
    ) -> list[Dated]:
        """Settle the run that waits. Rows in `block` get their verdict there; others are dated by
        themselves."""
        run, series.run = series.run, []
        if not run:
            return []
        local_us = np.concatenate([part.local_us for part in run])
        found = passes(local_us, int(run[0].later_us[0]), series.before_us, after_us)
        if found is not None:
            fold, how = found[0], str(found[1])
        else:
            fold, how = np.full(local_us.size, -1 if self._fold is None else self._fold, np.int8), "layout"
        if found is not None or self._fold is not None:
            self._notes.settled_rows[how] += local_us.size
        series.before_us = int(local_us[-1])
        dated = []
        for part, folds in zip(run, _split(fold, run), strict=True):
            at_us = part.first_us + np.where(folds == 1, part.later_us, 0)
            undated = dict.fromkeys(part.rows[folds < 0].tolist(), _AMBIGUOUS)
            if part.block is block and verdict is not None:
                verdict.at_us[part.rows] = at_us
                verdict.undated.update(undated)
            else:
                dated.append(Dated(part.block, at_us, undated))
        return dated


_AMBIGUOUS: tuple[Reason, str] = (
    "ambiguous-hour",
    "this local hour came twice, and the file does not show which one is meant",
)


def _split(fold: NDArray[np.int8], run: Iterable[_Part]) -> list[NDArray[np.int8]]:
    return np.split(fold, np.cumsum([part.rows.size for part in run])[:-1])
