"""Calls of a ship, and the phase of a call: making fast, all fast, letting go. Pure; one definition for all rooms."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from schemas.registers import Rigging

Phase = Literal["making fast", "all fast", "letting go"]
ALL_FAST: Final = "all fast"


@dataclass(frozen=True, slots=True)
class Call:
    """First line ashore to last line let go, of one ship; `to_us` is None while a line is still rigged."""

    ship: str
    from_us: int
    to_us: int | None

    def has(self, rigging: Rigging) -> bool:
        """Whether a rigging of one of its ship's lines belongs to it."""
        return rigging.from_us >= self.from_us and (self.to_us is None or rigging.from_us <= self.to_us)


def calls(riggings: Iterable[Rigging], ship_of: Mapping[str, str]) -> list[Call]:
    """Calls by ship and time: riggings of one ship's lines that overlap or touch."""
    found: list[Call] = []
    for row in sorted(riggings, key=lambda row: (ship_of[row.line], row.from_us)):
        ship, last = ship_of[row.line], found[-1] if found else None
        if last is not None and last.ship == ship and (last.to_us is None or row.from_us <= last.to_us):
            open_ = last.to_us is None or row.to_us is None
            found[-1] = Call(ship, last.from_us, None if open_ else max(last.to_us or 0, row.to_us or 0))
        else:
            found.append(Call(ship, row.from_us, row.to_us))
    return found


@dataclass(frozen=True, slots=True)
class Fast:
    """When all lines of a call are fast: [all_fast_us, first_let_go_us); None: letting go has not begun."""

    all_fast_us: int
    first_let_go_us: int | None

    def touched(self, from_us: int, to_us: int) -> bool:
        """Whether any instant of [from_us, to_us] lies in it."""
        return to_us >= self.all_fast_us and (self.first_let_go_us is None or from_us < self.first_let_go_us)

    def holds(self, from_us: int, to_us: int) -> bool:
        """Whether the whole of [from_us, to_us) lies in it."""
        return from_us >= self.all_fast_us and (self.first_let_go_us is None or to_us <= self.first_let_go_us)

    def phase(self, from_us: int, to_us: int) -> Phase:
        """The phase of a happening: all fast where it touches that."""
        if self.touched(from_us, to_us):
            return "all fast"
        return "making fast" if to_us < self.all_fast_us else "letting go"


def fast_of(call: Call, riggings: Iterable[Rigging], ship_of: Mapping[str, str], *, gap_h: float) -> Fast:
    """When all lines of a call are fast, from the riggings of a site.

    Making fast ends with the first `from` after which no other follows in less than `gap_h`; letting go begins with
    the earliest `to` from which on no line is made fast and each `to` follows the last in less than `gap_h`, up to the
    call's end. So a line that is put out, changed or taken in while the ship lies alongside ends neither. House rule.
    A call of which making and letting go overlap (it is shorter than `gap_h`) is never all fast: both are its end of
    making fast.
    """
    own = [row for row in riggings if ship_of[row.line] == call.ship and call.has(row)]
    gap_us = round(gap_h * 3.6e9)
    begun = sorted({row.from_us for row in own})
    fast_us = _end_of_chain(begun, gap_us)
    if call.to_us is None:
        return Fast(fast_us, None)
    ended = sorted({row.to_us for row in own if row.to_us is not None and row.to_us >= begun[-1]})
    return Fast(fast_us, max(fast_us, -_end_of_chain([-us for us in reversed(ended)], gap_us)))


def _end_of_chain(ascending_us: Sequence[int], gap_us: int) -> int:
    """The last instant of the first chain of instants less than `gap_us` apart."""
    last_us = ascending_us[0]
    for at_us in ascending_us[1:]:
        if at_us - last_us >= gap_us:
            break
        last_us = at_us
    return last_us
