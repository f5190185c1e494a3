"""Offset between the clocks of two loggers, from the motion that their channels share. Pure.

All lines of a ship feel her motion at the same instant: each tension follows surge, sway, yaw, heave and pitch by a
mixture of its own, of either sign. So the channels of one logger, shifted by the right lag, explain those of another
better than at any other lag. The measure is the sum of squared correlations between the two sets, each made
uncorrelated in itself, in two bands: slow motion, which finds the lag, and waves, which make it sharp. It is a
cross-correlation of many channels at once, blind to signs. Where slow motion tells nothing, waves alone are taken, if
no other lag is nearly as good. Its highest point over the whole record must stand out from all other lags, the more so
the less the two share. It is refined, window by window, by a parabola through three points. The offset is the median of
the windows; its uncertainty their spread (1.4826 times the median absolute deviation, of a normal distribution its
standard deviation) by the root of their number, and never less than a tenth of a grid step.

Sign: positive means that the other logger stamps the same instant later, so that its clock is ahead.

Limits: a lag beyond `most_s` is not found; channels of a logger that share no motion with the others give none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.quality.flags import Times, Values

Spectra = NDArray[np.complex128]

# House rules, no source.
STEP_S: Final = 0.5
BANDS_S: Final = ((3.0, 20.0), (20.0, 240.0))
"""Periods [s] of waves and swell, and of slow motion."""
WAVES: Final = slice(0, 1)
NEXT_WAVE: Final = 0.8
"""Of the measure of waves: what no other lag may reach where they alone tell."""
LEAST_EIGENVALUE: Final = 0.03
CLIP: Final = 4.0
WINDOW_S: Final = 600.0
LEAST_WINDOWS: Final = 3
REFINE_S: Final = 3.0
STANDS_OUT: Final = 8.0
LEAST_SHARED: Final = 0.15
STANDS_CLEAR: Final = 20.0
"""Of a measure that is less than `LEAST_SHARED`, as of a logger of few channels."""
SLOW_NEAR: Final = 0.9
AGREE_S: Final = 1.0
FLOOR_S: Final = STEP_S / 10
GAP_S: Final = 10.0
LEAST_COVERED: Final = 0.8


@dataclass(frozen=True, slots=True)
class Series:
    """Readings of one channel: at_us (n,) ascending, kn (n,), without missing ones."""

    at_us: Times
    kn: Values


@dataclass(frozen=True, slots=True)
class Offset:
    """How far one logger's clock is ahead of another's [s], with its standard uncertainty.

    shared: the measure at its highest, 0 to 1; windows: how many gave the spread.
    """

    offset_s: float
    uncertainty_s: float
    shared: float
    windows: int

    @property
    def weight(self) -> float:
        """How much it counts against others: the more the two share, and the surer it is."""
        return self.shared / self.uncertainty_s


def offset(reference: Sequence[Series], other: Sequence[Series], *, most_s: float) -> Offset | None:
    """The offset of `other` against `reference`; None where they share too little motion to tell, or for too short."""
    both = [*reference, *other]
    if not reference or not other or any(series.at_us.size < 2 for series in both):
        return None
    from_us = max(int(series.at_us[0]) for series in both)
    to_us = min(int(series.at_us[-1]) for series in both)
    count = int((to_us - from_us) / 1e6 / STEP_S)
    if count * STEP_S < LEAST_WINDOWS * WINDOW_S:
        return None
    grid_us = from_us + np.arange(count, dtype=np.int64) * round(STEP_S * 1e6)
    first, second = ([on_grid(one, grid_us) for one in some] for some in (reference, other))
    a, b = (np.array([kn for kn in some if kn is not None]) for some in (first, second))
    if a.size == 0 or b.size == 0:
        return None
    most = min(round(most_s / STEP_S), count // 3)
    by_band = _by_band(a, b, most)
    if by_band is None:
        return None
    waves, slow = by_band
    told = _stands_out(slow, int(np.argmax(slow)), STANDS_OUT)
    # A wave is like the next one and the one before, and reaches bow and stern at different instants; slow motion not.
    used = slice(None) if told else WAVES
    shared = by_band[used].mean(axis=0)
    best = int(np.argmax(np.where(slow >= SLOW_NEAR * slow.max(), shared, -1.0) if told else shared))
    times = STANDS_OUT if shared[best] >= LEAST_SHARED and told else STANDS_CLEAR
    if not _stands_out(shared, best, times) or best in (0, shared.size - 1) or not (told or _alone(waves, best)):
        return None
    return _refined(a, b, best - most, float(shared[best]), used)


def _alone(waves: Values, best: int) -> bool:
    """Whether no other wave is nearly as like the one at a lag."""
    apart = np.abs(np.arange(waves.size) - best) > round(AGREE_S / STEP_S)
    level = float(np.median(waves))
    return bool(waves[apart].max() - level < NEXT_WAVE * (waves[best] - level))


def _stands_out(shared: Values, best: int, times: float) -> bool:
    """Whether the measure at a lag is so many robust standard deviations of it above its median."""
    level = float(np.median(shared))
    noise = 1.4826 * float(np.median(np.abs(shared - level)))
    return bool(shared[best] - level >= times * noise)


def on_grid(series: Series, grid_us: Times) -> Values | None:
    """Half-second means, joined by straight lines, at the grid's instants; None where too much is missing."""
    bins = series.at_us // round(STEP_S * 1e6)
    starts = np.flatnonzero(np.diff(bins, prepend=bins[0] - 1))
    counts = np.diff(np.append(starts, bins.size))
    at_s = np.add.reduceat((series.at_us - grid_us[0]) / 1e6, starts) / counts
    kn = np.add.reduceat(series.kn, starts) / counts
    grid_s = (grid_us - grid_us[0]) / 1e6
    next_ = np.clip(np.searchsorted(at_s, grid_s), 1, at_s.size - 1)
    if np.mean(at_s[next_] - at_s[next_ - 1] <= GAP_S) < LEAST_COVERED:
        return None
    found: Values = np.interp(grid_s, at_s, kn)
    return found if np.ptp(found) > 0 else None


