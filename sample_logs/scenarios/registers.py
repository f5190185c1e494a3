"""The registers of a scenario's site: rows as text, as they would be written, faults included."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Final

from sample_logs.scenarios.berth import Berth, BerthLine
from sample_logs.scenarios.faults import Faults, register_steps, registered_capacity_kn
from sample_logs.scenarios.plan import Plan
from sample_logs.scenarios.policy import POLICY

Rows = list[dict[str, str]]
SPEC: Final = "rope"
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


def rfc3339(us: int) -> str:
    """Microseconds since 1970 as RFC 3339 in UTC, to the millisecond."""
    when = _EPOCH + timedelta(microseconds=int(us))
    return when.strftime("%Y-%m-%dT%H:%M:%S") + f".{when.microsecond // 1000:03d}Z"


def _day(us: int, days: float) -> str:
    return (_EPOCH + timedelta(microseconds=int(us), days=days)).strftime("%Y-%m-%d")


def all_registers(berth: Berth, plan: Plan, faults: Faults, rate_hz: float) -> dict[str, Rows]:
    """Rows by file name."""
    return {
        "ships.csv": [
            {"ship": berth.ship, "design_mbl_kn": f"{berth.ship_design_mbl_kn:g}", "source": "invented for the tests"}
        ],
        "lines.csv": [
            {
                "line": line.line, "ship": berth.ship, "spec": SPEC, "part": "main",
                "in_service": _day(plan.start_us, -200), "break_force_kn": f"{line.break_force_kn:g}",
            }
            for line in berth.lines
        ],
        "channels.csv": _channels(berth, faults, rate_hz),
        "calibrations.csv": _calibrations(berth, plan, faults),
        "rigging.csv": [_rigging(berth, plan, faults, row) for row in range(len(berth.lines))],
        "winches.csv": [_winch(plan, line) for line in berth.lines if line.brake_set_kn is not None],
    }  # fmt: skip


def _channels(berth: Berth, faults: Faults, rate_hz: float) -> Rows:
    rows: Rows = []

    def add(channel: str, quantity: str, kind: str, rate: float, capacity: str, place: str, logger: str) -> None:
        rows.append(
            {"channel": channel, "quantity": quantity, "kind": kind, "rate_hz": f"{rate:g}", "capacity": capacity,
             "place": place, "logger": logger}
        )  # fmt: skip

    for place in berth.places:
        line = berth.lines[berth.rows(place)[0]]
        capacity_kn = registered_capacity_kn(faults, line)
        kind = "load-pin" if line.device == "hook" else "winch-brake"
        add(line.channel, "tension", kind, rate_hz, f"{capacity_kn:g}", place, line.logger)
        for name in line.tells:
            add(f"{place}-{name}", name, kind, min(rate_hz, 2.0), "90" if name == "payout" else "", place, line.logger)
    add("AIR-temperature", "temperature", "other", 1 / 60, "", "AIR", "air")
    add("AIR-wind", "wind", "other", 1 / 60, "", "AIR", "air")
    return rows


def _calibrations(berth: Berth, plan: Plan, faults: Faults) -> Rows:
    rows: Rows = []
    for place in berth.places:
        line = berth.lines[berth.rows(place)[0]]
        overdue = faults.of(line.channel, "calibration-overdue")
        due = -overdue[0].size if overdue else 90.0
        rows.append(
            {
                "channel": line.channel, "from": f"{_day(plan.start_us, due - 365)}T00:00:00Z",
                "zero_kn": f"{line.zero_kn:g}", "gain": f"{line.gain:g}",
                "uncertainty_pct": f"{POLICY['gauge_uncertainty_pct']:g}",
                "due": _day(plan.start_us, due), "certificate": "invented for the tests",
            }
        )  # fmt: skip
    return rows


def _rigging(berth: Berth, plan: Plan, faults: Faults, row: int) -> dict[str, str]:
    line = berth.lines[row]
    first, last = register_steps(plan, faults, berth, row)
    swapped = faults.of(line.channel, "swapped")
    channel = line.channel
    if swapped:
        channel = swapped[0].other if swapped[0].channel == line.channel else swapped[0].channel
    return {
        "line": line.line,
        "channel": channel,
        "from": rfc3339(plan.start_us + first * 100_000),
        "to": rfc3339(plan.start_us + last * 100_000),
        "outboard_end": "a",
        "share_pct": f"{100 * line.share:g}",
        "share_basis": "measured" if line.share == 1.0 else "assumed",
        "role": line.role,
        "outboard_m": f"{line.level_m:.0f}",
        "pretension_kn": f"{line.pretension_kn:g}" if line.planned else "",
    }


def _winch(plan: Plan, line: BerthLine) -> dict[str, str]:
    assert line.brake_set_kn is not None
    return {
        "place": line.place,
        "brake_set_kn": f"{line.brake_set_kn:g}",
        "set_on": _day(plan.start_us, -line.brake_set_days_ago),
        "layer": f"{line.layer}",
        "reeling": line.reeling,
        "barrel_mm": "704",
        "rope_mm": "44",
    }
