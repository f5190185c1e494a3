"""The last thirty days before the latest sample: the highest tension of each UTC day, by role and by line."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Final

from pipeline.reports.charts import Axis, Chart, Mark, Series, ms
from pipeline.reports.figures import Picture
from pipeline.reports.snapshot import Snapshot
from pipeline.reports.svg import sparkline
from schemas.times import DAY_US, day_of, day_start_us

DAYS: Final = 30
ROLES: Final = ("head", "breast", "spring", "stern", "")


def days_shown(snapshot: Snapshot) -> list[date]:
    """The thirty UTC days up to the latest sample, oldest first; none without a sample."""
    if snapshot.horizon_us is None:
        return []
    last = day_of(snapshot.horizon_us - 1)
    return [last - timedelta(days=DAYS - 1 - i) for i in range(DAYS)]


def highest(snapshot: Snapshot) -> dict[str, dict[date, float]]:
    """Highest tension of each of those days, by line [kN]."""
    shown = set(days_shown(snapshot))
    found: dict[str, dict[date, float]] = {}
    for (line, _, day), facts in snapshot.day_facts.items():
        if day in shown and "peak_kn" in facts:
            days = found.setdefault(line, {})
            days[day] = max(days.get(day, facts["peak_kn"]), facts["peak_kn"])
    return found


def sparks(snapshot: Snapshot) -> dict[str, Picture]:
    """Of each line its thirty days, from 0 to its break force; a day without a reading is a gap."""
    days, made = days_shown(snapshot), {}
    for line, peaks in highest(snapshot).items():
        force_kn = snapshot.site.break_force_kn(line)
        mbl_kn = snapshot.site.design_mbl_kn(line)
        level_kn = snapshot.site.policy.peak_load_pct / 100 * (force_kn if mbl_kn is None else mbl_kn)
        top = max(peaks.values())
        label = f"highest tension of {line}, {DAYS} days: {len(peaks)} with readings, the highest {top:.0f} kN"
        made[line] = sparkline([peaks.get(day) for day in days], top=force_kn, label=label, level=level_kn)
    return made


def chart(snapshot: Snapshot) -> Chart | None:
    """The highest tension of each day by role, of main lines; None without any."""
    site, days = snapshot.site, days_shown(snapshot)
    peaks = {line: found for line, found in highest(snapshot).items() if site.lines[line].part == "main"}
    if not peaks:
        return None
    roles = _roles(snapshot, peaks)
    series = []
    for role in ROLES:
        lines = [line for line in peaks if roles[line] == role]
        if lines:
            values = [max((peaks[line][day] for line in lines if day in peaks[line]), default=None) for day in days]
            at = [ms(day_start_us(day) + DAY_US // 2) for day in days]
            series.append(Series("line", role or "no role", at, values, dash=None, width=1.6))
            series.append(Series("points", role or "no role", at, values, colour=f"c{len(series) // 2 + 1}"))
    series = [_coloured(one, i) for i, one in enumerate(series)]
    limits = {site.policy.peak_load_pct / 100 * mbl for line in peaks if (mbl := site.design_mbl_kn(line)) is not None}
    levels = [Mark(kn, f"{site.policy.peak_load_pct:g} % of ship design MBL", "alarm") for kn in sorted(limits)]
    top = max([*limits, *(kn for found in peaks.values() for kn in found.values())])
    return Chart(
        "trend",
        f"Highest tension of each UTC day, by role, {DAYS} days",
        f"Highest tension of each of {DAYS} days by role, against the limit; by line they are in the table of lines.",
        Axis("day", "at"),
        Axis("tension", unit="kN", low=0.0, high=1.08 * top),
        series,
        levels=levels,
        from_x=ms(day_start_us(days[0])),
        to_x=ms(day_start_us(days[-1]) + DAY_US),
    )


def _coloured(series: Series, index: int) -> Series:
    dash = ("solid", "dashed", "dotted", "dotdash")[index // 2 % 4]
    return Series(
        series.kind, series.name, series.x, series.y, colour=f"c{index // 2 + 1}", dash=dash, width=series.width
    )


def _roles(snapshot: Snapshot, lines: Mapping[str, object]) -> dict[str, str]:
    """The role of each line's newest rigging."""
    found = {line: "" for line in lines}
    for row in snapshot.site.riggings:
        if row.line in found:
            found[row.line] = row.role or ""
    return found
