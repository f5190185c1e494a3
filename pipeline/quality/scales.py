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
START_NEAR: Final = 1.5
START_FAR: Final = 2.0
START_USUAL: Final = 1.25
"""A start within this factor of the others' is theirs."""
MOTION_NEAR: Final = 2.0
NOISE_NEAR: Final = 1.25
NOISE_CLOSE: Final = 1.15
NOISE_ALIKE: Final = 1.08
TOGETHER_NEAR: Final = 1.6
MOTION_FAR: Final = 2.3
"""By what factor each kind of evidence may miss the suspected one."""
WEIGHT: Final[Mapping[str, float]] = {"start": 1.0, "motion": 0.4, "noise": 2.0}
FAR: Final = 3.0
"""A lesser factor is within what crews do."""


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


def wrong_scales(gauges: Sequence[Gauge], *, pretension_pct: float) -> list[Scaled]:
    """The channels of a call that a known factor explains better than none.

    pretension_pct: what lines are hauled to where nothing plans it, in percent of their bases. Where several channels
    are off, those that started within half and twice of it say what is usual.
    """
    started = [one for one in gauges if one.start_kn > 0 and one.motion_kn > 0]
    found = [_told(gauge, [o for o in started if o.channel != gauge.channel], pretension_pct) for gauge in started]
    return [told for told in found if told is not None]


def _told(gauge: Gauge, others: Sequence[Gauge], pretension_pct: float) -> Scaled | None:
    if len(others) < LEAST_PEERS:
        return None
    evidence, peers = _evidence(gauge, others, pretension_pct)
    fits = {words: _misfit(evidence, factor) for words, factor in FACTORS.items() if _agrees(evidence, factor)}
    if not fits:
        return None
    words = min(fits, key=lambda name: fits[name])
    return Scaled(gauge, FACTORS[words], words, evidence, tuple(one.line for one in peers))


def _agrees(evidence: Mapping[str, float], factor: float) -> bool:
    """A large factor shows in two kinds of evidence; a lesser one in the start and, closely, in the noise.

    Where the noise fits very closely, start and motion together (their geometric mean) may do, or either of them by
    itself: a line that was hauled to less than the others also moves more with the ship, or less where it is all
    but slack. But a start like the others' speaks against motion alone. Where the noise fits the factor badly, but
    better than none, it stands in no way of the other two.
    """
    misses = {kind: abs(math.log(ratio / factor)) for kind, ratio in evidence.items()}
    noise = misses.get("noise", math.inf)
    together = 0.5 * abs(math.log(evidence["start"] / factor) + math.log(evidence["motion"] / factor))
    usual = abs(math.log(evidence["start"])) <= math.log(START_USUAL)
    either = misses["start"] <= math.log(START_NEAR) or (misses["motion"] <= math.log(START_NEAR) and not usual)
    if noise <= math.log(NOISE_ALIKE) and (together <= math.log(TOGETHER_NEAR) or either):
        return True
    if max(factor, 1 / factor) <= FAR:
        return misses["start"] <= math.log(START_NEAR) and noise <= math.log(NOISE_CLOSE)
    start, motion = misses["start"], misses["motion"]
    if noise <= math.log(NOISE_NEAR):
        return min(start, motion) <= math.log(START_FAR)
    leans = noise < abs(math.log(evidence["noise"])) if "noise" in evidence else True
    return (
        start <= math.log(START_NEAR)
        and motion <= math.log(MOTION_FAR if leans and "noise" in evidence else MOTION_NEAR)
        and leans
    )


def _misfit(evidence: Mapping[str, float], factor: float) -> float:
    return sum(WEIGHT[kind] * abs(math.log(ratio / factor)) for kind, ratio in evidence.items())


def _evidence(gauge: Gauge, others: Sequence[Gauge], pretension_pct: float) -> tuple[dict[str, float], Sequence[Gauge]]:
    """By kind: the channel's figure over the median of its peers'; and those peers. The start is against the plan where
    there is one.
    """
    usual = pretension_pct / 100
    near = [one for one in others if 0.5 <= _start(one) / usual <= 2.0]
    reference = median(_start(one) for one in (near if len(near) >= LEAST_PEERS else others))
    sound = [one for one in others if abs(math.log(_start(one) / reference)) <= math.log(START_NEAR)]
    sound = sound if sound else list(others)
    alike = [one for one in sound if one.role == gauge.role and gauge.role]
    peers = alike if len(alike) >= LEAST_PEERS else sound
    found = {
        "start": _start(gauge) / reference,
        "motion": (gauge.motion_kn / gauge.base_kn) / median(one.motion_kn / one.base_kn for one in peers),
    }
    planned = [one.start_kn / one.planned_kn for one in sound if one.planned_kn is not None]
    if gauge.planned_kn is not None and len(planned) >= LEAST_PEERS:
        found["start"] = (gauge.start_kn / gauge.planned_kn) / median(planned)
    noises = [one.noise_kn for one in sound if one.kind == gauge.kind and one.noise_kn is not None and one.noise_kn > 0]
    if gauge.noise_kn is not None and gauge.noise_kn > 0 and noises:
        found["noise"] = gauge.noise_kn / median(noises)
    return found, peers


def _start(gauge: Gauge) -> float:
    return gauge.start_kn / gauge.base_kn
