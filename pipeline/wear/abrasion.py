"""External abrasion at the chock: friction work of the rope that slides over it, against the work it can bear there.

Tensions: T1 outboard, T2 inboard of a contact of wrap angle theta and friction mu; E = e^(mu*theta) (capstan equation;
Beer & Johnston, Statics, problem 8.104). The rope sticks while T1/E <= T2 <= T1*E. When T1 rises out of this band, the
rope slides outboard and T2 = T1/E; when T1 falls out of it, the rope slides inboard and T2 = T1*E.

In steady cycling of T1 between lo and hi, T2 therefore runs from lo*E up to hi/E and back; if hi/E <= lo*E, nothing
slides. What slides is what the inboard length stretches by, s = (hi/E - lo*E) * inboard_m / EA, once in each half.
Friction is T1 - T2, linear over the slip, so that the work of a half is its mean over the slip times s:

    rising:  T2 = T1/E, T1 from lo*E^2 to hi:  (1 - 1/E) * (lo*E^2 + hi)/2 * s
    falling: T2 = T1*E, T1 from hi/E^2 to lo:  (E - 1) * (hi/E^2 + lo)/2 * s

A swing of a sheet does not tell its direction, and takes the mean of both. Metres that a winch lets go over the contact
under T1 take (1 - 1/E) * T1 each. kN times m is kJ. Life used is work over the spec's allowable work for the state of
the surface: Archard (1953), worn volume = K*W*L/H, with wear, friction coefficient and hardness in one constant.

Limits. Each swing counts as one of steady cycling, with no memory from swing to swing: what slides while the mean
drifts by swings that each stay in the band is not seen, and more slides in truth than is counted. Only the inboard
length stretches; the rope on the contact and outboard of it does not. Tension below 0 counts as 0. The tension measured
is taken for the outboard one; a winch's gauge reads the inboard one, and what slides then bears more than it shows.
Metres have no direction here: heaving in under an outboard T1 takes (E - 1) * T1 each, E times what is counted. The
life is that of one contact band, no part of the free length's. What is seen at the contact outranks any figure here.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import Bug, RegisterError
from pipeline.kernels import compiled
from pipeline.wear.exact import MOST_LIFE, sum_units
from pipeline.wear.lives import check_break_force
from schemas.specs import Abrasion

Values = NDArray[np.float64]
Counts = NDArray[np.int64]

SURFACES: Final = ("smooth", "worn", "rough")
ROLLERS: Final = frozenset({"roller", "rollers"})
BESIDE_ROLLERS: Final = ROLLERS | {
    *("a", "one", "two", "three", "four", "with", "and", "on", "that"),
    *("steel", "cast", "iron", "bronze", "nylon", "polymer", "plain", "new", "free", "freely", "turning", "turns"),
    *("pedestal", "universal", "fairlead", "fairleads", "lead", "leads", "chock", "chocks"),
}
"""Words beside which the word roller means one that turns. Beside any other (seized, worn, doesn't, no) it may not: a
contact that is taken to roll has no wear at all, so that a doubt must not read as one. House rule."""

_MOST_SWINGS: Final = 1 << 35


class Geometry(Protocol):
    """How a rigging lies over its chock: columns of `rigging.csv`, None where not registered."""

    @property
    def inboard_m(self) -> float | None: ...
    @property
    def wrap_deg(self) -> float | None: ...
    @property
    def surface(self) -> str | None: ...


@dataclass(frozen=True)
class Contact:
    """One contact of a rope. `capstan`: E; `give_m_per_kn`: what the inboard length stretches by a kN.

    `rolls`: a roller that turns with the rope; nothing slides, and every figure from here is 0. `says`: the contact in
    words.
    """

    capstan: float
    held: float
    gained: float
    give_m_per_kn: float
    allowable_work_kj: float
    rolls: bool
    says: str


@dataclass(frozen=True)
class NotReckoned:
    """No abrasion can be reckoned, and why."""

    why: str


@dataclass(frozen=True)
class Slip:
    """What one swing slides each way [m], and the friction work of its rising and falling half [kJ]."""

    slip_m: float
    rising_kj: float
    falling_kj: float

    @property
    def work_kj(self) -> float:
        """The work of a half-cycle whose direction is not known: the mean of both."""
        return (self.rising_kj + self.falling_kj) / 2


def contact_of(geometry: Geometry, abrasion: Abrasion | None, break_force_kn: float) -> Contact | NotReckoned:
    """The contact of a rigging with a rope's constants; EA of the inboard length is `stiffness` times break force.

    A surface of a roller, and of no word but `BESIDE_ROLLERS`, rolls. A roller that no longer turns is none: register
    the state of its surface. Raises RegisterError for a break force that is not above 0, and an angle beyond all
    reckoning.
    """
    if abrasion is None:
        return NotReckoned("the spec has no [abrasion]")
    if geometry.surface is None:
        return NotReckoned("the rigging has no surface")
    surface = geometry.surface.strip().lower()
    if _turns(surface):
        return Contact(1.0, 0.0, 0.0, 0.0, math.inf, True, f'surface "{surface}": a roller turns, nothing slides')
    if geometry.inboard_m is None:
        return NotReckoned("the rigging has no inboard_m (metres from chock to drum)")
    if geometry.wrap_deg is None:
        return NotReckoned("the rigging has no wrap_deg (angle over the chock)")
    if surface not in SURFACES:
        return NotReckoned(f'surface "{surface}" is none of {", ".join(SURFACES)}, nor plainly a roller that turns')
    allowable_kj: float | None = getattr(abrasion.allowable_work_kj, surface)
    if allowable_kj is None:
        return NotReckoned(f"the spec has no allowable_work_kj for a {surface} surface")
    check_break_force(break_force_kn)
    angle = abrasion.friction * math.radians(geometry.wrap_deg)
    return Contact(
        capstan=capstan(abrasion.friction, geometry.wrap_deg),
        held=-math.expm1(-angle),
        gained=math.expm1(angle),
        give_m_per_kn=geometry.inboard_m / (abrasion.stiffness * break_force_kn),
        allowable_work_kj=allowable_kj,
        rolls=False,
        says=f"{geometry.wrap_deg:g} degrees over a {surface} surface, {geometry.inboard_m:g} m inboard",
    )


def capstan(friction: float, wrap_deg: float) -> float:
    """E = e^(mu*theta): the largest ratio of the two tensions of a rope that does not slide (capstan equation).

    Raises RegisterError where E^2 is beyond all numbers.
    """
    try:
        ratio = math.exp(friction * math.radians(wrap_deg))
    except OverflowError:
        ratio = math.inf
    if not math.isfinite(ratio * ratio):
        raise RegisterError(
            "no rope is wrapped so far",
            found=f"wrap_deg = {wrap_deg}",
            expected="degrees over the chock, as 90",
            next_step="correct wrap_deg in rigging.csv",
        )
    return ratio


def capstan_over(geometry: Geometry, abrasion: Abrasion | None) -> float | None:
    """E of a rigging's chock with a rope's friction, 1 over a turning roller; None where friction or wrap is not given.

    It needs neither the inboard length nor the state of the surface, which wear does.
    """
    if geometry.surface is not None and _turns(geometry.surface.strip().lower()):
        return 1.0
    if abrasion is None or geometry.wrap_deg is None:
        return None
    return capstan(abrasion.friction, geometry.wrap_deg)


def slip_of(low_kn: float, high_kn: float, contact: Contact) -> Slip:
    """Slip and work of one swing of the outboard tension, `low_kn` not above `high_kn`; inside the band none."""
    low, high = max(low_kn, 0.0), max(high_kn, 0.0)
    band = contact.capstan
    if contact.rolls or not high / band > low * band:
        return Slip(0.0, 0.0, 0.0)
    slip_m = (high / band - low * band) * contact.give_m_per_kn
    rising = contact.held * ((low * band * band + high) / 2) * slip_m
    falling = contact.gained * ((high / band / band + low) / 2) * slip_m
    return Slip(slip_m, rising, falling)


def travel_work_kj(tension_kn: float, metres: float, contact: Contact) -> float:
    """Friction work of metres let go over the contact under an outboard tension [kJ]."""
    return contact.held * max(tension_kn, 0.0) * metres


@compiled
def _swing_lives(
    low_kn: Values,
    high_kn: Values,
    count: Counts,
    band: float,
    held: float,
    gained: float,
    give_m_per_kn: float,
    allowable_kj: float,
    lives: Values,
) -> tuple[int, int, float]:
    """`slip_of(...).work_kj / allowable_kj`, digit for digit, into `lives` (n,).

    Returns the first swing that is none, that of the first count below 0 (-1: no such), and the sum of counts.
    """
    whole = 0.0
    for i in range(lives.size):
        if not (-np.inf < low_kn[i] <= high_kn[i] < np.inf):
            return i, -1, whole
        if count[i] < 0:
            return -1, i, whole
        whole += count[i]
        lives[i] = 0.0
        low, high = max(low_kn[i], 0.0), max(high_kn[i], 0.0)
        if high / band > low * band:
            slip_m = (high / band - low * band) * give_m_per_kn
            rising = held * ((low * band * band + high) / 2) * slip_m
            falling = gained * ((high / band / band + low) / 2) * slip_m
            lives[i] = (rising + falling) / 2 / allowable_kj
    return -1, -1, whole


@compiled
def _travel_lives(tension_kn: Values, metres: Values, held: float, allowable_kj: float, lives: Values) -> int:
    """`travel_work_kj(...) / allowable_kj`, digit for digit, into `lives` (n,); the first item that is none, or -1."""
    for i in range(lives.size):
        if not (-np.inf < tension_kn[i] < np.inf and 0.0 <= metres[i] < np.inf):
            return i
        lives[i] = held * max(tension_kn[i], 0.0) * metres[i] / allowable_kj
    return -1


def swing_units(low_kn: Values, high_kn: Values, count: Counts, contact: Contact) -> int:
    """Life used by swings (half-cycles), in units of 2^-100: the sum of count * round(life of one * 2^100).

    low_kn, high_kn (n,) [kN], low not above high, of the line; count (n,) int64. A sheet's cells come as the middles of
    their classes, 5c + 2.5 kN; swings joined at midnight as they are. 0 over a roller.
    Raises Bug for swings that cannot be, RegisterError where the constants leave no finite figure.
    """
    if not low_kn.size == high_kn.size == count.size:
        raise Bug(f"swings do not match: {low_kn.size} lows, {high_kn.size} highs, {count.size} counts")
    if count.size == 0:
        return 0
    lives = np.empty(low_kn.size)
    none, negative, whole = _swing_lives(
        low_kn,
        high_kn,
        count,
        contact.capstan,
        contact.held,
        contact.gained,
        contact.give_m_per_kn,
        contact.allowable_work_kj,
        lives,
    )
    if none >= 0:
        raise Bug("a swing's low must be a number not above its high", next_step="run `tautlog audit`")
    if negative >= 0 or not whole < _MOST_SWINGS:
        raise Bug("counts of swings must be 0 or more, and fewer than 2^35 in all")
    return 0 if contact.rolls else _sum(lives, count, contact)


def travel_units(tension_kn: Values, metres: Values, contact: Contact) -> int:
    """Life used by metres let go over the contact, in units of 2^-100: the sum of round(life of an item * 2^100).

    tension_kn (n,): outboard [kN], a sheet's classes as their middles; metres (n,), 0 or more. 0 over a roller.
    Raises Bug for travel that cannot be, RegisterError where the constants leave no finite figure.
    """
    if tension_kn.size != metres.size:
        raise Bug(f"travel does not match: {tension_kn.size} tensions, {metres.size} lengths")
    if metres.size == 0:
        return 0
    lives = np.empty(tension_kn.size)
    if _travel_lives(tension_kn, metres, contact.held, contact.allowable_work_kj, lives) >= 0:
        raise Bug("travel is metres of 0 or more at a tension that is a number", next_step="run `tautlog audit`")
    return 0 if contact.rolls else _sum(lives, None, contact)


def _sum(lives: Values, count: Counts | None, contact: Contact) -> int:
    if not lives.max() < MOST_LIFE:
        raise RegisterError(
            f"abrasion gives no finite life for a contact of {contact.says}",
            found=f"allowable work of {contact.allowable_work_kj} kJ, stretch of {contact.give_m_per_kn} m per kN",
            expected="constants of a rope and a chock",
            next_step="correct [abrasion] in the spec, or the rigging",
        )
    return sum_units(lives, count)


def _turns(surface: str) -> bool:
    words = set(re.findall(r"[^\W\d_]+", surface))
    return bool(words & ROLLERS) and words <= BESIDE_ROLLERS
