"""The compiled search for sudden losses of load. Only arrays and numbers here; `load_loss` defines what they mean."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import compiled

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

NONE = -1
ROOM = 16
WHOLE, PART = 0, 1
"""The line's whole tension went; one line's share of a hook's."""
SECOND_US = 1_000_000
OF_WAVES = 1.25
"""House rule, of a line that waves slacken and that fell from less than half of its highest: so many times the largest
fall of the minute before. On scenarios of the family tune at 10 Hz the last crest before such a line hung slack for
good fell by 1.16 times that at most, and of 312 lines lost two by less."""
STANDS_OUT = 4.5
"""House rule, set on 127 scenarios of the family tune at 1 Hz, 88 of them chosen for their shared hooks: where only the
sea moved them it was 4.3 at most (475 falls by a share and more); of 40 shares lost two were under it (2.5 and 3.3)."""


@compiled
def mean_of(at_us: Ints, kn: Floats, usable: Bools, from_us: int, before: int) -> float:
    """Mean of the usable samples from `from_us` on with an index below `before`; NaN without any."""
    count = 0
    total = 0.0
    first = before
    while first > 0 and at_us[first - 1] >= from_us:
        first -= 1
    for i in range(first, before):
        if usable[i]:
            count += 1
            total += kn[i]
    return total / count if count > 0 else np.nan


@compiled
def top_of(at_us: Ints, kn: Floats, usable: Bools, from_us: int, before: int) -> int:
    """The first of the largest usable samples from `from_us` on with an index below `before`; NONE without any."""
    top = NONE
    i = before - 1
    while i >= 0 and at_us[i] >= from_us:
        if usable[i] and (top == NONE or kn[i] >= kn[top]):
            top = i
        i -= 1
    return top


@compiled
def goes_slack(at_us: Ints, kn: Floats, usable: Bools, from_us: int, before: int, level_kn: float) -> bool:
    """Whether a usable sample from `from_us` on with an index below `before` is below the slack level."""
    i = before - 1
    while i >= 0 and at_us[i] >= from_us:
        if usable[i] and kn[i] < level_kn:
            return True
        i -= 1
    return False


@compiled
def bears_at_all(at_us: Ints, kn: Floats, usable: Bools, from_us: int, before: int, level_kn: float) -> bool:
    """Whether of the usable samples from `from_us` on with an index below `before` a tenth or more is not slack."""
    count = held = 0
    i = before - 1
    while i >= 0 and at_us[i] >= from_us:
        if usable[i]:
            count += 1
            held += not kn[i] < level_kn
        i -= 1
    return 10 * held >= count


@compiled
def last_loaded(at_us: Ints, kn: Floats, usable: Bools, at: int, least_kn: float, fall_us: int, max_gap_us: int) -> int:
    """The last usable sample of `least_kn` or more before index `at`: at most `fall_us` before it, or the very one
    before it where that is at most `max_gap_us` away; NONE where there is none."""
    seen = False
    i = at - 1
    while i >= 0:
        apart_us = at_us[at] - at_us[i]
        if apart_us > fall_us and (seen or apart_us > max_gap_us):
            return NONE
        if usable[i]:
            if kn[i] >= least_kn:
                return i
            seen = True
        i -= 1
    return NONE


@compiled
def comes_back(at_us: Ints, kn: Floats, usable: Bools, spiky: Bools, at: int, floor_kn: float, until_us: int) -> int:
    """The first usable sample after index `at`, up to `until_us`, that is no spike and not below a floor; NONE without
    one."""
    for i in range(at + 1, at_us.size):
        if at_us[i] > until_us:
            break
        if usable[i] and not spiky[i] and not kn[i] < floor_kn:
            return i
    return NONE


