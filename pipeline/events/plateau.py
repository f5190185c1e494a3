"""Rendering known from tension alone: a winch whose payout nobody records lets line out at the crests of its load.

Seen from the traces (10-second bins) of all lines of a ship, in three things together:

* crests that are cut: the highest bins of one stretch lie in a narrow band of each other, three of them at least above
  the level at which the brake let go: fewer show no plateau;
* line that was lost: against what its neighbours bear, the line bears less after the stretch than before, and loses it
  while it stands above that level, by as much as it stands above it. It must have lost `LEAST_LOST` of the limit base:
  on quiet days tide, cargo and rounds of trimming make the same fit tell of losses too, which are smaller;
* crests below what the neighbours' crests say.

Neighbours come in by least squares with weights of 0 or more: a neighbour that renders too, at the same time, makes
others seem to gain and none to lose. What came out is turned into a *confidence* by a logistic curve whose constants
were set on the tune family of our simulator's seeds, over all stretches, of whatever loss: of stretches with such a
confidence, about that share held a true rendering there. It is no probability for any other berth. House rules, all of
it; no source (nor are there published figures of how rendering looks).

Reach and false alarms, on our simulator: `ops/DETECTION.md`, which says too why most of it cannot be seen in bins of
ten seconds and neighbours' tensions, and what would show more. Its beginning is that of the first bin above the level
that the fit found, not the first slip.

Limits. Only a line that is measured at its winch, without payout; a line measured at a hook is never told about: what
holds its other end is not known. A single slip, a short one, and one of a group of lines that all render alike, show
too little. Slower records cut crests off (at 1 Hz by some percent), while means, which tell most, stay. When the crew
tends a winch and no channel tells it, the loss may be theirs.
The law: what is said of a stretch depends on the bins within `EDGE_BINS` of its first alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pipeline.events.plateau_kernel import least_squares

Values = NDArray[np.float64]

MARK: Final = "plateau"
BIN_US: Final = 10_000_000
NEAR_SHARE: Final = 0.8
"""A bin belongs to a stretch whose highest load is at least this share of the highest within `LOCAL_BINS` of it."""
LOCAL_BINS: Final = 60
JOIN_BINS: Final = 18
"""Stretches less than three minutes apart are one: so far apart may two crests of one squall lie."""
LONGEST_BINS: Final = 360
"""A longer stretch is no such thing."""
BESIDE_BINS: Final = 30
"""How much before and after a stretch is looked at: five minutes."""
EDGE_BINS: Final = LONGEST_BINS + LOCAL_BINS + BESIDE_BINS + JOIN_BINS + 1
LEAST_BINS: Final = 20
LEAST_NEIGHBOURS: Final = 2
LEAST_CRESTS: Final = 3
LEAST_LOST: Final = 0.05
"""Of the limit base. On quiet days of the tune family the fit told of up to 0.042 of it, with three bins above."""
SLACK_PCT: Final = 3.0
"""Bins in which the line hung slack in the mean, and those beside them, say nothing of what its neighbours would have
given it: it may have fallen slack, or been lost, or hove in again, in part of them."""
LOADED_PCT: Final = 5.0
"""A neighbour must have borne more than this at some time."""
CREST_SHARE: Final = 0.85
MOST_SCATTER: Final = 0.1
LEVELS: Final = (0.80, 0.86, 0.90, 0.93, 0.96)
"""Shares of the highest load at which the brake may have let go."""
WEIGHTS: Final = (8.32, 2.21, 1.98, -47.3, -6.35)
"""Of the logistic curve: a constant, then one for each figure of `Signs`; set on seeds 0 to 199 and 250 to 333 of the
tune family, on 109 stretches that held a true rendering and 551 that held none."""
LEAST_CONFIDENCE: Final = 0.7
"""From which on a rendering is told, and its brake not said to have held meanwhile."""
LEAST_KEPT: Final = 0.5
"""From which on a stretch is kept as a mark."""


@dataclass(frozen=True)
class Series:
    """One line's trace over a stretch of bins (n,), NaN where a bin has none; `base_kn`: what limits are percent of.

    `asked`: it is measured at a winch whose payout is not recorded, so that it is asked whether it rendered.
    """

    line: str
    channel: str
    base_kn: float
    asked: bool
    mean_kn: Values
    high_kn: Values


@dataclass(frozen=True)
class Signs:
    """What a stretch shows. times: the loss over what the fit leaves; left: that, in parts of the limit base; scatter:
    of the highest bins, and crests: what they are above those that neighbours tell, in parts of the highest load."""

    times: float
    left: float
    scatter: float
    crests: float

    def figures(self) -> tuple[float, ...]:
        """As the logistic curve takes them."""
        return math.log1p(self.times), math.log(self.left + 1e-3), self.scatter, self.crests

    @property
    def confidence(self) -> float:
        """Between 0 and 1, to two digits; see the module."""
        at = WEIGHTS[0] + sum(weight * figure for weight, figure in zip(WEIGHTS[1:], self.figures(), strict=True))
        return round(1.0 / (1.0 + math.exp(-min(max(at, -50.0), 50.0))), 2)


@dataclass(frozen=True)
class Plateau:
    """A stretch of cut crests of one line, over [from_us, to_us), whole bins; peak_us: when its highest bin begins.

    level_kn: above which it lost line, by the fit; crests: bins above that; lost_kn: what it bore less after, against
    its neighbours. near_from_us, near_to_us: all that was looked at.
    """

    line: str
    channel: str
    from_us: int
    to_us: int
    near_from_us: int
    near_to_us: int
    peak_kn: float
    peak_us: int
    level_kn: float
    lost_kn: float
    crests: int
    confidence: float

    def to_payload(self) -> dict[str, Any]:
        """As plain numbers, for JSON; floats come back bit for bit."""
        return asdict(self)

    @classmethod
    def from_payload(cls, payload: Mapping[str, Any]) -> Plateau:
        """The inverse of `to_payload`."""
        return cls(**payload)


@dataclass(frozen=True)
class _Fit:
    """How a level explains what the line lost: weight of the loss, sum of squares left, bins above, the level."""

    lost: float
    rest: float
    above: NDArray[np.int64]
    level_kn: float


def plateaus(
    lines: Sequence[Series],
    *,
    min_pct: float,
    start_bin: int,
    first: int,
    last: int,
    least_confidence: float = LEAST_KEPT,
) -> list[Plateau]:
    """Stretches that begin in bins [first, last) of the series and come to the confidence, by line and time.

    All series are of one ship, of one length, and begin with bin `start_bin` since 1970; they reach `EDGE_BINS` beyond
    both, or as far as there is anything. `min_pct`: a load of less is none to render at.
    """
    found = []
    for line in lines:
        if not line.asked:
            continue
        for begin, end in stretches(line, min_pct=min_pct, first=first, last=last):
            one = _looked_at(line, lines, begin, end, start_bin)
            if one is not None and one.confidence >= least_confidence:
                found.append(one)
    return found


def stretches(line: Series, *, min_pct: float, first: int, last: int) -> list[tuple[int, int]]:
    """First and last bin of each stretch of a line's highest loads that begins in [first, last)."""
    high = np.where(np.isnan(line.high_kn), 0.0, line.high_kn)
    loaded = high >= min_pct / 100.0 * line.base_kn
    if not loaded.any():
        return []
    padded = np.concatenate((np.zeros(LOCAL_BINS), high, np.zeros(LOCAL_BINS)))
    local = np.lib.stride_tricks.sliding_window_view(padded, 2 * LOCAL_BINS + 1).max(axis=1)
    bins = np.flatnonzero(loaded & (high >= NEAR_SHARE * local))
    apart = np.flatnonzero(np.diff(bins) > JOIN_BINS) + 1
    found = [(int(group[0]), int(group[-1])) for group in np.split(bins, apart)]
    return [(begin, end) for begin, end in found if first <= begin < last and end - begin <= LONGEST_BINS]


