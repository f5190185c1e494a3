"""The berth seen from above, with the state of every main line of the newest call. A picture of states, not of places:
it is schematic where no lead is registered, and says nothing of where anybody may stand.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

from pipeline.reports import svg
from pipeline.reports.figures import command, exact_text
from pipeline.reports.snapshot import Snapshot
from schemas.registers import Rigging
from schemas.times import rfc3339_us

WIDTH, HEIGHT = 1000.0, 188.0
HULL_TOP, HULL_FOOT, QUAY = 12.0, 62.0, 118.0
HALF = 330.0
GAP = 70.0
BOX = 66.0
URGENT: Final = ("alarm", "warning")
WORDS: Final = {"alarm": "out of use", "warning": "to do", "unknown": "not observed", "": "no rule"}
ROLES: Final = {"head": (0.95, 40.0), "breast": (0.66, 90.0), "spring": (0.34, 160.0), "stern": (-0.95, 140.0)}
"""Of each role where it is drawn: share of the half length ahead of midships, and its lead, degrees from ahead."""


@dataclass(frozen=True, slots=True)
class _Placed:
    line: str
    state: str
    kn: float | None
    x: float
    end_x: float


def plan(snapshot: Snapshot, states: Mapping[str, str]) -> Mapping[str, Any] | None:
    """The picture, whose call it is of, and whether it is schematic; None before the first call with lines."""
    found = _riggings(snapshot)
    if not found:
        return None
    loads = _loads(snapshot)
    placed = _place(found, states, loads)
    urgent = _most_urgent(snapshot, placed)
    words = ", ".join(f"{one.line} {WORDS[one.state]}{_kn(one.kn)}" for one in placed)
    picture = svg.picture(WIDTH, HEIGHT, _draw(placed, urgent), label=f"Plan of the berth: {words}")
    return {
        "picture": picture,
        "urgent": urgent,
        "schematic": any(row.chock_ahead_m is None for row in found),
        "ship": snapshot.site.lines[found[0].line].ship,
    }


def _most_urgent(snapshot: Snapshot, placed: Sequence[_Placed]) -> str | None:
    """Of the lines drawn that of the gravest state, of several the worst in `status`; None where no rule asks."""
    state = {one.line: one.state for one in placed}
    worst_first = [row["line"] for row in snapshot.status["lines"]]
    return next((line for mark in URGENT for line in worst_first if state.get(line) == mark), None)


def _riggings(snapshot: Snapshot) -> list[Rigging]:
    """The newest rigging of each main line of the ship whose line was made fast last, of that call."""
    site, until_us = snapshot.site, snapshot.horizon_us
    begun = [
        row
        for row in site.riggings
        if until_us is not None and row.from_us <= until_us and site.lines[row.line].part == "main"
    ]
    if not begun:
        return []
    ship = site.lines[begun[-1].line].ship
    call_us = max(call.from_us for call in snapshot.gathered.calls if call.ship == ship)
    newest = {row.line: row for row in begun if site.lines[row.line].ship == ship and row.from_us >= call_us}
    return list(newest.values())


def _loads(snapshot: Snapshot) -> dict[str, float]:
    """Mean of the last recorded hour of the newest call, by line [kN]."""
    if not snapshot.balance["calls"]:
        return {}
    call = max(snapshot.balance["calls"], key=lambda one: rfc3339_us(one["from_at"]))
    rows = [line for role in call["roles"] for line in role["lines"]]
    return {row["line"]: row["last_hour_kn"] for row in rows if row["last_hour_kn"] is not None}


def _place(found: Sequence[Rigging], states: Mapping[str, str], loads: Mapping[str, float]) -> list[_Placed]:
    reach_m = max((abs(row.chock_ahead_m) for row in found if row.chock_ahead_m is not None), default=0.0) or 1.0
    of_role = {role: [row.line for row in found if (row.role or "breast") == role] for role in ROLES}
    placed = []
    for row in found:
        role = row.role or "breast"
        share, lead = _schematic(role, of_role[role].index(row.line), len(of_role[role]))
        if row.chock_ahead_m is not None:
            share = 0.95 * row.chock_ahead_m / reach_m
        if row.lead_deg is not None:
            lead = abs((row.lead_deg + 180.0) % 360.0 - 180.0)
        x = WIDTH / 2 + share * HALF
        angle = math.radians(lead)
        run = (QUAY - HULL_FOOT) * math.cos(angle) / max(abs(math.sin(angle)), 0.3)
        end_x = min(max(x + run, 24.0), WIDTH - 24.0)
        placed.append(_Placed(row.line, states.get(row.line, ""), loads.get(row.line), x, end_x))
    return sorted(placed, key=lambda one: (one.end_x, one.line))


def _schematic(role: str, index: int, count: int) -> tuple[float, float]:
    """Where the nth of a role's lines is drawn, and its lead: breasts and springs in two groups, forward and aft."""
    share, lead = ROLES[role]
    if role in ("breast", "spring"):
        aft = index >= (count + 1) // 2
        step = index - (count + 1) // 2 if aft else index
        inward = share - 0.07 * step
        return (-inward, 180.0 - lead) if aft else (inward, lead)
    return (share - 0.05 * index, lead) if share > 0 else (share + 0.05 * index, lead)


