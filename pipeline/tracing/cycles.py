"""Closed cycles and residue with their times, from the samples, streamed on from the carried state."""

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from pipeline.errors import RegisterError
from pipeline.ledger import index
from pipeline.ledger.account import known_line, last_site
from pipeline.ledger.database import Ledger
from pipeline.sheets.cycles import feed
from pipeline.sheets.fold import EMPTY, State
from pipeline.tracing.series import Series
from schemas.times import DAY_US, day_start_us, us_to_rfc3339

ZONES = ("a", "b")


@dataclass(frozen=True)
class TimedCycle:
    """A closed cycle: its turning points in time order [kN, us], and the sample that closed it."""

    line: str
    zone: str
    first_kn: float
    second_kn: float
    first_us: int
    second_us: int
    closed_us: int

    @property
    def ref(self) -> str:
        """What `trace` takes."""
        return f"{self.line}/{self.zone}/{self.first_us}/{self.second_us}"


def cycles_json(ledger: Ledger, line: str, *, from_us: int | None, to_us: int | None) -> dict[str, Any]:
    """The answer of `tautlog cycles`: cycles that closed in [from, to), and what was open at its end, by zone.

    Without bounds: the last day on which the line has sheets. RegisterError for a line nobody registered.
    """
    site = last_site(ledger)
    known_line(site, line)
    series = Series(ledger, site)
    all_days = sorted({day for zone in ZONES for day in series.days(line, zone)})
    if from_us is None:
        from_us = day_start_us(all_days[-1]) if all_days and to_us is None else -(2**62)
    if to_us is None:
        to_us = 2**62
    cycles: list[dict[str, Any]] = []
    residue: list[dict[str, Any]] = []
    for zone in ZONES:
        found, open_ = timed_cycles(ledger, series, line, zone, from_us=from_us, to_us=to_us)
        cycles += [_cycle_object(cycle) for cycle in found]
        points = zip(open_.residue_kn.tolist(), open_.residue_us.tolist(), strict=True)
        residue += [{"zone": zone, "kn": kn, "at": us_to_rfc3339(us)} for kn, us in points]
    return {
        "line": line,
        "from_at": us_to_rfc3339(from_us) if all_days and from_us > -(2**62) else None,
        "to_at": us_to_rfc3339(to_us) if to_us < 2**62 else None,
        "cycles": cycles,
        "residue": residue,
    }


def timed_cycles(
    ledger: Ledger, series: Series, line: str, zone: str, *, from_us: int, to_us: int
) -> tuple[list[TimedCycle], State]:
    """Cycles of a zone that closed in [from_us, to_us), in order of closing, and the state at its end."""
    days = [day for day in series.days(line, zone) if day_start_us(day) < to_us]
    before = [day for day in days if day_start_us(day) + DAY_US <= from_us]
    state = _state_after(ledger, line, zone, before[-1]) if before else EMPTY
    out: list[TimedCycle] = []
    for day in days[len(before) :]:
        for piece in series.of_day(line, zone, day):
            keep = piece.at_us < to_us
            residue_kn, residue_us, points_kn, points_us, closed_us = feed(
                state.residue_kn, state.residue_us, piece.kn[keep], piece.at_us[keep]
            )
            state = State(residue_kn, residue_us)
            for i in np.flatnonzero(closed_us >= from_us).tolist():
                out.append(
                    TimedCycle(
                        line,
                        zone,
                        float(points_kn[i, 0]),
                        float(points_kn[i, 1]),
                        int(points_us[i, 0]),
                        int(points_us[i, 1]),
                        int(closed_us[i]),
                    )
                )
    return out, state


def _state_after(ledger: Ledger, line: str, zone: str, day: date) -> State:
    """The state carried out of a day, as the ledger holds it; the day before it where that day has none."""
    found = index.residues(ledger, [(line, zone, day)])
    if not found:
        raise RegisterError(
            f"{day} has samples that no night has reckoned yet", next_step="run `tautlog nightly`, then ask again"
        )
    kn, us = found[line, zone, day]
    return State(np.array(kn, np.float64), np.array(us, np.int64))


def _cycle_object(cycle: TimedCycle) -> dict[str, Any]:
    return {
        "cycle": cycle.ref,
        "zone": cycle.zone,
        "range_kn": abs(cycle.first_kn - cycle.second_kn),
        "mean_kn": (cycle.first_kn + cycle.second_kn) / 2,
        "from_at": us_to_rfc3339(cycle.first_us),
        "to_at": us_to_rfc3339(cycle.second_us),
        "closed_at": us_to_rfc3339(cycle.closed_us),
        "count": 1,
    }