def _looked_at(line: Series, lines: Sequence[Series], begin: int, end: int, start_bin: int) -> Plateau | None:
    """A stretch held against the neighbours; None where it shows no cut crests, or too little was lost, or there is too
    little to tell by."""
    low, stop = max(begin - BESIDE_BINS, 0), min(end + BESIDE_BINS + 1, line.high_kn.size)
    top_kn = float(np.nanmax(line.high_kn[begin : end + 1]))
    near = slice(low, stop)
    beside = [one for one in lines if one.channel != line.channel and _tells(one, near)]
    if len(beside) < LEAST_NEIGHBOURS:
        return None
    known = _taut(line, near)
    for one in beside:
        known &= ~np.isnan(one.mean_kn[near])
    bins = np.flatnonzero(known) + low
    crests = line.high_kn[bins] >= CREST_SHARE * top_kn
    if bins.size < LEAST_BINS or int(crests.sum()) < LEAST_CRESTS:
        return None
    scatter = _deviation(line.high_kn[bins][crests]) / top_kn
    fit = None if scatter > MOST_SCATTER else _loss(line, beside, bins, (begin, end), top_kn)
    if fit is None or fit.above.size < LEAST_CRESTS or fit.lost < LEAST_LOST:
        return None
    left = math.sqrt(fit.rest / bins.size)
    signs = Signs(fit.lost / (left + 1e-4), left, scatter, _crests_told(line, beside, bins, crests) / top_kn)
    return Plateau(
        line=line.line,
        channel=line.channel,
        from_us=(start_bin + int(fit.above[0])) * BIN_US,
        to_us=(start_bin + int(fit.above[-1]) + 1) * BIN_US,
        near_from_us=(start_bin + low) * BIN_US,
        near_to_us=(start_bin + stop) * BIN_US,
        peak_kn=top_kn,
        peak_us=(start_bin + begin + int(np.nanargmax(line.high_kn[begin : end + 1]))) * BIN_US,
        level_kn=fit.level_kn,
        lost_kn=round(fit.lost * line.base_kn, 1),
        crests=int(fit.above.size),
        confidence=signs.confidence,
    )


