"""What the other lines of a call did about one line's loss of load: whether neighbours took up what it bore, and
whether all lines went in turn, as when a ship is let go. From traces (10-second bins), pure.

House rules, no source. Bin 0 is that of the first unloaded sample.

Take-up, of each line of the same role on another channel: its mean of the three minutes before bin -1, and of those
from bin 2 on, for a ship may take a motion period to find her new place. `usual_kn`: 1.4826 times the median size of
the same difference about the minutes of the hour before (the standard deviation, were it normal). It is taken up where
the mean rose by over `TIMES` times that, and by `LEAST_SHARE` of what the line bore. Otherwise it is not visible, which
is no evidence of anything: at pretension a ship lies against fenders, and what one line gives up may go into them.

In turn: of the other lines on other channels that were loaded (a bin's mean of `LOADED_PCT` of ship design MBL) within
half an hour of it, at least two and at least half went for good in that time, one of them within five minutes. Gone is
a line without a loaded bin in the last minute of what was recorded of the call up to half an hour after, or that the
register had let go by then. Not in turn: five minutes were recorded after it, and it is not so. Else unknown.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

KIND: Final = "load-loss"
BIN_US: Final = 10_000_000
WINDOW_BINS: Final = 18
SETTLE_BINS: Final = 2
LAST_BEFORE: Final = 1
USUAL_EVERY: Final = 6
USUAL_BINS: Final = 360
USUAL_LEAST: Final = 10
TIMES: Final = 3.0
LEAST_SHARE: Final = 0.02
LOADED_PCT: Final = 2.0
TURN_BINS: Final = 180
NEAR_BINS: Final = 30
STILL_BINS: Final = 6
LEAST_OTHERS: Final = 2

Bins = NDArray[np.int64]
Values = NDArray[np.float64]


@dataclass(frozen=True)
class OtherLine:
    """The trace of a line of the call near a loss: `bins` since 1970 (n,), ascending, their means [kN] (n,); `base_kn`:
    what limits are of; `to_us`: its rigging's registered end, None while it is rigged."""

    line: str
    channel: str
    role: str
    base_kn: float
    to_us: int | None
    bins: Bins
    mean_kn: Values


@dataclass(frozen=True)
class Neighbour:
    """One line of the same role, before and after [kN]; None where too little of it was recorded to tell."""

    line: str
    before_kn: float | None
    after_kn: float | None
    usual_kn: float | None
    took_up: bool


@dataclass(frozen=True)
class Aside:
    """What other lines did about the loss of `line` on `channel` of which `unloaded_us` is the first unloaded sample.

    `others`: lines that were loaded near it; `gone`: those of them that went for good; `near`: those that went within
    five minutes; `in_turn`: None where it cannot be told.
    """

    line: str
    channel: str
    unloaded_us: int
    role: str
    neighbours: tuple[Neighbour, ...]
    others: int
    gone: int
    near: int
    in_turn: bool | None

    def to_payload(self) -> dict[str, Any]:
        """As plain mappings and numbers, for JSON; floats come back bit for bit."""
        return asdict(self)

    @classmethod
    def from_payload(cls, payload: Mapping[str, Any]) -> Aside:
        """The inverse of `to_payload`."""
        return cls(**{**payload, "neighbours": tuple(Neighbour(**one) for one in payload["neighbours"])})


def aside(own: OtherLine, unloaded_us: int, mean_kn: float, others: Sequence[OtherLine]) -> Aside:
    """What `others` (any order; the line itself and lines on its channel are left out) did about a loss of `mean_kn`.

    Looks at bins up to 64 minutes before it, and half an hour after.
    """
    at = unloaded_us // BIN_US
    apart = sorted((one for one in others if one.channel != own.channel), key=_order)
    alike = [one for one in apart if own.role != "" and one.role == own.role and _has(one, at)]
    last = max((int(one.bins[-1]) for one in (own, *apart) if one.bins.size), default=at)
    others_, gone, near = _gone(apart, at, min(last, at + TURN_BINS))
    in_turn: bool | None = None
    if gone >= LEAST_OTHERS and 2 * gone >= others_ and near > 0:
        in_turn = True
    elif others_ >= LEAST_OTHERS and last >= at + NEAR_BINS:
        in_turn = False
    told = tuple(_neighbour(one, at, mean_kn) for one in alike)
    return Aside(own.line, own.channel, unloaded_us, own.role, told, others_, gone, near, in_turn)


def _order(one: OtherLine) -> tuple[str, str, int]:
    return (one.line, one.channel, int(one.bins[0]) if one.bins.size else 0)


def _has(one: OtherLine, at: int) -> bool:
    """Whether a line was rigged about then, as far as its record tells."""
    return bool(np.any((one.bins >= at - WINDOW_BINS) & (one.bins <= at)))


def _neighbour(one: OtherLine, at: int, mean_kn: float) -> Neighbour:
    before, after = _both(one, at)
    usual = _usual_kn(one, at)
    took_up = False
    if before is not None and after is not None and usual is not None:
        took_up = after - before > max(TIMES * usual, LEAST_SHARE * mean_kn)
    return Neighbour(one.line, before, after, usual, took_up)


def _both(one: OtherLine, at: int) -> tuple[float | None, float | None]:
    """Means of the three minutes before and after a bin."""
    first = at - LAST_BEFORE - WINDOW_BINS
    return _mean_kn(one, first), _mean_kn(one, at + SETTLE_BINS)


def _mean_kn(one: OtherLine, first: int) -> float | None:
    """The mean of a window's bins, each counting alike; None where under half of them were recorded."""
    begin, end = np.searchsorted(one.bins, [first, first + WINDOW_BINS])
    return float(one.mean_kn[begin:end].mean()) if 2 * (end - begin) >= WINDOW_BINS else None


def _usual_kn(one: OtherLine, at: int) -> float | None:
    """How much the means before and after differ of themselves; None where under ten such differences are known."""
    latest = at - LAST_BEFORE - SETTLE_BINS - WINDOW_BINS
    found = []
    for about in range(latest, at - USUAL_BINS, -USUAL_EVERY):
        before, after = _both(one, about)
        if before is not None and after is not None:
            found.append(abs(after - before))
    return 1.4826 * float(np.median(found)) if len(found) >= USUAL_LEAST else None


def _gone(apart: Sequence[OtherLine], at: int, until: int) -> tuple[int, int, int]:
    """How many lines were loaded near `at`, how many of them were gone by `until`, and how many went near it."""
    loaded = gone = near = 0
    for one in apart:
        with_load = one.bins[(one.mean_kn >= LOADED_PCT / 100.0 * one.base_kn) & (np.abs(one.bins - at) <= TURN_BINS)]
        if with_load.size == 0:
            continue
        loaded += 1
        last = int(with_load[-1])
        let_go = one.to_us is not None and one.to_us <= (until + 1) * BIN_US
        if last <= until - STILL_BINS or let_go:
            gone += 1
            near += abs(last - at) <= NEAR_BINS
    return loaded, gone, near
