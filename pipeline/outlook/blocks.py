"""Block bootstrap over a line's own observed days: what another stretch of time like these may have cost.

The observed time of all days is laid end to end, and a stretch of it is cut out at a random place, wrapping
round at the end (circular moving blocks; Politis and Romano 1992, from memory). Life of mooring lines has a
heavy tail (a cycle costs its range to the fifth power or so), and storms last for days, hence:

- a stretch is as long as what it stands for, up to a block: three days, or a twentieth of the record where
  that is longer, so that weather keeps its run. What is longer is made of independent blocks;
- where several stretches add up, each draw takes all of them from one drawn record, which is made of blocks of
  the true one: the doubt about the mean does not average out;
- each stretch is multiplied by a random factor around 1 in the logarithm (a smoothed bootstrap, with the
  bandwidth of Silverman 1986, 1.06 s n^(-1/5), from memory): the worst day of the record is not the worst that
  can be. s is the standard deviation of the logarithm of life per observed hour, n the number of blocks;
- a ledger knows days and no hours. What a part of a day took is drawn by halving the day five times; each half
  takes what one of two successive days took of both, somewhere in the record. Spreading a day evenly would
  make short gaps look surer than they are.

Limits: other time is taken to be like the observed: a logger that fails in storms hides what costs most, and no
figure from here knows it. Three days, a twentieth, five halvings: house rules. Coverage: `make bench-intervals`.
Only uniform random numbers are drawn, and logarithms are scalar, so that a seed gives the same figures anywhere.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import Bug
from schemas.times import DAY_US as DAY_US

Values = NDArray[np.float64]
Ints = NDArray[np.int64]

BLOCK_DAYS: Final = 3
BLOCKS_OF_RECORD: Final = 20
FEWEST_DAYS: Final = 20
"""Observed time, in days, under which no band is given. House rule."""

_HALVINGS: Final = 5
_PARTS: Final = 1 << _HALVINGS


@dataclass(frozen=True)
class Day:
    """One UTC day of a line's zone: life in whole units, observed and rigged time [µs]."""

    life_units: int
    observed_us: int
    rigged_us: int


@dataclass(frozen=True)
class TooFew:
    """No band, and why."""

    why: str


@dataclass(frozen=True)
class Record:
    """Observed time laid end to end: per day life (n,) and observed [µs] (n,); both summed up, (n + 1,)."""

    life: Values
    observed_us: Values
    life_until: Values
    edge_us: Values
    halves: Values
    log_spread: float

    @property
    def total_us(self) -> float:
        return float(self.edge_us[-1])

    @property
    def block_us(self) -> float:
        """Longest stretch that is cut out whole."""
        return max(float(BLOCK_DAYS * DAY_US), self.total_us / BLOCKS_OF_RECORD)


def seed_of(line: str, zone: str, use: str) -> int:
    """A seed that depends on names only: not on cuts, order or the machine. `use` keeps two figures apart."""
    digest = hashlib.sha256("\0".join((line, zone, use)).encode()).digest()
    return int.from_bytes(digest[:8], "big")


def record_of(days: Sequence[Day]) -> Record | TooFew:
    """The observed part of `days`, which are in day order; days without observed time are left out."""
    for day in days:
        if not (0 <= day.observed_us <= day.rigged_us <= DAY_US and day.life_units >= 0):
            raise Bug(f"a day cannot have {day}", expected="observed within rigged within 24 h, life of 0 or more")
    seen = [day for day in days if day.observed_us > 0]
    observed_us = sum(day.observed_us for day in seen)
    if observed_us < FEWEST_DAYS * DAY_US:
        return TooFew(f"{observed_us / DAY_US:.1f} days observed; at least {FEWEST_DAYS} are needed (house rule)")
    if not any(day.life_units for day in seen):
        return TooFew("no observed day used any life, so that nothing says what another may use")
    life = np.array([float(day.life_units) for day in seen])
    lengths = np.array([float(day.observed_us) for day in seen])
    return Record(
        life,
        lengths,
        np.concatenate([[0.0], np.cumsum(life)]),
        np.concatenate([[0.0], np.cumsum(lengths)]),
        _halves(life, lengths),
        _log_spread(life, lengths),
    )


def drawn_records(record: Record, draws: int, rng: np.random.Generator) -> Values:
    """Begins [µs] of the blocks of `draws` records that this one might have been: (draws, blocks)."""
    blocks = max(1, round(record.total_us / record.block_us))
    return rng.random((draws, blocks)) * record.total_us


def begins_in(drawn: Values, record: Record, rng: np.random.Generator) -> Values:
    """A random instant of each drawn record, as an instant of the true one [µs]: (draws,)."""
    draws, blocks = drawn.shape
    block = (rng.random(draws) * blocks).astype(np.int64)
    at_us = drawn[np.arange(draws), block] + rng.random(draws) * record.block_us
    wrapped: Values = np.where(at_us >= record.total_us, at_us - record.total_us, at_us)
    return wrapped