@compiled
def share_is_gone(
    at_us: Ints,
    kn: Floats,
    usable: Bools,
    at: int,
    share: float,
    mean_us: int,
    before_us: int,
    stay_us: int,
    max_gap_us: int,
) -> bool:
    """Whether the tension fell by a line's share of it for good at index `at`: its mean, short before against short
    after and long before against long after, by half of that share, its largest by a quarter. What is known must
    reach over the long times, but for a gap."""
    n = at_us.size
    early = at
    while early > 0 and at_us[early - 1] >= at_us[at] - mean_us:
        early -= 1
    if at_us[early] > at_us[at] - mean_us + max_gap_us:
        return False
    soon = late = at + 1
    while late < n and at_us[late] <= at_us[at] + stay_us:
        late += 1
        if at_us[late - 1] <= at_us[at] + before_us:
            soon = late
    if at_us[late - 1] < at_us[at] + stay_us - max_gap_us:
        return False
    short_kn = mean_of(at_us, kn, usable, at_us[at] - before_us, at)
    long_kn = mean_of(at_us, kn, usable, at_us[at] - mean_us, at)
    half = 1.0 - 0.5 * share
    if not mean_of(at_us, kn, usable, at_us[at], soon) <= half * short_kn:
        return False
    if not mean_of(at_us, kn, usable, at_us[at], late) <= half * long_kn:
        return False
    top = top_of(at_us, kn, usable, at_us[at] - mean_us, at)
    after = top_of(at_us, kn, usable, at_us[at], late)
    return top != NONE and bool(kn[after] < (1.0 - 0.25 * share) * kn[top])


@compiled
def usual_fall(at_us: Ints, kn: Floats, usable: Bools, from_us: int, before: int, fall_us: int) -> float:
    """The largest fall to a usable sample from `from_us` on with an index below `before`: from the largest of the
    `fall_us` before it, or of the sample before it. Nothing before `from_us` counts; 0 where it never fell."""
    most = 0.0
    i = before - 1
    while i >= 0 and at_us[i] >= from_us:
        if usable[i]:
            seen = False
            k = i - 1
            while k >= 0 and at_us[k] >= from_us and (not seen or at_us[i] - at_us[k] <= fall_us):
                if usable[k]:
                    seen = True
                    most = max(most, kn[k] - kn[i])
                k -= 1
        i -= 1
    return most


@compiled
def fell_more(at_us: Ints, kn: Floats, usable: Bools, at: int, fall_kn: float, mean_us: int, fall_us: int) -> bool:
    """Whether a fall by `fall_kn` to index `at` is so much more than the largest of the time before as no wave is."""
    return bool(fall_kn >= OF_WAVES * usual_fall(at_us, kn, usable, at_us[at] - mean_us, at, fall_us))


@compiled
def usual_step(at_us: Ints, kn: Floats, usable: Bools, from_us: int, until: int, step_us: int) -> float:
    """The largest difference, either way, of the means of `step_us` before and after one instant, of each whole second
    before index `until` of which both lie between `from_us` and that; 0 without any."""
    most = 0.0
    x_us = at_us[until] - step_us
    right = until
    while x_us - step_us >= from_us:
        while right > 0 and at_us[right - 1] >= x_us + step_us:
            right -= 1
        middle = right
        while middle > 0 and at_us[middle - 1] >= x_us:
            middle -= 1
        after = mean_of(at_us, kn, usable, x_us, right)
        before = mean_of(at_us, kn, usable, x_us - step_us, middle)
        if abs(before - after) > most:  # never where either is NaN
            most = abs(before - after)
        x_us -= SECOND_US
    return most


@compiled
def stands_out(
    at_us: Ints, kn: Floats, usable: Bools, at: int, fall_kn: float, mean_us: int, before_us: int, fall_us: int
) -> bool:
    """Whether a fall by `fall_kn` to index `at` is more than the sea's: as many times the largest fall of the time
    before, and the step of the mean as many times the largest there, as come to `STANDS_OUT` together."""
    soon = at + 1
    while soon < at_us.size and at_us[soon] < at_us[at] + before_us:
        soon += 1
    from_us = at_us[at] - mean_us
    step_kn = mean_of(at_us, kn, usable, at_us[at] - before_us, at) - mean_of(at_us, kn, usable, at_us[at], soon)
    falls_kn = usual_fall(at_us, kn, usable, from_us, at, fall_us)
    if not fall_kn > falls_kn:
        return False
    return bool(fall_kn * step_kn >= STANDS_OUT * falls_kn * usual_step(at_us, kn, usable, from_us, at, before_us))


