"""Self-heating: how warm a rope got by being cycled, in each 10-minute bin.

Power comes from swings in the bin in which they end, since a rainflow cycle may close a day later. One cycle of strain
amplitude e turns pi * tan_delta * E * e^2 into heat in each volume (linear viscoelasticity; any textbook); a swing is
half a cycle, and with e = (range / 2) / EA it leaves pi * tan_delta * range^2 / (8 * EA) in each metre. A bin's power
is that of its own swings over 600 s. The section is one lump, C dT/dt = P - h pi d (T - air), solved exactly over
each absolute minute with the film coefficient at the minute's start (`pipeline.wear.convection`). The core stands
above the surface by P / (4 pi k), steady conduction with heat made evenly over a round section (any textbook).

Limits: one lump knows no time for heat to come out of the core, so a thick rope's core is shown early in warming
(hotter than it is) and early in cooling (cooler than it is); a real one needs about density * specific heat * d^2 /
(23 k) for it.
Only dry air cools: no radiation and no water, which makes the rope warmer than it is; no sun, rubbing at a chock, or
wind along the rope, which makes it cooler than it is. In the two bins in which a rigging begins and ends power is
spread over the whole bin, so heat of at most one bin is missing. By itself a temperature gives no advice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import Bug
from pipeline.kernels import compiled
from pipeline.wear.cells import BIN_US
from pipeline.wear.convection import LEAST_RISE_K, Convection, convection_of
from schemas.specs import Spec

Values = NDArray[np.float64]
Ints = NDArray[np.int64]

STEP_US = 60_000_000
"""The film coefficient is looked up anew at each absolute minute."""
_BIN_S = BIN_US / 1e6
_W_PER_KW = 1000.0


@dataclass(frozen=True)
class Section:
    """What a metre of rope is to heat. `ea_kn`: dynamic stiffness EA [kN]; `loss_factor`: tan delta."""

    diameter_m: float
    heat_capacity_j_mk: float
    ea_kn: float
    loss_factor: float
    conductivity_w_mk: float


@dataclass(frozen=True, eq=False)
class Air:
    """Air at a rope: one figure for all bins, or one (n,) for each bin of a piece. Wind is taken as across the rope."""

    temperature_c: float | Values
    wind_m_s: float | Values


@dataclass(frozen=True)
class RopeHeat:
    """The state carried across midnights: the surface's temperature at an instant."""

    at_us: int
    surface_c: float


@dataclass(frozen=True, eq=False)
class Warmed:
    """A piece's temperatures, one row (n,) for each of its bins.

    `surface_c`: the warmest that the surface was at the bin's beginning or any step's end; `core_c`: that, and
    the core's rise under the bin's power. `after`: the state at the piece's end.
    """

    after: RopeHeat
    bins: Ints
    power_w_m: Values
    surface_c: Values
    core_c: Values


def section_of(spec: Spec, break_force_kn: float) -> Section | None:
    """A spec's rope as heat sees it, with the line's own break force [kN]; None without `[heat]`: not reckoned."""
    heat = spec.heat
    if heat is None:
        return None
    return Section(
        diameter_m=spec.diameter_mm / 1000.0,
        heat_capacity_j_mk=spec.mass_kg_per_m * heat.specific_heat_j_kgk,
        ea_kn=heat.stiffness * break_force_kn,
        loss_factor=heat.loss_factor,
        conductivity_w_mk=heat.conductivity_w_mk,
    )


def power_w_m(range2_sum_kn2: Values, section: Section) -> Values:
    """Heat made by swings in a 10-minute bin [W/m], from the sum (n,) of their ranges squared [kN^2]."""
    heat_kj_m = math.pi * section.loss_factor * range2_sum_kn2 / (8.0 * section.ea_kn)
    return heat_kj_m * (_W_PER_KW / _BIN_S)


def core_rise_k(power: float, section: Section) -> float:
    """How far the core stands above the surface [K] under a steady power [W/m]."""
    return power / (4.0 * math.pi * section.conductivity_w_mk)