def stretches(
    record: Record, length_us: float, first_us: Values, rng: np.random.Generator, *, parts: bool = True
) -> Values:
    """Life of stretches of `length_us`, at most one block, that begin at `first_us` (draws,), smoothed: (draws,).

    parts False: a day cut by a stretch's end is shared evenly (many short stretches add up to the same).
    """
    if not 0 < length_us <= min(record.block_us, record.total_us):
        raise Bug(f"a stretch of {length_us} µs is not within one block of {record.block_us} µs")
    draws = first_us.size
    last_us = first_us + length_us
    around = last_us >= record.total_us
    last_us = np.where(around, last_us - record.total_us, last_us)
    first, last = _day_at(record, first_us), _day_at(record, last_us)
    begin, end = None, None
    if parts:
        begin, end = _within_days(record, draws, rng), _within_days(record, draws, rng)
        end = np.where(((first == last) & ~around)[:, None], begin, end)
    before = _life_until(record, first, first_us, begin)
    after = _life_until(record, last, last_us, end) + np.where(around, record.life_until[-1], 0.0)
    bandwidth = _bandwidth(record, length_us)
    # Three uniforms make a bell of standard deviation 1/2 around 3/2.
    bell = 2.0 * (rng.random(draws) + rng.random(draws) + rng.random(draws) - 1.5)
    factor = np.fromiter(map(math.exp, (bandwidth * bell).tolist()), np.float64, draws)
    smoothed: Values = np.maximum(after - before, 0.0) * factor
    return smoothed


def even_stretches(record: Record, lengths_us: Sequence[float], drawn: Values, rng: np.random.Generator) -> Values:
    """`stretches` without `parts`, for many lengths at once: (lengths, draws), each begun by `begins_in(drawn, …)`.

    The random numbers are taken in the order of one length after another, so that every figure is the same to the last
    bit; only the small steps of each are saved.
    """
    draws, blocks = drawn.shape
    chances = rng.random((len(lengths_us), 5, draws))
    block = (chances[:, 0] * blocks).astype(np.int64)
    first_us = drawn[np.arange(draws), block] + chances[:, 1] * record.block_us
    first_us = np.where(first_us >= record.total_us, first_us - record.total_us, first_us)
    last_us = first_us + np.array(lengths_us)[:, None]
    around = last_us >= record.total_us
    last_us = np.where(around, last_us - record.total_us, last_us)
    before = _life_until(record, _day_at(record, first_us), first_us, None)
    after = _life_until(record, _day_at(record, last_us), last_us, None) + np.where(around, record.life_until[-1], 0.0)
    smooth = np.array([[_bandwidth(record, length_us)] for length_us in lengths_us])
    bell = 2.0 * (chances[:, 2] + chances[:, 3] + chances[:, 4] - 1.5)
    factor = np.fromiter(map(math.exp, (smooth * bell).ravel().tolist()), np.float64, bell.size).reshape(bell.shape)
    smoothed: Values = np.maximum(after - before, 0.0) * factor
    return smoothed


def _bandwidth(record: Record, length_us: float) -> float:
    """How wide stretches of a length are smoothed, in the logarithm of their life."""
    blocks = record.total_us / max(length_us, float(BLOCK_DAYS * DAY_US))
    return 1.06 * record.log_spread * math.pow(blocks, -0.2)


def pieces_of(record: Record, length_us: float) -> list[float]:
    """`length_us` as whole blocks and what remains."""
    block_us = record.block_us
    whole, rest = divmod(length_us, block_us)
    return [block_us] * int(whole) + ([rest] if rest > 0 else [])


def _day_at(record: Record, at_us: Values) -> NDArray[np.intp]:
    return np.minimum(np.searchsorted(record.edge_us, at_us, side="right") - 1, record.life.size - 1)


def _life_until(record: Record, day: NDArray[np.intp], at_us: Values, within: Values | None) -> Values:
    """Life from the record's begin to `at_us`, which lies in `day`; `within` (draws, _PARTS + 1) shares out a day.

    None: evenly, by steps of a power of two, so that the shares are the same to the last bit.
    """
    place = (at_us - record.edge_us[day]) / record.observed_us[day] * _PARTS
    if within is None:
        return np.asarray(record.life_until[day] + record.life[day] * (place / _PARTS), np.float64)
    part = np.clip(place.astype(np.int64), 0, _PARTS - 1)
    row = np.arange(day.size)
    before, after = within[row, part], within[row, part + 1]
    share: Values = before + (place - part) * (after - before)
    until: Values = record.life_until[day] + record.life[day] * share
    return until


def _within_days(record: Record, draws: int, rng: np.random.Generator) -> Values:
    """How a day's life runs up over its parts, drawn anew each time: (draws, _PARTS + 1) from 0 to 1."""
    share = np.ones((draws, 1))
    for _ in range(_HALVINGS):
        half = record.halves[(rng.random(share.shape) * record.halves.size).astype(np.int64)]
        share = np.stack([share * half, share * (1.0 - half)], axis=-1).reshape(draws, -1)
    until = np.zeros((draws, _PARTS + 1))
    np.cumsum(share, axis=1, out=until[:, 1:])
    scaled: Values = until / until[:, -1:]  # the end is 1 but for rounding
    return scaled


def _halves(life: Values, observed_us: Values) -> Values:
    """What a day took of itself and the next, and the rest; pairs of days that were mostly observed alike."""
    rate = life / observed_us
    long = observed_us >= np.median(observed_us) / 2
    both = rate[:-1] + rate[1:]
    usable = long[:-1] & long[1:] & (both > 0)
    first = rate[:-1][usable] / both[usable]
    return np.concatenate([first, 1.0 - first]) if first.size else np.array([0.5])


def _log_spread(life: Values, observed_us: Values) -> float:
    """Standard deviation of the logarithm of life per observed time, weighted by it; days without life left out."""
    some = life > 0
    weight = (observed_us[some] / observed_us[some].sum()).tolist()
    logs = [math.log(rate) for rate in (life[some] / observed_us[some]).tolist()]
    mean = math.fsum(w * log for w, log in zip(weight, logs, strict=True))
    return math.sqrt(math.fsum(w * (log - mean) ** 2 for w, log in zip(weight, logs, strict=True)))
