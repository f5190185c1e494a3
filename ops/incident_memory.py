"""The lines of a simulated incident as `gather` would read them, without text, store and ledger.

Registers are written, read and checked as any site's; readings stay in memory. Flags are left out, so that no reading
is unusable: a test holds what comes out against a whole night over the same logs.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from ops.detect_night import DECIMALS, site_of
from pipeline.incident.gather import line_record
from pipeline.incident.lines import LineRecord, Reading
from pipeline.night.clock_day import loggers_of
from pipeline.site import Site
from sample_logs.scenarios.incident import IncidentCase

IN_MEMORY: Final = "in memory"


def records_of(case: IncidentCase) -> tuple[Site, dict[str, LineRecord]]:
    """The site, and its lines with all that was recorded of them."""
    site = site_of(case.scenario)
    loggers = loggers_of(site)
    found = {}
    for row in site.riggings:
        recorded = case.scenario.recorded[row.channel]
        at_us = recorded.at_us // 1000 * 1000
        numbers = np.arange(at_us.size, dtype=np.int64)
        value = np.round(recorded.values, DECIMALS) + 0.0
        reading = Reading(row.channel, at_us, value, numbers + 2, np.zeros_like(numbers), (IN_MEMORY,), {})
        found[row.line] = line_record(site, row, reading, [], loggers, site.riggings)
    return site, found
