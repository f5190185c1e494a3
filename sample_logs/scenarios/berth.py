"""A berth drawn from the seed: the ship, her lines, where each is measured, and what its place can tell.

Axes as in `sample_logs.world`: x along the quay towards the bow, y away from the quay, z up; metres, kN, tonnes.
Every figure is invented: roles, leads and lengths look like a tanker berth's and belong to none.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

Role = Literal["head", "breast", "spring", "stern"]
Device = Literal["hook", "winch"]

NEVER_KN: Final = 1e9
"""A brake that holds whatever comes."""
SLACK_KN: Final = 2.5
"""A slack line still hangs from its hook."""


@dataclass(frozen=True)
class BerthLine:
    """One main line, with the tail in it if it has one: geometry, rope, winch, and the place that measures it.

    share: the part of the place's load that the register gives to this line (0.5 on a shared hook, assumed).
    tells: which of hook-state, payout, brake, winch-mode the place records. holds_kn, grips_kn: what the brake really
    holds, and where it grips again after a slip. pretension_kn: planned; `planned` says whether the register has it.
    reading = tension / gain + zero_kn, as the calibration register says. layer, reeling: as the register has them;
    holds_kn is what the brake holds as the rope lies.
    """

    line: str
    role: Role
    end: Literal["fore", "aft"]
    place: str
    device: Device
    logger: str
    share: float
    tells: tuple[str, ...]
    fairlead: tuple[float, float]
    hook: tuple[float, float, float]
    ea_kn: float
    tail_m: float
    tail_e0: float
    tail_t0_kn: float
    break_force_kn: float
    pretension_kn: float
    planned: bool
    brake_set_kn: float | None
    brake_set_days_ago: int
    holds_kn: float
    grips_kn: float
    capacity_kn: float
    zero_kn: float
    gain: float
    layer: int = 1
    reeling: Literal["right", "wrong"] = "right"

    @property
    def channel(self) -> str:
        return f"{self.place}-tension"

    @property
    def level_m(self) -> float:
        """Horizontal length from fairlead to hook [m]."""
        return float(np.hypot(self.hook[0] - self.fairlead[0], self.hook[1] - self.fairlead[1]))


@dataclass(frozen=True)
class Berth:
    """A site with one ship alongside."""

    name: str
    ship: str
    ship_design_mbl_kn: float
    length_m: float
    mass_t: float
    deck_m: float
    lines: tuple[BerthLine, ...]

    @property
    def places(self) -> tuple[str, ...]:
        """Every place once, in the order of the lines."""
        return tuple(dict.fromkeys(line.place for line in self.lines))

    def rows(self, place: str) -> list[int]:
        """The rows of `lines` made fast at a place."""
        return [row for row, line in enumerate(self.lines) if line.place == place]


# (head or stern, breast, spring) of one end of the ship, by how many lines it has.
_HALVES: Final = {
    4: ((1, 2, 1), (1, 1, 2), (2, 1, 1)),
    5: ((2, 2, 1), (1, 2, 2), (2, 1, 2)),
    6: ((2, 2, 2),),
    7: ((3, 2, 2), (2, 3, 2)),
    8: ((3, 3, 2), (2, 4, 2)),
}
_ROPES: Final = ((40_000.0, "hmpe"), (52_000.0, "hmpe"), (64_000.0, "wire"))


def draw_berth(rng: np.random.Generator, *, rough: bool, pretension: tuple[float, float] = (0.075, 0.115)) -> Berth:
    """A berth of 8 to 16 lines. `rough`: some lines have no tail, so that they snap in a sea.

    pretension: the range of the planned one, in parts of ship design MBL.
    """
    mbl_kn = float(rng.integers(60, 140) * 10)
    length_m = float(rng.uniform(190.0, 310.0))
    halves = [int(rng.choice(list(_HALVES), p=(0.15, 0.2, 0.4, 0.15, 0.1))) for _ in range(2)]
    shapes = [_HALVES[half][int(rng.integers(len(_HALVES[half])))] for half in halves]
    legs = [leg for end, shape in zip((1.0, -1.0), shapes, strict=True) for leg in _legs(rng, end, shape, length_m)]
    kinds = _kinds(rng, [leg[0] for leg in legs])
    lines: list[BerthLine] = []
    ea_kn = _ROPES[int(rng.integers(len(_ROPES)))][0] * mbl_kn / 1300.0
    bare = {role: rough and rng.random() < 0.5 for role in ("spring", "breast")}
    planned = bool(rng.random() < 0.6)
    for number, (leg, kind) in enumerate(zip(legs, kinds, strict=True), start=1):
        role, end, fairlead, hook = leg
        soft = role in ("head", "stern")
        line = BerthLine(
            line=f"L{number:02d}",
            role=role,
            end=end,
            place="",
            device="hook" if kind.startswith("hook") else "winch",
            logger="",
            share=1.0,
            tells=_tells(rng, kind),
            fairlead=fairlead,
            hook=hook,
            ea_kn=ea_kn,
            tail_m=0.0 if bare.get(role, False) else (14.0 if soft else 11.0),
            tail_e0=0.115 if soft else 0.060,
            tail_t0_kn=(150.0 if soft else 170.0) * mbl_kn / 1300.0,
            break_force_kn=round(mbl_kn * float(rng.uniform(1.02, 1.10)), 0),
            pretension_kn=round(mbl_kn * float(rng.uniform(*pretension)), 0),
            planned=planned,
            brake_set_kn=None,
            brake_set_days_ago=0,
            holds_kn=NEVER_KN,
            grips_kn=NEVER_KN,
            capacity_kn=round(mbl_kn * 1.2, -1),
            zero_kn=0.0,
            gain=1.0,
        )
        lines.append(_with_brake(rng, line, kind, mbl_kn))
    placed = _with_places(rng, _balanced(lines))
    size = (mbl_kn / 1300.0) ** 1.5 * len(lines) / 12.0
    deck_m = float(rng.uniform(11.0, 15.0))
    return Berth("scenario-berth", "scenario-ship", mbl_kn, length_m, 80_000.0 * size, deck_m, placed)


def _balanced(lines: list[BerthLine]) -> list[BerthLine]:
    """The planned pretensions, changed so that they pull the ship neither ahead nor astern; to whole kN."""
    pull = {1.0: 0.0, -1.0: 0.0}
    for line in lines:
        ahead = (line.hook[0] - line.fairlead[0]) / np.hypot(line.level_m, 8.0)
        pull[float(np.sign(ahead))] += line.pretension_kn * abs(float(ahead))
    out = []
    for line in lines:
        way = float(np.sign(line.hook[0] - line.fairlead[0]))
        even = 1.0 if line.role == "breast" else float(np.sqrt(pull[-way] / pull[way]))
        out.append(replace(line, pretension_kn=round(line.pretension_kn * even, 0)))
    return out


def _legs(
    rng: np.random.Generator, end: float, shape: tuple[int, int, int], length_m: float
) -> list[tuple[Role, Literal["fore", "aft"], tuple[float, float], tuple[float, float, float]]]:
    """Role, end, fairlead and hook of one end's lines; lines of one role lie some metres apart."""
    where: Literal["fore", "aft"] = "fore" if end > 0 else "aft"
    scale = length_m / 246.0
    outer: Role = "head" if end > 0 else "stern"
    legs: list[tuple[Role, Literal["fore", "aft"], tuple[float, float], tuple[float, float, float]]] = []
    off_m = float(rng.uniform(56.0, 68.0))
    reach_m = float(rng.uniform(28.0, 42.0))
    spring_m = float(rng.uniform(48.0, 66.0))
    for k in range(shape[0]):
        x = end * (118.0 * scale - 2.0 * k)
        legs.append((outer, where, (x, -10.0), (x + end * (reach_m + 3.0 * k), -off_m + 2.0 * k, 6.0)))
    for k in range(shape[1]):
        x = end * (95.0 * scale - 4.0 * k)
        legs.append(("breast", where, (x, -19.5), (x + end * (4.0 - 1.5 * k), -off_m - 2.0, 5.5)))
    for k in range(shape[2]):
        x = end * (70.0 * scale - 4.0 * k)
        legs.append(("spring", where, (x, -20.5), (x - end * (spring_m + 1.5 * k), -29.0, 5.0)))
    return legs


