"""Tension-tension fatigue: life used by rainflow cycles, from a curve N = 10^(a - b*Lm) * R^-m.

R is a cycle's range and Lm its mean, both over the curve's reference strength: `reference_strength` times the line's
own break force. One cycle uses pow(R, m) / pow(10, a - b*Lm) of a life (Palmgren-Miner, linear, no threshold). With a
second slope a cycle below `r2` uses pow(R / r2, m2) * pow(r2, m) / pow(10, a - b*Lm): the two slopes meet at `r2`. All
is reckoned in scalar libm and rounded once to a whole number of 2^-100 (`lives`). Factors on life are no part of it:
they are applied where a figure is shown, and shown with it.

Limits: constants come from the spec and are as good as their source; most published curves were fitted below half of
the break force. Cycles outside what a curve serves are counted (`cycles_outside`); they use life all the same. Only a
calibrated curve gives life; any other gives a severity index.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import Bug, RegisterError
from pipeline.kernels import compiled
from pipeline.wear.exact import MOST_LIFE, sum_units
from pipeline.wear.lives import UNIT_EXPONENT as UNIT_EXPONENT
from pipeline.wear.lives import check_break_force
from pipeline.wear.lives import to_decimal as to_decimal
from schemas.registers import FatigueCurve

Values = NDArray[np.float64]
Counts = NDArray[np.int64]
Constants = tuple[float, float, float, float, float, float, float]
"""a, b, m, r2, m2, pow(r2, m), 10.0; r2 is 0 where there is no second slope. Ten is one of them because a compiler
may turn pow(10, x) into exp10(x), which rounds differently."""

_SLOTS: Final = 1 << 12
_SPREAD: Final = np.uint64(0x9E3779B97F4A7C15)
_HIGH: Final = np.uint64(40)
SERVED_R: Final = (0.0, 0.5)
"""Ranges that a curve serves unless its spec says otherwise: beyond, fitted curves are unconservative. Source of 0.5:
API TR 2FC-2:2020, wire rope curves not to be used above 50 % of catalogue strength. For fibre ropes: common practice,
no source."""
_MOST_CYCLES: Final = 1 << 35


def damage(range_ratio: float, mean_ratio: float, curve: FatigueCurve) -> float:
    """Life used by one cycle: R = `range_ratio`, Lm = `mean_ratio`, both over the curve's reference strength.

    That is `curve.reference_strength` times break force. R of 0 or less uses none.

    Raises RegisterError where the curve's constants leave no finite figure.
    """
    if range_ratio <= 0:
        return 0.0
    try:
        if curve.r2 is not None and curve.m2 is not None and range_ratio < curve.r2:
            used = math.pow(range_ratio / curve.r2, curve.m2) * math.pow(curve.r2, curve.m)
        else:
            used = math.pow(range_ratio, curve.m)
        used /= math.pow(10.0, curve.a - curve.b * mean_ratio)
    except (OverflowError, ZeroDivisionError):
        used = math.inf
    if not math.isfinite(used):
        raise _no_figure(range_ratio, mean_ratio, curve)
    return used


class Powers:
    """What pow gave of the last values asked for, kept from call to call: a memory of one curve, and no other state.

    A logger's resolution gives few distinct ranges and means, and pow is most of the work. Each slot keeps the last
    power asked of it, beside what it is of; with another curve all are forgotten.
    """

    def __init__(self, slots: int = 1 << 15) -> None:
        self._of: Constants | None = None
        self._slots = np.zeros((4, slots))

    def of(self, constants: Constants) -> Values:
        """The slots (4, 2^k) for a curve's constants: ranges and their powers, means and cycles at a range of 1.

        A range of 0 or a mean of NaN: nothing yet.
        """
        if self._of != constants:
            self._of = constants
            self._slots[0], self._slots[2] = 0.0, np.nan
        return self._slots


@compiled
def _fill_lives(
    low_kn: Values,
    high_kn: Values,
    count: Counts,
    strength_kn: float,
    constants: Constants,
    slots: Values,
    value: Values,
    bits: NDArray[np.uint64],
    lives: Values,
) -> tuple[int, int, float]:
    """`damage` of each cycle (n,), digit for digit, into `lives`; inf where it would raise. `slots`: `Powers.of`.

    `value`, `bits` (1,): two views of the same eight bytes, to write over; a value's slot comes from its bits.

    Returns the first cycle that is none, that of the first count below 0 (-1: no such), and the sum of counts.
    """
    a, b, m, r2, m2, at_r2, ten = constants
    cycles_at_one, whole, last = math.pow(ten, a), 0.0, np.uint64(slots.shape[1] - 1)
    for i in range(lives.size):
        if not (-np.inf < low_kn[i] <= high_kn[i] < np.inf):
            return i, -1, whole
        if count[i] < 0:
            return -1, i, whole
        whole += count[i]
        ratio = (high_kn[i] - low_kn[i]) / strength_kn
        if ratio <= 0:
            lives[i] = 0.0
            continue
        if b != 0.0:
            mean = ((high_kn[i] + low_kn[i]) / 2) / strength_kn
            value[0] = mean
            slot = ((bits[0] * _SPREAD) >> _HIGH) & last
            if slots[2, slot] != mean:
                slots[2, slot], slots[3, slot] = mean, math.pow(ten, a - b * mean)
            cycles_at_one = slots[3, slot]
        value[0] = ratio
        slot = ((bits[0] * _SPREAD) >> _HIGH) & last
        if slots[0, slot] != ratio:
            slots[0, slot] = ratio
            slots[1, slot] = math.pow(ratio / r2, m2) * at_r2 if ratio < r2 else math.pow(ratio, m)
        # Where Python's pow raises, this one says inf: no figure, rather than no damage.
        lives[i] = slots[1, slot] / cycles_at_one if cycles_at_one < np.inf else np.inf
    return -1, -1, whole


def life_units(
    low_kn: Values,
    high_kn: Values,
    count: Counts,
    *,
    break_force_kn: float,
    curve: FatigueCurve,
    powers: Powers | None = None,
) -> int:
    """Life used by closed cycles, in whole units of 2^-100: the sum of count * round(damage * 2^100).

    low_kn, high_kn (n,) [kN], low not above high; count (n,) int64; break_force_kn above zero. `powers`: whoever asks
    often of one curve gives the same one again; it changes no digit.
    Equal, unit for unit, to the same sum of `damage` in Python and unbounded integers.
    Raises RegisterError for a break force or curve that leaves no finite figure, Bug for cycles that cannot
    be.
    """
    _check_sizes(low_kn, high_kn, count)
    strength_kn = _strength_kn(break_force_kn, curve)
    constants, lives = _constants(curve), np.empty(low_kn.size)
    slots = (Powers(_SLOTS) if powers is None else powers).of(constants)
    value = np.empty(1)
    none, negative, whole = _fill_lives(
        low_kn, high_kn, count, strength_kn, constants, slots, value, value.view(np.uint64), lives
    )
    if none >= 0:
        raise _no_cycle()
    if negative >= 0 or not whole < _MOST_CYCLES:
        raise _no_count()
    if lives.size and not lives.max() < MOST_LIFE:
        bad = int(np.flatnonzero(~(lives < MOST_LIFE))[0])
        low, high = float(low_kn[bad]), float(high_kn[bad])
        raise _no_figure((high - low) / strength_kn, ((high + low) / 2) / strength_kn, curve)
    return sum_units(lives, count)


def half_cycles(residue_kn: Values) -> tuple[Values, Values]:
    """The residue's successive ranges as (low_kn, high_kn), each (n - 1,): what is open, as half cycles."""
    first, second = residue_kn[:-1], residue_kn[1:]
    return np.minimum(first, second), np.maximum(first, second)


