"""A line's account redone on paper: plain arithmetic in fifty digits, from the formulas of each mechanism.

It knows nothing of the program. Sources of the formulas: fatigue, Palmgren-Miner over N = 10^(a - b*Lm) * R^-m; creep,
Robinson (1938) over t = 10^log10_tau0 * exp((u0 - gamma*L) / (R*T)), R from CODATA 2018; heat, pi * tan delta * E * e^2
in each volume and cycle, one lump cooled by air, q*r^2/(4k) to the core (any textbook); film coefficients of a cylinder
from the libraries `ht` and `fluids`; abrasion, the capstan equation and Archard (1953); strength, Schaff & Davidson
(1997). What a bend leaves of a wire: IMCA M 179, as given in 0027/ND Table 7-1.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_HALF_EVEN, Context, Decimal, localcontext
from typing import Any

from fluids.atmosphere import ATMOSPHERE_1976
from ht.conv_external import Nu_cylinder_Churchill_Bernstein
from ht.conv_free_immersed import Nu_horizontal_cylinder_Churchill_Chu

Number = Decimal | int
TOLERANCE = Decimal("1e-9")
UNIT = Decimal(1 << 100)
PLACES = Decimal(1).scaleb(-30)
PI = Decimal("3.14159265358979323846264338327950288419716939937510")
GAS = Decimal("8.314462618")
ZERO_C = Decimal("273.15")
WIDE = Context(prec=200, rounding=ROUND_HALF_EVEN)


@dataclass
class Paper:
    """An answer's figures, and which of them have been redone."""

    answer: dict[str, Any]
    seen: set[tuple[Any, ...]] = field(default_factory=set)

    def at(self, *path: Any) -> Any:
        found: Any = self.answer
        for step in path:
            found = found[step]
        return found

    def same(self, redone: Number, *path: Any, within: Decimal = TOLERANCE) -> None:
        """The figure at a path is the redone one, to 1e-9 of itself."""
        shown = Decimal(self.at(*path))
        self.seen.add(path)
        assert abs(shown - redone) <= within * abs(Decimal(redone)), f"{path}: shown {shown}, redone {redone}"

    def exactly(self, redone: Any, *path: Any) -> None:
        """What stands at a path is this, to the last digit."""
        self.seen.add(path)
        assert self.at(*path) == redone, f"{path}: shown {self.at(*path)}, redone {redone}"

    def life(self, redone: Decimal, count: int, *path: Any, life: str = "life", units: str = "life_units") -> None:
        """Units of an item are `count` times one life, rounded once; its life is that of the units, exactly."""
        shown = Decimal(self.at(*path, units))
        self.seen |= {(*path, units), (*path, life)}
        slack = TOLERANCE * redone * UNIT * count + Decimal(count) / 2
        assert abs(shown - redone * count * UNIT) <= slack, f"{path}: {shown} units, redone {redone * count * UNIT}"
        assert self.at(*path, life) == decimal_of(int(shown)), path

    def unseen(self, *sections: str) -> list[tuple[Any, ...]]:
        """The figures of some sections that nobody has redone."""
        return [
            path for section in sections for path in figures(self.answer[section], section) if path not in self.seen
        ]


def figures(value: Any, *path: Any) -> Iterator[tuple[Any, ...]]:
    """Paths of all figures below a value: numbers, and the whole units that stand as text."""
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from figures(inner, *path, name)
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield from figures(inner, *path, i)
    elif isinstance(value, bool) or value is None:
        return
    elif isinstance(value, Decimal | int) or str(path[-1]).endswith("units"):
        yield path


def decimal_of(units: int, exponent: int = 100) -> Decimal:
    """Whole units of 2^-exponent as the ledger writes them: thirty places, half to even."""
    return WIDE.divide(Decimal(units), Decimal(1 << exponent)).quantize(PLACES, context=WIDE)


def total(lives: Sequence[Decimal]) -> Decimal:
    """An exact sum."""
    with localcontext(WIDE):
        return sum(lives, Decimal(0))


def cycle_life(low: Decimal, high: Decimal, curve: dict[str, Any], force: Decimal) -> tuple[Decimal, Decimal, Decimal]:
    """R, Lm and life used by one cycle."""
    strength = Decimal(repr(curve.get("reference_strength", 1.0))) * force
    r, lm = (high - low) / strength, (high + low) / 2 / strength
    a, b, m = (Decimal(repr(float(curve[name]))) for name in "abm")
    if "r2" in curve and r < Decimal(repr(curve["r2"])):
        r2, m2 = Decimal(repr(curve["r2"])), Decimal(repr(float(curve["m2"])))
        n = Decimal(10) ** (a - b * lm) * (r / r2) ** -m2 * r2**-m
    else:
        n = Decimal(10) ** (a - b * lm) * r**-m
    return r, lm, 1 / n


def rupture_s(load: Decimal, core_c: Decimal, creep: dict[str, Any]) -> Decimal:
    """Time to rupture under a standing load."""
    tau0, u0, gamma = (Decimal(repr(float(creep[name]))) for name in ("log10_tau0_s", "u0_kj_mol", "gamma_kj_mol"))
    return Decimal(10) ** tau0 * ((u0 - gamma * load) * 1000 / (GAS * (core_c + ZERO_C))).exp()


