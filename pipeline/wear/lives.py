"""How life is counted, by every mechanism alike: whole units of 2^-100, and their decimals.

A mechanism rounds each of its items once to a whole number of units; from there on all sums are sums of integers, so
they do not depend on how a history was cut or ordered.
"""

from __future__ import annotations

import math
from decimal import Context, Decimal, Inexact
from typing import Final

from pipeline.errors import RegisterError

UNIT_EXPONENT: Final = 100
"""Life is counted in units of 2^-UNIT_EXPONENT; half cycles in 2^-(UNIT_EXPONENT + 1)."""

DECIMAL_PLACES: Final = 30

EXACT: Final = Context(prec=200, traps=[Inexact])
"""Decimals added in it are exact, or it fails: the default context would round to 28 digits, silently."""


def to_decimal(units: int, exponent: int = UNIT_EXPONENT) -> Decimal:
    """`units` of 2^-exponent as a Decimal of 30 places, rounded half to even; exact integer arithmetic."""
    divisor = 1 << exponent
    whole, rest = divmod(abs(units) * 10**DECIMAL_PLACES, divisor)
    if 2 * rest > divisor or (2 * rest == divisor and whole % 2 == 1):
        whole += 1
    # From text: unlike arithmetic, it rounds to no context.
    return Decimal(f"{'-' if units < 0 else ''}{whole}E-{DECIMAL_PLACES}")


def check_break_force(break_force_kn: float) -> None:
    """Raises RegisterError unless wear can be reckoned on `break_force_kn`: a finite number above 0."""
    if not (break_force_kn > 0 and math.isfinite(break_force_kn)):
        raise RegisterError(
            "wear is reckoned on a line's own break force",
            found=f"break_force_kn = {break_force_kn}",
            expected="a number above 0",
            next_step="correct lines.csv or the spec",
        )