def pending_units(residue_kn: Values, *, break_force_kn: float, curve: FatigueCurve) -> int:
    """Life that open cycles would take if they closed now as half cycles, in units of 2^-101.

    A half cycle is half of a whole one's rounded units, hence the finer unit. residue_kn (n,) [kN], in time
    order. Units, rounding and errors as `life_units`; `to_decimal(units, UNIT_EXPONENT + 1)` renders it.
    """
    low_kn, high_kn = half_cycles(residue_kn)
    ones = np.ones(low_kn.size, np.int64)
    return life_units(low_kn, high_kn, ones, break_force_kn=break_force_kn, curve=curve)


@dataclass(frozen=True, slots=True)
class Outside:
    """How many cycles lie outside what a curve serves, and how many there are; one cycle may count in several."""

    beyond_r: int
    below_r: int
    outside_lm: int
    compressed: int
    total: int


def cycles_outside(
    low_kn: Values, high_kn: Values, count: Counts, *, break_force_kn: float, curve: FatigueCurve
) -> Outside:
    """Closed cycles (as `life_units`) outside the curve's `valid_r` and `valid_lm`, and those that go slack.

    `beyond_r`, `below_r`: R above or below `valid_r` (`SERVED_R` where the spec gives none); a cycle without range is
    none. `outside_lm`: Lm outside `valid_lm`. `compressed`: the trough is below `compression_below` times break force;
    fibres that go slack may kink (common practice, no source), and no life is claimed for that. The limits themselves
    are inside. Another limit that the spec does not give counts nothing: 0 then says that nobody looked, not that all
    is well.

    Cycles beyond R or outside Lm may have used more than the figure says: their count belongs beside it. Errors as
    `life_units`.
    """
    _check_cycles(low_kn, high_kn, count)
    strength_kn = _strength_kn(break_force_kn, curve)
    range_ratio, mean_ratio = (high_kn - low_kn) / strength_kn, ((high_kn + low_kn) / 2) / strength_kn
    outside_lm = compressed = 0
    least, most = SERVED_R if curve.valid_r is None else curve.valid_r
    beyond_r = int(count[range_ratio > most].sum())
    below_r = int(count[(range_ratio < least) & (range_ratio > 0)].sum())
    if curve.valid_lm is not None:
        least, most = curve.valid_lm
        outside_lm = int(count[(mean_ratio < least) | (mean_ratio > most)].sum())
    if curve.compression_below is not None:
        compressed = int(count[low_kn / break_force_kn < curve.compression_below].sum())
    return Outside(beyond_r, below_r, outside_lm, compressed, int(count.sum()))


