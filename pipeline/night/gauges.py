"""Findings about tension gauges and the rigging register, from what channels showed of themselves over all days.

Zeros that moved, units that peers contradict; with `rigged_as`, the rigging register too. Each tells its evidence,
and changes no figure: what to change stands in the calibration or the rigging register, and is for people to change.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from pipeline.ledger.rows import AirDay
from pipeline.night.clock_day import CallClocks
from pipeline.night.finding import GAUGES, Finding
from pipeline.night.plan import limit_base_kn, reference_kn
from pipeline.night.rigged_as import ChannelDays, calls_of, exchanged_channels, recorded_of, wrong_times
from pipeline.quality.rigging_times import Recorded
from pipeline.quality.scales import FAR, Gauge, wrong_scales
from pipeline.quality.zeros import Change, ZeroCheck, against_temperature, change_of
from pipeline.site import Site
from pipeline.wear.cells import BIN_US
from schemas.registers import Calibration, Rigging
from schemas.times import us_to_rfc3339

AirDays = Iterable[AirDay]
END_ROLES = {"head": "end", "stern": "end"}
"""Head and stern lines lead alike, each from its own end."""


@dataclass(frozen=True)
class ZeroRow:
    """A zero check of a channel: with the register's zero, and the air's mean temperature, both None where unknown."""

    check: ZeroCheck
    calibration: Calibration | None
    air_c: float | None

    @property
    def zero_kn(self) -> float:
        """The register's zero; 0 without a calibration."""
        return 0.0 if self.calibration is None else self.calibration.zero_kn


def zero_rows(site: Site, days: ChannelDays, air: AirDays) -> dict[str, list[ZeroRow]]:
    """All zero checks of each tension channel, in order of time."""
    temperature = _temperatures(air)
    found: dict[str, list[ZeroRow]] = {}
    for (channel, _), day in sorted(days.items()):
        if channel in site.channels:
            held = site.calibrations_of(channel)
            for check in (ZeroCheck(**facts) for facts in day.facts["checks"]):
                before = [row for row in held if row.from_us <= check.from_us]
                row = ZeroRow(check, before[-1] if before else None, _mean_c(temperature, check))
                found.setdefault(channel, []).append(row)
    return found


def gauge_findings(site: Site, days: ChannelDays, air: AirDays, clocks: CallClocks) -> list[Finding]:
    """All findings about gauges and riggings, by kind. clocks: what motion tells of them."""
    zeros = zero_rows(site, days, air)
    recorded = recorded_of(site, days)
    exchanged, found = exchanged_channels(site, recorded, clocks)
    found += [finding for channel, rows in zeros.items() for finding in _moved_zeros(site, channel, rows)]
    misread = _scales(site, zeros, recorded)
    return found + misread + wrong_times(site, recorded, exchanged, {finding.subject for finding in misread})


def threshold_kn(site: Site, channel: str, calibration: Calibration | None) -> tuple[float, str] | None:
    """By how much a zero may be off [kN], and whose figure that is; None where there is nothing to take percent of."""
    told_kn = None if calibration is None else calibration.uncertainty_kn(site.channels[channel].capacity)
    if calibration is not None and told_kn is not None:
        return told_kn, f"uncertainty of its calibration, {calibration.uncertainty_pct:g} % of full scale"
    own_kn = reference_kn(site, site.channels[channel])
    pct = site.policy.zero_change_pct
    return None if own_kn is None else (pct / 100 * own_kn, f"policy zero_change_pct, {pct:g} %")


def _moved_zeros(site: Site, channel: str, rows: Sequence[ZeroRow]) -> Iterator[Finding]:
    """Of each calibration's checks by themselves: a new one may have set a new zero."""
    by_calibration: dict[int | None, list[ZeroRow]] = {}
    for row in rows:
        if row.check.still:
            by_calibration.setdefault(None if row.calibration is None else row.calibration.from_us, []).append(row)
    for same in by_calibration.values():
        limit = threshold_kn(site, channel, same[0].calibration)
        if limit is None or limit[0] <= 0:
            continue
        change = change_of([row.check for row in same], threshold_kn=limit[0])
        if change is not None:
            yield _moved_zero(site, channel, same, change, limit)


def _moved_zero(site: Site, channel: str, rows: Sequence[ZeroRow], change: Change, limit: tuple[float, str]) -> Finding:
    full_kn = site.channels[channel].capacity
    heat = against_temperature([row.check for row in rows], [row.air_c for row in rows])
    since, until = us_to_rfc3339(change.from_us), us_to_rfc3339(change.to_us)
    size = f"{change.change_kn:+.1f} kN"
    size += "" if full_kn is None else f" ({change.change_kn / full_kn * 100:+.1f} % of full scale)"
    if change.kind == "drift":
        text = f"its zero drifted by {size} from {since} to {until}"
        if change.per_day_kn is not None:
            text += f", {change.per_day_kn:+.2f} kN a day"
        if heat is not None and heat["explained"] >= 0.5:
            text += f"; temperature explains it by half or more ({heat['kn_per_c']:+.2f} kN a degree)"
    else:
        text = f"its zero stepped by {size} between {since} and {until}"
    last = rows[-1]
    off_kn = last.check.reading_kn - last.zero_kn
    text += (
        f"; without a line it last read {off_kn:+.1f} kN off the register's zero. More than {limit[0]:.1f} kN "
        f"({limit[1]}). Tensions since then are off by as much, and are not corrected"
    )
    evidence = {
        **{name: value for name, value in asdict(change).items() if value is not None},
        "since": since,
        "full_scale_kn": full_kn,
        "threshold_kn": limit[0],
        "threshold": limit[1],
        "register_zero_kn": last.zero_kn,
        "temperature": heat,
        "checks": [told_check(row) for row in rows[-20:]],
        "checks_in_all": len(rows),
    }
    if change.kind == "drift":
        return Finding("zero-drift", channel, "warning", text, scope=GAUGES, evidence=evidence)
    return Finding("zero-step", channel, "warning", text, scope=GAUGES, evidence=evidence)


