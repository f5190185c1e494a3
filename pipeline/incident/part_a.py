"""Part A of an incident as one literal structure: the record, no figure of wear. Sections are those of `record`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pipeline.incident.figure import Figure, Ref


@dataclass(frozen=True, slots=True)
class ClockWindow:
    """Offset of a logger in one stretch of shared motion: middle of it (corrected), offset and standard
    uncertainty [s], how much motion was shared (0 to 1), and whether it was kept for the fit."""

    middle_us: int
    offset_s: float
    uncertainty_s: float
    shared: float
    kept: bool


@dataclass(frozen=True, slots=True)
class ClockInstant:
    """One happening stamped by two loggers: raw instants of both, the reading of the offset [s], and the bounds that it
    puts on the offset [s] (None: no bound on that side). `used`: whether the offset rests on it, or is only checked."""

    what: str
    line: str
    reference_raw_us: int
    raw_us: int
    low_s: float | None
    high_s: float | None
    used: bool
    agrees: bool | None


@dataclass(frozen=True, slots=True)
class Clock:
    """How far a logger's clock is ahead of the reference logger's: raw - offset = corrected.

    `offset` [s] at the loss, with its 95 % interval (`offset.low`, `offset.high`); None: not known. `drift` [s/h], how
    fast it grows. `method`: by what, in a few words; `PartA.clock_method` tells how offsets come from shared motion.
    """

    logger: str
    channels: tuple[str, ...]
    is_reference: bool
    offset: Figure
    drift: Figure
    standard_s: float | None
    method: str
    windows: tuple[ClockWindow, ...]
    instants: tuple[ClockInstant, ...]


HappeningKind = Literal[
    "made-fast",
    "let-go",
    "peak",
    "peak-load",
    "brake-render",
    "brake-held",
    "no-rendering",
    "slack",
    "snap-load",
    "sustained-load",
    "pretension-loss",
    "surge",
    "tending",
    "load-loss",
    "take-up",
    "in-bounds",
    "not-in-bounds",
    "hook-opened",
    "gap",
]


@dataclass(frozen=True, slots=True)
class Happening:
    """One entry of the sequence, by line.

    `raw_from_us`, `raw_to_us`: as stamped. `from_us`, `to_us`: corrected; None where the logger's clock is not
    known against the reference. `low_us`, `high_us`: between what its beginning lies, clock and sampling
    together (95 %); of a loss of load the interval from the last loaded sample, less the logger's filter lag, to
    the first unloaded one. `is_interval`: the beginning itself is known as an interval only, whatever the clock.
    `event`: id of the published event that tells it. `loss_class`: of a load-loss. `in_window`: it touches the
    window asked for; else it is of the call's disclosure. `kn`: what it is drawn at. `figure` is the instant;
    `figures` all else that it says in numbers."""

    number: str
    kind: HappeningKind
    line: str | None
    channel: str | None
    place: str | None
    logger: str | None
    text: str
    raw_from_us: int
    raw_to_us: int
    from_us: int | None
    to_us: int | None
    low_us: int | None
    high_us: int | None
    is_interval: bool
    in_window: bool
    kn: float | None
    event: str | None
    loss_class: str | None
    figure: Figure
    figures: tuple[Figure, ...]


@dataclass(frozen=True, slots=True)
class Order:
    """Two happenings and which came first. `first`, `second`: numbers of happenings; where `known` is False they stand
    in order of their corrected instants, and nothing is claimed. `apart`: figure [s], from least to most."""

    number: str
    first: str
    second: str
    known: bool
    text: str
    apart: Figure


@dataclass(frozen=True, slots=True)
class LineLoad:
    """What one line bore before the loss, of the limits on it, and against its own records. Any figure may be unknown.

    `highest`: in the seconds before the loss (of the lost line: its own; of others at the same corrected time);
    `highest_call`, `highest_ever`: in the call and in all records before it, both up to the loss.
    """

    line: str
    lost: bool
    role: str | None
    highest: Figure
    highest_call: Figure
    highest_ever: Figure
    pct_design_mbl: Figure
    pct_break_force: Figure
    pct_brake: Figure
    rank: Figure


@dataclass(frozen=True, slots=True)
class Share:
    """How one line shared the load of its role: means before and after [kN], percent of the role's sum, what it took up
    [kN], and how much such a difference varies of itself [kN]. `stands_out`: the take-up is beyond that."""

    line: str
    role: str
    lost: bool
    before: Figure
    after: Figure
    before_pct: Figure
    after_pct: Figure
    take_up: Figure
    usual: Figure
    stands_out: bool | None


@dataclass(frozen=True, slots=True)
class Residual:
    """What the take-up of the recorded lines leaves unexplained of the force and moment that the lost line gave up:
    ahead [kN], athwart (positive from the quay outward) [kN], moment about midships [kN m]. Where `possible` is False
    the three are unknown, and `why` says why."""

    possible: bool
    why: str
    ahead: Figure
    athwart: Figure
    moment: Figure


@dataclass(frozen=True, slots=True)
class Load:
    """Section A-4. `lines`: the lost line first, then its neighbours (its role), then the others."""

    lines: tuple[LineLoad, ...]
    sharing: tuple[Share, ...]
    residual: Residual


@dataclass(frozen=True, slots=True)
class BerthLine:
    """One line in the plan of the berth. Chock and lead are from rigging.csv where it has them: metres ahead of
    midships and athwart (positive outward from the quay side), direction seen from above, degrees clockwise from
    ahead, and degrees down from level. Loads are means of the minute before the last loaded sample, at it, and
    of the third minute after; None where it was not recorded. `state`: what it was at the loss."""

    line: str
    tails: tuple[str, ...]
    role: str | None
    place: str
    lost: bool
    state: Literal["bore load", "rendered", "slack", "lost", "not recorded"]
    chock_ahead_m: float | None
    chock_athwart_m: float | None
    lead_deg: float | None
    lead_down_deg: float | None
    brake_set_kn: float | None
    limit_kn: float | None
    before: Figure
    at: Figure
    after: Figure


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something missing or doubtful. `effect`: on the figures named in `figures` (numbers), in words. `weight`:
    whether it can change what the record says (`strong`), the size of a figure (`some`), or is said for
    completeness (`slight`)."""

    number: str
    kind: Literal[
        "gap",
        "rate",
        "clipping",
        "flagged",
        "calibration",
        "zero",
        "assumed-share",
        "shared-hook",
        "quarantine",
        "conflict",
        "rigging-time",
        "clock",
        "filter",
        "not-recorded",
        "register",
    ]
    subject: str
    text: str
    effect: str
    weight: Literal["strong", "some", "slight"]
    figures: tuple[str, ...]
    figure: Figure | None
    refs: tuple[Ref, ...]


