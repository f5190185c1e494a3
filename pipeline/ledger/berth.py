"""Answers about all lines of a berth together: how they share the load of a call, and episodes of events."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.events.balance import CallBalance, CallDay, Largest, RoleBalance, balance
from pipeline.events.calls import Call, calls, fast_of
from pipeline.events.episodes import Episode, Happened, episodes
from pipeline.ledger import index
from pipeline.ledger.account import last_site
from pipeline.ledger.database import Ledger
from pipeline.ledger.queries import lines_of
from pipeline.ledger.rows import Event
from pipeline.ledger.words import CAUTION
from pipeline.site import Site
from schemas.registers import Rigging
from schemas.times import us_to_rfc3339

BIN_US = 10_000_000
"""Length of a trace's bin."""
FROM_RIGGING, FROM_POLICY = "rigging.csv", "policy"
IN_ORDER = ("head", "breast", "spring", "stern")


def balance_json(ledger: Ledger) -> dict[str, Any]:
    """The answer of `tautlog balance`: each call, newest first, by role and line. Lines without a role are named."""
    site = last_site(ledger)
    days = [CallDay.from_payload(call) for day in index.berth_days(ledger).values() for call in day.balance["calls"]]
    by_begin = {(call.ship, call.from_us): call for call in _calls(site)}
    found = [(by_begin.get((one.ship, one.call_us)), one) for one in balance(days)]
    answers = [_call(site, call, one) for call, one in found if call is not None]
    answers.sort(key=lambda answer: (answer["from_at"], answer["ship"]), reverse=True)
    return {"calls": answers, "caution": CAUTION}


def _calls(site: Site) -> list[Call]:
    return calls(site.riggings, _ship_of(site))


def _ship_of(site: Site) -> dict[str, str]:
    return {name: line.ship for name, line in site.lines.items()}


def _call(site: Site, call: Call, found: CallBalance) -> dict[str, Any]:
    fast = fast_of(call, site.riggings, _ship_of(site), gap_h=site.policy.mooring_gap_h)
    roles = sorted((role for role in found.roles if role.role), key=lambda role: IN_ORDER.index(role.role))
    return {
        "ship": call.ship,
        "from_at": us_to_rfc3339(call.from_us),
        "all_fast_at": us_to_rfc3339(fast.all_fast_us),
        "first_let_go_at": None if fast.first_let_go_us is None else us_to_rfc3339(fast.first_let_go_us),
        "last_hour_to_at": us_to_rfc3339(found.hour_to_bin * BIN_US),
        "roles": [_role(site, call, role) for role in roles],
        "without_role": sorted(line.line for role in found.roles if not role.role for line in role.lines),
    }


def _role(site: Site, call: Call, found: RoleBalance) -> dict[str, Any]:
    lines = []
    for one in found.lines:
        planned_kn, planned_by = _planned(site, call, one.line, found.role)
        lines.append(
            {
                "line": one.line,
                "mean_kn": one.mean_kn,
                "last_hour_kn": one.last_hour_kn,
                "planned_kn": planned_kn,
                "planned_by": planned_by,
                "pct_of_planned": None if one.mean_kn is None else one.mean_kn / planned_kn * 100.0,
            }
        )
    return {
        "role": found.role,
        "lines": lines,
        "largest": _largest(found.largest),
        "largest_last_hour": _largest(found.largest_last_hour),
    }


def _largest(found: Largest | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {"line": found.line, "mean_of_role_kn": found.mean_of_role_kn, "times_mean": found.times_mean}


def _planned(site: Site, call: Call, line: str, role: str) -> tuple[float, str]:
    """Planned pretension of a line in a call [kN], and who says so: its newest rigging there, else the policy."""
    own: list[Rigging] = [r for r in site.riggings if r.line == line and (r.role or "") == role and call.has(r)]
    planned = [row.pretension_kn for row in own if row.pretension_kn is not None]
    if planned:
        return planned[-1], FROM_RIGGING
    mbl_kn = site.design_mbl_kn(line)
    base_kn = site.break_force_kn(line) if mbl_kn is None else mbl_kn
    return site.policy.pretension_pct / 100.0 * base_kn, FROM_POLICY


def episodes_json(ledger: Ledger, *, from_us: int | None = None, to_us: int | None = None) -> dict[str, Any]:
    """The answer of `tautlog episodes`: those that touch [from_us, to_us), where given, by time.

    Notes make no episode: in a swell lines hang slack by turns all day, and would draw all that happens into one.
    """
    site = last_site(ledger)
    live = {name: one for name, one in index.events(ledger).items() if one.payload.get("severity") != "note"}
    found = episodes([_happened(site, event) for event in live.values()], gap_s=site.policy.episode_gap_s)
    kept = [
        one for one in found if (from_us is None or one.to_us >= from_us) and (to_us is None or one.from_us < to_us)
    ]
    together = {event.event for one in found for event in one.events}
    return {"episodes": [_episode(one, live) for one in kept], "events_alone": len(live.keys() - together)}


def _happened(site: Site, event: Event) -> Happened:
    mains = [line for line in lines_of(event) if site.lines[line].part == "main"]
    others = [one["line"] for one in event.payload.get("lines", ())]
    return Happened(
        event.event,
        event.kind,
        site.lines[event.line].ship,
        event.line,
        tuple(sorted({*mains, *others})),
        event.from_us,
        event.to_us,
        event.peak_kn,
        event.peak_us,
        float(event.payload.get("peak_within_s", 0.0)),
        event.payload.get("first_line"),
    )


def _episode(one: Episode, live: Mapping[str, Event]) -> dict[str, Any]:
    largest = live[one.largest.event]
    return {
        "episode": one.episode,
        "ship": one.first.ship,
        "from_at": us_to_rfc3339(one.from_us),
        "to_at": us_to_rfc3339(one.to_us),
        "first": {"event": one.first.event, "kind": one.first.kind, "line": one.first.first_line},
        "lines": list(one.lines),
        "kinds": one.kinds,
        "events": [event.event for event in one.events],
        "severity": _severest([live[event.event].payload.get("severity") for event in one.events]),
        "largest": {
            "event": largest.event,
            "line": largest.line,
            "peak_kn": largest.peak_kn,
            "peak_at": us_to_rfc3339(largest.peak_us),
            "peak_pct": largest.peak_pct,
            "peak_pct_of": largest.payload.get("peak_pct_of"),
        },
        "sentence": _sentence(one, largest),
    }


def _severest(found: Sequence[str | None]) -> str | None:
    told = [one for one in ("alarm", "warning", "note") if one in found]
    return told[0] if told else None


def _sentence(one: Episode, largest: Event) -> str:
    kinds = ", ".join(f"{count} {kind}" for kind, count in one.kinds.items())
    bound = "at least " if largest.payload.get("peak_at_least") else ""
    part = "" if largest.peak_pct is None else f", {largest.peak_pct:.1f} % of {largest.payload.get('peak_pct_of')}"
    return (
        f"{len(one.lines)} lines together ({kinds}): first {one.first.first_line} with {one.first.kind} at "
        f"{us_to_rfc3339(one.from_us)}, largest {bound}{largest.peak_kn:.0f} kN{part} on {largest.line}"
    )
