"""The compiled loops that gather from a day's samples of one rigging everything a sheet keeps.

Only arrays and numbers here; `pipeline.sheets.sheet` gives them meaning and names.
"""

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled
from pipeline.sheets.cycles import Floats, Ints

Bools = NDArray[np.bool_]

BIN_US = 600_000_000
"""Length of a time bin: 10 minutes."""
CLASS_KN = 5.0
"""Width of a level class."""
OUTERMOST_CLASS = 10**9
PAIR = 2**32
"""A pair of classes is one number: the lower times this, plus the upper, which is made positive."""
NO_KEY = -(2**63)


@compiled
def level_class(kn: float) -> int:
    """Index c of the class [5c, 5c + 5) that holds a tension, exact also where the division rounds up.

    Tensions beyond 5e9 kN, which only a broken reading shows, stand in the outermost class.
    """
    index = int(min(max(np.floor(kn / CLASS_KN), -OUTERMOST_CLASS), OUTERMOST_CLASS))
    return index - 1 if kn < index * CLASS_KN else index


@compiled
def most_in_a_bin(at_us: Ints) -> int:
    """The largest number of instants (n,), ascending, that share a bin."""
    most = run = 0
    for i in range(at_us.size):
        run = run + 1 if i > 0 and at_us[i] // BIN_US == at_us[i - 1] // BIN_US else 1
        most = max(most, run)
    return most


@compiled
def empty_table(entries: int) -> Ints:
    """Keys of an open-addressing table for so many entries; its size is a power of two, half of it stays free."""
    size = 64
    while size < 2 * entries:
        size *= 2
    return np.full(size, NO_KEY, np.int64)


@compiled
def slot_of(keys: Ints, key: int) -> int:
    """Where a key stands in a table, or would stand: there `keys` holds NO_KEY."""
    mask = np.int64(keys.size - 1)
    slot = np.int64((np.uint64(key) * np.uint64(0x9E3779B97F4A7C15)) >> np.uint64(32)) & mask
    while keys[slot] != NO_KEY and keys[slot] != key:
        slot = (slot + 1) & mask
    return int(slot)


@compiled
def stand(
    at_us: Ints, kn: Floats, usable: Bools, after_us: int, to_us: int, max_gap_us: int
) -> tuple[Ints, Ints, Ints]:
    """Time at level: how long each usable sample stands, by 10-minute bin and 5 kN class.

    A sample stands until the next stored sample (any flag), `max_gap_us`, the end of its bin, or `to_us` (the
    end of the slice); the last one until `after_us`, the next stored sample beyond the slice, and for nothing
    when there is none (-1). Returns bins (absolute, since the epoch), classes and microseconds, one row for
    each cell used, in time and class order.
    """
    out_bin = np.empty(kn.size, np.int64)
    out_class = np.empty(kn.size, np.int64)
    out_us = np.empty(kn.size, np.int64)
    # A table of the bin's classes, since one broken reading may lie a million classes away from the others.
    keys = empty_table(most_in_a_bin(at_us))
    stood_us = np.empty(keys.size, np.int64)
    found = np.empty(keys.size, np.int64)
    hits = used = 0
    for i in range(kn.size):
        bin_ = at_us[i] // BIN_US
        until = at_us[i + 1] if i + 1 < kn.size else after_us
        if usable[i] and until >= 0:
            until = min(until, at_us[i] + max_gap_us, (bin_ + 1) * BIN_US, to_us)
            key = level_class(kn[i])
            slot = slot_of(keys, key)
            if keys[slot] == NO_KEY:
                keys[slot] = key
                stood_us[slot] = 0
                found[hits] = key
                hits += 1
            stood_us[slot] += until - at_us[i]
        if i + 1 == kn.size or at_us[i + 1] // BIN_US != bin_:
            classes = np.sort(found[:hits])
            for key in classes:
                slot = slot_of(keys, key)
                if stood_us[slot] > 0:
                    out_bin[used] = bin_
                    out_class[used] = key
                    out_us[used] = stood_us[slot]
                    used += 1
            if hits > 0:
                keys[:] = NO_KEY
            hits = 0
    return out_bin[:used].copy(), out_class[:used].copy(), out_us[:used].copy()


