"""Tension-tension fatigue: life used by rainflow cycles, from a curve N = 10^(a - b*Lm) * R^-m.

R is a cycle's range and Lm its mean, both over the line's own break force. One cycle uses
pow(R, m) / pow(10, a - b*Lm) of a life (Palmgren-Miner, linear, no threshold), reckoned in scalar libm and
rounded once to a whole number of 2^-100. Sums are sums of integers, so they do not depend on how a history
was cut or ordered. Factors on life are no part of it: they are applied where a figure is shown, and shown
with it.

Limits: constants come from the spec and are as good as their source; most published curves were fitted below
half of the break force (`cycles_beyond`). Only a calibrated curve gives life; any other gives a severity
index.
"""

from __future__ import annotations

import math
from decimal import Decimal
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import Bug, RegisterError
from pipeline.kernels import compiled
from schemas.registers import FatigueCurve

Values = NDArray[np.float64]
Counts = NDArray[np.int64]

UNIT_EXPONENT: Final = 100
"""Life is counted in units of 2^-UNIT_EXPONENT; half cycles in 2^-(UNIT_EXPONENT + 1)."""

DECIMAL_PLACES: Final = 30

# A double times 2^100 is below 2^1024, and its mantissa is taken apart at bit 26: see _sum_units.
_EXPONENTS: Final = 1024
_LOW_BITS: Final = 26
_MOST_CYCLES: Final = 1 << 35


def damage(range_ratio: float, mean_ratio: float, curve: FatigueCurve) -> float:
    """Life used by one cycle: R = `range_ratio`, Lm = `mean_ratio` of break force. R of 0 or less uses none.

    Raises RegisterError where the curve's constants leave no finite figure.
    """
    if range_ratio <= 0:
        return 0.0
    try:
        used = math.pow(range_ratio, curve.m) / math.pow(10.0, curve.a - curve.b * mean_ratio)
    except (OverflowError, ZeroDivisionError):
        used = math.inf
    if not math.isfinite(used):
        raise _no_figure(range_ratio, mean_ratio, curve)
    return used


@compiled
def _used(range_ratio: float, mean_ratio: float, a: float, b: float, m: float, ten: float) -> float:
    # `ten` is an argument because a compiler may turn pow(10, x) into exp10(x), which rounds differently.
    if range_ratio <= 0:
        return 0.0
    cycles_at_one = math.pow(ten, a - b * mean_ratio)
    # Where Python's pow raises, this one says inf: no figure, rather than no damage.
    return math.pow(range_ratio, m) / cycles_at_one if cycles_at_one < np.inf else np.inf


@compiled
def _sum_units(
    low_kn: Values,
    high_kn: Values,
    count: Counts,
    break_force_kn: float,
    a: float,
    b: float,
    m: float,
    ten: float,
    scale: float,
    sums: NDArray[np.int64],
) -> int:
    """Add count * round(damage * scale) to `sums` (2, _EXPONENTS): high and low mantissa bits by exponent.

    Returns the index of the first cycle without a finite figure, or -1.
    """
    for i in range(low_kn.size):
        range_ratio = (high_kn[i] - low_kn[i]) / break_force_kn
        mean_ratio = ((high_kn[i] + low_kn[i]) / 2) / break_force_kn
        # Scaling by a power of two is exact; rint rounds half to even; at 2^52 and above a double is whole.
        units = np.rint(_used(range_ratio, mean_ratio, a, b, m, ten) * scale)
        if not units < np.inf:
            return i
        exponent = 0
        while units >= 9007199254740992.0:  # 2^53, from which on every double is even: the half is exact
            units *= 0.5
            exponent += 1
        mantissa = np.int64(units)
        sums[0, exponent] += (mantissa >> _LOW_BITS) * count[i]
        sums[1, exponent] += (mantissa & ((1 << _LOW_BITS) - 1)) * count[i]
    return -1