def _spread(ends: Sequence[float]) -> list[float]:
    """Where labels stand so that none covers another, as near to their lines' ends as that allows."""
    gap = min(GAP, (WIDTH - GAP) / max(len(ends) - 1, 1))
    at: list[float] = []
    for end in ends:
        at.append(max(end, at[-1] + gap) if at else max(end, GAP / 2))
    limit = WIDTH - GAP / 2
    for i in range(len(at) - 1, -1, -1):
        at[i] = min(at[i], limit)
        limit = at[i] - gap
    return at


def _draw(placed: Sequence[_Placed], urgent: str | None) -> Iterator[str]:
    top_kn = max((one.kn for one in placed if one.kn is not None), default=0.0) or 1.0
    yield svg.rect(0, QUAY, WIDTH, 7, "s-quay")
    yield svg.text(WIDTH - 4, QUAY - 4, "quay", "s-small", anchor="end")
    left, right, mid = WIDTH / 2 - HALF, WIDTH / 2 + HALF, (HULL_TOP + HULL_FOOT) / 2
    yield (
        f'<path d="M{svg.num(left)} {svg.num(HULL_TOP + 6)}L{svg.num(right - 50)} {svg.num(HULL_TOP)}'
        f"Q{svg.num(right + 14)} {svg.num(HULL_TOP + 4)} {svg.num(right + 18)} {svg.num(mid)}"
        f"Q{svg.num(right + 14)} {svg.num(HULL_FOOT - 4)} {svg.num(right - 50)} {svg.num(HULL_FOOT)}"
        f'L{svg.num(left)} {svg.num(HULL_FOOT - 6)}Z" class="s-hull"/>'
    )
    yield svg.text(WIDTH / 2 + HALF - 46, mid + 4, "bow", "s-small", anchor="end")
    yield svg.text(WIDTH / 2 - HALF + 8, mid + 4, "stern", "s-small")
    labels = _spread([one.end_x for one in placed])
    box = min([BOX, *(after - before - 4 for before, after in pairwise(labels))])
    for one, label_x in zip(placed, labels, strict=True):
        width = 1.2 if one.kn is None else 1.2 + 4.5 * max(one.kn, 0.0) / top_kn
        yield svg.line(one.x, HULL_FOOT - 3, one.end_x, QUAY, f"s-rope {one.state}".strip(), width=width)
        yield svg.line(one.end_x, QUAY + 7, label_x, QUAY + 22, "s-thin")
        if one.state in URGENT:
            first = " s-first" if one.line == urgent else ""
            yield svg.rect(label_x - box / 2, QUAY + 23, box, 28, f"s-box {one.state}{first}")
        yield svg.text(label_x, QUAY + 34, one.line, "s-strong", anchor="middle")
        yield svg.text(label_x, QUAY + 47, WORDS[one.state], f"s-small s-state {one.state}".strip(), anchor="middle")
        yield _load(label_x, QUAY + 63, one.kn)


def _load(x: float, y: float, kn: float | None) -> str:
    """A line's load, which the page shows in the unit that the reader chose."""
    if kn is None:
        return svg.text(x, y, "not observed", "s-small", anchor="middle")
    title = f"<title>from {svg.xml(command('balance').words)}</title>"
    shown = f'<tspan data-kn="{exact_text(kn)}">{_kn(kn).strip()}</tspan>'
    return f'<text x="{svg.num(x)}" y="{svg.num(y)}" text-anchor="middle" class="s-small">{title}{shown}</text>'


def _kn(kn: float | None) -> str:
    return "" if kn is None else f" {kn:.0f} kN"