_KINDS: Final = ("hook-told", "hook", "winch-payout", "winch")


def _kinds(rng: np.random.Generator, roles: list[Role]) -> list[str]:
    """How each line is measured: two of each kind at least, in random order, breast lines mostly by winches."""
    count = len(roles)
    weight = rng.dirichlet((1.5, 1.2, 2.8, 1.0))
    more = rng.choice(len(_KINDS), size=count - 8, p=weight)
    kinds = [kind for kind in _KINDS for _ in range(2)] + [_KINDS[int(k)] for k in more]
    mixed = [kinds[int(k)] for k in rng.permutation(count)]
    for row, role in enumerate(roles):
        others = [k for k in range(count) if mixed[k].startswith("winch") and roles[k] != "breast"]
        if role == "breast" and mixed[row].startswith("hook") and others and rng.random() < 0.6:
            other = int(rng.choice(others))
            mixed[row], mixed[other] = mixed[other], mixed[row]
    return mixed


def _tells(rng: np.random.Generator, kind: str) -> tuple[str, ...]:
    if kind == "hook":
        return ()
    if kind == "hook-told":
        return ("hook-state",)
    first = ("payout",) if kind == "winch-payout" else ()
    more = [name for name, chance in (("brake", 0.75), ("winch-mode", 0.7)) if rng.random() < chance]
    return (*first, *more)