def _taut(line: Series, near: slice) -> NDArray[np.bool_]:
    """Whether the line was recorded, and not slack, in each bin of a stretch and in those beside it within it."""
    padded = np.pad(line.mean_kn[near] > SLACK_PCT / 100.0 * line.base_kn, 1, constant_values=True)
    return np.asarray(padded[:-2] & padded[1:-1] & padded[2:])


def _tells(one: Series, near: slice) -> bool:
    """Whether a neighbour was recorded nearly all the time, and bore anything."""
    mean, high = one.mean_kn[near], one.high_kn[near]
    told = ~np.isnan(mean)
    return bool(told.sum() > 0.95 * mean.size) and float(np.nanmax(high)) > LOADED_PCT / 100.0 * one.base_kn


def _loss(
    line: Series, beside: Sequence[Series], bins: NDArray[np.int64], span: tuple[int, int], top_kn: float
) -> _Fit | None:
    """The level, of those tried, by whose exceedance the line's loss against its neighbours is told best."""
    columns = np.empty((len(beside) + 1, bins.size), np.float64)
    for row, one in enumerate(beside):
        columns[row] = one.mean_kn[bins] / line.base_kn
    own = line.mean_kn[bins] / line.base_kn
    inside = (bins >= span[0]) & (bins <= span[1])
    best: _Fit | None = None
    for share in LEVELS:
        level_kn = share * top_kn
        over = np.where(inside, np.maximum(line.high_kn[bins] - level_kn, 0.0), 0.0)
        total = float(over.sum())
        if not total > 0.0:
            continue
        columns[-1] = -(np.cumsum(over) - over / 2.0) / total
        weights, rest = least_squares(columns, own, len(beside) + 1)
        if best is None or rest < best.rest:
            best = _Fit(float(weights[-1]), float(rest), bins[over > 0.0], level_kn)
    return best


def _crests_told(line: Series, beside: Sequence[Series], bins: NDArray[np.int64], crests: NDArray[np.bool_]) -> float:
    """By how much the line's crests are above those that its neighbours' tell, in the mean [kN]; cut ones are below."""
    columns = np.stack([one.high_kn[bins] for one in beside])
    high = line.high_kn[bins]
    weights, _ = least_squares(columns, high, len(beside))
    told = np.zeros(bins.size)
    for weight, column in zip(weights.tolist(), columns, strict=True):
        told += weight * (column - float(column.mean()))
    return float((high - float(high.mean()) - told)[crests].mean())


def _deviation(values: Values) -> float:
    mean = float(values.mean())
    return math.sqrt(float(((values - mean) ** 2).mean()))
