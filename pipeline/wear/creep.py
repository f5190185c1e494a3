"""Creep: life used by load that stands, as a sum of time fractions (Robinson 1938: time over time to rupture).

Time to rupture t = 10^log10_tau0_s * exp((u0 - gamma * L) / (R * T)), activated by load L (over the line's own break
force) and core temperature T (the form of Zhurkov and Eyring). Time at level comes in 5 kN classes, each taken at its
middle, and in 10-minute bins, each with one temperature. Every (bin, class) item is reckoned in scalar libm and rounded
once to a whole number of 2^-100, so that sums do not depend on cuts or order.

Limits. Nothing accrues at or below the spec's floor: an unloaded line on a drum does not age by it. Above the floor but
outside the loads and temperatures at which the constants were fitted no life is claimed; the time is given by reason,
and it is not harmless: beyond the upper ends a rope creeps faster than any figure here says. Linear sums know no
recovery while slack and no order of loads.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import Bug, RegisterError
from pipeline.kernels import compiled
from pipeline.wear.cells import BIN_US, CLASS_KN, middles_kn
from pipeline.wear.exact import MOST_LIFE, sum_units
from pipeline.wear.lives import check_break_force
from schemas.specs import Creep

Values = NDArray[np.float64]
Ints = NDArray[np.int64]

GAS_CONSTANT_J_MOLK: Final = 8.314462618
"""Molar gas constant to the ten figures that CODATA 2018 and 2022 print (it is exact: 8.314 462 618 153 24)."""
_ZERO_C_K: Final = 273.15
_J_PER_KJ: Final = 1000.0
_US_PER_S: Final = 1e6

# Why an item counts or not, as the compiled loop says it.
_REASONS: Final = 6
_COUNTED, _NOT_ABOVE_FLOOR, _LOAD, _COLD, _HOT, _NOT_WANTED = range(_REASONS)
_NO_BINS: Final = np.empty(0, np.int64)


@dataclass(frozen=True)
class Crept:
    """Life used, in units of 2^-100, and time above the floor [us]: counted, or outside what was fitted.

    Each item of time stands once: outside the fitted loads first, then colder or hotter than fitted.
    """

    units: int
    counted_us: int
    outside_load_us: int
    outside_cold_us: int
    outside_hot_us: int


def rupture_s(load_ratio: float, core_c: float, creep: Creep) -> float:
    """Time to rupture [s] under a standing load over break force, at a core temperature [degC].

    Looks at neither floor nor fitted range. Raises RegisterError where the constants leave no finite time above 0.
    """
    try:
        time_s = math.pow(10.0, creep.log10_tau0_s) * math.exp(
            (creep.u0_kj_mol - creep.gamma_kj_mol * load_ratio)
            * _J_PER_KJ
            / (GAS_CONSTANT_J_MOLK * (core_c + _ZERO_C_K))
        )
    except (OverflowError, ZeroDivisionError):
        time_s = math.inf
    if not 0 < time_s < math.inf:
        raise _no_figure(load_ratio, core_c, creep)
    return time_s


@compiled
def _row_of(bins: Ints, wanted: int) -> int:
    """Where `wanted` stands in `bins`, which ascend; -1 where it does not."""
    row = np.searchsorted(bins, wanted)
    return int(row) if row < bins.size and bins[row] == wanted else -1


@compiled
def _lives(
    level_bins: Ints,
    loads: Values,
    level_us: Ints,
    temperature_bins: Ints,
    core_c: Values,
    ambient_c: float,
    counted: Ints,
    all_count: bool,
    tau0_s: float,
    u0_kj_mol: float,
    gamma_kj_mol: float,
    floor: float,
    fitted_load: tuple[float, float],
    fitted_c: tuple[float, float],
    gas_constant: float,
    lives: Values,
    told_us: NDArray[np.int64],
) -> int:
    """Fill `lives` (n,), 0 where nothing counts, and add up `told_us` by reason. The first item without figure, or -1.

    `counted`: ascending, the bins that count unless `all_count`.
    """
    wanted, at_c = all_count, ambient_c
    for i in range(loads.size):
        lives[i] = 0.0
        if i == 0 or level_bins[i] != level_bins[i - 1]:
            wanted = all_count or _row_of(counted, level_bins[i]) >= 0
            row = _row_of(temperature_bins, level_bins[i])
            at_c = ambient_c if row < 0 else core_c[row]
        reason = _COUNTED
        if not wanted:
            reason = _NOT_WANTED
        elif not loads[i] > floor:
            reason = _NOT_ABOVE_FLOOR
        elif not fitted_load[0] <= loads[i] <= fitted_load[1]:
            reason = _LOAD
        elif at_c < fitted_c[0]:
            reason = _COLD
        elif at_c > fitted_c[1]:
            reason = _HOT
        else:
            time_s = tau0_s * math.exp(
                (u0_kj_mol - gamma_kj_mol * loads[i]) * _J_PER_KJ / (gas_constant * (at_c + _ZERO_C_K))
            )
            if not 0 < time_s < np.inf:
                return i
            lives[i] = (level_us[i] / _US_PER_S) / time_s
        told_us[reason] += level_us[i]
    return -1


def creep_units(
    level_bins: Ints,
    level_classes: Ints,
    level_us: Ints,
    temperature_bins: Ints,
    core_c: Values,
    *,
    break_force_kn: float,
    creep: Creep,
    ambient_c: float,
    counted: Ints | None = None,
) -> Crept:
    """Creep over time at level: the sum of round(seconds / rupture time * 2^100).

    `level_bins`, `level_classes`, `level_us` (n,): a sheet's time at level. `temperature_bins`, strictly ascending, and
    `core_c` (b,) [degC]: the core by bin; bins that have no row are at `ambient_c`. `counted`: the bins that count, if
    not all do (`sustained_bins`), ascending; time in others is not told at all. Equal, unit for unit, to the same sum
    in Python.
    Raises RegisterError for a break force or constants that leave no finite figure, Bug for items that cannot be.
    """
    _check(level_bins, level_classes, level_us, temperature_bins, core_c, ambient_c)
    check_break_force(break_force_kn)
    loads = middles_kn(level_classes) / break_force_kn
    lives, told_us = np.empty(loads.size), np.zeros(_REASONS, np.int64)
    bad = _lives(
        level_bins,
        loads,
        level_us,
        temperature_bins,
        core_c,
        ambient_c,
        _NO_BINS if counted is None else counted,
        counted is None,
        _tau0_s(creep),
        creep.u0_kj_mol,
        creep.gamma_kj_mol,
        creep.floor,
        creep.fitted_load,
        creep.fitted_c,
        GAS_CONSTANT_J_MOLK,
        lives,
        told_us,
    )
    if bad < 0 and lives.size and not lives.max() < MOST_LIFE:
        bad = int(lives.argmax())
    if bad >= 0:
        row = int(np.searchsorted(temperature_bins, level_bins[bad]))
        known = row < temperature_bins.size and temperature_bins[row] == level_bins[bad]
        raise _no_figure(float(loads[bad]), float(core_c[row]) if known else ambient_c, creep)
    told = [int(told_us[reason]) for reason in (_COUNTED, _LOAD, _COLD, _HOT)]
    return Crept(sum_units(lives), *told)


def sustained_bins(
    level_bins: Ints,
    swing_cells: Ints,
    bridged_low_kn: Values,
    bridged_high_kn: Values,
    bridged_end_us: Ints,
    *,
    break_force_kn: float,
    creep: Creep,
) -> Ints:
    """The bins with time at level in which the load stood: no swing that ended there reached `sustained_range`.

    For a fatigue curve that contains creep only these add creep. `swing_cells` (n, 4) as a sheet keeps them: bin, class
    of the lower end, of the upper end, count. A cell's swings are below (upper - lower + 1) * 5 kN, which is what is
    held against the limit; `bridged_*` (b,) are exact. So for small lines, whose limit is under 5 kN, only bins in
    which no swing ended count: their creep is understated. A slow swing counts in the bin where it ends alone. A swing
    that the join finishes and that ended on the day before marks no bin: its own was priced then, as if the load had
    stood in it, too much rather than too little.
    Returns distinct bins, ascending.
    """
    check_break_force(break_force_kn)
    limit_kn = creep.sustained_range * break_force_kn
    present = level_bins if (np.diff(level_bins) >= 0).all() else np.sort(level_bins)
    present = present[np.concatenate((np.ones(min(present.size, 1), np.bool_), np.diff(present) > 0))]
    swung = np.zeros(present.size, np.bool_)
    bins, low_classes, high_classes, _ = swing_cells.T
    _mark_swung(present, bins, low_classes, high_classes, CLASS_KN, limit_kn, swung)
    for end_us in bridged_end_us[bridged_high_kn - bridged_low_kn >= limit_kn].tolist():
        swung |= present == end_us // BIN_US
    stood: Ints = present[~swung]
    return stood


@compiled
def _mark_swung(
    present: Ints,
    bins: Ints,
    low_classes: Ints,
    high_classes: Ints,
    class_kn: float,
    limit_kn: float,
    swung: NDArray[np.bool_],
) -> None:
    """Mark each of the bins `present` (n,), ascending, in which a cell's swings may have gone over the limit."""
    row = -1
    for i in range(bins.size):
        if i == 0 or bins[i] != bins[i - 1]:
            row = _row_of(present, bins[i])
        if row >= 0 and (high_classes[i] - low_classes[i] + 1) * class_kn > limit_kn:
            swung[row] = True


