"""Readings that a gauge made up: what the new kinds known from tension alone leave out. No flag is changed by it.

DESIGN takes no reading away from peak-load, brake-render and wear; slack, snap-load, ten-minute bins and brake-held
are ours to define, and look at sound readings alone. House rules, no source. None of a line's load are:

* a spike: a reading marked by the quality check of that name (far off the straight line between its neighbours) that
  sticks out from both, from the one at least half as far as from the other;
* a single reading below zero by more than the slack level, between two at the slack level or above: no line pushes;
* a gauge that dropped out: four readings or more of the very same value below the slack level, half an hour at most,
  that were gone to and come back from in one step (1.5 times the slack level or more), the line not slack all the
  minute before. A line that falls slack gets there by readings between, or does not stay to the last digit;
* a gauge that stuck: readings that the quality check for flat lines marked, which leaves a coarse gauge near zero
  alone; and, since that looks back only, the very same readings in a row before them. Not at its capacity, where it
  stands still because of the load.

Limits. A blow, or a slack, that is over between three readings of a slow logger looks like a spike; the limit of that
check, in percent of capacity, says how much. A gauge that reads slack lines coarsely, once a second, may read four
times the same of a line that fell slack at once: then a slack, a note at most times, is not told.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from pipeline.events.sound_kernel import made_up
from pipeline.events.tension import Bools, Floats, SlackLevel, Tension, us
from schemas.registers import Policy

ALIKE: Final = 0.5
"""How much of the greater the lesser distance of a spike from its two neighbours is, at least."""
CALM_S: Final = 60.0
LONGEST_S: Final = 1800.0
LEAST_ALIKE: Final = 4


def spikes(kn: Floats, usable: Bools, marked: Bools) -> Bools:
    """Which readings (n,) are spikes. `marked`: by the check for spikes; those not `usable` are neighbours of none."""
    out = np.zeros(kn.size, np.bool_)
    if not marked.any():
        return out
    known = np.flatnonzero(usable)
    at = np.flatnonzero(marked[known])
    at = at[(at > 0) & (at < known.size - 1)]
    before, after = kn[known[at]] - kn[known[at - 1]], kn[known[at]] - kn[known[at + 1]]
    least, most = np.minimum(np.abs(before), np.abs(after)), np.maximum(np.abs(before), np.abs(after))
    out[known[at[(before * after > 0.0) & (least >= ALIKE * most)]]] = True
    return out


def stuck(value: Floats, marked: Bools) -> Bools:
    """Which readings (n,) a gauge that stuck gave: those `marked` by the check for flat lines, and the very same ones
    in a row with them. Missing readings are passed over."""
    out = marked.copy()
    if not marked.any():
        return out
    known = np.flatnonzero(~np.isnan(value))
    starts = np.append(0, np.flatnonzero(np.diff(value[known])) + 1)
    of_run = np.logical_or.reduceat(marked[known], starts)
    out[known] |= np.repeat(of_run, np.diff(starts, append=known.size))
    return out


def sound(tension: Tension, level: SlackLevel, policy: Policy, least_kn: float) -> Tension:
    """The same readings, of which those that are none of the line's load are not `usable`.

    Needs the readings of half an hour and a minute on either side of what is looked at, as far as there are any.
    `least_kn`: the least of the usable ones, so that a record with neither slack nor spikes need not be gone through.
    """
    if least_kn >= level.most_kn and not tension.spiky.any() and not tension.still.any():
        return tension
    out = made_up(
        tension.at_us,
        tension.kn,
        tension.usable,
        tension.spiky,
        level.from_us,
        level.kn,
        us(policy.max_gap_s),
        us(CALM_S),
        us(LONGEST_S),
        LEAST_ALIKE,
    )
    out |= tension.still & tension.usable
    return replace(tension, usable=tension.usable & ~out) if out.any() else tension
