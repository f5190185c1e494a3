"""Which pass of a repeated local hour rows belong to, as the order of the file tells it.

When summer time ends, the clock shows an hour twice. Rows of that hour that follow each other in a file (in
a long log: rows of one key) are a run; the run is settled as a whole, and by its neighbours:

- the file shows the step back: rows before it are of the first pass, rows from it on of the second;
- no step, and only an earlier time before it: the first pass; only a later time after it: the second;
- both: whichever side it joins on to without a gap, where the other side has one;
- else it stays open, for the layout's `fold` to say.

A step back is a decrease of more than a minute that the file does not take back. Rows out of order are
none: the file returns from them at one jump to where it left, give or take a minute or two of its steps. A
little out of order they belong to the pass around them; nearly the whole span back, they are of the second
pass and came early; anything between, or a second step back, contradicts the rest: open.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
How = Literal["step back", "entered", "runs on", "continuity"]

DISORDER_US = 60_000_000
"""A smaller decrease is disorder among rows, not the clock put back. House rule, no published source."""

GAP_RATIO = 10
"""A side joins on when its distance is at most a tenth of the other side's. House rule, no published
source."""

_MOST_JUMPS = 1000


def passes(
    local_us: Ints, span_us: int, before_us: int | None, after_us: int | None
) -> tuple[NDArray[np.int8], How] | None:
    """The pass (0, 1) of each row of a run, and how it was found; None when the file leaves it open.

    `local_us`: the run's local times. `span_us`: length of the repeated stretch. `before_us`, `after_us`:
    local time of the row before and after the run, where there is one.
    """
    fold = np.zeros(local_us.size, np.int8)
    steps = _walk(local_us, span_us, fold)
    if steps == 1:
        return fold, "step back"
    if steps > 1 or fold.any():
        return None
    entered = before_us is not None and before_us < local_us[0]
    runs_on = after_us is not None and after_us > local_us[-1]
    if entered and runs_on and before_us is not None and after_us is not None:
        gap_before, gap_after = int(local_us[0]) - before_us, after_us - int(local_us[-1])
        if gap_before * GAP_RATIO <= gap_after:
            return fold, "continuity"
        return (fold + np.int8(1), "continuity") if gap_after * GAP_RATIO <= gap_before else None
    if entered:
        return fold, "entered"
    return (fold + np.int8(1), "runs on") if runs_on else None


def _walk(local_us: Ints, span_us: int, fold: NDArray[np.int8]) -> int:
    """Set `fold` along the jumps of a run; returns the number of steps back, 2 for a contradiction."""
    moves_us = np.diff(local_us)
    jumps: list[int] = (np.flatnonzero(np.abs(moves_us) > DISORDER_US) + 1).tolist()
    if len(jumps) > _MOST_JUMPS:
        return 2
    onward_us = moves_us[moves_us > 0]
    step_us = int(np.median(onward_us)) if onward_us.size else 0
    near_us = min(max(DISORDER_US, 2 * step_us), span_us // 6)
    landed_us, moved_us = local_us[jumps], moves_us[np.array(jumps, np.int64) - 1]
    steps, k = 0, 0
    while k < len(jumps):
        at = jumps[k]
        left_us = int(local_us[at - 1])
        drop_us = left_us - int(local_us[at])
        k += 1
        if drop_us < 0:  # a gap
            continue
        back = _return(landed_us[k:], moved_us[k:], left_us, drop_us, near_us)
        if back is None:
            steps += 1
            fold[at:] = 1
        elif span_us - drop_us <= near_us and steps == 0:
            fold[at : jumps[k + back]] = 1
            k += back + 1
        elif 2 * drop_us < span_us:
            k += back + 1
        else:
            return 2
    return steps


def _return(landed_us: Ints, moved_us: Ints, left_us: int, drop_us: int, near_us: int) -> int | None:
    """The first of some jumps whose row goes on where the file left at `left_us`, out of a drop that the jump
    undoes. `landed_us`, `moved_us`: local time after each jump, and by how much it jumped."""
    onward_us = landed_us - left_us
    found = np.flatnonzero((2 * moved_us >= drop_us) & (onward_us >= 0) & (onward_us <= near_us))
    return int(found[0]) if found.size else None
