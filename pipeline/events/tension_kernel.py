"""The one compiled pass over a rigging's tension that all kinds of events known from tension alone are made from.

Only arrays and numbers here; `slack`, `snap_load`, `bins` and `load_loss` define the kinds, and name the columns.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

BIN_US = 600_000_000
ROOM = 64
NONE = -1
"""Stands for 'no such index or instant'."""


@compiled
def more_ints(rows: Ints, used: int) -> Ints:
    """The same table, twice as long where it is full."""
    if used < rows.shape[0]:
        return rows
    longer = np.empty((2 * rows.shape[0], rows.shape[1]), np.int64)
    longer[:used] = rows
    return longer


@compiled
def more_floats(rows: Floats, used: int) -> Floats:
    """The same table, twice as long where it is full."""
    if used < rows.shape[0]:
        return rows
    longer = np.empty((2 * rows.shape[0], rows.shape[1]), np.float64)
    longer[:used] = rows
    return longer


@compiled
def loaded_ends(
    at_us: Ints, kn: Floats, usable: Bools, level_from_us: Ints, level_kn: Floats, begin: int, end: int
) -> Ints:
    """Indices (2,) of the first and the last usable sample of [begin, end) not below the level; NONE without any."""
    found = np.full(2, NONE, np.int64)
    now = 0
    for i in range(begin, end):
        while now + 1 < level_from_us.size and at_us[i] >= level_from_us[now + 1]:
            now += 1
        if usable[i] and not kn[i] < level_kn[now]:
            found[0] = i
            break
    now = level_from_us.size - 1
    for i in range(end - 1, begin - 1, -1):
        while now > 0 and at_us[i] < level_from_us[now]:
            now -= 1
        if usable[i] and not kn[i] < level_kn[now]:
            found[1] = i
            break
    return found


@compiled
def last_usable(usable: Bools, begin: int, end: int) -> int:
    """The last usable sample of [begin, end); NONE without any."""
    for i in range(end - 1, begin - 1, -1):
        if usable[i]:
            return i
    return NONE


@compiled
def slack_groups(
    at_us: Ints,
    kn: Floats,
    usable: Bools,
    level_from_us: Ints,
    level_kn: Floats,
    begins: Ints,
    stops: Ints,
    begin: int,
    end: int,
    max_gap_us: int,
    join_us: int,
) -> tuple[Ints, Ints]:
    """Runs below the slack level among [begin, end), those less than `join_us` apart as one group.

    Gone through are the spans [begins, stops) of indices, ascending and apart: no usable sample of [begin, end) outside
    them is below the level. Groups (g, 7): index of the first and last sample below, of the lowest and of the highest
    of them, number of runs, 1 where the first is the first usable sample, 1 where the last is the last usable one.
    Loaded (2,): index of the first and last usable sample not below, NONE where there is none.
    """
    groups = np.empty((ROOM, 7), np.int64)
    used = 0
    inside = False
    last = NONE
    now = 0
    for span in range(begins.size):
        inside = False
        before = last_usable(usable, begin, begins[span])
        for i in range(begins[span], stops[span]):
            if not usable[i]:
                continue
            while now + 1 < level_from_us.size and at_us[i] >= level_from_us[now + 1]:
                now += 1
            if not kn[i] < level_kn[now]:
                inside = False
            else:
                if not (inside and at_us[i] - at_us[before] <= max_gap_us):
                    if used > 0 and at_us[i] - at_us[last] < join_us:
                        groups[used - 1, 4] += 1
                    else:
                        groups = more_ints(groups, used)
                        groups[used, :4] = i
                        groups[used, 4] = 1
                        groups[used, 5] = 1 if before == NONE else 0
                        used += 1
                    inside = True
                last = i
                groups[used - 1, 1] = i
                if kn[i] < kn[groups[used - 1, 2]]:
                    groups[used - 1, 2] = i
                if kn[i] > kn[groups[used - 1, 3]]:
                    groups[used - 1, 3] = i
            before = i
    if used > 0:
        groups[:used, 6] = 0
        groups[used - 1, 6] = 1 if inside and last_usable(usable, stops[-1], end) == NONE else 0
    return groups[:used].copy(), loaded_ends(at_us, kn, usable, level_from_us, level_kn, begin, end)


@compiled
def snaps(
    at_us: Ints,
    kn: Floats,
    usable: Bools,
    level_from_us: Ints,
    level_kn: Floats,
    begin: int,
    end: int,
    lo: int,
    hi: int,
    snap_kn: float,
    rate_kn_s: float,
    max_gap_us: int,
    within_us: int,
    peak_us: int,
) -> Ints:
    """Sharp rises out of slack or near-slack whose first sample past `snap_kn` is in [begin, end); read: [lo, hi).

    Rows (s, 4): index of the last near-slack sample, of the first past, of the largest till its end, of its end.
    """
    rows = np.empty((ROOM, 4), np.int64)
    used = 0
    slack = past = before = NONE
    now = 0
    most_kn = 2.0 * level_kn.max()
    for i in range(lo, hi):
        if slack == NONE and past == NONE and kn[i] >= most_kn:
            continue  # nothing begins but with a near-slack sample
        if not usable[i]:
            continue
        while now + 1 < level_from_us.size and at_us[i] >= level_from_us[now + 1]:
            now += 1
        if before != NONE and at_us[i] - at_us[before] > max_gap_us:
            slack = past = NONE
        if slack != NONE and at_us[i] - at_us[slack] > within_us:
            slack = NONE  # whatever comes now took too long
        before = i
        if kn[i] < 2.0 * level_kn[now]:
            slack, past = i, NONE
            if i >= end:
                break
            continue
        if slack != NONE and kn[i] > snap_kn:
            rise_us = at_us[i] - at_us[slack]
            sharp = rise_us <= within_us and kn[i] - kn[slack] >= rate_kn_s * (rise_us / 1e6)
            if sharp and i >= begin and i < end:
                rows = more_ints(rows, used)
                rows[used, 0] = slack
                rows[used, 1:] = i
                used += 1
                past = i
            slack = NONE
        elif past != NONE:
            if at_us[i] - at_us[past] > peak_us:
                past = NONE
                continue
            rows[used - 1, 3] = i
            if kn[i] > kn[rows[used - 1, 2]]:
                rows[used - 1, 2] = i
    return rows[:used].copy()


@compiled
def bin_rows(
    at_us: Ints,
    kn: Floats,
    usable: Bools,
    begins: Ints,
    stops: Ints,
    end: int,
    after_us: int,
    from_us: int,
    to_us: int,
    max_gap_us: int,
    least_us: int,
    sustained_kn: float,
    sustained_share: float,
    low_kn: float,
) -> tuple[Ints, Floats]:
    """Ten-minute bins wholly in [from_us, to_us), observed for `least_us` or more, that are loaded long or low.

    Gone through are the spans [begins, stops) of indices, ascending, none of which cuts a bin; the slice ends at `end`.
    Time as in a sheet's time at level. Long: the share of the observed time above `sustained_kn` is `sustained_share`
    or more. Low: the mean over the observed time is below `low_kn`. Ints (b, 5): bin, observed and above [us], index
    of the largest sample, bits (1 long, 2 low); floats (b, 1): mean [kN].
    """
    ints = np.empty((ROOM, 5), np.int64)
    means = np.empty((ROOM, 1), np.float64)
    used = 0
    for span in range(begins.size):
        i = begins[span]
        while i < stops[span]:
            number = at_us[i] // BIN_US
            stop_us = (number + 1) * BIN_US
            observed = above = 0
            area = 0.0
            top = NONE
            while i < stops[span] and at_us[i] < stop_us:
                until = at_us[i + 1] if i + 1 < end else after_us
                if usable[i]:
                    if top == NONE or kn[i] > kn[top]:
                        top = i
                    if until >= 0:
                        stood = min(until, at_us[i] + max_gap_us, stop_us, to_us) - at_us[i]
                        observed += stood
                        area += kn[i] * stood
                        if kn[i] > sustained_kn:
                            above += stood
                i += 1
            whole = stop_us - BIN_US >= from_us and stop_us <= to_us
            if whole and observed > 0 and observed >= least_us:
                bits = (1 if above >= sustained_share * observed else 0) + (2 if area / observed < low_kn else 0)
                if bits > 0:
                    ints, means = more_ints(ints, used), more_floats(means, used)
                    ints[used, 0], ints[used, 1], ints[used, 2], ints[used, 3] = number, observed, above, top
                    ints[used, 4] = bits
                    means[used, 0] = area / observed
                    used += 1
    return ints[:used].copy(), means[:used].copy()
