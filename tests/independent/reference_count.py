"""Counting and fatigue from DESIGN.md's definitions: streaming four-point rainflow, exact integer life.

Sources: four-point rule after ISO 12110-2 and Amzallag et al. 1994 (as DESIGN.md cites them); arithmetic as
DESIGN.md "Fatigue" fixes it.
"""

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from decimal import ROUND_HALF_EVEN, Context, Decimal
from fractions import Fraction

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
QUANTUM_BITS = 100


def utc_day(at_us: int) -> date:
    """The UTC day that holds an instant."""
    return (EPOCH + timedelta(microseconds=at_us)).date()


@dataclass(frozen=True)
class Cycle:
    """A closed cycle [kN] and the instant of the sample that closed it."""

    low: float
    high: float
    closed_us: int

    @property
    def range_kn(self) -> float:
        return self.high - self.low

    @property
    def mean_kn(self) -> float:
        return (self.high + self.low) / 2.0


@dataclass
class Rainflow:
    """Streaming four-point count of points in time order; `stack` is the residue, its last point tentative.

    A cycle closes at the first point that reaches or passes its outer point; ties close.
    """

    stack: list[tuple[float, int]] = field(default_factory=list)
    cycles: list[Cycle] = field(default_factory=list)

    def feed(self, kn: float, at_us: int) -> None:
        stack = self.stack
        if stack and stack[-1][0] == kn:
            return
        if len(stack) >= 2 and (stack[-1][0] > stack[-2][0]) == (kn > stack[-1][0]):
            stack[-1] = (kn, at_us)
        else:
            stack.append((kn, at_us))
        while len(stack) >= 4:
            a, b, c, d = (point[0] for point in stack[-4:])
            low, high = min(b, c), max(b, c)
            # inner range <= both neighbours, by comparing levels: no subtraction, so no rounding
            if not (min(a, d) <= low and max(a, d) >= high):
                return
            self.cycles.append(Cycle(low, high, at_us))
            del stack[-3:-1]

    @property
    def residue(self) -> list[float]:
        return [kn for kn, _ in self.stack]


def count(points: Iterable[float]) -> Rainflow:
    """Count a whole series at once; instants are its indices."""
    flow = Rainflow()
    for index, kn in enumerate(points):
        flow.feed(kn, index)
    return flow


@dataclass(frozen=True)
class Curve:
    """N = 10^(a - b*Lm) * R^-m, with R and Lm as fractions of break force [kN]."""

    a: float
    b: float
    m: float
    break_force_kn: float

    def life(self, low: float, high: float) -> float:
        """Life one whole cycle takes, scalar libm."""
        ratio = (high - low) / self.break_force_kn
        mean = (high + low) / 2.0 / self.break_force_kn
        return math.pow(ratio, self.m) / math.pow(10.0, self.a - self.b * mean)

    def quanta(self, cycle: Cycle) -> int:
        """Life of a cycle, rounded once to an integer number of 2^-100 (half even)."""
        return round(Fraction(self.life(cycle.low, cycle.high)) * (1 << QUANTUM_BITS))

    def pending(self, residue: list[float]) -> float:
        """Life the residue would take, its successive ranges as half cycles."""
        pairs = itertools.pairwise(residue)
        return math.fsum(self.life(min(p, q), max(p, q)) / 2.0 for p, q in pairs)


def posted(quanta: int) -> Decimal:
    """An integer number of 2^-100 as DECIMAL(38,30), half even."""
    wide = Context(prec=200)
    exact = wide.divide(Decimal(quanta), Decimal(2**QUANTUM_BITS))
    return exact.quantize(Decimal(1).scaleb(-30), rounding=ROUND_HALF_EVEN, context=wide)
