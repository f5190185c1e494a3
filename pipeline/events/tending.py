"""Tending: a winch under power while a line is rigged on it, by hand or by itself. It is no event: what happens to a
line meanwhile is the crew's doing, and paying out then is no rendering.

House rules, no source. A winch is under power while the latest state of its brake is open (below 0.5); while the
latest of its winch-mode channel is one of `tending_modes`; and while it heaves in, which a line under load never does
by itself: payout falling as it grows in a rendering (the same rate, the same join and least length), at any tension.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Final, Literal

import numpy as np

from pipeline.events.brake_slips import BRAKE_SET, Readings, Rules, slips
from pipeline.events.tension import Bools, Floats, Ints
from schemas.registers import Policy

By = Literal["open brake", "winch mode", "heaving in"]
BRAKE: Final = "open brake"
MODE: Final = "winch mode"
HEAVING: Final = "heaving in"


@dataclass(frozen=True)
class Tending:
    """A stretch [from_us, to_us] under power, and by what it is known. `from_m`, `to_m`: payout at its ends, of heaving
    in alone."""

    from_us: int
    to_us: int
    by: str
    from_m: float | None = None
    to_m: float | None = None

    @property
    def hove_m(self) -> float:
        """The metres hove in; 0 where it is known otherwise."""
        return 0.0 if self.from_m is None or self.to_m is None else self.from_m - self.to_m

    def to_payload(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_payload(cls, payload: Mapping[str, Any]) -> Tending:
        """The inverse of `to_payload`."""
        return cls(**payload)


@dataclass(frozen=True)
class States:
    """Whether the winch is under power by what a channel tells: the first state told and each change, ascending."""

    at_us: Ints
    powered: Bools

    @classmethod
    def of_brake(cls, at_us: Ints, value: Floats) -> States:
        told = ~np.isnan(value)
        return cls._changes(at_us[told], value[told] < BRAKE_SET)

    @classmethod
    def of_mode(cls, at_us: Ints, value: Floats, policy: Policy) -> States:
        told = ~np.isnan(value)
        return cls._changes(at_us[told], np.isin(value[told], policy.tending_modes))

    @classmethod
    def _changes(cls, at_us: Ints, powered: Bools) -> States:
        new = np.ones(powered.size, np.bool_)
        new[1:] = powered[1:] != powered[:-1]
        return cls(at_us[new], powered[new])


def brake_holds(brake: States, mode: States) -> tuple[Ints, Floats]:
    """As the states of one brake: 1 while neither tells of power, 0 while either does; a state not told yet tells
    nothing. (n,) times ascending, (n,) states; empty where neither channel says anything."""
    at_us = np.union1d(brake.at_us, mode.at_us)
    powered = np.zeros(at_us.size, np.bool_)
    for states in (brake, mode):
        latest = np.searchsorted(states.at_us, at_us, side="right") - 1
        powered |= (latest >= 0) & np.append(states.powered, False)[latest]
    return at_us, np.where(powered, 0.0, 1.0)


def stretches(
    brake: States, mode: States, winch: Readings | None, rules: Rules, *, from_us: int, to_us: int
) -> list[Tending]:
    """What of [from_us, to_us) the winch was under power, by each way of knowing it; readings reach an edge before."""
    found = [*_powered(brake, BRAKE, from_us, to_us), *_powered(mode, MODE, from_us, to_us)]
    if winch is not None:
        found += _heaving(winch, rules, from_us, to_us)
    return found


def _powered(states: States, by: By, from_us: int, to_us: int) -> list[Tending]:
    turns = np.flatnonzero(np.diff(states.powered, prepend=np.False_))
    edges = np.append(states.at_us[turns], to_us)
    ups, downs = edges[:-1:2], edges[1::2]
    return [
        Tending(max(up, from_us), min(down, to_us), by)
        for up, down in zip(ups.tolist(), downs.tolist(), strict=True)
        if up < to_us and down > from_us
    ]


def _heaving(winch: Readings, rules: Rules, from_us: int, to_us: int) -> list[Tending]:
    none = np.empty(0)
    hauled = replace(winch, payout_m=-winch.payout_m, brake_at_us=none.astype(np.int64), brake=none)
    anyhow = replace(rules, min_kn=-np.inf)
    return [
        Tending(run.start_us, run.end_us, HEAVING, -run.payout_start_m, -run.payout_end_m)
        for run in slips(hauled, anyhow, from_us=from_us, to_us=to_us)
    ]


def join(pieces: Sequence[Tending], rules: Rules) -> list[Tending]:
    """Stretches in time order, of one rigging's pieces of any number of days: those of a state that touch are one, and
    heaving in joins as rendering does, and counts from the same length on."""
    whole: dict[str, list[Tending]] = {}
    for piece in sorted(pieces, key=_order):
        found = whole.setdefault(piece.by, [])
        join_us = round(rules.join_s * 1e6) if piece.by == HEAVING else 0
        apart_us = piece.from_us - found[-1].to_us if found else None
        if apart_us is not None and (apart_us <= 0 or apart_us < join_us):
            found[-1] = replace(found[-1], to_us=max(found[-1].to_us, piece.to_us), to_m=piece.to_m)
        else:
            found.append(piece)
    made = [one for found in whole.values() for one in found]
    return sorted((one for one in made if one.by != HEAVING or one.hove_m >= rules.min_payout_m), key=_order)


def _order(one: Tending) -> tuple[int, int, str]:
    return (one.from_us, one.to_us, one.by)


def at_work(tending: Sequence[Tending], from_us: int, to_us: int) -> list[str]:
    """By what it is known that the winch was under power at some time of [from_us, to_us]; empty where it was not."""
    return sorted({one.by for one in tending if one.from_us <= to_us and from_us <= one.to_us})