def told_check(row: ZeroRow) -> dict[str, Any]:
    """A zero check as it is told."""
    check = row.check
    return {
        "from_at": us_to_rfc3339(check.from_us),
        "to_at": us_to_rfc3339(check.to_us),
        "duration_s": (check.to_us - check.from_us) / 1e6,
        "samples": check.samples,
        "reading_kn": check.reading_kn,
        "spread_kn": check.spread_kn,
        "slope_kn_per_h": check.slope_kn_per_h,
        "register_zero_kn": row.zero_kn,
        "off_kn": check.reading_kn - row.zero_kn,
        "air_c": row.air_c,
        "counted": check.still,
    }


def _temperatures(air: AirDays) -> dict[int, list[float]]:
    """Ten-minute means of all thermometers, by bin since 1970."""
    found: dict[int, list[float]] = {}
    for day in air:
        if day.quantity == "temperature":
            for number, mean in zip(day.bins, day.means, strict=True):
                found.setdefault(number, []).append(mean)
    return found


def _mean_c(temperature: Mapping[int, Sequence[float]], check: ZeroCheck) -> float | None:
    bins = range(check.from_us // BIN_US, (check.to_us - 1) // BIN_US + 1)
    read = [sum(temperature[number]) / len(temperature[number]) for number in bins if number in temperature]
    return sum(read) / len(read) if read else None


def _scales(site: Site, zeros: Mapping[str, Sequence[ZeroRow]], recorded: Mapping[str, Recorded]) -> list[Finding]:
    """By call; a channel that is off by the same factor in several calls is told once, with the latest."""
    found: dict[tuple[str, str], Finding] = {}
    for call, rows in calls_of(site):
        gauges = [gauge for row in rows if (gauge := _gauge(site, row, zeros, recorded)) is not None]
        for told in wrong_scales(gauges, pretension_pct=site.policy.pretension_pct):
            reads = ", ".join(f"{kind} {ratio:.2g} of its peers'" for kind, ratio in sorted(told.evidence.items()))
            text = (
                f"reads as {told.words} would (factor {told.factor:.3g}), in the call of {call.ship} from "
                f"{us_to_rfc3339(call.from_us)}: {reads}. Look at the unit in the layout and the gain in "
                "calibrations.csv; nothing is corrected"
            )
            evidence = {
                "factor": told.factor,
                "suspected": told.words,
                "ratios": dict(told.evidence),
                "line": told.gauge.line,
                "peers": list(told.peers),
                "start_kn": told.gauge.start_kn,
                "planned_kn": told.gauge.planned_kn,
                "base_kn": told.gauge.base_kn,
            }
            channel = told.gauge.channel
            severity = "error" if max(told.factor, 1 / told.factor) > FAR else "warning"
            finding = Finding("wrong-scale", channel, severity, text, scope=GAUGES, evidence=evidence)
            found[channel, told.words] = finding
    return list(found.values())


def _gauge(
    site: Site, row: Rigging, zeros: Mapping[str, Sequence[ZeroRow]], recorded: Mapping[str, Recorded]
) -> Gauge | None:
    """What a rigging's channel showed when the line was made fast; None where that was not recorded."""
    hour_us = 3_600_000_000
    loads = [
        load
        for load in recorded.get(row.channel, Recorded((), ())).loads
        if load.to_us > row.from_us - hour_us and (row.to_us is None or load.from_us < row.to_us)
    ]
    if not loads or loads[0].start_kn is None or loads[0].motion_kn is None or loads[0].from_us < row.from_us - hour_us:
        return None
    held = [c for c in site.calibrations_of(row.channel) if c.from_us <= row.from_us]
    gain = held[-1].gain if held else 1.0
    factor = gain * row.share_pct / 100
    noises = [one.check.noise_kn for one in zeros.get(row.channel, ()) if one.check.still]
    return Gauge(
        line=row.line,
        channel=row.channel,
        role=END_ROLES.get(row.role or "", row.role or ""),
        kind=site.channels[row.channel].kind,
        start_kn=loads[0].start_kn * factor,
        motion_kn=loads[0].motion_kn * factor,
        noise_kn=min(noises) * gain if noises else None,
        planned_kn=row.pretension_kn,
        base_kn=limit_base_kn(site, row.line),
    )