@compiled
def losses(
    at_us: Ints,
    kn: Floats,
    usable: Bools,
    spiky: Bools,
    level_from_us: Ints,
    level_kn: Floats,
    begins: Ints,
    stops: Ints,
    share: float,
    from_kn: float,
    from_mean: float,
    max_gap_us: int,
    mean_us: int,
    fall_us: int,
    stay_us: int,
    before_us: int,
    back_us: int,
) -> tuple[Ints, Floats]:
    """Sudden losses of load whose first unloaded sample is in one of the spans [begins, stops) of indices, ascending;
    the arrays reach an edge beyond them.

    Ints (c, 5): index of the last loaded sample, of the first unloaded, of the largest in `before_us` before it, or
    since the last loaded, of the first that is loaded again (of a PART within `back_us`; NONE), WHOLE or PART.
    Floats (c, 2): mean in `mean_us` before, and the floor below which the line counts as unloaded [kN].
    """
    ints = np.empty((ROOM, 5), np.int64)
    floats = np.empty((ROOM, 2), np.float64)
    used = 0
    now = 0
    for span in range(begins.size):
        before = begins[span] - 1
        while before >= 0 and not usable[before]:
            before -= 1
        # No tension of the last `fall_us` is above the larger of these: the largest since `since_us`, and before that.
        lately = earlier = np.inf
        since_us = at_us[begins[span]]
        for i in range(begins[span], stops[span]):
            if not usable[i]:
                continue
            previous, before = before, i
            if at_us[i] - since_us > fall_us:
                earlier, lately, since_us = (
                    (lately if at_us[i] - since_us <= 2 * fall_us else -np.inf),
                    -np.inf,
                    at_us[i],
                )
            most = max(earlier, lately)
            lately = max(lately, kn[i])
            while now + 1 < level_from_us.size and at_us[i] >= level_from_us[now + 1]:
                now += 1
            level = level_kn[now]
            whole = kn[i] < level
            if previous == NONE or not (kn[i] < kn[previous] if not whole else kn[previous] >= level):
                continue
            if not whole and (share >= 1.0 or kn[i] >= (1.0 - 0.75 * share) * max(most, kn[previous])):
                continue
            least = max(from_kn, 2.0 * level)
            loaded = last_loaded(at_us, kn, usable, i, least, fall_us, max_gap_us)
            if loaded == NONE:
                continue
            floor = level
            if not whole:
                # The largest since shortly before: the fall of one share from it must have come at once.
                loaded = top_of(at_us, kn, usable, min(at_us[i] - fall_us, at_us[previous]), i)
                floor = (1.0 - 0.75 * share) * kn[loaded]
                if not (kn[i] < floor and kn[previous] >= floor) or at_us[i] - at_us[loaded] > max(fall_us, max_gap_us):
                    continue
            mean = mean_of(at_us, kn, usable, at_us[i] - mean_us, i)
            least = from_mean * mean if from_mean * mean > least else least  # no mean, no more is asked for
            stay, wave = stay_us, False
            if whole:
                loaded = last_loaded(at_us, kn, usable, i, least, fall_us, max_gap_us)
            if goes_slack(at_us, kn, usable, at_us[i] - mean_us, i, level):
                if not bears_at_all(at_us, kn, usable, at_us[i] - mean_us, i, level):
                    continue
                high = max(from_mean * kn[top_of(at_us, kn, usable, at_us[i] - mean_us, i)], least)
                if whole:
                    from_high = last_loaded(at_us, kn, usable, i, high, fall_us, max_gap_us)
                    if from_high != NONE:
                        loaded = from_high
                    else:
                        stay, wave = max(stay_us, mean_us), True
                else:
                    least = high
            if loaded == NONE or kn[loaded] < least:
                continue
            back = comes_back(at_us, kn, usable, spiky, i, floor, at_us[-1] if whole else at_us[i] + back_us)
            if whole and back != NONE and at_us[back] - at_us[i] <= stay:
                continue
            if wave and not fell_more(at_us, kn, usable, i, kn[loaded] - kn[i], mean_us, fall_us):
                continue
            if not whole and not (
                share_is_gone(at_us, kn, usable, i, share, mean_us, before_us, stay_us, max_gap_us)
                and stands_out(at_us, kn, usable, i, kn[loaded] - kn[i], mean_us, before_us, fall_us)
            ):
                continue
            if used == ints.shape[0]:
                longer, wider = np.empty((2 * used, 5), np.int64), np.empty((2 * used, 2), np.float64)
                longer[:used], wider[:used] = ints, floats
                ints, floats = longer, wider
            ints[used, 0], ints[used, 1] = loaded, i
            ints[used, 2] = top_of(at_us, kn, usable, min(at_us[i] - before_us, at_us[loaded]), i)
            ints[used, 3], ints[used, 4] = back, (WHOLE if whole else PART)
            floats[used, 0], floats[used, 1] = mean, floor
            used += 1
    return ints[:used].copy(), floats[:used].copy()
