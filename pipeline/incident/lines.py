"""What an incident is reckoned from: lines with their readings about the loss, what stood beside, the call. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pipeline.events.calls import Call, Fast
from pipeline.incident.figure import Ref
from pipeline.site import Site
from schemas.registers import Rigging

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

CLOCK_HALF_S: Final = 5400.0
"""How far to each side of the instant readings are looked at, at least: an hour and a half tells a clock's drift."""


@dataclass(frozen=True)
class Reading:
    """Readings of one channel as its logger stamped them, ascending: at_us, value, and where each came from (n,)."""

    channel: str
    at_us: Ints
    value: Floats
    raw_line: Ints
    file: Ints
    files: tuple[str, ...]
    names: Mapping[str, str]

    def ref(self, index: int) -> Ref:
        """The raw line under one reading."""
        sha256 = self.files[int(self.file[index])]
        value = float(self.value[index])
        return Ref(
            sha256,
            self.names.get(sha256),
            int(self.raw_line[index]),
            self.channel,
            int(self.at_us[index]),
            None if np.isnan(value) else value,
        )


@dataclass(frozen=True)
class LineRecord:
    """One main line of the call and its channel's readings about the instant.

    kn (n,): tension of the line, calibrated, times share; usable (n,): neither flagged 4 nor 9; clipped, suspect (n,):
    at the gauge's end; flagged 3. `floor_kn`: below it the line counts as unloaded. `filter_s`: over how long before
    its stamp a reading is a mean; `filter_known`: whether a register says so. `limit_kn`: what limits are percent of.
    """

    line: str
    rigging: Rigging
    tails: tuple[str, ...]
    place: str
    logger: str
    kind: str
    rate_hz: float
    capacity_kn: float | None
    filter_s: float
    filter_known: bool
    limit_kn: float
    break_force_kn: float
    brake_set_kn: float | None
    floor_kn: float
    reading: Reading
    kn: Floats
    usable: Bools
    clipped: Bools
    suspect: Bools
    on_channel: tuple[str, ...]

    @property
    def channel(self) -> str:
        return self.rigging.channel

    @property
    def role(self) -> str | None:
        return self.rigging.role

    @property
    def at_us(self) -> Ints:
        return self.reading.at_us

    @cached_property
    def step_s(self) -> float:
        """The usual interval between its readings [s]."""
        own = self.at_us
        return float(np.median(np.diff(own))) / 1e6 if own.size > 1 else 1.0 / self.rate_hz

    @cached_property
    def sums(self) -> tuple[Ints, Floats]:
        """Stamps of usable readings (n,), and the sum of their tensions before each (n + 1,)."""
        return self.at_us[self.usable], np.concatenate(([0.0], np.cumsum(self.kn[self.usable])))

    def within(self, from_us: float, to_us: float) -> Ints:
        """Indices of its usable readings of [from_us, to_us), as stamped."""
        begin, end = np.searchsorted(self.at_us, [from_us, to_us])
        return np.asarray(np.flatnonzero(self.usable[begin:end]) + begin, dtype=np.int64)


@dataclass(frozen=True)
class Coarse:
    """The call of one line in ten-second bins, from its day sheets: begin of each bin as stamped [us], mean, low, high
    [kN] (n,). Bins that end by the instant up to which life is counted come first; all of the call are there."""

    from_us: Ints
    mean_kn: Floats
    low_kn: Floats
    high_kn: Floats


@dataclass(frozen=True)
class Walked:
    """Raw lines under an event: `all_of` it (first, peak, last, payout at its ends), and those of single figures."""

    all_of: tuple[Ref, ...]
    peak: tuple[Ref, ...]
    breakout: tuple[Ref, ...]
    payout: tuple[Ref, ...]


NOTHING_WALKED: Final = Walked((), (), (), ())


@dataclass(frozen=True)
class Told:
    """An event of the published snapshot that touches the call, and the raw lines under it."""

    event: str
    kind: str
    line: str
    channel: str
    place: str
    from_us: int
    to_us: int
    peak_kn: float
    peak_us: int
    peak_pct: float | None
    payload: Mapping[str, Any]
    raw: Walked = NOTHING_WALKED


@dataclass(frozen=True)
class Berthed:
    """All of it. `at_us`: the instant asked for; readings reach over [from_us, to_us). `lines`: main lines rigged about
    the instant, by name. `beside`: the other channels of their places, and the air, by channel. `events`: of the call's
    lines, by time. `loggers`: the logger of every channel of the call. `names`: of raw files by SHA-256.
    `spans`: the rigging rows of every main line of the call, whether or not it is in `lines`."""

    site: Site
    line: str
    at_us: int
    window_us: int
    call: Call
    fast: Fast
    until_us: int
    from_us: int
    to_us: int
    lines: Mapping[str, LineRecord]
    beside: Mapping[str, Reading]
    coarse: Mapping[str, Coarse]
    events: tuple[Told, ...]
    loggers: Mapping[str, str]
    names: Mapping[str, str]
    spans: tuple[Rigging, ...]
    quarantined: Mapping[str, int]
    conflicts: Mapping[str, int]

    @property
    def own(self) -> LineRecord:
        """The line asked for."""
        return self.lines[self.line]

    def logger_of(self, channel: str) -> str:
        """The logger of a channel; one that is not known is a clock of its own."""
        return self.loggers.get(channel, f"(not named) {channel}")