def range2_in_bins(
    from_us: int,
    to_us: int,
    swing_bins: Ints,
    swing_range2_kn2: Values,
    *,
    bridged_low_kn: Values,
    bridged_high_kn: Values,
    bridged_end_us: Ints,
) -> tuple[Ints, Values]:
    """A piece's swings and those that the join to the day before finished: (bins, sums of range^2 [kN^2]), ascending.

    `swing_bins`, `swing_range2_kn2` (b,) as a sheet keeps them; `bridged_*` (n,). What ended outside [from_us, to_us)
    stands in the nearest bin of the piece: the join may finish a swing that ended on the day before, and a rigging
    lets go at `to_us` itself. A piece without length has no bins and keeps none.
    """
    if to_us <= from_us:
        return np.empty(0, np.int64), np.empty(0)
    first, last = from_us // BIN_US, (to_us - 1) // BIN_US
    range2 = np.zeros(last - first + 1)
    bins = np.concatenate((swing_bins, bridged_end_us // BIN_US))
    sums = np.concatenate((swing_range2_kn2, (bridged_high_kn - bridged_low_kn) ** 2))
    np.add.at(range2, np.clip(bins, first, last) - first, sums)
    used = np.flatnonzero(range2)
    return used + first, range2[used]


def warm(
    before: RopeHeat | None,
    from_us: int,
    to_us: int,
    swing_bins: Ints,
    range2_sums: Values,
    section: Section,
    air: Air,
    *,
    convection: Convection | None = None,
) -> Warmed:
    """Temperatures over [from_us, to_us) of one rigging.

    `swing_bins` (b,), strictly ascending, in the piece's bins; `range2_sums` (b,) [kN^2]: of the swings that ended
    there, bridged ones included (`range2_in_bins`). `before` None: the rope begins as warm as the air; earlier than
    `from_us`: it relaxes in the first bin's air until then. `convection`: another than that of the diameter.
    Cut at any edge of a bin, the pieces give the same as the whole, bit for bit.
    Raises Bug for swings outside the piece, a state from after it, or air that is no number.
    """
    first = from_us // BIN_US
    if to_us < from_us:
        raise Bug(f"a piece cannot end at {to_us}, before it begins at {from_us}")
    bins = np.arange(first, -(-to_us // BIN_US) if to_us > from_us else first, dtype=np.int64)
    air_c, wind_m_s = _air_of(air, max(bins.size, 1))
    _check_piece(before, from_us, bins, swing_bins, range2_sums)
    power = np.zeros(bins.size)
    power[swing_bins - first] = power_w_m(range2_sums, section)
    begun = RopeHeat(from_us, float(air_c[0])) if before is None else before
    if begun.at_us < from_us:
        begun = relax(begun, from_us, section, Air(float(air_c[0]), float(wind_m_s[0])), convection=convection)
    surface, end_c = _surface(begun.surface_c, from_us, to_us, power, air_c, wind_m_s, section, convection)
    core = surface + power / (4.0 * math.pi * section.conductivity_w_mk)
    return Warmed(RopeHeat(to_us, end_c), bins, power, surface, core)


def relax(
    before: RopeHeat, to_us: int, section: Section, air: Air, *, convection: Convection | None = None
) -> RopeHeat:
    """The state at `to_us` of a rope that nothing cycles: unrigged, or not observed. `air` is one figure each.

    The same steps as `warm` takes without swings, to the last bit.
    """
    first, beyond = before.at_us // BIN_US, -(-to_us // BIN_US)
    if to_us < before.at_us:
        raise Bug(f"a rope's heat is known at {before.at_us}, after {to_us}", next_step="run `tautlog audit`")
    idle = np.zeros(max(beyond - first, 0))
    air_c, wind_m_s = _air_of(air, max(idle.size, 1))
    _, end_c = _surface(before.surface_c, before.at_us, to_us, idle, air_c, wind_m_s, section, convection)
    return RopeHeat(to_us, end_c)


def film_in_step(surface_c: float, air_c: float, wind_m_s: float, table: Convection) -> float:
    """The film coefficient [W/(m2 K)] with which `warm` takes a step that begins at `surface_c`, to the last bit."""
    wind = _place(table.wind_roots, math.sqrt(wind_m_s))
    film = _place(table.films_c, (air_c + surface_c) / 2)
    rise = math.sqrt(math.sqrt(max(abs(surface_c - air_c), LEAST_RISE_K)))
    return max(_between(table.forced, wind, film), _between(table.free, film, _place(table.rise_roots, rise)))


def _air_of(air: Air, bins: int) -> tuple[Values, Values]:
    """Temperature and wind of each bin."""
    for given in (air.temperature_c, air.wind_m_s):
        if not isinstance(given, float | int) and given.shape != (bins,):
            raise Bug(f"air needs one figure, or one for each of {bins} bins", found=f"shape {given.shape}")
    air_c = np.ascontiguousarray(np.broadcast_to(np.asarray(air.temperature_c, np.float64), bins))
    wind_m_s = np.ascontiguousarray(np.broadcast_to(np.asarray(air.wind_m_s, np.float64), bins))
    if not (np.isfinite(air_c).all() and np.isfinite(wind_m_s).all() and (wind_m_s >= 0).all()):
        raise Bug("air needs a temperature, and a wind of 0 m/s or more")
    return air_c, wind_m_s


def _check_piece(before: RopeHeat | None, from_us: int, bins: Ints, swing_bins: Ints, range2_sums: Values) -> None:
    if before is not None and not (before.at_us <= from_us and math.isfinite(before.surface_c)):
        raise Bug(f"a rope's heat at {from_us} cannot follow from {before}", next_step="run `tautlog audit`")
    if swing_bins.size != range2_sums.size or not (np.isfinite(range2_sums).all() and (range2_sums >= 0).all()):
        raise Bug("each bin of swings needs its sum of range^2, a number of 0 or more")
    inside = bins.size > 0 and swing_bins.size > 0 and bins[0] <= swing_bins[0] and swing_bins[-1] <= bins[-1]
    if swing_bins.size and not (inside and (np.diff(swing_bins) > 0).all()):
        raise Bug("bins of swings must ascend and lie within the piece")


def _surface(
    surface_c: float,
    from_us: int,
    to_us: int,
    power: Values,
    air_c: Values,
    wind_m_s: Values,
    section: Section,
    convection: Convection | None,
) -> tuple[Values, float]:
    """The warmest surface of each bin, and the surface at the end."""
    table = convection_of(section.diameter_m) if convection is None else convection
    warmest = np.empty(power.size)
    end_c = _settle(
        surface_c,
        from_us,
        to_us,
        power,
        air_c,
        np.sqrt(wind_m_s),
        math.pi * section.diameter_m,
        section.heat_capacity_j_mk,
        table.wind_roots,
        table.films_c,
        table.rise_roots,
        table.forced,
        table.free,
        warmest,
        (BIN_US, STEP_US),
        LEAST_RISE_K,
    )
    return warmest, end_c


@compiled
def _place(nodes: Values, value: float) -> float:
    """Where a value stands among evenly spaced nodes, from 0 to the last; outside them at the edge."""
    at: float = (value - nodes[0]) / (nodes[1] - nodes[0])
    return min(max(at, 0.0), nodes.size - 1.0)


@compiled
def _between(table: Values, row: float, column: float) -> float:
    """Bilinear interpolation at places of rows and columns."""
    i: int = min(int(row), table.shape[0] - 2)
    j: int = min(int(column), table.shape[1] - 2)
    down, along = row - i, column - j
    upper: float = table[i, j] + (table[i, j + 1] - table[i, j]) * along
    lower: float = table[i + 1, j] + (table[i + 1, j + 1] - table[i + 1, j]) * along
    return upper + (lower - upper) * down


@compiled
def _settle(
    surface_c: float,
    from_us: int,
    to_us: int,
    power: Values,
    air_c: Values,
    wind_roots: Values,
    girth_m: float,
    heat_capacity_j_mk: float,
    wind_nodes: Values,
    film_nodes: Values,
    rise_nodes: Values,
    forced: Values,
    free: Values,
    warmest: Values,
    lengths_us: tuple[int, int],
    least_rise_k: float,
) -> float:
    """Step over absolute minutes; fills `warmest` (bins,), and returns the surface at `to_us`."""
    bin_us, step_us = lengths_us
    first = from_us // bin_us
    at_us = from_us
    for i in range(power.size):
        stop_us = min(to_us, (first + i + 1) * bin_us)
        wind = _place(wind_nodes, wind_roots[i])
        warmest[i] = surface_c
        while at_us < stop_us:
            next_us = min(stop_us, (at_us // step_us + 1) * step_us)
            film = _place(film_nodes, (air_c[i] + surface_c) / 2)
            rise = math.sqrt(math.sqrt(max(abs(surface_c - air_c[i]), least_rise_k)))
            coefficient = max(
                _between(forced, wind, film),
                _between(free, film, _place(rise_nodes, rise)),
            )
            loss_w_mk = coefficient * girth_m
            settled_c = air_c[i] + power[i] / loss_w_mk
            tau_s = heat_capacity_j_mk / loss_w_mk
            surface_c = settled_c + (surface_c - settled_c) * math.exp(-((next_us - at_us) / 1e6) / tau_s)
            warmest[i] = max(warmest[i], surface_c)
            at_us = next_us
    return surface_c