def _check_cycles(low_kn: Values, high_kn: Values, count: Counts) -> None:
    _check_sizes(low_kn, high_kn, count)
    if not (np.isfinite(low_kn).all() and np.isfinite(high_kn).all() and (low_kn <= high_kn).all()):
        raise _no_cycle()
    if count.size and not (count.min() >= 0 and float(count.sum(dtype=np.float64)) < _MOST_CYCLES):
        raise _no_count()


def _check_sizes(low_kn: Values, high_kn: Values, count: Counts) -> None:
    if not low_kn.size == high_kn.size == count.size:
        raise Bug(f"cycles do not match: {low_kn.size} lows, {high_kn.size} highs, {count.size} counts")


def _no_cycle() -> Bug:
    return Bug("a cycle's low must be a number not above its high", next_step="run `tautlog audit`")


def _no_count() -> Bug:
    # 2^35 cycles are a cycle every tenth of a second for a century; the integer sums rest on it.
    return Bug("counts of cycles must be 0 or more, and fewer than 2^35 in all")


def _strength_kn(break_force_kn: float, curve: FatigueCurve) -> float:
    """What the curve's ratios are over. A reference strength of 1 leaves the break force as it is, to the last bit."""
    check_break_force(break_force_kn)
    strength_kn = curve.reference_strength * break_force_kn
    if not (strength_kn > 0 and math.isfinite(strength_kn)):
        raise RegisterError(
            "the fatigue curve's reference strength leaves no force to reckon on",
            found=f"reference_strength = {curve.reference_strength}, break_force_kn = {break_force_kn}",
            expected="a share of break force, such as 0.95",
            next_step="correct [fatigue] in the spec",
        )
    return strength_kn


def _constants(curve: FatigueCurve) -> Constants:
    if curve.r2 is None or curve.m2 is None:
        return curve.a, curve.b, curve.m, 0.0, 1.0, 0.0, 10.0
    try:
        at_r2 = math.pow(curve.r2, curve.m)
    except OverflowError:
        at_r2 = math.inf  # the kernel gives no figure for it, as `damage` does
    return curve.a, curve.b, curve.m, curve.r2, curve.m2, at_r2, 10.0


def _no_figure(range_ratio: float, mean_ratio: float, curve: FatigueCurve) -> RegisterError:
    second = "" if curve.r2 is None else f", r2 = {curve.r2}, m2 = {curve.m2}"
    return RegisterError(
        f"the fatigue curve gives no finite life for a range of {range_ratio} and a mean of {mean_ratio}",
        found=f"a = {curve.a}, b = {curve.b}, m = {curve.m}{second}",
        expected="constants for range and mean over the reference strength",
        next_step="correct [fatigue] in the spec, or the break force",
    )
