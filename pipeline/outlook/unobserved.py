"""What unobserved rigged time may have cost: a median and a 90 % interval from the line's own observed days.

The interval is for the life itself that passed unseen (a predictive one), not for a mean. Method and limits:
`blocks`. It is shown apart, never posted, and never part of a total.

Limits: unobserved time is taken to be like the observed. Measured by `make bench-intervals` on simulated
records: see there for how often the interval covers what was hidden.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.errors import Bug
from pipeline.outlook.blocks import (
    DAY_US,
    Day,
    TooFew,
    begins_in,
    drawn_records,
    even_stretches,
    pieces_of,
    record_of,
    stretches,
)

DRAWS: Final = 1000
INTERVAL: Final = (0.05, 0.95)
_IN_PARTS: Final = 64
"""So many of the longest pieces are cut within days by drawing; of more, the variation within days evens out."""
_AT_ONCE: Final = 32
"""So many of the others are drawn at once: more would only take memory."""


@dataclass(frozen=True)
class Price:
    """Life of all the gaps together, in the days' own units: median and 90 % interval.

    `blocks`: of how many blocks of `block_days` the observed record is worth.
    """

    median: int
    low: int
    high: int
    blocks: int
    block_days: float


def gaps_of(pieces: Iterable[tuple[int, int]]) -> tuple[int, ...]:
    """Lengths [µs] of unobserved stretches given as half-open pieces `(from_us, to_us)`, longest first.

    Pieces that touch or overlap are one stretch, so that a gap is the same however midnights cut it.
    """
    lengths: list[int] = []
    begin_us = end_us = None
    for from_us, to_us in sorted(piece for piece in pieces if piece[1] > piece[0]):
        if begin_us is None or end_us is None:
            begin_us, end_us = from_us, to_us
        elif from_us <= end_us:
            end_us = max(end_us, to_us)
        else:
            lengths.append(end_us - begin_us)
            begin_us, end_us = from_us, to_us
    if begin_us is not None and end_us is not None:
        lengths.append(end_us - begin_us)
    return tuple(sorted(lengths, reverse=True))


def unobserved_price(days: Sequence[Day], gaps_us: Sequence[int], seed: int) -> Price | TooFew:
    """Price the gaps, whose lengths [µs] are given, from the observed days of one line and zone, in day order.

    One long gap and many short ones of the same total have not the same interval: give each (`gaps_of`). Their
    order does not matter. `seed`: `blocks.seed_of`. Refused where less than `FEWEST_DAYS` days were observed,
    no life was used, or more time is unobserved than observed (house rule).
    """
    if any(gap_us < 0 for gap_us in gaps_us):
        raise Bug(f"a gap cannot be shorter than nothing: {min(gaps_us)} µs")
    record = record_of(days)
    if isinstance(record, TooFew):
        return record
    unobserved_us = sum(gaps_us)
    if unobserved_us > record.total_us:
        return TooFew(
            f"{unobserved_us / DAY_US:.1f} days unobserved against {record.total_us / DAY_US:.1f} observed: "
            "less is known than not (house rule)"
        )
    rng = np.random.Generator(np.random.PCG64(seed))
    pieces = [piece for gap_us in sorted(gaps_us, reverse=True) for piece in pieces_of(record, float(gap_us))]
    pieces.sort(reverse=True)
    drawn = drawn_records(record, DRAWS, rng)
    total = np.zeros(DRAWS)
    for piece_us in pieces[:_IN_PARTS]:
        begins_us = begins_in(drawn, record, rng)
        total += stretches(record, piece_us, begins_us, rng)
    for first in range(_IN_PARTS, len(pieces), _AT_ONCE):
        for lives in even_stretches(record, pieces[first : first + _AT_ONCE], drawn, rng):
            total += lives
    low, median, high = np.quantile(total, [INTERVAL[0], 0.5, INTERVAL[1]]).tolist()
    return Price(
        round(median), round(low), round(high), int(record.total_us // record.block_us), record.block_us / DAY_US
    )
