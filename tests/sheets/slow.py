"""Records of a moored line, and what DESIGN's definitions make of them, in slow plain Python.

Nothing here shares a method with the program: a record is counted afresh after every sample, by taking out
the narrowest closed pair first; levels are compared as fractions.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import numpy as np
from hypothesis import strategies as st

from pipeline.sheets.sheet import Excursion, Sheet, Slice, make_sheet
from schemas.times import DAY_US, day_of, day_start_us

MAX_GAP_US = 10_000_000
BIN_US = 600_000_000
CHANNEL, PLACE = "hook-3-tension", "hook-3"

Point = tuple[float, int]
"""A value [kN] and its instant [us]."""
Pair = tuple[float, float]
"""The low and the high of a cycle or a swing [kN]."""


@dataclass(frozen=True)
class Sample:
    """One stored reading, as tension of the line. `usable`: flagged neither 4 nor 9."""

    at_us: int
    kn: float
    usable: bool = True
    clipped: bool = False


@dataclass(frozen=True)
class Rigged:
    """One rigging of the line on the channel: [from_us, to_us), or still rigged."""

    from_us: int
    to_us: int | None

    def holds(self, at_us: int) -> bool:
        return self.from_us <= at_us and (self.to_us is None or at_us < self.to_us)


@dataclass(frozen=True)
class Record:
    """A channel's stored readings in order of time, and the line's riggings on it."""

    samples: tuple[Sample, ...]
    riggings: tuple[Rigged, ...]

    def felt(self) -> list[Point]:
        """What the line felt: 0 where a rigging begins and ends, and between them the usable samples."""
        return [point for rigging in self.riggings for point in self.felt_in(rigging)]

    def felt_in(self, rigging: Rigged) -> list[Point]:
        inside = [(s.kn, s.at_us) for s in self.samples if s.usable and rigging.holds(s.at_us)]
        end = [] if rigging.to_us is None else [(0.0, rigging.to_us)]
        return [(0.0, rigging.from_us), *inside, *end]


# ---------------------------------------------------------------- what the program makes of a record


def slices(rigging: Rigged, last_us: int, level_kn: float | None = None) -> Iterator[Slice]:
    """The parts of a rigging by UTC day, up to its end or the day of an instant, with readings or without."""
    end_us = max(last_us, rigging.from_us) if rigging.to_us is None else rigging.to_us
    start_us = day_start_us(day_of(rigging.from_us))
    while start_us <= end_us:
        day = day_of(start_us)
        ends = rigging.to_us is not None and day_of(rigging.to_us) == day
        yield Slice(
            channel=CHANNEL,
            place=PLACE,
            day=day,
            from_us=max(rigging.from_us, start_us),
            to_us=start_us + DAY_US if rigging.to_us is None else min(rigging.to_us, start_us + DAY_US),
            begins=day_of(rigging.from_us) == day,
            ends=ends,
            share=1.0,
            level_kn=level_kn,
        )
        start_us += DAY_US


def sheets(record: Record, level_kn: float | None = None) -> list[Sheet]:
    """All sheets of a record, in order of time."""
    last_us = max((sample.at_us for sample in record.samples), default=0)
    return [
        sheet_of(piece, record.samples) for rigging in record.riggings for piece in slices(rigging, last_us, level_kn)
    ]


def sheet_of(piece: Slice, samples: Sequence[Sample]) -> Sheet:
    """The program's sheet of one slice of a channel's samples."""
    inside = [sample for sample in samples if piece.from_us <= sample.at_us < piece.to_us]
    return make_sheet(
        piece,
        np.array([sample.at_us for sample in inside], np.int64),
        np.array([sample.kn if sample.usable else np.nan for sample in inside], np.float64),
        np.array([sample.usable for sample in inside], np.bool_),
        np.array([sample.clipped for sample in inside], np.bool_),
        after_us=min((sample.at_us for sample in samples if sample.at_us >= piece.to_us), default=None),
        max_gap_us=MAX_GAP_US,
    )


def pairs_of(low_kn: Iterable[float], high_kn: Iterable[float], count: Iterable[int]) -> Counter[Pair]:
    """Cycles in a sheet's form as a multiset of pairs."""
    total: Counter[Pair] = Counter()
    for low, high, times in zip(low_kn, high_kn, count, strict=True):
        total[float(low), float(high)] += int(times)
    return total


# ---------------------------------------------------------------- the definitions


def turning_points(points: Sequence[Point]) -> list[Point]:
    """First and last value, and every strict local extreme; of equal neighbours the first."""
    distinct = [point for i, point in enumerate(points) if i == 0 or point[0] != points[i - 1][0]]
    inner = [b for a, b, c in zip(distinct, distinct[1:], distinct[2:], strict=False) if (b > a) != (c > b)]
    return [*distinct[:1], *inner, *distinct[1:][-1:]]


def closed_and_open(values: Sequence[float]) -> tuple[Counter[Pair], list[float]]:
    """Four-point count of a whole record: of all closed pairs the narrowest is taken out first."""
    points = [kn for kn, _ in turning_points([(kn, 0) for kn in values])]
    closed: Counter[Pair] = Counter()
    while True:
        inner = [i for i in range(len(points) - 3) if _is_closed(*points[i : i + 4])]
        if not inner:
            return closed, points
        i = min(inner, key=lambda i: abs(Fraction(points[i + 1]) - Fraction(points[i + 2])))
        closed[min(points[i + 1 : i + 3]), max(points[i + 1 : i + 3])] += 1
        del points[i + 1 : i + 3]