def _with_brake(rng: np.random.Generator, line: BerthLine, kind: str, mbl_kn: float) -> BerthLine:
    """Its brake as set and as it is. Of lines on hook pins nobody records the winch; some of those render too."""
    setting = float(np.round(mbl_kn * rng.uniform(0.24, 0.42), 0))
    word = str(rng.choice(("early", "as set", "late", "seized"), p=(0.24, 0.30, 0.24, 0.22)))
    low, high = {"early": (0.55, 0.83), "as set": (0.96, 1.04), "late": (1.18, 1.35), "seized": (9.0, 9.1)}[word]
    holds_kn = max(setting * float(rng.uniform(low, high)), 0.22 * mbl_kn)
    grips_kn = holds_kn * float(rng.uniform(0.78, 0.97))
    days = int(rng.integers(20, 340) if rng.random() < 0.8 else rng.integers(380, 900))
    if word == "seized":
        holds_kn = grips_kn = NEVER_KN
    if kind != "winch-payout" and holds_kn < NEVER_KN:
        # Smooth friction, so that crests are cut one after another: all that tension alone can show.
        holds_kn = mbl_kn * float(rng.uniform(0.2, 0.42))
        grips_kn = holds_kn * float(rng.uniform(0.95, 0.99))
    if kind.startswith("hook"):
        if rng.random() > 0.4:
            holds_kn = grips_kn = NEVER_KN
        return replace(line, holds_kn=holds_kn, grips_kn=grips_kn)
    return replace(line, brake_set_kn=setting, brake_set_days_ago=days, holds_kn=holds_kn, grips_kn=grips_kn)


def _with_places(rng: np.random.Generator, lines: list[BerthLine]) -> tuple[BerthLine, ...]:
    """Places, loggers and calibrations; some neighbours on hooks without a state lie on one pin, half each."""
    placed: list[BerthLine] = []
    hooks = winches = 0
    for line in lines:
        before = placed[-1] if placed else None
        alike = before is not None and (before.role, before.end) == (line.role, line.end) and before.share == 1.0
        bare = line.device == "hook" and not line.tells
        paired = before is not None and alike and bare and before.device == "hook" and not before.tells
        if before is not None and paired and rng.random() < 0.7:
            placed[-1] = replace(before, share=0.5, capacity_kn=round(1.6 * before.capacity_kn, -1))
            placed.append(_beside(placed[-1], line))
            continue
        if line.device == "hook":
            hooks += 1
            place, logger = f"H{hooks}", f"quay-{line.end}"
        else:
            winches += 1
            place, logger = f"W{winches:02d}", f"ship-{line.end}"
        plain = rng.random() < 0.5
        zero_kn = 0.0 if plain else round(float(rng.uniform(-5.0, 5.0)), 1)
        gain = 1.0 if plain else round(float(rng.uniform(0.97, 1.03)), 3)
        placed.append(replace(line, place=place, logger=logger, zero_kn=zero_kn, gain=gain))
    return tuple(placed)


def _beside(first: BerthLine, line: BerthLine) -> BerthLine:
    """A line on the hook of another: the other's place, logger, calibration and capacity, all else its own."""
    own = {name: getattr(first, name) for name in ("place", "logger", "share", "capacity_kn", "zero_kn", "gain")}
    return replace(line, **own)
