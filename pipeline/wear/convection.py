"""How fast air takes heat from a rope: film coefficient of a cylinder lying across dry air.

Correlations, from the library `ht`: forced cross flow by Churchill & Bernstein (1977, J. Heat Transfer 99:300), free
convection from a horizontal cylinder by Churchill & Chu (1975, Int. J. Heat Mass Transfer 18:1049), both with air at
the film temperature; the larger of the two holds. Air at sea level by the U.S. Standard Atmosphere 1976 (viscosity,
conductivity, density from the library `fluids`; specific heat of an ideal diatomic gas, 7/2 of its gas constant).

Limits. Not in it: radiation, to the sky or from the sun; rain, spray and wet rope, which cool; wind along the rope,
which cools less than wind across it; shelter. A braided surface is taken as a smooth cylinder of the nominal diameter.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]

KELVIN: Final = 273.15
_PRESSURE_PA: Final = 101325.0
_GRAVITY_M_S2: Final = 9.80665
# U.S. Standard Atmosphere 1976: gas constant 8314.32 J/(kmol K) over 28.9644 kg/kmol; ratio of specific heats 7/5.
_SPECIFIC_HEAT_J_KGK: Final = 3.5 * 8314.32 / 28.9644

# Nodes of the table, evenly spaced in what makes the coefficient nearly straight: the root of the wind, the film's
# temperature, the fourth root of the rise. Outside the table its edge holds, which for wind and rise cools less.
_WINDIEST_M_S: Final = 64.0
_FILMS_C: Final = (-80.0, 240.0)
_WARMEST_RISE_K: Final = 256.0
LEAST_RISE_K: Final = 0.1
"""A surface nearer to air than this loses heat as at this difference: the loss is next to nothing in either case."""


@dataclass(frozen=True, eq=False)
class Convection:
    """Film coefficients [W/(m2 K)] of one diameter on a grid, for linear interpolation.

    `forced` (winds, films) at nodes `wind_roots` [(m/s)^1/2] and `films_c`; `free` (films, rises) at nodes `films_c`
    and `rise_roots` [K^1/4]. All nodes evenly spaced, at least two.
    """

    wind_roots: Values
    films_c: Values
    rise_roots: Values
    forced: Values
    free: Values


def film_coefficient(diameter_m: float, wind_m_s: float, air_c: float, surface_c: float) -> float:
    """Heat lost by a surface to air [W/(m2 K)], straight from the correlations: what the table is made from."""
    film_c = (air_c + surface_c) / 2
    rise_k = max(abs(surface_c - air_c), LEAST_RISE_K)
    return max(_forced(diameter_m, wind_m_s, film_c), _free(diameter_m, film_c, rise_k))


@functools.lru_cache(maxsize=64)
def convection_of(diameter_m: float) -> Convection:
    """The table of one diameter [m].

    Within 0.3 % of `film_coefficient` for 10 to 200 mm, winds up to 40 m/s, air of -40 to 60 °C, up to 100 K rise.
    """
    wind_roots = np.linspace(0.0, math.sqrt(_WINDIEST_M_S), 65)
    films_c = np.linspace(*_FILMS_C, 33)
    rise_roots = np.linspace(math.sqrt(math.sqrt(LEAST_RISE_K)), math.sqrt(math.sqrt(_WARMEST_RISE_K)), 65)
    forced = [[_forced(diameter_m, root**2, film) for film in films_c.tolist()] for root in wind_roots.tolist()]
    free = [[_free(diameter_m, film, root**4) for root in rise_roots.tolist()] for film in films_c.tolist()]
    table = Convection(wind_roots, films_c, rise_roots, np.array(forced), np.array(free))
    for shared in (wind_roots, films_c, rise_roots, table.forced, table.free):
        shared.flags.writeable = False
    return table


def _air(film_c: float) -> tuple[float, float, float]:
    """Kinematic viscosity [m2/s], Prandtl number and conductivity [W/(m K)] of dry air at sea level."""
    from fluids.atmosphere import ATMOSPHERE_1976

    film_k = film_c + KELVIN
    viscosity_pa_s = ATMOSPHERE_1976.viscosity(film_k)
    conductivity_w_mk = ATMOSPHERE_1976.thermal_conductivity(film_k)
    density_kg_m3 = ATMOSPHERE_1976.density(film_k, _PRESSURE_PA)
    return (
        viscosity_pa_s / density_kg_m3,
        viscosity_pa_s * _SPECIFIC_HEAT_J_KGK / conductivity_w_mk,
        conductivity_w_mk,
    )


def _forced(diameter_m: float, wind_m_s: float, film_c: float) -> float:
    from ht.conv_external import Nu_cylinder_Churchill_Bernstein

    viscosity_m2_s, prandtl, conductivity_w_mk = _air(film_c)
    nusselt = Nu_cylinder_Churchill_Bernstein(Re=wind_m_s * diameter_m / viscosity_m2_s, Pr=prandtl)
    return float(nusselt * conductivity_w_mk / diameter_m)


def _free(diameter_m: float, film_c: float, rise_k: float) -> float:
    from ht.conv_free_immersed import Nu_horizontal_cylinder_Churchill_Chu

    viscosity_m2_s, prandtl, conductivity_w_mk = _air(film_c)
    grashof = _GRAVITY_M_S2 * rise_k / (film_c + KELVIN) * diameter_m**3 / viscosity_m2_s**2
    return float(Nu_horizontal_cylinder_Churchill_Chu(Pr=prandtl, Gr=grashof) * conductivity_w_mk / diameter_m)
