"""Swings: half-cycles between successive turning points, whole again where a midnight cut them."""

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

from hypothesis import example, given, settings

from pipeline.sheets.sheet import Sheet
from pipeline.sheets.swings import NO_SWING, OpenSwing, bridge
from schemas.times import DAY_US
from tests.extent import examples
from tests.sheets.slow import (
    BIN_US,
    MIDNIGHT_US,
    Record,
    Rigged,
    Sample,
    class_of,
    records,
    sheets,
    turning_points,
)

Cell = tuple[int, int, int]
"""Bin in which a swing ends, class of its lower and of its upper end."""


class Tally:
    """Swings by cell, and their number, ranges and squared ranges by bin."""

    def __init__(self) -> None:
        self.cells: Counter[Cell] = Counter()
        self.sums: dict[int, list[float]] = {}

    def add(self, low: float, high: float, end_us: int) -> None:
        bin_ = end_us // BIN_US
        self.cells[bin_, class_of(low), class_of(high)] += 1
        self.add_sums(bin_, 1, high - low, (high - low) ** 2)

    def add_sums(self, bin_: int, *sums: float) -> None:
        self.sums[bin_] = [a + b for a, b in zip(self.sums.get(bin_, [0, 0, 0]), sums, strict=True)]


def of_the_whole(record: Record) -> tuple[Tally, OpenSwing]:
    """Swings of a record by definition; the last half-cycle is still running."""
    turns = turning_points(record.felt())
    tally = Tally()
    for (a, _), (b, end_us) in pairwise(turns[:-1]):
        tally.add(min(a, b), max(a, b), end_us)
    return tally, OpenSwing(tuple(kn for kn, _ in turns[-2:]), tuple(us for _, us in turns[-2:]))


def of_the_sheets(found: Sequence[Sheet]) -> tuple[Tally, OpenSwing]:
    """Swings that lie inside sheets, and those that only a join finishes."""
    tally, running = Tally(), NO_SWING
    for sheet in found:
        bridged = bridge(running, sheet)
        running = bridged.open
        for low, high, end_us in zip(bridged.low_kn, bridged.high_kn, bridged.end_us, strict=True):
            tally.add(float(low), float(high), int(end_us))
        for bin_, low, high, times in sheet.swing_cells.tolist():
            tally.cells[bin_, low, high] += times
        for bin_, sums in zip(sheet.swing_bins.tolist(), sheet.swing_sums.tolist(), strict=True):
            tally.add_sums(bin_, *sums)
    return tally, running


@settings(deadline=None, max_examples=examples(300))
@given(records())
@example(Record((), ()))
@example(
    Record(
        tuple(Sample(MIDNIGHT_US - 3 + i, kn) for i, kn in enumerate([5, 5, 5, 5, 10, 10, 5])),
        (Rigged(MIDNIGHT_US - DAY_US, None),),
    )
)
def test_swings_of_the_sheets_are_those_of_the_whole_record(record: Record) -> None:
    # All values are multiples of 2.5, so that sums of ranges and of their squares are exact in any order.
    whole, whole_open = of_the_whole(record)
    found, found_open = of_the_sheets(sheets(record))
    assert found.cells == whole.cells
    assert found.sums == whole.sums
    assert found_open == whole_open


@settings(deadline=None)
@given(records())
def test_a_sheets_cells_and_sums_count_the_same_swings_in_order(record: Record) -> None:
    for sheet in sheets(record):
        by_bin: Counter[int] = Counter()
        bins, counts = sheet.swing_bins.tolist(), sheet.swing_sums[:, 0].tolist()
        for bin_, _, _, times in sheet.swing_cells.tolist():
            by_bin[bin_] += times
        assert list(by_bin.items()) == list(zip(bins, counts, strict=True))
        cells = sheet.swing_cells.tolist()
        assert cells == sorted(cells)
        assert len({tuple(cell[:3]) for cell in cells}) == len(cells)
