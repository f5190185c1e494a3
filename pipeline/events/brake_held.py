"""Brake-held: loads above the setting of a winch's brake at which it held, found in ordinary calls.

A brake set to render at a load and loaded beyond it ought to let go. One that holds leaves the line to part instead.

Pieces: of each slice the maximal runs of line tension strictly above the setting in force, ended as every excursion
(by a sample not above, a gap over `max_gap_s`, an edge), and by a new setting; of sound readings (`events.sound`)
alone. Events: runs while the winch was under power are left out; those less than `cluster_gap_s` apart are one; what a
rendering touches, from `before_s` before its first run on, is none, nor is one in whose runs `min_payout_m` or more was
paid out in all. Where no payout is recorded this last is not known, and said so. House rules, no source. The law:
wherever a record is cut, the pieces of its parts make the same events as those of the whole.

Limits. The tension is that of the gauge: a drum behind a chock bears less than a hook pin shows (`events.drum`). A
brake that held is not tested by it: what it would have held at, beyond the highest load seen, is not known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pipeline.events.brake_slips import Peak as Peak

KIND: Final = "brake-held"

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Span = tuple[int, int]
Setting = tuple[int, float | None]
"""From when on, and what a brake was set to [kN]; None where the register does not say."""


@dataclass(frozen=True)
class Above:
    """One run above the setting, of one slice. `runs_in`, `runs_on`: it reaches the first, or last, usable sample.

    payout_from_m, payout_to_m: the latest payout at its first and last sample; None where none is recent enough.
    """

    first_us: int
    last_us: int
    peak: Peak
    set_kn: float
    payout_from_m: float | None
    payout_to_m: float | None
    runs_in: bool
    runs_on: bool

    def to_payload(self) -> dict[str, Any]:
        """As plain numbers, for JSON; floats come back bit for bit."""
        return asdict(self)

    @classmethod
    def from_payload(cls, payload: Mapping[str, Any]) -> Above:
        """The inverse of `to_payload`."""
        return cls(**{**payload, "peak": Peak(**payload["peak"])})

    @property
    def paid_out_m(self) -> float | None:
        """Metres paid out in it; None where payout was not measured."""
        if self.payout_from_m is None or self.payout_to_m is None:
            return None
        return self.payout_to_m - self.payout_from_m


@dataclass(frozen=True)
class BrakeHeld:
    """One event: first and last sample above, the peak, the setting, how many runs it joins.

    paid_out_m: metres paid out in its runs; None where payout was not measured in all of them.
    """

    from_us: int
    to_us: int
    peak: Peak
    set_kn: float
    runs: int
    paid_out_m: float | None


@dataclass(frozen=True)
class Recorded:
    """One slice: tension (n,) of the line [kN], ascending in time, `usable` or not looked at, `clipped` at the gauge's
    capacity; payout (p,) [m] from `max_gap_s` before the slice on, NaN where missing, empty where not recorded."""

    at_us: Ints
    kn: Floats
    usable: Bools
    clipped: Bools
    payout_at_us: Ints
    payout_m: Floats


def above_setting(recorded: Recorded, settings: Sequence[Setting], *, max_gap_s: float) -> list[Above]:
    """Runs of a slice above the setting in force, in time order. `settings`: ascending; before the first none."""
    least_kn = min((set_kn for _, set_kn in settings if set_kn is not None), default=np.inf)
    if not bool((recorded.kn > least_kn).any()):
        return []  # as on most days, of which nothing is copied
    known = _without_missing(recorded)
    if known.at_us.size == 0:
        return []
    bounds = [*np.searchsorted(known.at_us, [at_us for at_us, _ in settings]).tolist(), known.at_us.size]
    found: list[Above] = []
    for (_, set_kn), begin, end in zip(settings, bounds, bounds[1:], strict=False):
        if set_kn is not None:
            found += _runs(known, begin, end, set_kn, round(max_gap_s * 1e6))
    return found


def _runs(known: Recorded, begin: int, end: int, set_kn: float, max_gap_us: int) -> list[Above]:
    over = np.flatnonzero(known.kn[begin:end] > set_kn) + begin
    if over.size == 0:
        return []
    apart = (np.diff(over) > 1) | (np.diff(known.at_us[over]) > max_gap_us)
    firsts = over[np.append(True, apart)]
    lasts = over[np.append(apart, True)]
    return [
        Above(
            int(known.at_us[first]),
            int(known.at_us[last]),
            _largest(known, first, last),
            set_kn,
            _payout_at(known, int(known.at_us[first]), max_gap_us),
            _payout_at(known, int(known.at_us[last]), max_gap_us),
            bool(first == 0),
            bool(last == known.at_us.size - 1),
        )
        for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True)
    ]


def _largest(known: Recorded, first: int, last: int) -> Peak:
    """The largest tension of samples first .. last, the first of equals."""
    top = first + int(np.argmax(known.kn[first : last + 1]))
    return Peak(int(known.at_us[top]), float(known.kn[top]), bool(known.clipped[first : last + 1].any()))


def _payout_at(known: Recorded, at_us: int, max_gap_us: int) -> float | None:
    latest = int(np.searchsorted(known.payout_at_us, at_us, side="right")) - 1
    if latest < 0 or at_us - int(known.payout_at_us[latest]) > max_gap_us:
        return None
    return float(known.payout_m[latest])


def _without_missing(recorded: Recorded) -> Recorded:
    told = ~np.isnan(recorded.payout_m)
    kept = recorded.usable
    return Recorded(
        recorded.at_us[kept],
        recorded.kn[kept],
        recorded.usable[kept],
        recorded.clipped[kept],
        recorded.payout_at_us[told],
        recorded.payout_m[told],
    )


def whole(pieces: Sequence[Above], *, max_gap_s: float) -> list[Above]:
    """Runs in time order, those that midnights cut made one again. `pieces`: of one rigging, in any order."""
    gap_us = round(max_gap_s * 1e6)
    made: list[Above] = []
    for piece in sorted(pieces, key=lambda one: one.first_us):
        before = made[-1] if made else None
        if before is not None and _goes_on(before, piece, gap_us):
            made[-1] = replace(
                before,
                last_us=piece.last_us,
                peak=_higher(before.peak, piece.peak),
                payout_to_m=piece.payout_to_m,
                runs_on=piece.runs_on,
            )
        else:
            made.append(piece)
    return made


def _goes_on(before: Above, piece: Above, gap_us: int) -> bool:
    cut = before.runs_on and piece.runs_in and before.set_kn == piece.set_kn
    return cut and piece.first_us - before.last_us <= gap_us


def _higher(one: Peak, later: Peak) -> Peak:
    """The higher of two, the first of equals; `at_least` if either is."""
    return replace(later if later.kn > one.kn else one, at_least=one.at_least or later.at_least)


def join(
    runs: Sequence[Above],
    *,
    tended: Sequence[Span] = (),
    rendered: Sequence[Span] = (),
    cluster_gap_s: float,
    before_s: float,
    min_payout_m: float,
) -> list[BrakeHeld]:
    """Events in time order, of one line's whole runs on one channel, in any order.

    `tended`: stretches in which the winch was under power; `rendered`: those in which its brake let line out.
    """
    clusters: list[list[Above]] = []
    for run in sorted(runs, key=lambda one: one.first_us):
        if _touched(tended, run.first_us, run.last_us):
            continue
        last = clusters[-1][-1] if clusters else None
        if last is not None and last.set_kn == run.set_kn and run.first_us - last.last_us < cluster_gap_s * 1e6:
            clusters[-1].append(run)
        else:
            clusters.append([run])
    before_us = round(before_s * 1e6)
    events = [
        _event(cluster)
        for cluster in clusters
        if not _touched(rendered, cluster[0].first_us - before_us, cluster[-1].last_us)
    ]
    return [event for event in events if event.paid_out_m is None or event.paid_out_m < min_payout_m]


def _event(cluster: Sequence[Above]) -> BrakeHeld:
    peak = cluster[0].peak
    for run in cluster[1:]:
        peak = _higher(peak, run.peak)
    paid = [run.paid_out_m for run in cluster]
    measured = [metres for metres in paid if metres is not None]
    return BrakeHeld(
        cluster[0].first_us,
        cluster[-1].last_us,
        peak,
        cluster[0].set_kn,
        len(cluster),
        sum(measured) if len(measured) == len(paid) else None,
    )


def _touched(spans: Sequence[Span], from_us: int, to_us: int) -> bool:
    return any(first_us <= to_us and from_us <= last_us for first_us, last_us in spans)
