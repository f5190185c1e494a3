"""Records of one line's tension for these tests, whole and cut into parts as days cut them."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from hypothesis import strategies as st

from pipeline.events.tension import Extremes, SlackLevel, Tension
from schemas.registers import Policy
from tests.independent.reference_store import Felt, Rigging, Samples
from tests.independent.reference_tension import Rules

LIMIT_KN = 1000.0
FAR_US = 10**12
POLICY = Policy(loss_stay_s=8, loss_mean_s=12, loss_before_s=3)
RULES = Rules(
    snap_kn=150.0,
    snap_rate_kn_s=100.0,
    sustained_kn=250.0,
    low_kn=50.0,
    loss_kn=50.0,
    loss_stay_us=8_000_000,
    loss_mean_us=12_000_000,
    loss_before_us=3_000_000,
)
LEVEL = SlackLevel.of(POLICY, LIMIT_KN, (), None, 1.0)


def level_at(at_us: int) -> float:
    """The same level for the reference: 1 % of 1000 kN."""
    return 10.0


@dataclass(frozen=True)
class Record:
    """Every stored reading of one rigging: instants, tension, and which of them count."""

    at_us: tuple[int, ...]
    kn: tuple[float, ...]
    usable: tuple[bool, ...]
    stretch_us: int = 10_000_000
    """Of its extremes."""

    @classmethod
    def of(cls, pairs: Sequence[tuple[float, float]]) -> Record:
        """From seconds and kN, all usable."""
        return cls(tuple(round(at * 1e6) for at, _ in pairs), tuple(kn for _, kn in pairs), (True,) * len(pairs))

    def samples(self) -> Samples:
        return [(at, kn) for at, kn, counts in zip(self.at_us, self.kn, self.usable, strict=True) if counts]

    def felt(self) -> Felt:
        """As the reference's rigging felt it: rigged from long before to long after."""
        after: list[int | None] = [*self.at_us[1:], *([None] if self.at_us else [])]
        next_us = [until for until, counts in zip(after, self.usable, strict=True) if counts]
        return Felt(Rigging("L1", "H1", -FAR_US, FAR_US, "a", 1.0), self.samples(), next_us)

    def part(self, from_us: int, to_us: int, edge_us: int) -> Tension:
        """What the part [from_us, to_us) is given: its readings, and those of an edge before and after."""
        at_us = np.array(self.at_us, np.int64)
        inside = (at_us >= from_us - edge_us) & (at_us < to_us + edge_us)
        near_us = at_us[inside]
        begin, end = np.searchsorted(near_us, [from_us, to_us]).tolist()
        later = [at for at in self.at_us if at >= to_us]
        kn = np.array(self.kn, np.float64)[inside]
        usable = np.array(self.usable, np.bool_)[inside]
        none = np.zeros(kn.size, np.bool_)
        own = slice(begin, end)
        extremes = extremes_of(near_us[own].tolist(), kn[own].tolist(), usable[own].tolist(), self.stretch_us)
        after_us = later[0] if later else None
        return Tension(near_us, kn, usable, none, none, none, begin, end, from_us, to_us, after_us, extremes)

    def whole(self) -> Tension:
        return self.part(-FAR_US, FAR_US, 0)

    def parts(self, borders_us: Sequence[int], edge_us: int) -> Iterator[Tension]:
        """The record cut at these borders, the latest part first."""
        cuts = [-FAR_US, *sorted(set(borders_us)), FAR_US]
        for from_us, to_us in reversed(list(itertools.pairwise(cuts))):
            yield self.part(from_us, to_us, edge_us)


def extremes_of(at_us: Sequence[int], kn: Sequence[float], usable: Sequence[bool], length_us: int) -> Extremes:
    """Lowest and highest usable reading in stretches of this length that hold any."""
    held: dict[int, list[float]] = {}
    for at, reading, counts in zip(at_us, kn, usable, strict=True):
        if counts:
            held.setdefault(at // length_us, []).append(reading)
    return Extremes(
        np.array([number * length_us for number in held], np.int64),
        np.array([min(some) for some in held.values()], np.float64),
        np.array([max(some) for some in held.values()], np.float64),
    )


@st.composite
def records(draw: st.DrawFn, *, steps: Sequence[int] = (1, 1, 2, 5, 5, 10, 20, 50, 99, 100, 101)) -> Record:
    """Some dozens of readings, tenths of a second to gaps apart, that jump between the levels that matter."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    count = draw(st.integers(0, 70))
    ticks = np.cumsum(rng.choice(steps, count))
    levels = [0.0, 5.0, 9.999, 10.0, 15.0, 19.999, 20.0, 49.9, 50.0, 70.0, 120.0, 150.0, 150.1, 300.0, 300.0, 700.0]
    stay = rng.uniform(size=count) < draw(st.sampled_from([0.2, 0.6, 0.85]))
    kn = rng.choice(levels, count)
    for i in range(1, count):
        if stay[i]:
            kn[i] = kn[i - 1]
    usable = rng.uniform(size=count) > draw(st.sampled_from([0.0, 0.1]))
    kn[~usable & (rng.uniform(size=count) < 0.5)] = np.nan
    stretch_us = draw(st.sampled_from([1_000_000, 10_000_000]))
    return Record(tuple((ticks * 100_000).tolist()), tuple(kn.tolist()), tuple(usable.tolist()), stretch_us)


borders = st.lists(st.integers(0, 3000).map(lambda tick: tick * 50_000), max_size=8)
"""Borders among the readings, on them and between them [us]."""
EDGE_US = 25_000_000
"""A bit more than these thresholds ask for: max_gap_s, loss_fall_s and the longest of the others."""