@dataclass(frozen=True, slots=True)
class Trace:
    """A series to draw. `at_us`: corrected (raw where `corrected` is False: no offset is known); `value`: None
    breaks the curve at a gap. Thinned to at most `TRACE_POINTS` by keeping each bin's lowest and highest
    reading, so that every extreme is there; `readings`: of how many. `of`: tension of the line [kN], else the
    place's own channels. `whole_call`: it spans the call, coarse; else the window."""

    line: str | None
    channel: str
    place: str
    logger: str | None
    of: Literal["tension", "payout", "brake", "winch-mode", "hook-state", "wind", "temperature"]
    unit: str
    whole_call: bool
    corrected: bool
    readings: int
    at_us: tuple[int, ...]
    value: tuple[float | None, ...]


TRACE_POINTS = 3000


@dataclass(frozen=True, slots=True)
class PartA:
    """The record. No figure of wear. `loss`: the number of the lost line's load-loss in `sequence`; None where
    the line lost no load near the time asked for, which `loss_text` says. `first_to_go`: the line that lost its
    load first, where the order is known; None with its reason in `first_text`."""

    loss: str | None
    loss_text: str
    first_to_go: str | None
    first_text: str
    instant: Figure
    clock_method: str
    clocks: tuple[Clock, ...]
    sequence: tuple[Happening, ...]
    orders: tuple[Order, ...]
    load: Load
    berth: tuple[BerthLine, ...]
    doubts: tuple[Doubt, ...]
    traces: tuple[Trace, ...]
    caution: str
