"""Surges as marks: what one day tells of them, and how the parts of any days are joined.

Joining is by largest, smallest and earliest, so that the order and the cuts do not matter.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any


@dataclass(frozen=True)
class Share:
    """What one line had of a surge, in bins of 10 s: since when, the largest rise and the deepest fall of its mean
    against its trend [kN], its highest tension, and the instant at which that bin begins."""

    channel: str
    role: str
    from_us: int
    rise_kn: float
    fall_kn: float
    peak_kn: float
    peak_us: int

    @property
    def change_kn(self) -> float:
        """The larger of the two, signed; the rise where they are equal."""
        return self.rise_kn if self.rise_kn >= -self.fall_kn else self.fall_kn


@dataclass(frozen=True)
class Surge:
    """A surge of one ship, or a part of one, over [from_us, to_us); `lines` by name."""

    ship: str
    from_us: int
    to_us: int
    lines: Mapping[str, Share]

    @property
    def first_line(self) -> str:
        """The line that moved first; of several the one that moved most, then by name."""
        return min(self.lines, key=lambda name: (self.lines[name].from_us, -abs(self.lines[name].change_kn), name))

    @property
    def greatest_line(self) -> str:
        """The line that moved most; of several the first by name."""
        return min(self.lines, key=lambda name: (-abs(self.lines[name].change_kn), name))

    @property
    def most_loaded_line(self) -> str:
        """The line whose tension rose most; of several the first by name."""
        return min(self.lines, key=lambda name: (-self.lines[name].rise_kn, name))

    def to_payload(self) -> dict[str, Any]:
        """As plain mappings and numbers, for JSON; floats come back bit for bit."""
        return asdict(self)

    @classmethod
    def from_payload(cls, payload: Mapping[str, Any]) -> Surge:
        """The inverse of `to_payload`."""
        return cls(**{**payload, "lines": {name: Share(**share) for name, share in payload["lines"].items()}})


def join(parts: Iterable[Surge], *, join_s: float) -> list[Surge]:
    """Surges by ship and time: parts of a ship that overlap, or follow within `join_s`, are one. Any order."""
    whole: list[Surge] = []
    for part in sorted(parts, key=lambda one: (one.ship, one.from_us, one.to_us)):
        if whole and whole[-1].ship == part.ship and part.from_us - whole[-1].to_us <= join_s * 1e6:
            whole[-1] = _joined(whole[-1], part)
        else:
            whole.append(part)
    return whole


def _joined(one: Surge, other: Surge) -> Surge:
    lines = dict(one.lines)
    for name, share in other.lines.items():
        lines[name] = both(lines[name], share) if name in lines else share
    ordered = {name: lines[name] for name in sorted(lines)}
    return replace(one, to_us=max(one.to_us, other.to_us), lines=ordered)


def both(one: Share, other: Share) -> Share:
    """What one line had of two parts."""
    peak = min(one, other, key=lambda share: (-share.peak_kn, share.peak_us))
    # A line that changes channel in mid-surge is told by the one that it was on at its peak.
    return Share(
        peak.channel,
        peak.role,
        min(one.from_us, other.from_us),
        max(one.rise_kn, other.rise_kn),
        min(one.fall_kn, other.fall_kn),
        peak.peak_kn,
        peak.peak_us,
    )
