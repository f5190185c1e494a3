"""How mechanisms of the free length stand together, so that none is counted twice.

A rope cycled in a test creeps and warms meanwhile: a fatigue curve that contains creep must not have it added again.
External abrasion is local to a contact and never part of this.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, Generic, Literal, TypeVar

from pipeline.wear.lives import EXACT
from schemas.specs import Material

Rule = Literal["worse-of-two", "sustained-only", "all-added", "load-time-only", "none"]
Life = TypeVar("Life", int, Decimal)

RULES: Final[dict[Material, Rule]] = {
    "polyamide": "worse-of-two",
    "polypropylene": "worse-of-two",
    "hmpe": "sustained-only",
    "polyester": "load-time-only",
    "aramid": "load-time-only",
    "lcp": "load-time-only",
    "wire": "none",
}
"""What creep does beside fatigue, by material.

Polyamide: its cyclic life follows from creep rupture, whatever the frequency (Kenney, Mandell & McGarry 1985, J. Mater.
Sci. 20:2045, abstract), so fatigue and creep are two readings of one thing, whether or not the curve names creep.
Polypropylene as polyamide, HMPE, polyester, aramid, lcp and wire: common practice, no source.
"""


@dataclass(frozen=True)
class Together(Generic[Life]):
    """Life counted for the free length, in the units it came in, and what stands in it, in words."""

    life: Life
    words: str


def adds(material: Material, includes: Collection[str]) -> Rule:
    """How creep stands beside fatigue for a material and a curve whose tests already contain `includes`.

    `sustained-only`: creep of bins in which the load stood is added; `all-added`: that of all bins, since the curve
    holds none. `worse-of-two`: the larger. `load-time-only`: creep is shown as time under load, and takes no life.
    """
    rule = RULES[material]
    return "all-added" if rule == "sustained-only" and "creep" not in includes else rule


def free_length(material: Material, includes: Collection[str], fatigue: Life, creep: Life | None) -> Together[Life]:
    """Life used by the free length, by `adds`; exact, in the same kind and unit as given.

    `creep` is that of the bins which the rule counts (`pipeline.wear.creep.sustained_bins` for `sustained-only`), None
    where the spec has no creep constants. To be applied to totals of a zone: the larger of two totals is not the sum
    of the larger of each day. Raises decimal.Inexact for a sum of over 200 digits.
    """
    rule = adds(material, includes)
    if rule == "none":
        return Together(fatigue, "fatigue; creep is not reckoned for this material")
    if rule == "load-time-only":
        return Together(fatigue, "fatigue; creep is shown as time under load only, and takes no life")
    if creep is None:
        return Together(fatigue, "fatigue alone: the spec has no creep constants, so creep is not reckoned")
    if rule == "worse-of-two":
        if creep > fatigue:
            return Together(creep, "creep, the worse of fatigue and creep; they are not added")
        return Together(fatigue, "fatigue, the worse of fatigue and creep; they are not added")
    which = (
        "under sustained load, which the fatigue curve does not contain" if rule == "sustained-only" else "at all times"
    )
    return Together(_sum(fatigue, creep), f"fatigue, and creep {which}")


def _sum(one: Life, other: Life) -> Life:
    if isinstance(one, Decimal) and isinstance(other, Decimal):
        return EXACT.add(one, other)
    return one + other