def _by_band(a: Values, b: Values, most: int) -> Values | None:
    """The measure of each band (bands, 2 most + 1) at lags -most … most of grid steps; a, b: channels in rows. None
    without motion."""
    size = a.shape[1]
    long = 1 << int(np.ceil(np.log2(size + most)))
    total = np.zeros((len(BANDS_S), 2 * most + 1))
    for row, band in zip(total, BANDS_S, strict=True):
        white = [_whitened(part, band, long) for part in (a, b)]
        if white[0].size == 0 or white[1].size == 0:
            return None
        ways = min(len(white[0]), len(white[1]))
        for one in white[0]:
            for other in white[1]:
                lagged = np.fft.irfft(np.conj(one) * other, long)
                row += np.concatenate((lagged[-most:], lagged[: most + 1])) ** 2 / ways
    return total


def _whitened(kn: Values, band: tuple[float, float], long: int) -> Spectra:
    """Spectra (k, long // 2 + 1) of the series that `uncorrelated` gives."""
    found = uncorrelated(kn, band)
    return np.fft.rfft(found, long) if found.size else np.empty((0, long // 2 + 1), np.complex128)


def uncorrelated(kn: Values, band: tuple[float, float]) -> Values:
    """Uncorrelated series (k, n) of unit energy that together make up what `kn` (channels, n) holds of a band; (0, n)
    where nothing moves."""
    size = kn.shape[1]
    spectrum = np.fft.rfft(kn - kn.mean(axis=1, keepdims=True))
    hz = np.fft.rfftfreq(size, STEP_S)
    spectrum[:, (hz < 1 / band[1]) | (hz > 1 / band[0])] = 0
    moved = np.fft.irfft(spectrum, size)
    limit = CLIP * 1.4826 * np.median(np.abs(moved), axis=1, keepdims=True)
    moved = np.clip(moved, -limit, limit)
    scale = np.sqrt((moved**2).sum(axis=1, keepdims=True))
    moved = (moved / np.where(scale > 0, scale, 1))[scale[:, 0] > 0]
    if moved.size == 0:
        return np.empty((0, size))
    value, vector = np.linalg.eigh(moved @ moved.T)
    kept = value > LEAST_EIGENVALUE * value[-1]
    found: Values = (vector[:, kept] / np.sqrt(value[kept])).T @ moved
    return found


def _refined(a: Values, b: Values, lag: int, shared: float, used: slice) -> Offset | None:
    """The lag near one found, in each window by itself, by the bands used."""
    size, window, near = a.shape[1], round(WINDOW_S / STEP_S), round(REFINE_S / STEP_S)
    found = []
    for begin in range(max(0, -lag), min(size, size - lag) - window + 1, window):
        by_band = _by_band(a[:, begin : begin + window], b[:, begin + lag : begin + lag + window], near + 1)
        if by_band is None:
            continue
        part = by_band[used].mean(axis=0)
        best = int(np.argmax(part[1:-1])) + 1
        if 1 < best < part.size - 2:
            found.append((lag + best - near - 1 + vertex(*part[best - 1 : best + 2].tolist())) * STEP_S)
    if len(found) < LEAST_WINDOWS:
        return None
    lags = np.array(found)
    middle = float(np.median(lags))
    spread = 1.4826 * float(np.median(np.abs(lags - middle)))
    if spread > AGREE_S * 2:
        return None
    return Offset(middle, max(spread / float(np.sqrt(lags.size)), FLOOR_S), shared, lags.size)


def vertex(before: float, top: float, after: float) -> float:
    """Where a parabola through three points, one step apart, is highest: steps from the middle one."""
    bend = before - 2 * top + after
    return 0.0 if bend >= 0 else 0.5 * (before - after) / bend


@dataclass(frozen=True, slots=True)
class Wrong:
    """A logger whose clock stands apart from the time that most others share [s]; `alone`: there is no majority."""

    logger: str
    offset_s: float
    uncertainty_s: float
    against: tuple[str, ...]
    alone: bool


def apart(pairs: Mapping[tuple[str, str], Offset], weight: Mapping[str, int], *, least_s: float) -> list[Wrong]:
    """The loggers whose clocks stand apart by more than `least_s` and three times the uncertainty.

    Offsets of pairs are made one set of offsets by least squares; a logger is as uncertain as its least sure pair. The
    shared time is that of the largest set of loggers that agree within a second; of equal sets that with most channels
    (`weight`).
    """
    found: list[Wrong] = []
    for names in _connected(pairs):
        at_s, uncertainty_s = _levelled(names, pairs)
        sets = [
            [other for other in names if abs(at_s[other] - at_s[name]) <= max(AGREE_S, 3 * uncertainty_s[other])]
            for name in names
        ]
        agreed = max(sets, key=lambda some: (len(some), sum(weight.get(name, 0) for name in some)))
        shared_s = float(np.median([at_s[name] for name in agreed]))
        alone = 2 * len(agreed) <= len(names)
        for name in names:
            off_s = at_s[name] - shared_s
            if name not in agreed and abs(off_s) > max(least_s, 3 * uncertainty_s[name]):
                found.append(Wrong(name, off_s, uncertainty_s[name], tuple(agreed), alone))
    return found


def levelled(pairs: Mapping[tuple[str, str], Offset]) -> dict[str, float]:
    """By how much each clock is ahead of one of them [s]: of the largest set that pairs connect."""
    groups = _connected(pairs)
    return _levelled(max(groups, key=len), pairs)[0] if groups else {}


def _connected(pairs: Mapping[tuple[str, str], Offset]) -> list[list[str]]:
    groups: list[set[str]] = []
    for pair in pairs:
        touched = [group for group in groups if group & set(pair)]
        groups = [group for group in groups if group not in touched] + [set(pair).union(*touched)]
    return [sorted(group) for group in groups]


def _levelled(
    names: Sequence[str], pairs: Mapping[tuple[str, str], Offset]
) -> tuple[dict[str, float], dict[str, float]]:
    """Offsets against the first name, by least squares over the pairs; and of each name the uncertainty.

    A pair that contradicts what others say by over half a second has taken the next wave for the same one: the worst is
    left out, as long as the others still connect all names. Pairs weigh by what they share, too.
    """
    used = {pair: told for pair, told in pairs.items() if pair[0] in names}
    while True:
        at_s, spread = _least_squares(names, used)
        off = {pair: abs(at_s[pair[1]] - at_s[pair[0]] - told.offset_s) for pair, told in used.items()}
        worst = max(off, key=lambda pair: off[pair])
        left = {pair: told for pair, told in used.items() if pair != worst}
        if off[worst] <= AGREE_S / 2 or len(_connected(left)) != 1 or len(_connected(left)[0]) != len(names):
            return at_s, spread
        used = left


def _least_squares(
    names: Sequence[str], pairs: Mapping[tuple[str, str], Offset]
) -> tuple[dict[str, float], dict[str, float]]:
    row = {name: number for number, name in enumerate(names)}
    design, right = np.zeros((len(pairs), len(names) - 1)), np.zeros(len(pairs))
    for number, ((one, other), told) in enumerate(pairs.items()):
        for column, sign in ((row[one], -1.0), (row[other], 1.0)):
            if column > 0:
                design[number, column - 1] = sign * told.weight
        right[number] = told.offset_s * told.weight
    solved = np.linalg.lstsq(design, right, rcond=None)[0]
    at_s = {name: float(solved[number - 1]) if number > 0 else 0.0 for name, number in row.items()}
    # No better than the pairs that a name stands in, and no better than they agree.
    off = {pair: abs(at_s[pair[1]] - at_s[pair[0]] - told.offset_s) for pair, told in pairs.items()}
    spread = {
        name: max(max(told.uncertainty_s, off[pair]) for pair, told in pairs.items() if name in pair) for name in names
    }
    return at_s, spread