def life_units(low_kn: Values, high_kn: Values, count: Counts, *, break_force_kn: float, curve: FatigueCurve) -> int:
    """Life used by closed cycles, in whole units of 2^-100: the sum of count * round(damage * 2^100).

    low_kn, high_kn (n,) [kN], low not above high; count (n,) int64; break_force_kn above zero.
    Equal, unit for unit, to the same sum in Python's math.pow and unbounded integers.
    Raises RegisterError for a break force or curve that leaves no finite figure, Bug for cycles that cannot
    be.
    """
    _check_cycles(low_kn, high_kn, count)
    _check_break_force(break_force_kn)
    sums = np.zeros((2, _EXPONENTS), np.int64)
    bad = _sum_units(
        low_kn,
        high_kn,
        count,
        break_force_kn,
        curve.a,
        curve.b,
        curve.m,
        10.0,
        float(2**UNIT_EXPONENT),
        sums,
    )
    if bad >= 0:
        low, high = float(low_kn[bad]), float(high_kn[bad])
        raise _no_figure((high - low) / break_force_kn, ((high + low) / 2) / break_force_kn, curve)
    total = 0
    for exponent in np.flatnonzero(sums.any(axis=0)).tolist():
        high_part, low_part = int(sums[0, exponent]), int(sums[1, exponent])
        total += ((high_part << _LOW_BITS) + low_part) << exponent
    return total


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


def to_decimal(units: int, exponent: int = UNIT_EXPONENT) -> Decimal:
    """`units` of 2^-exponent as a Decimal of 30 places, rounded half to even; exact integer arithmetic."""
    divisor = 1 << exponent
    whole, rest = divmod(abs(units) * 10**DECIMAL_PLACES, divisor)
    if 2 * rest > divisor or (2 * rest == divisor and whole % 2 == 1):
        whole += 1
    digits = tuple(int(digit) for digit in str(whole))
    return Decimal((1 if units < 0 else 0, digits, -DECIMAL_PLACES))


def cycles_beyond(
    low_kn: Values, high_kn: Values, count: Counts, *, break_force_kn: float, range_ratio: float = 0.5
) -> int:
    """How many cycles range over more than `range_ratio` of break force, beyond what published curves serve.

    Fitted curves are unconservative there: such cycles used more than the figure says. The life is counted
    all the same; whoever shows it shows this count beside it. Source of 0.5: API TR 2FC-2:2020, wire rope
    curves not to be used above 50 % of catalogue strength. For fibre ropes: common practice, no source.
    """
    _check_cycles(low_kn, high_kn, count)
    _check_break_force(break_force_kn)
    return int(count[(high_kn - low_kn) / break_force_kn > range_ratio].sum())


def _check_cycles(low_kn: Values, high_kn: Values, count: Counts) -> None:
    if not low_kn.size == high_kn.size == count.size:
        raise Bug(f"cycles do not match: {low_kn.size} lows, {high_kn.size} highs, {count.size} counts")
    if not (np.isfinite(low_kn).all() and np.isfinite(high_kn).all() and (low_kn <= high_kn).all()):
        raise Bug("a cycle's low must be a number not above its high", next_step="run `tautlog audit`")
    # 2^35 cycles are a cycle every tenth of a second for a century; the integer sums rest on it.
    if count.size and not (count.min() >= 0 and float(count.sum(dtype=np.float64)) < _MOST_CYCLES):
        raise Bug("counts of cycles must be 0 or more, and fewer than 2^35 in all")


def _check_break_force(break_force_kn: float) -> None:
    if not (break_force_kn > 0 and math.isfinite(break_force_kn)):
        raise RegisterError(
            "wear is reckoned on a line's own break force",
            found=f"break_force_kn = {break_force_kn}",
            expected="a number above 0",
            next_step="correct lines.csv or the spec",
        )


def _no_figure(range_ratio: float, mean_ratio: float, curve: FatigueCurve) -> RegisterError:
    return RegisterError(
        f"the fatigue curve gives no finite life for a range of {range_ratio} and a mean of {mean_ratio}",
        found=f"a = {curve.a}, b = {curve.b}, m = {curve.m}",
        expected="constants for range and mean over break force",
        next_step="correct [fatigue] in the spec, or the break force",
    )
