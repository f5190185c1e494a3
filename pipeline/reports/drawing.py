"""Which traces a page about a stretch of time draws: the lines it is about, those beside them, and payout."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from pipeline.reports.thin import Floats, Ints, thin
from pipeline.reports.windows import COARSE_FROM_S, Seen, Windows
from pipeline.site import Site
from schemas.registers import Rigging

POINTS: Final = 10_000
"""So many points a page draws at most: some 200 kB of it, and a browser draws them at once. House rule."""
OWN_POINTS: Final = 3_000
"""So many of the line that the page is about: more than the widest screen has pixels, twice."""
LEAST_POINTS: Final = 100
ROLES: Final = ("head", "breast", "spring", "stern")

Part = Literal["own", "involved", "beside"]


@dataclass(frozen=True)
class Drawn:
    """One quantity to draw, of the lines named (several where they share a hook evenly).

    `part`: whether the page is about it, it is involved, or stands beside. at_us, value (n,): points, NaN a break.
    `of`: of how many samples; `coarse`: these were the lowest and highest of each ten seconds.
    """

    lines: tuple[str, ...]
    channel: str
    role: str
    part: Part
    quantity: str
    unit: str
    at_us: Ints
    value: Floats
    of: int
    coarse: bool

    @property
    def name(self) -> str:
        """What it is called in the chart."""
        return ", ".join(self.lines) if self.quantity == "tension" else f"{self.quantity} at {self.channel}"

    @property
    def points(self) -> int:
        """How many samples are drawn."""
        return int(np.count_nonzero(~np.isnan(self.value)))


def rigged_in(site: Site, ship: str, from_us: int, to_us: int) -> list[Rigging]:
    """Riggings of a ship's main lines that touch [from_us, to_us), by role and line."""
    rows = [
        row
        for row in site.riggings
        if site.lines[row.line].part == "main"
        and site.lines[row.line].ship == ship
        and row.from_us < to_us
        and (row.to_us is None or row.to_us > from_us)
    ]
    return sorted(rows, key=lambda row: (_place_of(row.role), row.line, row.from_us))


def tensions(
    windows: Windows,
    riggings: Sequence[Rigging],
    window: tuple[int, int],
    *,
    own: Collection[str],
    involved: Collection[str],
    keep_us: Mapping[str, Sequence[int]],
) -> list[Drawn]:
    """Tension of every line in a window, those the page is about first. `keep_us`: instants to be drawn, by line."""
    groups: dict[tuple[str, int, int | None, float], list[Rigging]] = {}
    for row in riggings:
        groups.setdefault((row.channel, row.from_us, row.to_us, row.share_pct), []).append(row)
    found: dict[tuple[tuple[str, ...], str], list[Seen]] = {}
    role: dict[tuple[tuple[str, ...], str], str] = {}
    for rows in groups.values():
        key = (tuple(sorted(row.line for row in rows)), rows[0].channel)
        found.setdefault(key, []).append(windows.tension(rows[0], *window))
        role[key] = rows[0].role or ""
    rank: dict[Part, int] = {"own": 0, "involved": 1, "beside": 2}
    parts = {key: _part(key[0], own, involved) for key in found}
    order = sorted(found, key=lambda key: (rank[parts[key]], _place_of(role[key]), key))
    leading = sum(part == "own" for part in parts.values())
    others = max((POINTS - leading * OWN_POINTS) // max(len(order) - leading, 1), LEAST_POINTS)
    traces = []
    for key in order:
        lines, channel = key
        most = min(OWN_POINTS if parts[key] == "own" else others, OWN_POINTS)
        keep = sorted({us for line in lines for us in keep_us.get(line, ())})
        at_us, value, of, coarse = _thinned(found[key], most, keep)
        traces.append(Drawn(lines, channel, role[key], parts[key], "tension", "kN", at_us, value, of, coarse))
    return [trace for trace in traces if trace.of]


def payouts(windows: Windows, site: Site, places: Iterable[str], window: tuple[int, int]) -> list[Drawn]:
    """Payout of winches [m], where it was recorded in the window; none in windows that are not told by samples."""
    found: list[Drawn] = []
    if window[1] - window[0] >= COARSE_FROM_S * 1_000_000:
        return found
    for place in sorted(set(places)):
        for channel in site.channels.values():
            if (channel.place, channel.quantity) == (place, "payout"):
                at_us, value, of, coarse = _thinned([windows.channel(channel.channel, *window)], OWN_POINTS, [])
                found.append(Drawn((), channel.channel, "", "own", "payout", "m", at_us, value, of, coarse))
    return [trace for trace in found if trace.of]


def _thinned(pieces: Sequence[Seen], most: int, keep_us: Sequence[int]) -> tuple[Ints, Floats, int, bool]:
    pieces = sorted((one for one in pieces if one.at_us.size), key=lambda one: int(one.at_us[0]))
    if not pieces:
        return np.empty(0, np.int64), np.empty(0), 0, False
    at_us = np.concatenate([one.at_us for one in pieces])
    value = np.concatenate([one.value for one in pieces])
    room = most + len(keep_us)
    drawn = thin(at_us, value, room, gap_us=max(one.gap_us for one in pieces), keep_us=keep_us)
    return drawn.at_us, drawn.value, drawn.of, any(one.coarse for one in pieces)


def _part(lines: Sequence[str], own: Collection[str], involved: Collection[str]) -> Part:
    if any(line in own for line in lines):
        return "own"
    return "involved" if any(line in involved for line in lines) else "beside"


def _place_of(role: str | None) -> int:
    """Lines are told from ahead to astern, those without a role last."""
    return ROLES.index(role) if role in ROLES else len(ROLES)
