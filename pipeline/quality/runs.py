"""Flags as runs: what is kept beside the samples. A sample in no run has passed (1)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import Bug
from pipeline.kernels import compiled
from pipeline.quality.flags import Checks, Flags, Times


@dataclass(frozen=True)
class FlagRuns:
    """Maximal runs of successive samples with one flag other than 1 from the same checks; each (r,)."""

    first_us: Times
    last_us: Times
    samples: NDArray[np.int64]
    flag: Flags
    checks: Checks


@compiled
def _run_starts(flags: Flags, checks: Checks) -> NDArray[np.int64]:
    """First and one-past-last index of each run, (r, 2)."""
    count = 0
    for i in range(flags.size):
        if flags[i] != 1 and (i == 0 or flags[i] != flags[i - 1] or checks[i] != checks[i - 1]):
            count += 1
    bounds = np.empty((count, 2), np.int64)
    count = 0
    for i in range(flags.size):
        fresh = i == 0 or flags[i] != flags[i - 1] or checks[i] != checks[i - 1]
        if fresh and i > 0 and flags[i - 1] != 1:
            bounds[count - 1, 1] = i
        if fresh and flags[i] != 1:
            bounds[count, 0] = i
            count += 1
    if flags.size and flags[-1] != 1:
        bounds[count - 1, 1] = flags.size
    return bounds


def flag_runs(at_us: Times, flags: Flags, checks: Checks) -> FlagRuns:
    """Runs of the samples that did not pass. at_us, flags, checks (n,): one channel, times ascending."""
    bounds = _run_starts(flags, checks)
    first, stop = bounds[:, 0], bounds[:, 1]
    return FlagRuns(at_us[first], at_us[stop - 1], stop - first, flags[first], checks[first])


def spread(runs: FlagRuns, at_us: Times) -> tuple[Flags, Checks]:
    """The inverse of `flag_runs`: flags and checks (n,) of the samples at `at_us`.

    Raises Bug where a run does not hold as many samples as it was made from: the runs are of other samples.
    """
    flags = np.ones(at_us.size, np.int8)
    checks = np.zeros(at_us.size, np.uint8)
    begin = np.searchsorted(at_us, runs.first_us)
    stop = np.searchsorted(at_us, runs.last_us, side="right")
    wrong = np.flatnonzero(stop - begin != runs.samples)
    if wrong.size:
        index = int(wrong[0])
        raise Bug(
            f"flag run {index} is of other samples",
            found=f"{stop[index] - begin[index]} samples",
            expected=str(runs.samples[index]),
            next_step="flag the day again",
        )
    which = np.repeat(np.arange(runs.samples.size), runs.samples)
    where = np.repeat(begin - np.cumsum(runs.samples) + runs.samples, runs.samples) + np.arange(which.size)
    flags[where] = runs.flag[which]
    checks[where] = runs.checks[which]
    return flags, checks