def power_w_m(range2: Decimal, heat: dict[str, Any], force: Decimal) -> Decimal:
    """Power of a bin of 600 s: each swing is half a cycle of strain amplitude (range / 2) / EA."""
    ea = Decimal(repr(float(heat["stiffness"]))) * force
    kj_m = PI * Decimal(repr(heat["loss_factor"])) * range2 / (8 * ea)
    return kj_m * 1000 / 600


def step_c(
    surface: Decimal, air: Decimal, power: Decimal, film: Decimal, diameter: Decimal, capacity: Decimal, s: Decimal
) -> Decimal:
    """The surface after a step of `s` seconds with one film coefficient: C dT/dt = P - h pi d (T - air), exactly."""
    loss = film * PI * diameter
    settled = air + power / loss
    return settled + (surface - settled) * (-s * loss / capacity).exp()


def film_w_m2k(diameter_m: float, wind_m_s: float, air_c: float, surface_c: float) -> float:
    """Film coefficient straight from the correlations, in air of the 1976 standard atmosphere."""
    film_k, rise = (air_c + surface_c) / 2 + 273.15, max(abs(surface_c - air_c), 0.1)
    mu, k = ATMOSPHERE_1976.viscosity(film_k), ATMOSPHERE_1976.thermal_conductivity(film_k)
    nu = mu / ATMOSPHERE_1976.density(film_k, 101325.0)
    prandtl = mu * 3.5 * 8314.32 / 28.9644 / k
    forced = Nu_cylinder_Churchill_Bernstein(Re=wind_m_s * diameter_m / nu, Pr=prandtl)
    grashof = 9.80665 * rise / film_k * diameter_m**3 / nu**2
    free = Nu_horizontal_cylinder_Churchill_Chu(Pr=prandtl, Gr=grashof)
    return float(max(forced, free) * k / diameter_m)


@dataclass(frozen=True)
class Chock:
    """A contact: capstan ratio E and stretch of the inboard length by a kN."""

    e: Decimal
    give: Decimal


def chock(inboard_m: float, wrap_deg: float, abrasion: dict[str, Any], force: Decimal) -> Chock:
    friction, stiffness = (Decimal(repr(float(abrasion[name]))) for name in ("friction", "stiffness"))
    angle = friction * Decimal(repr(float(wrap_deg))) * PI / 180
    return Chock(angle.exp(), Decimal(repr(float(inboard_m))) / (stiffness * force))


def swing_work(low: Decimal, high: Decimal, at: Chock) -> tuple[Decimal, Decimal, Decimal]:
    """Slip [m], and work of the rising and the falling half [kJ]."""
    e, low, high = at.e, max(low, Decimal(0)), max(high, Decimal(0))
    slip = max(high / e - low * e, Decimal(0)) * at.give
    return slip, (1 - 1 / e) * (low * e * e + high) / 2 * slip, (e - 1) * (high / e / e + low) / 2 * slip


def strength_left(force: Decimal, used: Decimal, left: dict[str, Any]) -> Decimal:
    """S0 * (1 - (1 - at_end) * D^exponent), at least 0."""
    exponent, at_end = Decimal(repr(float(left["exponent"]))), Decimal(repr(left["at_end"]))
    fallen = used**exponent if used else Decimal(0)
    return max(Decimal(0), force * (1 - (1 - at_end) * fallen))


def bend_strength(ratio: float, material: str, bending: dict[str, Any] | None) -> Decimal | None:
    """What a bend of D/d leaves; None where it is not known."""
    at = Decimal(repr(float(ratio)))
    if bending is None:
        return 1 - Decimal("0.5") / at.sqrt() if material == "wire" else None
    ratios, strengths = ([Decimal(repr(float(v))) for v in bending[name]] for name in ("ratio", "strength"))
    points = list(zip(ratios, strengths, strict=True))
    for (r0, s0), (r1, s1) in itertools.pairwise(points):
        if r0 <= at <= r1:
            return s0 + (s1 - s0) * (at - r0) / (r1 - r0)
    return points[0][1] if at < points[0][0] else points[-1][1]


def turning_points(points: Sequence[tuple[int, float]]) -> list[tuple[int, float]]:
    """First value, turning points, last extreme; of equal neighbours the first."""
    turns: list[tuple[int, float]] = []
    for us, kn in points:
        if turns and kn == turns[-1][1]:
            continue
        if len(turns) > 1 and (turns[-1][1] > turns[-2][1]) == (kn > turns[-1][1]):
            turns.pop()
        turns.append((us, kn))
    return turns


def stood_us(samples: Sequence[tuple[int, float]], stored_us: Sequence[int], to_us: int) -> dict[tuple[int, int], int]:
    """Time at level by (bin, 5 kN class): a sample stands until the next stored one, ten seconds, or its bin's end."""
    after = dict(itertools.pairwise(stored_us))
    out: dict[tuple[int, int], int] = {}
    for us, kn in samples:
        if us not in after:
            continue
        bin_ = us // 600_000_000
        until = min(after[us], us + 10_000_000, (bin_ + 1) * 600_000_000, to_us)
        cell = (bin_, math.floor(kn / 5))
        out[cell] = out.get(cell, 0) + until - us
    return {cell: us for cell, us in out.items() if us > 0}
