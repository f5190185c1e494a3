"""A gauge whose unit or scale its neighbours contradict. Pure.

Lines of one role share a ship's motion and are hauled to much the same tension. A channel that reads a known factor of
what its peers read, in mean and in motion alike, over a whole call, is likely read in another unit: tonnes of force
logged as kN read a tenth (1/9.80665), kips 1/4.448. What its own noise without a line, and the tension planned for
it, say of the factor is held against that. Nothing is corrected: the unit stands in the layout, the gain in the
calibration register.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

# What a reading comes out at, when it is taken for kN and is not; exact factors of NIST SP 811 but for the last four.
FACTORS: Final[Mapping[str, float]] = {
    "tonnes of force read as kN": 1 / 9.80665,
    "kN read as tonnes of force": 9.80665,
    "kips read as kN": 1 / 4.4482216152605,
    "kN read as kips": 4.4482216152605,
    "pounds of force read as kN": 1000 / 4.4482216152605,
    "N read as kN": 1000.0,
    "kN read as N": 0.001,
    "kips read as tonnes of force": 9.80665 / 4.4482216152605,
    "tonnes of force read as kips": 4.4482216152605 / 9.80665,
    "half the gain": 0.5,
    "twice the gain": 2.0,
}
# House rules, no source.
LEAST_PEERS: Final = 2
NEAR: Final[Mapping[str, float]] = {"start": 1.5, "motion": 2.0, "noise": 1.25}
"""By what factor each kind of evidence may miss the suspected one."""
WEIGHT: Final[Mapping[str, float]] = {"start": 1.0, "motion": 0.4, "noise": 1.0}
FAR: Final = 3.0
"""A suspected factor beyond this needs two kinds of evidence that agree; a lesser one start and noise among them."""
LEAST_OFF: Final = 1.45


@dataclass(frozen=True, slots=True)
class Gauge:
    """What one line's channel showed when it was made fast. role: "" where the register gives none; kind: of gauge.

    start_kn, motion_kn: as of a `Load`, in line tension; noise_kn: of its zero checks, of the gauge as calibrated
    (None: there are none); planned_kn: pretension of the register; base_kn: what limits are percent of.
    """

    line: str
    channel: str
    role: str
    kind: str
    start_kn: float
    motion_kn: float
    noise_kn: float | None
    planned_kn: float | None
    base_kn: float


@dataclass(frozen=True, slots=True)
class Scaled:
    """A channel suspected of a factor: what it would be, and each kind of evidence as the factor that it gives."""

    gauge: Gauge
    factor: float
    words: str
    evidence: Mapping[str, float]
    peers: tuple[str, ...]


def wrong_scales(gauges: Sequence[Gauge]) -> list[Scaled]:
    """The channels of a call that a known factor explains better than none."""
    return [told for gauge in gauges if (told := _told(gauge, gauges)) is not None]


def _told(gauge: Gauge, gauges: Sequence[Gauge]) -> Scaled | None:
    others = [one for one in gauges if one.channel != gauge.channel and one.start_kn > 0 and one.motion_kn > 0]
    alike = [one for one in others if one.role == gauge.role and gauge.role]
    peers = alike if len(alike) >= LEAST_PEERS else others
    if len(peers) < LEAST_PEERS or gauge.start_kn <= 0 or gauge.motion_kn <= 0:
        return None
    evidence = _evidence(gauge, peers, others)
    total = sum(WEIGHT[kind] for kind in evidence)
    off = sum(WEIGHT[kind] * math.log(ratio) for kind, ratio in evidence.items()) / total
    if abs(off) < math.log(LEAST_OFF):
        return None
    words, factor = min(FACTORS.items(), key=lambda item: abs(math.log(item[1]) - off))
    near = {kind for kind, ratio in evidence.items() if abs(math.log(ratio / factor)) <= math.log(NEAR[kind])}
    far = max(factor, 1 / factor) > FAR
    enough = len(near) >= 2 and (far or {"start", "noise"} <= near)
    return Scaled(gauge, factor, words, evidence, tuple(one.line for one in peers)) if enough else None


def _evidence(gauge: Gauge, peers: Sequence[Gauge], others: Sequence[Gauge]) -> dict[str, float]:
    """By kind: the channel's figure over the median of its peers'; the start against the plan where both have one."""
    found = {"motion": (gauge.motion_kn / gauge.base_kn) / median(one.motion_kn / one.base_kn for one in peers)}
    planned = [one.start_kn / one.planned_kn for one in others if one.planned_kn is not None]
    if gauge.planned_kn is not None and len(planned) >= LEAST_PEERS:
        found["start"] = (gauge.start_kn / gauge.planned_kn) / median(planned)
    else:
        found["start"] = (gauge.start_kn / gauge.base_kn) / median(one.start_kn / one.base_kn for one in others)
    noises = [one.noise_kn for one in others if one.kind == gauge.kind and one.noise_kn]
    if gauge.noise_kn and len(noises) >= LEAST_PEERS:
        found["noise"] = gauge.noise_kn / median(noises)
    return found