def _is_closed(a: float, b: float, c: float, d: float) -> bool:
    inner = abs(Fraction(b) - Fraction(c))
    return inner <= abs(Fraction(a) - Fraction(b)) and inner <= abs(Fraction(c) - Fraction(d))


def closings(points: Sequence[Point]) -> list[tuple[int, Pair]]:
    """Every closed cycle with the instant of the sample that closed it: the first that lets it be counted."""
    found: list[tuple[int, Pair]] = []
    before: Counter[Pair] = Counter()
    for i, (_, at_us) in enumerate(points):
        now, _ = closed_and_open([kn for kn, _ in points[: i + 1]])
        assert before <= now, "a closed cycle never opens again"
        found += [(at_us, pair) for pair in (now - before).elements()]
        before = now
    return found


def class_of(kn: float) -> int:
    """The 5 kN class that holds a tension."""
    return Fraction(kn) // 5


def time_at_level(samples: Sequence[Sample], rigging: Rigged, from_us: int, to_us: int) -> Counter[tuple[int, int]]:
    """Time stood by usable samples of one rigging in [from_us, to_us), by bin and class."""
    stood: Counter[tuple[int, int]] = Counter()
    for sample, after in pairwise(samples):
        if not (sample.usable and rigging.holds(sample.at_us) and from_us <= sample.at_us < to_us):
            continue
        bin_ = sample.at_us // BIN_US
        day_end_us = day_start_us(day_of(sample.at_us)) + DAY_US
        ends = [after.at_us, sample.at_us + MAX_GAP_US, (bin_ + 1) * BIN_US, day_end_us]
        if rigging.to_us is not None:
            ends.append(rigging.to_us)
        stood[bin_, class_of(sample.kn)] += min(ends) - sample.at_us
    return stood


def excursions(samples: Sequence[Sample], level_kn: float) -> list[Excursion]:
    """Maximal runs above a level. A sample that is not usable is no part of the tension: it ends nothing."""
    runs: list[list[Sample]] = [[]]
    for sample in samples:
        if not sample.usable:
            continue
        if runs[-1] and sample.at_us - runs[-1][-1].at_us > MAX_GAP_US:
            runs.append([])
        if sample.kn > level_kn:
            runs[-1].append(sample)
        elif runs[-1]:
            runs.append([])
    return [
        Excursion(
            run[0].at_us,
            run[-1].at_us,
            max(s.kn for s in run),
            next(s.at_us for s in run if s.kn == max(s.kn for s in run)),
            any(s.clipped for s in run),
        )
        for run in runs
        if run
    ]


# ---------------------------------------------------------------- records to try

SECOND_US = 1_000_000
MIDNIGHT_US = day_start_us(day_of(1_772_323_200_000_000))

GAPS_US = st.sampled_from(
    [
        *[1, 100_000, SECOND_US, MAX_GAP_US - 1, MAX_GAP_US, MAX_GAP_US + 1],
        *[60 * SECOND_US, BIN_US - 1, BIN_US, 7 * 3600 * SECOND_US, DAY_US],
    ]
)
"""From a microsecond to a day, around the gap that ends an observation and the length of a bin."""

TIED_KN = st.integers(-2, 8).map(lambda i: 2.5 * i)
"""Few values: ties and plateaus everywhere, class edges, slack and below."""


@st.composite
def sample_lists(draw: st.DrawFn, values: st.SearchStrategy[float] = TIED_KN, most: int = 30) -> tuple[Sample, ...]:
    """Readings that begin somewhere near a midnight and may run over several."""
    at_us = MIDNIGHT_US - draw(st.sampled_from([0, 1, SECOND_US, MAX_GAP_US, BIN_US, 7 * 3600 * SECOND_US]))
    samples = []
    size = draw(st.integers(0, most))
    for gap_us in draw(st.lists(GAPS_US, min_size=size, max_size=size)):
        usable = draw(st.integers(0, 5)) > 0
        samples.append(Sample(at_us, draw(values), usable, usable and draw(st.integers(0, 4)) == 0))
        at_us += gap_us
    return tuple(samples)


@st.composite
def records(draw: st.DrawFn, values: st.SearchStrategy[float] = TIED_KN, most: int = 30) -> Record:
    """Readings with riggings that change mid-day, at midnight, on a sample, between samples, or never."""
    samples = draw(sample_lists(values, most))
    last_us = samples[-1].at_us if samples else MIDNIGHT_US
    edges = [MIDNIGHT_US, MIDNIGHT_US + DAY_US, MIDNIGHT_US - BIN_US, last_us + 1]
    edges += [sample.at_us + shift for sample in samples for shift in (0, 1)]
    bounds = sorted(draw(st.sets(st.sampled_from(edges), max_size=5)))
    if not bounds or draw(st.integers(0, 3)) > 0:
        bounds.insert(0, MIDNIGHT_US - DAY_US)
    ends = [*bounds[1:], draw(st.sampled_from([None, last_us + 1, last_us + DAY_US]))]
    riggings = [Rigged(a, b) for a, b in zip(bounds, ends, strict=False) if b is None or b > a]
    return Record(samples, tuple(r for r in riggings if draw(st.integers(0, 9)) > 0))
