"""The QARTOD codes, how several checks make one flag, and which flags keep a sample out of the tension."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled

Times = NDArray[np.int64]
Values = NDArray[np.float64]
Flags = NDArray[np.int8]
Checks = NDArray[np.uint8]

PASS: Final = 1
NOT_EVALUATED: Final = 2
SUSPECT: Final = 3
FAIL: Final = 4
MISSING: Final = 9

# Bit 0, 1, 2 … of a `checks` value. The order is stored in files: append, never reorder.
CHECKS: Final = ("gross-range", "spike", "rate", "flat-line", "stuck-at-zero", "clipped", "brake-open")


def check_bit(check: str) -> int:
    """The bit of one check in a `checks` value. Raises ValueError for a name that is not in CHECKS."""
    return 1 << CHECKS.index(check)


def check_names(checks: int) -> tuple[str, ...]:
    """The names of the checks whose bits are set, in the order of CHECKS."""
    return tuple(name for bit, name in enumerate(CHECKS) if checks >> bit & 1)


@compiled
def _raise_to(rank: Flags, checks: Checks, flags: Flags, bit: np.uint8) -> None:
    for i in range(flags.size):
        flag = flags[i]
        # Precedence from low to high: 9, 2, 1, 3, 4 (ranks 0 to 4).
        level = np.int8(0) if flag == 9 else flag
        if flag == 1:
            level = np.int8(2)
        if flag == 2:
            level = np.int8(1)
        rank[i] = max(rank[i], level)
        if flag == 3 or flag == 4:
            checks[i] |= bit


@compiled
def _rank_to_flag(rank: Flags) -> None:
    for i in range(rank.size):
        level = rank[i]
        flag = np.int8(9) if level == 0 else level
        if level == 1:
            flag = np.int8(2)
        if level == 2:
            flag = np.int8(1)
        rank[i] = flag


def aggregate(flags: Sequence[Flags]) -> Flags:
    """One flag a sample out of several checks' flags, each (n,): the one of highest precedence.

    Precedence from low to high is 9, 2, 1, 3, 4 (QARTOD, as IOOS publishes it). No checks at all is an error.
    """
    if not flags:
        raise ValueError("aggregate needs the flags of at least one check")
    return combine([(CHECKS[0], part) for part in flags])[0]


def combine(named: Sequence[tuple[str, Flags]]) -> tuple[Flags, Checks]:
    """Aggregate (check, flags) pairs; and say for each sample which checks gave 3 or 4 (bits of CHECKS)."""
    size = named[0][1].size
    rank = np.zeros(size, np.int8)
    checks = np.zeros(size, np.uint8)
    for name, flags in named:
        if flags.size != size:
            raise ValueError(f"{name} flagged {flags.size} samples of {size}")
        _raise_to(rank, checks, flags, np.uint8(check_bit(name)))
    _rank_to_flag(rank)
    return rank, checks


def usable(flags: Flags) -> NDArray[np.bool_]:
    """Where a sample counts as tension: neither failed (4) nor missing (9). Suspect samples count."""
    return _counting(flags)


def marked(checks: Checks, check: str) -> NDArray[np.bool_]:
    """Where one check gave 3 or 4."""
    return _with_bit(checks, np.uint8(check_bit(check)))


@compiled
def _counting(flags: Flags) -> NDArray[np.bool_]:
    out = np.empty(flags.size, np.bool_)
    for i in range(flags.size):
        out[i] = (flags[i] != FAIL) & (flags[i] != MISSING)
    return out


@compiled
def _with_bit(checks: Checks, bit: np.uint8) -> NDArray[np.bool_]:
    out = np.empty(checks.size, np.bool_)
    for i in range(checks.size):
        out[i] = (checks[i] & bit) != 0
    return out
