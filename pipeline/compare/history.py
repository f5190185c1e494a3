"""What each line's zone felt, by class, as the ledger holds it; and how it would have moved with a stiffer rope."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.ledger.database import Ledger
from pipeline.sheets.cycles import Floats, Ints
from pipeline.wear.cells import CLASS_KN, middles_kn

Zone = tuple[str, str]
"""A line and its zone."""


@dataclass(frozen=True)
class History:
    """What one zone of a line felt, by class: closed cycles, open turning points [kN], time at level [us].

    Cycles are told by the middles of their classes, which are 5 kN wide; open turning points as they are.
    """

    low_kn: Floats
    high_kn: Floats
    count: Ints
    residue_kn: Floats
    level_class: Ints
    level_us: Ints

    @property
    def mean_kn(self) -> float:
        """Mean tension over the time observed; 0 where there is none."""
        whole = int(self.level_us.sum())
        return float((middles_kn(self.level_class) * self.level_us).sum() / whole) if whole > 0 else 0.0

    @property
    def peak_kn(self) -> float | None:
        """The highest tension: it is never inside closed cycles only. None where nothing was felt."""
        return float(self.residue_kn.max()) if self.residue_kn.size else None

    def moved(self, scale: float) -> History:
        """The same under equal motion (`moved_kn`); time at level goes to the class that its middle comes to."""
        mean_kn = self.mean_kn
        level_class, level_us = self.level_class, self.level_us
        if scale != 1.0 and level_class.size:
            onto = np.floor(moved_kn(middles_kn(level_class), mean_kn, scale) / CLASS_KN).astype(np.int64)
            level_class, where = np.unique(onto, return_inverse=True)
            level_us = np.zeros(level_class.size, np.int64)
            np.add.at(level_us, where, self.level_us)
        return History(
            moved_kn(self.low_kn, mean_kn, scale),
            moved_kn(self.high_kn, mean_kn, scale),
            self.count,
            moved_kn(self.residue_kn, mean_kn, scale),
            level_class,
            level_us,
        )


def moved_kn(kn: Floats, mean_kn: float, scale: float) -> Floats:
    """Tension (n,) [kN] of the same motion in a rope `scale` times as stiff: about the mean times `scale`.

    Slack stays slack, and 0 stays 0: below the mean a stiffer rope is slack from where it would be below 0. A softer
    one (`scale` below 1) is left there as it was, since a record of a slack line does not tell how far its rope was
    from being tight: its swings are overstated. The map never falls with tension, so cycles stay cycles; a scale of 1
    changes nothing, to the last bit.
    """
    if scale == 1.0:
        return kn
    scaled = mean_kn + scale * (kn - mean_kn)
    if scale < 1.0:
        return np.where(kn > mean_kn, scaled, kn)
    return np.maximum(scaled, np.minimum(kn, 0.0))


def histories(ledger: Ledger) -> dict[Zone, History]:
    """What every line's zone felt, summed over its live days."""
    cycles = ledger.rows(
        """
        SELECT line, zone, list(low ORDER BY low, high), list(high ORDER BY low, high), list(n ORDER BY low, high)
        FROM (
            SELECT line, zone, low, high, sum(n)::BIGINT AS n
            FROM (
                SELECT line, zone, unnest(cycle_low) AS low, unnest(cycle_high) AS high, unnest(cycle_count) AS n
                FROM live_wear_days
            ) GROUP BY ALL
        ) GROUP BY line, zone
        """
    )
    levels = ledger.rows(
        """
        SELECT line, zone, list(c ORDER BY c), list(us ORDER BY c)
        FROM (
            SELECT line, zone, c, sum(us)::BIGINT AS us
            FROM (SELECT line, zone, unnest(level_class) AS c, unnest(level_us) AS us FROM live_wear_days)
            GROUP BY ALL
        ) GROUP BY line, zone
        """
    )
    residues = ledger.rows("SELECT line, zone, arg_max(residue_kn, day) FROM live_states GROUP BY line, zone")
    by_cycle = {(line, zone): tuple(found) for line, zone, *found in cycles}
    by_level = {(line, zone): tuple(found) for line, zone, *found in levels}
    out = {}
    for line, zone, residue in residues:
        low, high, count = by_cycle.get((line, zone), ([], [], []))
        classes, level_us = by_level.get((line, zone), ([], []))
        out[line, zone] = History(
            middles_kn(np.array(low, np.int64)),
            middles_kn(np.array(high, np.int64)),
            np.array(count, np.int64),
            np.array(residue, np.float64),
            np.array(classes, np.int64),
            np.array(level_us, np.int64),
        )
    return out