@compiled
def runs_above(
    at_us: Ints,
    kn: Floats,
    usable: Bools,
    at_least: Bools,
    begins: Ints,
    stops: Ints,
    level_kn: float,
    max_gap_us: int,
) -> tuple[Ints, Ints, Floats, Ints, Bools]:
    """Maximal runs of usable samples strictly above a level: excursions.

    Gone through are the spans [begins, stops) of indices, ascending; no run reaches over the edge of one. A run is
    ended by a usable sample not above, by a gap between usable samples over `max_gap_us`, or by the slice's edge.
    Returns first_us, last_us, peak_kn, peak_us (the first of equal peaks) and whether the peak is only a lower bound
    (`at_least`: a clipped sample stood in the run).
    """
    room = (stops - begins).sum()
    first = np.empty(room, np.int64)
    last = np.empty(room, np.int64)
    peak = np.empty(room, np.float64)
    peak_us = np.empty(room, np.int64)
    bound = np.zeros(room, np.bool_)
    count = 0
    for span in range(begins.size):
        inside = False
        before_us = np.int64(0)
        for i in range(begins[span], stops[span]):
            if not usable[i]:
                continue
            if inside and at_us[i] - before_us > max_gap_us:
                inside = False
                count += 1
            before_us = at_us[i]
            if kn[i] > level_kn:
                if not inside:
                    inside = True
                    first[count] = at_us[i]
                    peak[count] = kn[i]
                    peak_us[count] = at_us[i]
                    bound[count] = False
                elif kn[i] > peak[count]:
                    peak[count] = kn[i]
                    peak_us[count] = at_us[i]
                last[count] = at_us[i]
                bound[count] = bound[count] or at_least[i]
            elif inside:
                inside = False
                count += 1
        if inside:
            count += 1
    return first[:count].copy(), last[:count].copy(), peak[:count].copy(), peak_us[:count].copy(), bound[:count].copy()


@compiled
def swing_cells(turn_kn: Floats, turn_us: Ints) -> tuple[Ints, Floats, Ints]:
    """Swings between successive turning points, by the 10-minute bin in which each ends.

    Returns moments (bin rows: bins (b,), sums (b, 3) of count, range, range^2) and cells (n, 4): bin, class of
    the lower end, class of the upper end, count; ordered by bin, then classes.
    """
    swings = max(turn_kn.size - 1, 0)
    bins = np.empty(swings, np.int64)
    sums = np.zeros((swings, 3), np.float64)
    cells = np.empty((swings, 4), np.int64)
    keys = empty_table(most_in_a_bin(turn_us))
    times = np.empty(keys.size, np.int64)
    found = np.empty(keys.size, np.int64)
    hits = rows = used = 0
    for i in range(swings):
        low = min(turn_kn[i], turn_kn[i + 1])
        high = max(turn_kn[i], turn_kn[i + 1])
        sums[rows, 0] += 1.0
        sums[rows, 1] += high - low
        sums[rows, 2] += (high - low) * (high - low)
        key = level_class(low) * PAIR + level_class(high) + PAIR // 2
        slot = slot_of(keys, key)
        if keys[slot] == NO_KEY:
            keys[slot] = key
            times[slot] = 0
            found[hits] = key
            hits += 1
        times[slot] += 1
        bin_ = turn_us[i + 1] // BIN_US
        if i + 1 == swings or turn_us[i + 2] // BIN_US != bin_:
            bins[rows] = bin_
            rows += 1
            pairs = np.sort(found[:hits])
            for pair in pairs:
                cells[used, 0] = bin_
                cells[used, 1] = pair // PAIR
                cells[used, 2] = pair % PAIR - PAIR // 2
                cells[used, 3] = times[slot_of(keys, pair)]
                used += 1
            keys[:] = NO_KEY
            hits = 0
    return bins[:rows].copy(), sums[:rows].copy(), cells[:used].copy()


@compiled
def payout_moves(
    payout_at_us: Ints,
    payout_m: Floats,
    tension_at_us: Ints,
    tension_kn: Floats,
    from_us: int,
    to_us: int,
    deadband_m: float,
    max_gap_us: int,
    latest_us: int,
) -> tuple[Ints, Floats]:
    """Class and metres of every move of a payout between turning points at least `deadband_m` apart, in time order.

    A leg counts on as its extreme advances; a turn counts from the extreme on once it is `deadband_m` long, at the
    sample that shows it. After a gap all begins afresh. Counted: samples in [from_us, to_us) with a tension at most
    `latest_us` old.
    """
    classes = np.empty(payout_m.size, np.int64)
    metres = np.empty(payout_m.size, np.float64)
    count = tension_next = 0
    direction = 0.0
    low = high = 0.0  # what is open: of a leg its extreme, in both; before the first leg the range so far
    for i in range(payout_m.size):
        at, now = payout_at_us[i], payout_m[i]
        if i == 0 or at - payout_at_us[i - 1] > max_gap_us:
            direction = 0.0
            low = high = now
            continue
        up, down = now - low, high - now
        if direction <= 0.0 and up < deadband_m:
            up = 0.0
        if direction >= 0.0 and down < deadband_m:
            down = 0.0
        if up <= 0.0 and down <= 0.0:
            if direction == 0.0:
                low, high = min(low, now), max(high, now)
            continue
        direction = 1.0 if up > down else -1.0
        low = high = now
        while tension_next < tension_at_us.size and tension_at_us[tension_next] <= at:
            tension_next += 1
        if at < from_us or at >= to_us or tension_next == 0 or at - tension_at_us[tension_next - 1] > latest_us:
            continue
        classes[count] = level_class(tension_kn[tension_next - 1])
        metres[count] = max(up, down)
        count += 1
    return classes[:count].copy(), metres[:count].copy()
