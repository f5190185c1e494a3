"""Whether ropes can be put in an order, and why not. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from typing import Literal

Method = Literal["equal_load", "equal_motion"]
METHODS: tuple[Method, ...] = ("equal_load", "equal_motion")
WORDS: dict[Method, str] = {"equal_load": "equal load", "equal_motion": "equal motion"}


@dataclass(frozen=True)
class Stand:
    """What a rope uses under one method: between `least` and `most`, as far as is known."""

    least: Decimal
    most: Decimal


@dataclass(frozen=True)
class Ranked:
    """A rope and how it stands under each method; `lacks`: mechanisms that may wear it and are in no figure of it.

    `why_not`: why a method is not reckoned. `unsure`: it is told by class, and how far classes are off is not known.
    """

    rope: str
    stands: dict[Method, Stand | None]
    why_not: str | None
    lacks: frozenset[str] = frozenset()
    unsure: bool = False


def stand(used: Decimal, at_most: Decimal, error: float) -> Stand:
    """Bounds of a figure whose relative error is about `error`."""
    margin = Decimal(repr(abs(error)))
    return Stand(max(used * (1 - margin), Decimal(0)), at_most * (1 + margin))


def rank(ropes: Sequence[Ranked]) -> tuple[list[str] | None, str]:
    """Ropes by life used, least first, where both methods give one order beyond their error; else why not."""
    if len(ropes) < 2:
        return None, "there is nothing to compare it with"
    lacking = [f"{rope.rope} ({rope.why_not})" for rope in ropes if rope.stands["equal_motion"] is None]
    if lacking:
        return None, f"equal motion is not reckoned for {', '.join(lacking)}"
    for mechanism in sorted(frozenset[str]().union(*(rope.lacks for rope in ropes))):
        without = [rope.rope for rope in ropes if mechanism in rope.lacks]
        if len(without) < len(ropes):
            return None, f"{mechanism} is not reckoned for {', '.join(without)}, and is for the others"
    if unsure := [rope.rope for rope in ropes if rope.unsure]:
        return None, f"how far figures by class are off is not known for {', '.join(unsure)}"
    orders = {method: _order(ropes, method) for method in METHODS}
    for method, order in orders.items():
        if isinstance(order, str):
            return None, f"{order} under {WORDS[method]}"
    load, motion = orders["equal_load"], orders["equal_motion"]
    if load != motion:
        return None, "equal load and equal motion disagree"
    return list(load), "equal load and equal motion agree"


def _order(ropes: Sequence[Ranked], method: Method) -> list[str] | str:
    """The order under one method; in words which two cannot be told apart."""
    stands = sorted(
        ((found.least, found.most, rope.rope) for rope in ropes if (found := rope.stands[method]) is not None),
    )
    for (_, most, former), (least, _, later) in pairwise(stands):
        if not most < least:
            return f"{former} and {later} lie closer together than they are known"
    return [rope for *_, rope in stands]