def _tau0_s(creep: Creep) -> float:
    try:
        return math.pow(10.0, creep.log10_tau0_s)
    except OverflowError:
        return math.inf


def _check(
    level_bins: Ints, level_classes: Ints, level_us: Ints, temperature_bins: Ints, core_c: Values, ambient_c: float
) -> None:
    if not level_bins.size == level_classes.size == level_us.size or temperature_bins.size != core_c.size:
        raise Bug("time at level needs a bin, a class and a time each; temperatures a bin each")
    if level_us.size and level_us.min() < 0:
        raise Bug("time at level cannot be below 0", next_step="run `tautlog audit`")
    if not (np.diff(temperature_bins) > 0).all():
        raise Bug("bins of temperatures must ascend")
    if not (np.isfinite(core_c).all() and (core_c > -_ZERO_C_K).all() and -_ZERO_C_K < ambient_c < math.inf):
        raise Bug("a temperature must be a number above -273.15 °C")


def _no_figure(load_ratio: float, core_c: float, creep: Creep) -> RegisterError:
    return RegisterError(
        f"the creep constants give no finite time to rupture at {load_ratio} of break force and {core_c} °C",
        found=f"log10_tau0_s = {creep.log10_tau0_s}, u0_kj_mol = {creep.u0_kj_mol}, "
        f"gamma_kj_mol = {creep.gamma_kj_mol}",
        expected="constants for load over break force and temperature in kelvin",
        next_step="correct [creep] in the spec",
    )
