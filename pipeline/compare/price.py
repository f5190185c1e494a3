"""Life that a history by class takes of a rope, mechanism by mechanism. Pure.

By class a rope is at air temperature, each closed cycle is two swings over the hardest of the chocks that the line lay
on, and metres paid out are not known. What of that matters shows in the error against exact figures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from pipeline.compare.history import History
from pipeline.ledger.account import shown
from pipeline.night.wearing import Wear
from pipeline.wear.abrasion import NotReckoned, contact_of, swing_units
from pipeline.wear.creep import creep_units
from pipeline.wear.fatigue import UNIT_EXPONENT, half_cycles, life_units, to_decimal
from pipeline.wear.together import adds, free_length
from schemas.registers import Rigging, Spec


@dataclass(frozen=True)
class Lives:
    """Life used by mechanism, the factor on fatigue applied, open cycles as half cycles; None: not reckoned.

    `creep_at_most`: where `creep` is None but some of it would count, what it is at air temperature if all of it did.
    """

    fatigue: Decimal
    creep: Decimal | None
    abrasion: Decimal | None
    creep_at_most: Decimal | None = None

    def used(self, spec: Spec) -> Decimal:
        """Life used in the worse band, free length or contact, from what is reckoned."""
        return self._used(spec, self.creep)

    def used_at_most(self, spec: Spec) -> Decimal:
        """The same, with `creep_at_most` where creep is not reckoned."""
        return self._used(spec, self.creep if self.creep_at_most is None else self.creep_at_most)

    def _used(self, spec: Spec, creep: Decimal | None) -> Decimal:
        free = free_length(spec.material, spec.fatigue.includes, self.fatigue, creep).life
        return free if self.abrasion is None else max(free, self.abrasion)


def price(history: History, wear: Wear, riggings: Sequence[Rigging]) -> Lives:
    """What a history by class takes of a rope, rigged as `riggings` say."""
    creep, rule = _creep(history, wear), adds(wear.spec.material, wear.spec.fatigue.includes)
    # Which 10-minute bins the load stood in is not kept by class.
    bound = rule == "sustained-only"
    return Lives(
        fatigue=_fatigue(history, wear),
        creep=None if bound else creep,
        abrasion=_abrasion(history, wear, riggings),
        creep_at_most=creep if bound else None,
    )


def _fatigue(history: History, wear: Wear) -> Decimal:
    curve, force = wear.spec.fatigue, wear.break_force_kn
    open_low, open_high = half_cycles(history.residue_kn)
    ones = np.ones(open_low.size, np.int64)
    closed = life_units(history.low_kn, history.high_kn, history.count, break_force_kn=force, curve=curve)
    open_ = life_units(open_low, open_high, ones, break_force_kn=force, curve=curve)
    return shown(to_decimal(2 * closed + open_, UNIT_EXPONENT + 1), curve.factor)


def _creep(history: History, wear: Wear) -> Decimal | None:
    """Creep of all time at level; None where the spec has none, or it takes no life."""
    creep, rule = wear.spec.creep, adds(wear.spec.material, wear.spec.fatigue.includes)
    if creep is None or rule in ("load-time-only", "none"):
        return None
    crept = creep_units(
        np.zeros(history.level_class.size, np.int64),
        history.level_class,
        history.level_us,
        np.empty(0, np.int64),
        np.empty(0, np.float64),
        break_force_kn=wear.break_force_kn,
        creep=creep,
        ambient_c=float(wear.air.temperature_c),
    )
    return to_decimal(crept.units)


def _abrasion(history: History, wear: Wear, riggings: Sequence[Rigging]) -> Decimal | None:
    contacts = [contact_of(row, wear.spec.abrasion, wear.break_force_kn) for row in riggings]
    open_low, open_high = half_cycles(history.residue_kn)
    low_kn = np.concatenate((history.low_kn, open_low))
    high_kn = np.concatenate((history.high_kn, open_high))
    count = np.concatenate((2 * history.count, np.ones(open_low.size, np.int64)))
    worn = [
        swing_units(low_kn, high_kn, count, contact) for contact in contacts if not isinstance(contact, NotReckoned)
    ]
    return to_decimal(max(worn)) if worn else None
