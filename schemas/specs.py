"""One rope: certificate figures and wear constants, each table of constants with its source.

Ratios are over the line's own break force, unless a curve names another reference. A table that is left out is a
mechanism that is not reckoned, and every account says so. `calibrated` is true only for constants fitted to tests of
this very rope: all others make a figure a severity index.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal, Self

from pydantic import Field, model_validator

from schemas.base import Model, Name, Number, Source, Whole

Material = Literal["hmpe", "polyester", "polyamide", "polypropylene", "aramid", "lcp", "wire"]
Surface = Literal["smooth", "worn", "rough"]
Span = tuple[Number, Number]
"""From and to, in this order."""


@dataclass(frozen=True)
class PublishedCurve:
    """A curve that a standard prints: N = 10^(a - b*Lm) * R^-m, or with `stress` N = 10^a * S^-m, S in MPa."""

    a: float
    b: float
    m: float
    stress: bool
    source: str


STRAIGHT = "straight offshore rope, reference only"
PUBLISHED: dict[str, PublishedCurve] = {
    "api-2sk-stranded-wire": PublishedCurve(
        3.20, 2.79, 4.09, False, f"API RP 2SK 3rd ed., six and multi strand wire ({STRAIGHT}; read in public code)"
    ),
    "api-2sk-spiral-strand": PublishedCurve(
        3.25, 3.43, 5.05, False, f"API RP 2SK 3rd ed., spiral strand ({STRAIGHT}; read in public code)"
    ),
    "dnv-e301-stranded-wire": PublishedCurve(
        math.log10(3.4e14), 0.0, 4.0, True, f"DNV-OS-E301 Ch.2 Sec.2, stranded wire ({STRAIGHT}; read in public code)"
    ),
    "dnv-e301-spiral-strand": PublishedCurve(
        math.log10(1.7e17), 0.0, 4.8, True, f"DNV-OS-E301 Ch.2 Sec.2, spiral strand ({STRAIGHT}; read in public code)"
    ),
    "dnv-e301-polyester": PublishedCurve(
        math.log10(0.259),
        0.0,
        13.46,
        False,
        f"DNV-OS-E301 Ch.2 Sec.2, polyester ({STRAIGHT}; read in public code, over minimum break strength)",
    ),
    "api-2sm-polyester": PublishedCurve(
        math.log10(25000.0), 0.0, 5.2, False, f"API RP 2SM, polyester ({STRAIGHT}; a public copy of the ABS table)"
    ),
}
"""Curves a spec may name (`[fatigue] published`). Chain is no rope and left out."""


class Sourced(Model):
    """Constants with where they come from."""

    source: Source
    calibrated: bool = Field(default=False, strict=True)


class FatigueCurve(Sourced):
    """N = 10^(a - b*Lm) * R^-m; R = range, Lm = cycle mean, both over `reference_strength` times break force.

    Given as `a`, `b`, `m`; or by `published` (a name of `PUBLISHED`; those in MPa need `stress_at_break_mpa`, break
    force over metallic area); or by `thousand_cycle_level` (the share of break force, cycled from slack, that a rope
    survives a thousand times) with a slope `m`. Below `r2` the slope is `m2`, from the same point on.

    `factor` multiplies the life used wherever a figure is shown, and is shown with it; what is posted is without it.
    `scatter`: standard deviation of log10 N. `valid_r`, `valid_lm`: where the curve was fitted. `compression_below`:
    cycles whose trough is below this share of break force are counted. `includes`: what the tests behind the curve
    already contain.
    """

    a: Number
    b: Number
    m: Number = Field(gt=0)
    factor: Number = Field(default=1.0, gt=0)
    published: Name | None = None
    stress_at_break_mpa: Number | None = Field(default=None, gt=0)
    thousand_cycle_level: Number | None = Field(default=None, gt=0, lt=1)
    m2: Number | None = Field(default=None, gt=0)
    r2: Number | None = Field(default=None, gt=0)
    scatter: Number | None = Field(default=None, ge=0)
    valid_r: Span | None = None
    valid_lm: Span | None = None
    reference_strength: Number = Field(default=1.0, gt=0)
    compression_below: Number | None = Field(default=None, ge=0, lt=1)
    includes: tuple[Literal["internal-abrasion", "creep", "heat"], ...] = ("internal-abrasion", "creep", "heat")

    @model_validator(mode="before")
    @classmethod
    def _constants_are_worked_out(cls, given: Any) -> Any:
        if not isinstance(given, dict):
            return given
        if given.get("published") is not None:
            return _from_published(given)
        return _from_thousand_cycles(given) if given.get("thousand_cycle_level") is not None else given

    @model_validator(mode="after")
    def _slopes_and_spans_are_in_order(self) -> Self:
        if (self.m2 is None) != (self.r2 is None):
            raise ValueError("m2 (the slope of small cycles) and r2 (below which it holds) go together")
        if self.stress_at_break_mpa is not None and self.published is None:
            raise ValueError("stress_at_break_mpa goes with a published curve in MPa; a, b and m are for ratios")
        _in_order(valid_r=self.valid_r, valid_lm=self.valid_lm)
        return self


class Creep(Sourced):
    """Rupture under steady load: t = 10^log10_tau0_s * exp((u0_kj_mol - gamma_kj_mol * L) / (R * T)) seconds.

    L: load over break force; T: core temperature [K]; R: molar gas constant. `gamma_kj_mol` is per L of 1. Creep
    accrues only above `floor` and within `fitted_load` and `fitted_c`; time outside the last two is counted, and shown.
    `sustained_range`: where the fatigue curve contains creep, only 10-minute bins whose largest swing is below this
    share of break force are sustained load, whose creep is added.
    """

    log10_tau0_s: Number
    u0_kj_mol: Number = Field(gt=0)
    gamma_kj_mol: Number = Field(gt=0)
    floor: Number = Field(gt=0, lt=1)
    fitted_load: Span
    fitted_c: Span
    sustained_range: Number = Field(default=0.02, gt=0)

    @model_validator(mode="after")
    def _spans_are_in_order(self) -> Self:
        _in_order(fitted_load=self.fitted_load, fitted_c=self.fitted_c)
        return self


class Heat(Sourced):
    """Self-heating by cycling. `loss_factor`: tan delta; `stiffness`: dynamic EA over break force."""

    loss_factor: Number = Field(gt=0)
    stiffness: Number = Field(gt=0)
    conductivity_w_mk: Number = Field(gt=0)
    specific_heat_j_kgk: Number = Field(gt=0)


class AllowableWork(Model):
    """Friction work [kJ] at one contact band at which the rope is worn out there, by the state of the surface."""

    smooth: Number | None = Field(default=None, gt=0)
    worn: Number | None = Field(default=None, gt=0)
    rough: Number | None = Field(default=None, gt=0)


class Abrasion(Sourced):
    """Sliding over a chock. `friction`: coefficient; `stiffness`: EA over break force of the inboard length."""

    friction: Number = Field(gt=0, lt=1)
    stiffness: Number = Field(gt=0)
    allowable_work_kj: AllowableWork


class Bending(Sourced):
    """Strength over a bend: `strength` (share of break force) at `ratio` (D/d, ascending); between them, linear."""

    ratio: tuple[Number, ...] = Field(min_length=1)
    strength: tuple[Number, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _is_a_curve(self) -> Self:
        if len(self.ratio) != len(self.strength):
            raise ValueError("ratio and strength must be of one length")
        if any(later <= former for former, later in pairwise(self.ratio)) or self.ratio[0] <= 0:
            raise ValueError("ratio must ascend, from above 0")
        if not all(0 < value <= 1 for value in self.strength):
            raise ValueError("strength is a share of break force, above 0 and at most 1")
        return self


class StrengthLeft(Sourced):
    """How strength falls with life used D: S = S0 * (1 - (1 - at_end) * D^exponent); `at_end`: share left at D = 1."""

    exponent: Number = Field(gt=0)
    at_end: Number = Field(gt=0, lt=1)


class Stiffness(Sourced):
    """`static`: EA over break force, for sharing one motion with a tail in series."""

    static: Number = Field(gt=0)


class Limits(Model):
    """What ends a line's use whatever its figures say: of the maker (a spec) or the company (a policy). Never extended.

    `max_age_years`: since `in_service`; `max_mooring_h`: hours rigged in our records; `max_calls`: calls in them. A
    line that has reached one is to be retired. Hours and calls before the first record are not counted.
    """

    max_age_years: Number | None = Field(default=None, gt=0)
    max_mooring_h: Number | None = Field(default=None, gt=0)
    max_calls: Whole | None = Field(default=None, ge=1)
    source: Source

    @model_validator(mode="after")
    def _limits_something(self) -> Self:
        if self.max_age_years is None and self.max_mooring_h is None and self.max_calls is None:
            raise ValueError("give max_age_years, max_mooring_h or max_calls, or leave the table out")
        return self


class Spec(Model):
    """One rope: certificate figures and wear constants. `break_force_kn` is spliced; polyamide: wet."""

    id: Name
    material: Material
    construction: Name
    diameter_mm: Number = Field(gt=0)
    mass_kg_per_m: Number = Field(gt=0)
    break_force_kn: Number = Field(gt=0)
    fatigue: FatigueCurve
    creep: Creep | None = None
    heat: Heat | None = None
    abrasion: Abrasion | None = None
    bending: Bending | None = None
    strength_left: StrengthLeft | None = None
    stiffness: Stiffness | None = None
    limits: Limits | None = None


def _from_published(given: dict[str, Any]) -> dict[str, Any]:
    name = given["published"]
    curve = PUBLISHED.get(name) if isinstance(name, str) else None
    if curve is None:
        raise ValueError(f"no published curve is called {name!r}; there are {', '.join(PUBLISHED)}")
    twice = [key for key in ("a", "b", "m", "source", "thousand_cycle_level") if key in given]
    if twice:
        raise ValueError(f"published gives {', '.join(twice)}: leave it out")
    stress = given.get("stress_at_break_mpa")
    if stress is not None and not (isinstance(stress, int | float) and stress > 0):
        raise ValueError("expected stress_at_break_mpa above 0")
    if curve.stress != (stress is not None):
        raise ValueError("curves in MPa need stress_at_break_mpa (break force over metallic area), others have none")
    a = curve.a if stress is None else curve.a - curve.m * math.log10(stress)
    return {**given, "a": a, "b": curve.b, "m": curve.m, "source": curve.source}


def _from_thousand_cycles(given: dict[str, Any]) -> dict[str, Any]:
    twice = [key for key in ("a", "b") if key in given]
    if twice:
        raise ValueError(f"thousand_cycle_level gives {', '.join(twice)}: leave it out")
    level, slope = given["thousand_cycle_level"], given.get("m")
    if not (isinstance(level, int | float) and 0 < level < 1 and isinstance(slope, int | float) and slope > 0):
        raise ValueError("expected thousand_cycle_level between 0 and 1, and a slope m above 0")
    return {**given, "a": 3.0 + slope * math.log10(level), "b": 0.0}


def _in_order(**spans: Span | None) -> None:
    for name, span in spans.items():
        if span is not None and not span[0] < span[1]:
            raise ValueError(f"{name} must be [from, to], from below to")
