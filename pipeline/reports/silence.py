"""After which instant nothing more was read of a line: what its trace shows only as an end."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.reports import drawing
from pipeline.reports.event_view import Told
from pipeline.reports.figures import Instant, instant
from pipeline.sheets.trace import BIN_US
from schemas.registers import Rigging


def silent_from(told: Told, line: str, window: tuple[int, int]) -> Instant | None:
    """The last reading of a main line in a window, where nothing was read of it from then on (`last_reading`)."""
    riggings = drawing.rigged_in(told.site, told.site.lines[line].ship, *window)
    return last_reading(told, [row for row in riggings if row.line == line], window)


def last_reading(told: Told, riggings: Sequence[Rigging], window: tuple[int, int]) -> Instant | None:
    """The last reading of a line in a window, where its channel was silent from then on until the window's end or until
    it was let go; None where it was not, and where no reading of the window counts.
    """
    if not riggings:
        return None
    last = max(riggings, key=lambda row: row.from_us)
    end_us = window[1] if last.to_us is None else min(window[1], last.to_us)
    seen = told.windows.tension(last, *window)
    read_us = seen.at_us[~np.isnan(seen.value)]
    if read_us.size == 0 or end_us - int(read_us[-1]) <= seen.gap_us:
        return None
    # A coarse window knows ten seconds, and only what counts; readings know the instant, and those that do not count.
    after = told.windows.channel(last.channel, int(read_us[-1]) // BIN_US * BIN_US, end_us)
    found_us = after.at_us[~np.isnan(after.value)]
    last_us = int(found_us[-1] if found_us.size else read_us[-1])
    return None if end_us - last_us <= seen.gap_us else instant(last_us, digits=3)
