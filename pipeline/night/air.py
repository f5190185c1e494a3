"""The air about the ropes in ten-minute means of the site's own thermometers and anemometers, else as registered.

Of several channels of a quantity the mean of those that read in a bin counts. A bin in which none did has the figure of
`site.toml`. Readings flagged 4 or 9 do not count; a wind below 0 counts as 0 m/s.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from pipeline.ledger.rows import AirDay
from pipeline.night.look import DayJob, Looked
from pipeline.night.plan import digest
from pipeline.quality import usable
from pipeline.sheets.cycles import Floats, Ints
from pipeline.wear.cells import BIN_US
from pipeline.wear.heat import Air
from schemas.times import DAY_US, day_start_us

QUANTITIES = ("temperature", "wind")
BINS = DAY_US // BIN_US


@dataclass(frozen=True, eq=False)
class DayAir:
    """Air over one UTC day: (144,) each, in degC and m/s."""

    first_bin: int
    temperature_c: Floats
    wind_m_s: Floats

    def between(self, from_us: int, to_us: int) -> Air:
        """The air of a piece's bins; that of the bin it begins in where it has no length."""
        begin = from_us // BIN_US - self.first_bin
        end = max(-(-to_us // BIN_US) - self.first_bin, begin + 1)
        # A rigging that ends at midnight has an empty piece on the day that it opens, whose first bin is there.
        return Air(self.temperature_c[begin:end], self.wind_m_s[begin:end])

    @property
    def bins(self) -> Ints:
        """The absolute bins."""
        return np.arange(self.first_bin, self.first_bin + BINS, dtype=np.int64)

    @property
    def digest(self) -> str:
        """Digest of all of it."""
        return digest([self.temperature_c.tolist(), self.wind_m_s.tolist()])


def air_rows(job: DayJob, looked: Looked) -> list[dict[str, Any]]:
    """Ten-minute means of a place's air channels on its day, as rows for the manifest."""
    rows = []
    for channel in job.channels:
        if channel.quantity not in QUANTITIES or channel.channel not in looked.day:
            continue
        readings, flags = looked.day[channel.channel], looked.flags[channel.channel]
        counts = usable(flags.flags) & ~np.isnan(readings.value)
        bins, where, n = np.unique(readings.at_us[counts] // BIN_US, return_inverse=True, return_counts=True)
        value = readings.value[counts]
        value = np.maximum(value, 0.0) if channel.quantity == "wind" else value
        rows.append(
            {
                "channel": channel.channel,
                "place": job.plan.place,
                "day": job.plan.day,
                "quantity": channel.quantity,
                "bins": bins.tolist(),
                "means": (np.bincount(where, weights=value, minlength=bins.size) / n).tolist(),
                "op": "set",
            }
        )
    return rows


def air_day(row: Mapping[str, Any]) -> AirDay:
    """A row for the manifest as the ledger gives it back."""
    return AirDay(**{name: cell for name, cell in row.items() if name != "op"})


def air_of_days(still: Air, found: Iterable[AirDay]) -> dict[date, DayAir]:
    """The air of every day on which a channel read it; `still`: what the registers say, for bins without a reading."""
    by_day: dict[date, list[AirDay]] = {}
    for row in sorted(found, key=lambda row: row.channel):
        if row.bins:
            by_day.setdefault(row.day, []).append(row)
    return {day: _day_air(day, rows, still) for day, rows in by_day.items()}


def _day_air(day: date, rows: list[AirDay], still: Air) -> DayAir:
    first = day_start_us(day) // BIN_US
    given: Mapping[str, float] = {"temperature": float(still.temperature_c), "wind": float(still.wind_m_s)}
    means = {}
    for quantity in QUANTITIES:
        sums, n = np.zeros(BINS), np.zeros(BINS)
        for row in rows:
            if row.quantity == quantity:
                at = np.array(row.bins, np.int64) - first
                sums[at] += row.means
                n[at] += 1
        means[quantity] = np.where(n > 0, sums / np.maximum(n, 1), given[quantity])
    return DayAir(first, means["temperature"], means["wind"])
