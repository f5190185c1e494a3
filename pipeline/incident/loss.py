"""When lines lost their load, from their readings. Pure.

House rules, no source; the levels are the policy's for events of loss of load. A usable reading below what counts as
unloaded, of which the usable reading before is not, is the first *unloaded* one of a loss if the line bore load
before (there is a last *loaded* reading), if no reading of the next `loss_stay_s` is above it, and if it does not
come back within half an hour, as far as is recorded: a line that falls slack does. The last *loaded* reading is the
last before it of at least `loss_from_pct` of the limit, twice what counts as unloaded, and `loss_from_mean_pct` of
the mean of the minute before, at most `loss_fall_s` and the logger's filter earlier, or the very one before; where
the line was in a trough, the one before, if that was at least twice what counts as unloaded, the mean of the minute
at least `loss_from_pct` of the limit, and the fall the steepest of the minute by far. A load that sinks more slowly
was let out, and is not lost at once.

The instant lies between the two: not before the last loaded reading less the filter's length (a mean over the time
before its stamp still holds load that is gone), and not after the first unloaded one. That is no matter of chance, as
far as readings are right; clocks come on top. The best single figure is the middle between the last loaded reading and
the next; behind a filter, where readings pass half of the last whole one, less half the filter.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.events.load_loss import SOON_S
from pipeline.incident.lines import Floats, Ints, LineRecord
from schemas.registers import Policy

TROUGH: Final = 2.0
"""A reading of so many times what counts as unloaded bore load."""
SINKS_S: Final = 3.0
SINKS: Final = 0.75
"""Behind a filter a fall looks slow. A load that had sunk by a quarter in three seconds before it was sinking."""
STEEPEST: Final = 1.5
"""By so much a fall out of a trough must be steeper than any of the minute before."""


@dataclass(frozen=True)
class Loss:
    """One loss: indices of the last loaded reading and of the first unloaded one; as stamped, `low_us` and `high_us`,
    between which it happened, and `best_us`; mean of the minute before [kN], and of which readings: the first, the
    last, how many; `gap`: it lies in a gap of the record."""

    line: str
    loaded: int
    unloaded: int
    low_us: int
    high_us: int
    best_us: int
    mean_kn: float
    mean_of: tuple[int, int, int]
    gap: bool


def losses_of(record: LineRecord, policy: Policy, *, over_gaps: bool = True) -> list[Loss]:
    """All losses among a line's readings, in order of time. `over_gaps`: those across a gap of over `max_gap_s` too, of
    which nobody knows how the load went."""
    there = np.flatnonzero(record.usable)
    if there.size < 2:
        return []
    at_us, kn = record.at_us[there], record.kn[there]
    below = kn < record.floor_kn
    found: list[Loss] = []
    free_us = -1
    for first in (np.flatnonzero(below[1:] & ~below[:-1]) + 1).tolist():
        if at_us[first] < free_us:
            continue
        one = _loss(record, policy, there, at_us, kn, first)
        wide_us = 0 if one is None else int(record.at_us[one.unloaded]) - int(record.at_us[one.loaded])
        if one is not None and (over_gaps or not one.gap or wide_us <= policy.max_gap_s * 1e6):
            found.append(one)
            free_us = int(at_us[first]) + round(policy.loss_stay_s * 1e6)
    return found


def _loss(record: LineRecord, policy: Policy, there: Ints, at_us: Ints, kn: Floats, first: int) -> Loss | None:
    us = int(at_us[first])
    begin, stay, after = np.searchsorted(
        at_us, [us - policy.loss_mean_s * 1e6, us + policy.loss_stay_s * 1e6, us + SOON_S * 1e6]
    ).tolist()
    if first - begin < 2:  # what went before lies across a gap
        begin = int(np.searchsorted(at_us, at_us[first - 1] - policy.loss_mean_s * 1e6))
    mean_kn = float(kn[begin:first].mean())
    if np.any(kn[first:stay] >= record.floor_kn):
        return None
    if np.any(kn[stay:after] >= record.floor_kn):
        return None
    loaded = _last_loaded(record, policy, at_us, kn, first, begin, mean_kn)
    if loaded is None:
        return None
    filter_us = round(record.filter_s * 1e6)
    return Loss(
        line=record.line,
        loaded=int(there[loaded]),
        unloaded=int(there[first]),
        low_us=int(at_us[loaded]) - filter_us,
        high_us=us,
        best_us=_best_us(record, at_us, kn, loaded, first),
        mean_kn=mean_kn,
        mean_of=(int(there[begin]), int(there[first - 1]), first - begin),
        gap=int(at_us[loaded + 1]) - int(at_us[loaded]) > 2.5e6 * record.step_s,
    )


def _last_loaded(
    record: LineRecord, policy: Policy, at_us: Ints, kn: Floats, first: int, begin: int, mean_kn: float
) -> int | None:
    least_kn = max(
        policy.loss_from_mean_pct / 100.0 * mean_kn,
        policy.loss_from_pct / 100.0 * record.limit_kn,
        TROUGH * record.floor_kn,
    )
    bore = np.flatnonzero(kn[begin:first] >= least_kn)
    if bore.size:
        loaded = begin + int(bore[-1])
        fall_us = int(at_us[first]) - int(at_us[loaded])
        # Behind a filter one reading more may show a part of the load.
        more_s = record.filter_s + record.step_s if record.filter_s > 0.0 else 0.0
        if loaded == first - 1 or fall_us <= (policy.loss_fall_s + more_s) * 1e6:
            return loaded if _was_whole(record, at_us, kn, first) else None
    before = int(np.searchsorted(at_us, at_us[first] - record.filter_s * 1e6)) - 1
    before = min(max(before, begin), first - 1)
    if kn[before] < TROUGH * record.floor_kn or mean_kn < policy.loss_from_pct / 100.0 * record.limit_kn:
        return None
    apart_s = np.maximum(np.diff(at_us[begin : before + 1]) / 1e6, record.step_s)
    usual = float((-np.diff(kn[begin : before + 1]) / apart_s).max()) if apart_s.size else 0.0
    fall = float(kn[before] - kn[first]) / max(float(at_us[first] - at_us[before]) / 1e6, record.step_s)
    return first - 1 if fall > STEEPEST * max(usual, 0.0) else None


def _was_whole(record: LineRecord, at_us: Ints, kn: Floats, first: int) -> bool:
    """Whether, behind a filter, the last reading that holds nothing of the fall was no part of a slower one."""
    if record.filter_s <= 0.0:
        return True
    whole = int(np.searchsorted(at_us, at_us[first - 1] - record.filter_s * 1e6, side="right")) - 1
    begin = int(np.searchsorted(at_us, at_us[max(whole, 0)] - SINKS_S * 1e6))
    return whole < 0 or bool(kn[whole] >= SINKS * kn[begin : whole + 1].max())


def _best_us(record: LineRecord, at_us: Ints, kn: Floats, loaded: int, first: int) -> int:
    low_us, high_us = int(at_us[loaded]), int(at_us[first])
    filter_us = record.filter_s * 1e6
    if filter_us <= 0.0:
        return (low_us + int(at_us[loaded + 1])) // 2
    # The last whole reading is one whose mean ends before the first that shows less.
    whole = max(int(np.searchsorted(at_us, high_us - filter_us)) - 1, 0)
    half_kn = 0.5 * float(kn[whole])
    crossed = whole + 1 + int(np.argmax(kn[whole + 1 : first + 1] < half_kn))
    part = (float(kn[crossed - 1]) - half_kn) / max(float(kn[crossed - 1]) - float(kn[crossed]), 1e-9)
    cross_us = float(at_us[crossed - 1]) + part * float(at_us[crossed] - at_us[crossed - 1])
    return round(min(max(cross_us - 0.5 * filter_us, low_us - filter_us), high_us))


def nearest_to(found: list[Loss], at_us: int) -> Loss | None:
    """The loss nearest to an instant; of two alike the earlier."""
    return min(found, key=lambda one: (abs(one.best_us - at_us), one.best_us), default=None)
