"""The berth seen from above, with each line's load: before the loss, at it, after it.

Chocks and leads are drawn as registered. Where they are not, lines stand in the order of their roles, and the picture
says that it is schematic. Athwart nothing is to scale. A picture of loads and not of places: it says nothing of where
anybody may stand.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pipeline.incident import svg
from pipeline.incident.record import BerthLine, Figure

WIDTH, HEIGHT = 900.0, 190.0
HULL_TOP, HULL_FOOT, QUAY = 14.0, 66.0, 122.0
HALF_LENGTH = 275.0
LABEL = 60.0
ROLES = {"head": (0.9, 40.0), "breast": (0.62, 90.0), "spring": (0.3, 165.0), "stern": (-0.9, 140.0)}
"""Of each role where it is drawn when nothing is registered: share of the half length ahead, and lead in degrees."""


@dataclass(frozen=True)
class _Placed:
    line: BerthLine
    figure: Figure
    x: float
    end_x: float


def plan(lines: Sequence[BerthLine], when: str, *, words: str, style: bool) -> str:
    """One of the three pictures; `when`: "before", "at" or "after". All three are on one scale of loads."""
    tops = [f.value for one in lines for f in (one.before, one.at, one.after) if isinstance(f.value, float | int)]
    top_kn = max((float(kn) for kn in tops), default=1.0)
    placed = _placed(lines, when)

    def body() -> Iterator[str]:
        yield svg.rect(0, QUAY, WIDTH, 7, "c-quay")
        yield svg.text(WIDTH - 4, QUAY - 4, "quay", "c-small", anchor="end")
        yield _hull()
        yield svg.text(WIDTH / 2 + HALF_LENGTH + 26, 44, "bow", "c-small")
        yield svg.text(WIDTH / 2 - HALF_LENGTH - 10, 44, "stern", "c-small", anchor="end")
        yield svg.text(WIDTH / 2, 44, words, "c-strong", anchor="middle")
        for one, label_x in zip(placed, _spread([one.end_x for one in placed]), strict=True):
            yield from _line(one, label_x, top_kn)

    told = ", ".join(f"{one.line.line} {_kn(one.figure)}" for one in placed)
    return svg.svg(WIDTH, HEIGHT, body(), label=f"Plan of the berth, {words}: {told}", style=style)


def _placed(lines: Sequence[BerthLine], when: str) -> list[_Placed]:
    reach_m = max((abs(one.chock_ahead_m) for one in lines if one.chock_ahead_m is not None), default=1.0) or 1.0
    seen: dict[tuple[str, bool], int] = {}
    found = []
    for one in lines:
        role = one.role or "breast"
        ahead, lead = ROLES.get(role, ROLES["breast"])
        # Springs and breasts stand in two groups, those forward and those aft; by turns where nothing tells which.
        i = seen[role, True] = seen.get((role, True), -1) + 1
        aft = role in ("spring", "breast") and i % 2 == 1
        share = (-ahead if aft else ahead) + 0.045 * (i // 2 if role in ("spring", "breast") else i) * (
            1 if (ahead < 0 or aft) else -1
        )
        if one.chock_ahead_m is not None:
            share = one.chock_ahead_m / reach_m * 0.95
        angle = math.radians(_lead(one, lead, share))
        x = WIDTH / 2 + share * HALF_LENGTH
        run = (QUAY - HULL_FOOT) * math.cos(angle) / max(abs(math.sin(angle)), 0.3)
        found.append(_Placed(one, getattr(one, when), x, min(max(x + run, 20.0), WIDTH - 20.0)))
    return sorted(found, key=lambda one: (one.end_x, one.line.line))


def _lead(one: BerthLine, lead_deg: float, share: float) -> float:
    """Degrees from ahead towards the quay, 0 to 180, whichever side lies to it."""
    if one.lead_deg is not None:
        return abs((one.lead_deg + 180.0) % 360.0 - 180.0)
    if one.role == "spring":
        return lead_deg if share > 0 else 180.0 - lead_deg
    return lead_deg


def _spread(ends: Sequence[float]) -> list[float]:
    """Where labels stand so that none covers another: as near to their lines' ends as that allows."""
    gap = min(LABEL, (WIDTH - LABEL) / max(len(ends) - 1, 1))
    at: list[float] = []
    for end in ends:
        at.append(max(end, at[-1] + gap) if at else max(end, LABEL / 2))
    over = (at[-1] - (WIDTH - LABEL / 2)) if at else 0.0
    for i in range(len(at) - 1, -1, -1):
        limit = WIDTH - LABEL / 2 if i == len(at) - 1 else at[i + 1] - gap
        at[i] = min(at[i], limit) if over > 0 else at[i]
    return at


def _hull() -> str:
    left, right, mid = WIDTH / 2 - HALF_LENGTH, WIDTH / 2 + HALF_LENGTH, (HULL_TOP + HULL_FOOT) / 2
    points = (
        f"M{svg.num(left)} {svg.num(HULL_TOP + 4)}L{svg.num(right - 40)} {svg.num(HULL_TOP)}"
        f"Q{svg.num(right + 20)} {svg.num(HULL_TOP + 4)} {svg.num(right + 22)} {svg.num(mid)}"
        f"Q{svg.num(right + 20)} {svg.num(HULL_FOOT - 4)} {svg.num(right - 40)} {svg.num(HULL_FOOT)}"
        f"L{svg.num(left)} {svg.num(HULL_FOOT - 4)}Q{svg.num(left - 12)} {svg.num(mid)} {svg.num(left)} "
        f"{svg.num(HULL_TOP + 4)}Z"
    )
    return f'<path d="{points}" class="c-hull"/>'


def _line(one: _Placed, label_x: float, top_kn: float) -> Iterator[str]:
    value = one.figure.value
    gone = one.line.lost and isinstance(value, float | int) and value < 0.02 * top_kn
    css = "c-rope c-lost" if one.line.lost else "c-rope"
    width = 0.8
    if not isinstance(value, float | int) or gone:
        css += " c-none"
    else:
        width = 0.8 + 5.2 * max(float(value), 0.0) / top_kn
    yield svg.line(one.x, HULL_FOOT - 3, one.end_x, QUAY, css, width=width)
    yield svg.line(one.end_x, QUAY + 7, label_x, QUAY + 24, "c-grid")
    yield svg.text(label_x, QUAY + 36, one.line.line, "c-strong", anchor="middle")
    yield svg.text(label_x, QUAY + 49, _kn(one.figure), "c-small", anchor="middle")
    if gone:
        yield svg.text(label_x, QUAY + 60, "lost its load", "c-small", anchor="middle")


def _kn(figure: Figure) -> str:
    value = figure.value
    if not isinstance(value, float | int) or isinstance(value, bool):
        return "not known"
    return f"{'≥ ' if figure.at_least else ''}{round(value)} kN"  # an integer: there is no -0
