"""An incident as one literal structure: Part A, the record; Part B, the analysis. What is shown, filed and verified.

Plain values alone (text, numbers, booleans, None, tuples of those), so that `as_json` gives the same text wherever the
same raw files are reckoned again. No NaN and no infinity: what is not known is None, and `not_known` says why.

Every figure has a number: its part, its section and its place there, `A-4.2`. Sections: A-1 time, A-2 sequence, A-3
orders, A-4 load, A-5 the berth, A-6 what is missing or doubtful; B-1 life, B-2 strength and energy, B-3 what spent it,
B-4 sensitivity, B-5 error rates of the detectors, B-6 competing explanations. Part A holds no figure of wear.

Instants are UTC microseconds. *Raw* ones are as the channel's own logger stamped them; all others are *corrected*: on
the clock of the reference logger, which is that of the lost line's channel. No clock has been held against UTC by this.
Intervals are of 95 % unless they say otherwise.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, Literal

VERSION = 1
"""Of this structure: raised when a reader of the last one would misread it."""

Value = float | int | str | bool


@dataclass(frozen=True, slots=True)
class Ref:
    """One line of a raw file: SHA-256 of the file, its name as delivered, line number (1-based), and what it
    says there: channel, instant as stamped, value as stored (canonical unit, before calibration; None: missing)."""

    sha256: str
    file: str | None
    line_no: int
    channel: str
    raw_us: int
    value: float | None


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure. `key`: the same for the same figure in every incident, but for names of lines and channels in it.

    `value` is None where it is not known, and `not_known` says why. `low`, `high`: its interval, in the same unit; None
    where there is none. `at_least`: it is a lower bound. Of an instant `unit` is "us UTC". `how`: how it was obtained,
    with its constants and their sources. `refs`: the raw lines it rests on, at most `REFS_SHOWN` of them; `of_lines`:
    how many there are in all, None where it rests on no sample (registers, policy) or on other figures (`of_figures`).
    """

    number: str
    key: str
    what: str
    value: Value | None
    unit: str
    how: str
    low: float | int | None = None
    high: float | int | None = None
    at_least: bool = False
    not_known: str | None = None
    refs: tuple[Ref, ...] = ()
    of_lines: int | None = None
    of_figures: tuple[str, ...] = ()


REFS_SHOWN = 6


# Part A.


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
    fast it grows. `against`: whose motion it was compared with. `method`: words.
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
    clocks: tuple[Clock, ...]
    sequence: tuple[Happening, ...]
    orders: tuple[Order, ...]
    load: Load
    berth: tuple[BerthLine, ...]
    doubts: tuple[Doubt, ...]
    traces: tuple[Trace, ...]
    caution: str


# Part B.


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
class Life:
    """Section B-1. `basis`: "severity index" or "calibrated life", with its reasons; `opening`: figure, or unknown."""

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


# What both rest on.


@dataclass(frozen=True, slots=True)
class RawFile:
    """A raw file that a figure rests on. `why`: "call" (its rows lie in the call's days), "history" (only in the line's
    earlier service), or both. Counts are those of its receipt."""

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


def as_json(found: Any) -> Any:
    """Dataclasses as plain mappings, tuples as lists, for JSON; keys in the order of the fields."""
    if is_dataclass(found) and not isinstance(found, type):
        return {field.name: as_json(getattr(found, field.name)) for field in fields(found)}
    if isinstance(found, Mapping):
        return {key: as_json(value) for key, value in found.items()}
    if isinstance(found, tuple | list):
        return [as_json(one) for one in found]
    return found


def figures(found: Any) -> Iterator[Figure]:
    """Every figure in a part, a section or a whole incident, in the order in which it stands there."""
    if isinstance(found, Figure):
        yield found
    elif is_dataclass(found) and not isinstance(found, type):
        for field in fields(found):
            yield from figures(getattr(found, field.name))
    elif isinstance(found, tuple | list):
        for one in found:
            yield from figures(one)
