"""The clocks of all loggers of a ship, put together from what pairs of them, and all others at once, tell. Pure.

Two channels that share too little motion with two others may share enough with ten: so those loggers that share most
are put on one clock, and each other, in order of what it shares with any of them, is compared with all of their
channels at once. Where a pair contradicts what came out, as when the next wave was taken for the same one, its loggers
are looked at once more, against all others and each by itself, and the surest answer counts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Final

from pipeline.quality.clocks import AGREE_S, Offset, Series, offset

# House rules, no source.
ALL_PAIRS: Final = 8
HUBS: Final = 4
Pairs = Mapping[tuple[str, str], Offset]


def offsets(loggers: Mapping[str, Sequence[Series]], *, most_s: float) -> dict[tuple[str, str], Offset]:
    """The offset of the second against the first, for pairs of loggers that tell one.

    Of more than eight loggers only the four with most channels are compared with all: the work grows with the pairs. Of
    three and more, each is placed on one clock as the module says, and pairs that contradict that are left out.
    """
    ordered = sorted(loggers, key=lambda name: (-len(loggers[name]), name))
    hubs = ordered if len(ordered) <= ALL_PAIRS else ordered[:HUBS]
    pairs = [(one, other) for one, other in combinations(ordered, 2) if one in hubs]
    alone = {pair: offset(loggers[pair[0]], loggers[pair[1]], most_s=most_s) for pair in pairs}
    found = {pair: told for pair, told in alone.items() if told is not None}
    if len(loggers) <= 2 or not found:
        return found
    pool = _Pool(loggers, found, most_s)
    pool.place_all()
    pool.place_contradicted()
    return {pair: told for pair, told in found.items() if pool.bears_out(*pair, told)} | pool.placed()


@dataclass
class _Pool:
    """Loggers on the clock of `first`, as far as they are placed: `found`, what told so."""

    loggers: Mapping[str, Sequence[Series]]
    pairs: Pairs
    most_s: float
    first: str = field(init=False)
    found: dict[str, Offset] = field(init=False)

    def __post_init__(self) -> None:
        self.first, second = max(self.pairs, key=lambda pair: self.pairs[pair].shared)
        self.found = {second: self.pairs[self.first, second]}

    def placed(self) -> dict[tuple[str, str], Offset]:
        """What placed each logger, against the first."""
        return {(self.first, name): told for name, told in self.found.items()}

    def place_all(self) -> None:
        """Place each logger that shares enough with those placed by then, or with one of them, in order of what it
        shares with any."""
        left = set(self.loggers) - {self.first, *self.found}
        while left:
            name = max(left, key=self._nearest)
            left.remove(name)
            told = self._against_others(name)
            self._place(name, [told] if told is not None else self._directly(name))

    def place_contradicted(self) -> None:
        """Place those once more that a pair contradicts, each by whatever is surest."""
        named = {
            name
            for pair, told in self.pairs.items()
            if self._has(pair) and not self.bears_out(*pair, told)
            for name in pair
        }
        for name in sorted(named - {self.first}, key=self._nearest):
            told = self._against_others(name)
            self._place(name, [*([] if told is None else [told]), *self._directly(name)])

    def _place(self, name: str, ways: Sequence[Offset]) -> None:
        """Put a logger where the surest says."""
        if ways:
            self.found[name] = max(ways, key=lambda one: one.weight)

    def bears_out(self, one: str, other: str, told: Offset) -> bool:
        """Whether a pair agrees with where its loggers are placed."""
        both = self._has((one, other))
        return both and abs(self._at_s(other) - self._at_s(one) - told.offset_s) <= AGREE_S / 2

    def _has(self, names: Sequence[str]) -> bool:
        return all(name == self.first or name in self.found for name in names)

    def _at_s(self, name: str) -> float:
        return 0.0 if name == self.first else self.found[name].offset_s

    def _nearest(self, name: str) -> tuple[float, str]:
        """What a logger shares most with any that is placed; the name makes the order one."""
        known = {self.first, *self.found}
        return max(
            (told.shared for pair, told in self.pairs.items() if name in pair and known & set(pair)), default=0.0
        ), name

    def _against_others(self, name: str) -> Offset | None:
        """A logger's offset from the channels of all others placed, each on the one clock."""
        others = sorted({self.first, *self.found} - {name})
        pool = [Series(one.at_us - round(self._at_s(own) * 1e6), one.kn) for own in others for one in self.loggers[own]]
        return offset(pool, self.loggers[name], most_s=self.most_s)

    def _directly(self, name: str) -> list[Offset]:
        """What each pair of a logger with one that is placed says of it."""
        out = []
        for (one, other), told in self.pairs.items():
            if name == other and self._has((one,)):
                out.append(replace(told, offset_s=self._at_s(one) + told.offset_s))
            elif name == one and self._has((other,)):
                out.append(replace(told, offset_s=self._at_s(other) - told.offset_s))
        return out
