"""The day sheet: what one rigging felt on one UTC day, in kN, seconds and counts. It knows no rope constant."""

import datetime
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np

from pipeline.sheets.cycles import Floats, Ints, close_cycles, tally_sorted, turning_points
from pipeline.sheets.kernel import Bools, runs_above, stand, swing_cells
from pipeline.sheets.trace import NO_TRACE, Trace, make_trace
from pipeline.sheets.travel import NO_TRAVEL, Travel
from schemas.times import day_start_us

ABSENT_US = -1
"""Stands for 'no such instant' in the compiled loops."""


@dataclass(frozen=True)
class Slice:
    """The part of one rigging that lies in one UTC day: [from_us, to_us).

    `begins`, `ends`: whether the rigging itself begins at `from_us`, or ends at `to_us` (each puts a turning
    point of 0 kN there). A rigging that ends at midnight ends on the day that this midnight opens, with an
    empty slice. `share`: the line's part of the channel's tension. `level_kn`: the level of the excursions
    kept, on the line's tension; None keeps none.
    """

    channel: str
    place: str
    day: datetime.date
    from_us: int
    to_us: int
    begins: bool
    ends: bool
    share: float
    level_kn: float | None


@dataclass(frozen=True)
class Excursion:
    """A maximal run of samples above a level. `at_least`: a clipped sample stood in it; the peak may be higher."""

    first_us: int
    last_us: int
    peak_kn: float
    peak_us: int
    at_least: bool


class Felt(Protocol):
    """What of a day sheet the fold and the price read; arrays as of `Sheet`."""

    @property
    def from_us(self) -> int: ...
    @property
    def to_us(self) -> int: ...
    @property
    def low_kn(self) -> Floats: ...
    @property
    def high_kn(self) -> Floats: ...
    @property
    def count(self) -> Ints: ...
    @property
    def residue_kn(self) -> Floats: ...
    @property
    def residue_us(self) -> Ints: ...
    @property
    def ends_kn(self) -> Floats: ...
    @property
    def ends_us(self) -> Ints: ...
    @property
    def swing_bins(self) -> Ints: ...
    @property
    def swing_range2_kn2(self) -> Floats: ...
    @property
    def swing_cells(self) -> Ints: ...
    @property
    def level_bins(self) -> Ints: ...
    @property
    def level_classes(self) -> Ints: ...
    @property
    def level_us(self) -> Ints: ...
    @property
    def travel_classes(self) -> Ints: ...
    @property
    def travel_m(self) -> Floats: ...


@dataclass(frozen=True)
class Sheet:
    """Arrays of one slice.

    cycles: `low_kn`, `high_kn`, `count` (distinct closed pairs, ascending); `residue_kn`, `residue_us`: what is
    still open; `ends_kn`, `ends_us`: the first two and last two turning points (fewer if the day has fewer), to
    which the swings of neighbouring days are joined; `swing_bins`, `swing_sums` (count, range [kN], range^2
    [kN^2]) and `swing_cells` (bin, class of the lower end, of the upper end, count): swings between inner
    turning points; `level_bins`, `level_classes`, `level_us`: time at level; `travel_classes`, `travel_m`: metres of
    payout, either way, by class of tension (empty where no payout is measured). Bins are absolute 10-minute UTC
    bins, at // 600 s; class c is [5c, 5c + 5) kN. `trace_*`: the slice in 10-second bins (`sheets/trace.py`), empty
    where it was not asked for, or not kept yet.
    """

    slice: Slice
    low_kn: Floats
    high_kn: Floats
    count: Ints
    residue_kn: Floats
    residue_us: Ints
    ends_kn: Floats
    ends_us: Ints
    swing_bins: Ints
    swing_sums: Floats
    swing_cells: Ints
    level_bins: Ints
    level_classes: Ints
    level_us: Ints
    excursions: tuple[Excursion, ...]
    travel_classes: Ints = field(default_factory=lambda: NO_TRAVEL.classes)
    travel_m: Floats = field(default_factory=lambda: NO_TRAVEL.metres)
    trace_bins: Ints = field(default_factory=lambda: NO_TRACE.bins)
    trace_mean_dan: Ints = field(default_factory=lambda: NO_TRACE.mean_dan)
    trace_low_kn: Floats = field(default_factory=lambda: NO_TRACE.low_kn)
    trace_high_kn: Floats = field(default_factory=lambda: NO_TRACE.high_kn)

    @property
    def from_us(self) -> int:
        """Where the slice begins."""
        return self.slice.from_us

    @property
    def to_us(self) -> int:
        """Where the slice ends."""
        return self.slice.to_us

    @property
    def swing_range2_kn2(self) -> Floats:
        """Sums of range^2 [kN^2] of the swings of each of `swing_bins`."""
        return self.swing_sums[:, 2]

    @property
    def observed_us(self) -> int:
        """Coverage of the slice: the time its samples stand for."""
        return int(self.level_us.sum())

    def untraced(self) -> "Sheet":
        """The sheet without its trace."""
        return replace(
            self,
            trace_bins=NO_TRACE.bins,
            trace_mean_dan=NO_TRACE.mean_dan,
            trace_low_kn=NO_TRACE.low_kn,
            trace_high_kn=NO_TRACE.high_kn,
        )

    @property
    def trace(self) -> Trace:
        """The slice in 10-second bins."""
        return Trace(self.trace_bins, self.trace_mean_dan, self.trace_low_kn, self.trace_high_kn)


