"""Part B of an incident as one literal structure: the analysis. Sections as `record` has them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pipeline.incident.figure import Figure


@dataclass(frozen=True, slots=True)
class ZoneLife:
    """Life of one zone up to the hour of the loss, by mechanism (None inside: not reckoned), open cycles, and the total
    of its worst band. `unit` of each is "severity index" or "of life"."""

    zone: Literal["a", "b"]
    outboard: bool
    fatigue: Figure
    creep: Figure
    abrasion: Figure
    open_cycles: Figure
    total: Figure


@dataclass(frozen=True, slots=True)
class PastDay:
    """One UTC day (ISO) of a rigging: its channel, and the raw files (SHA-256) that hold that day of its place."""

    day: str
    channel: str
    sha256: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Days:
    """The days of a line, up to that of the loss, on which `zone` was outboard: what figures of its history rest on."""

    number: str
    line: str
    zone: Literal["a", "b"]
    days: tuple[PastDay, ...]


@dataclass(frozen=True, slots=True)
class Life:
    """Section B-1. `basis`: "severity index" or "calibrated life", with its reasons; `opening`: figure, or unknown.
    `days`: those on which its figures rest, by zone."""

    line: str
    part: Literal["main", "tail"]
    basis: str
    basis_reasons: tuple[str, ...]
    not_reckoned: tuple[str, ...]
    not_modelled: tuple[str, ...]
    opening: Figure
    zones: tuple[ZoneLife, ...]
    rigged: Figure
    observed: Figure
    strength: tuple[Figure, ...]
    energy: tuple[Figure, ...]
    days: tuple[Days, ...]


@dataclass(frozen=True, slots=True)
class Spent:
    """A day, event, service or test in the line's history that spent or restored something. `life`: what the day took
    of the outboard zone; None for a service or test."""

    number: str
    kind: Literal["day", "peak-load", "brake-render", "brake-held", "snap-load", "load-loss", "service", "test"]
    from_us: int
    to_us: int
    text: str
    life: Figure | None
    figures: tuple[Figure, ...]


@dataclass(frozen=True, slots=True)
class Sensitive:
    """How one figure moves with one threshold or constant. `changed`: each changed value with the figure that it gives.
    `source`: of the constant. `says`: whether what the record says changes with it, in words."""

    number: str
    of_figure: str
    constant: str
    unit: str
    used: float
    source: str
    changed: tuple[tuple[float, float | None], ...]
    says: str


@dataclass(frozen=True, slots=True)
class ErrorRate:
    """What a detector was measured to be worth on our simulator. `recall`, `precision` in percent, None: not measured;
    `of`: how many true instances. True of the simulator only."""

    number: str
    kind: str
    rate_hz: float | None
    recall: float | None
    precision: float | None
    of: int | None
    measured_on: str
    command: str
    text: str


@dataclass(frozen=True, slots=True)
class Explanation:
    """One of the competing explanations: what the record shows for it, against it, and what it cannot show. Each
    point is a sentence with the numbers of the figures and happenings it rests on. No verdict, no order of
    likelihood."""

    number: str
    name: str
    shows_for: tuple[Point, ...]
    shows_against: tuple[Point, ...]
    cannot_show: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Point:
    """One thing that the record shows, with the numbers of what it rests on."""

    text: str
    figures: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PartB:
    """The analysis. `lives`: the lost line and its tails."""

    lives: tuple[Life, ...]
    spent: tuple[Spent, ...]
    sensitivity: tuple[Sensitive, ...]
    error_rates: tuple[ErrorRate, ...]
    error_rates_text: str
    explanations: tuple[Explanation, ...]
    no_verdict: str
    caution: str
