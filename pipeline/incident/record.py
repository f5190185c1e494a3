"""An incident as one literal structure: Part A, the record; Part B, the analysis. What is shown, filed and verified.

Plain values alone (text, numbers, booleans, None, tuples of those), so that `as_json` gives the same text wherever the
same raw files are reckoned again. No NaN and no infinity: what is not known is None, and `not_known` says why.

Every figure has a number: its part, its section and its place there, `A-4.2`. Sections: A-1 time, A-2 sequence, A-3
orders, A-4 load, A-5 the berth, A-6 what is missing or doubtful; B-1 life, B-2 strength and energy, B-3 what spent it,
B-4 sensitivity, B-5 error rates of the detectors, B-6 competing explanations, B-7 days of the line's history. Part A
holds no figure of wear.

Instants are UTC microseconds. *Raw* ones are as the channel's own logger stamped them; all others are *corrected*: on
the clock of the reference logger, which is that of the lost line's channel. No clock has been held against UTC by this.
Intervals are of 95 % unless they say otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pipeline.incident.figure import REFS_SHOWN as REFS_SHOWN
from pipeline.incident.figure import Figure as Figure
from pipeline.incident.figure import Ref as Ref
from pipeline.incident.figure import RegisterRow as RegisterRow
from pipeline.incident.figure import Value as Value
from pipeline.incident.figure import as_json as as_json
from pipeline.incident.figure import figures as figures
from pipeline.incident.figure import inside as inside
from pipeline.incident.part_a import TRACE_POINTS as TRACE_POINTS
from pipeline.incident.part_a import BerthLine as BerthLine
from pipeline.incident.part_a import Clock as Clock
from pipeline.incident.part_a import ClockInstant as ClockInstant
from pipeline.incident.part_a import ClockWindow as ClockWindow
from pipeline.incident.part_a import Doubt as Doubt
from pipeline.incident.part_a import Happening as Happening
from pipeline.incident.part_a import HappeningKind as HappeningKind
from pipeline.incident.part_a import LineLoad as LineLoad
from pipeline.incident.part_a import Load as Load
from pipeline.incident.part_a import Order as Order
from pipeline.incident.part_a import PartA as PartA
from pipeline.incident.part_a import Residual as Residual
from pipeline.incident.part_a import Share as Share
from pipeline.incident.part_a import Trace as Trace
from pipeline.incident.part_b import Days as Days
from pipeline.incident.part_b import ErrorRate as ErrorRate
from pipeline.incident.part_b import Explanation as Explanation
from pipeline.incident.part_b import Life as Life
from pipeline.incident.part_b import PartB as PartB
from pipeline.incident.part_b import PastDay as PastDay
from pipeline.incident.part_b import Point as Point
from pipeline.incident.part_b import Sensitive as Sensitive
from pipeline.incident.part_b import Spent as Spent
from pipeline.incident.part_b import ZoneLife as ZoneLife

VERSION = 2
"""Of this structure: raised when a reader of the last one would misread it."""


@dataclass(frozen=True, slots=True)
class RawFile:
    """A raw file that a figure rests on. `why`: "call" (its rows lie in the call's days), "history" (in the
    earlier service of the line, or of another of the call), or both. Counts are those of its receipt."""

    sha256: str
    file: str
    bytes: int
    layout: str
    lines: int
    quarantined: int
    first_us: int | None
    last_us: int | None
    why: tuple[Literal["call", "history"], ...]


@dataclass(frozen=True, slots=True)
class Evidence:
    """What has to be copied so that all of it can be made again: raw files; the places and the UTC days (ISO,
    inclusive) whose samples the call's figures rest on; channels of the call; and each register, layout, spec
    and the policy by path with SHA-256 (`archive`), as the newest run read them."""

    raw_files: tuple[RawFile, ...]
    places: tuple[str, ...]
    first_day: str
    last_day: str
    channels: tuple[str, ...]
    archive: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked for: the line, the instant (by the site's own reckoning: UTC), minutes to each side."""

    site: str
    line: str
    at_us: int
    window_min: float


@dataclass(frozen=True, slots=True)
class Call:
    """The call: ship, first line ashore to last line let go (None: still alongside), when all lines were fast; and the
    window, in corrected time. `until_us`: up to what the record was looked at, where the call is not over."""

    ship: str
    from_us: int
    to_us: int | None
    until_us: int
    all_fast_us: int
    first_let_go_us: int | None
    window_from_us: int
    window_to_us: int
    lines: tuple[str, ...]
    design_mbl_kn: float | None


@dataclass(frozen=True, slots=True)
class Incident:
    """One incident. Made by `pipeline.incident.make_incident`; `reference_logger`: whose clock corrected times
    are on."""

    version: int
    asked: Asked
    site_name: str
    call: Call
    reference_logger: str
    part_a: PartA
    part_b: PartB
    evidence: Evidence