def make_sheet(
    piece: Slice,
    at_us: Ints,
    kn: Floats,
    usable: Bools,
    clipped: Bools,
    *,
    after_us: int | None,
    max_gap_us: int,
    travelled: Travel = NO_TRAVEL,
    trace: Trace | None = None,
) -> Sheet:
    """Make the sheet of a slice from its stored readings.

    Shapes: all (n,), strictly ascending in time, inside [from_us, to_us): every stored reading of the channel.
    `kn`: tension of the line, calibrated and shared [kN]; where `usable` is False (flag 4 or 9) it is not
    looked at. `after_us`: the channel's next stored reading after the slice, if there is one. `trace`: of these very
    readings; None: it is made here.
    """
    if trace is None:
        trace = make_trace(at_us, kn, usable, day_start_us(piece.day))
    felt_kn, felt_us = _felt(piece, at_us, kn, usable)
    turns = turning_points(felt_kn)
    turn_kn, turn_us = felt_kn[turns], felt_us[turns]
    first, second, open_ = close_cycles(turn_kn)
    low_kn, high_kn, count = tally_sorted(np.minimum(first, second), np.maximum(first, second))
    level_bins, level_classes, level_us = stand(
        at_us,
        kn,
        usable,
        ABSENT_US if after_us is None else after_us,
        piece.to_us,
        max_gap_us,
    )
    swing_bins, swing_sums, cells = swing_cells(turn_kn[1:-1], turn_us[1:-1])
    keep = _ends(turn_kn.size)
    return Sheet(
        slice=piece,
        low_kn=low_kn,
        high_kn=high_kn,
        count=count,
        residue_kn=turn_kn[open_],
        residue_us=turn_us[open_],
        ends_kn=turn_kn[keep],
        ends_us=turn_us[keep],
        swing_bins=swing_bins,
        swing_sums=swing_sums,
        swing_cells=cells,
        level_bins=level_bins,
        level_classes=level_classes,
        level_us=level_us,
        excursions=excursions_of(piece, at_us, kn, usable, clipped, max_gap_us, trace),
        travel_classes=travelled.classes,
        travel_m=travelled.metres,
        trace_bins=trace.bins,
        trace_mean_dan=trace.mean_dan,
        trace_low_kn=trace.low_kn,
        trace_high_kn=trace.high_kn,
    )


def _felt(piece: Slice, at_us: Ints, kn: Floats, usable: Bools) -> tuple[Floats, Ints]:
    """What the line felt: the samples that count, between the 0 kN of its rigging's own beginning and end."""
    before = [piece.from_us] if piece.begins else []
    after = [piece.to_us] if piece.ends else []
    felt_kn, felt_us = (kn, at_us) if usable.all() else (kn[usable], at_us[usable])
    if not before and not after:
        return felt_kn, felt_us
    return (
        np.concatenate((np.zeros(len(before)), felt_kn, np.zeros(len(after)))),
        np.concatenate((np.array(before, np.int64), felt_us, np.array(after, np.int64))),
    )


def _ends(turns: int) -> Ints:
    """Indices of the first two and the last two of so many turning points, each once."""
    return np.array(sorted({i for i in (0, 1, turns - 2, turns - 1) if 0 <= i < turns}), np.int64)


def excursions_of(
    piece: Slice, at_us: Ints, kn: Floats, usable: Bools, clipped: Bools, max_gap_us: int, trace: Trace
) -> tuple[Excursion, ...]:
    """The excursions of a slice, in time order, from its readings as for `make_sheet`, and their trace."""
    if piece.level_kn is None or not bool((trace.high_kn > piece.level_kn).any()):
        return ()
    spans = trace.spans_above(piece.level_kn, at_us, day_start_us(piece.day))
    columns = runs_above(at_us, kn, usable, clipped, *spans, piece.level_kn, max_gap_us)
    return tuple(Excursion(*row) for row in zip(*(column.tolist() for column in columns), strict=True))
