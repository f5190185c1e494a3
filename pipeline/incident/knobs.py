"""A threshold or constant, changed; and what is said of how its figure moves. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from pipeline.incident.numbering import Context, rounded
from pipeline.incident.record import Figure, Sensitive

SECTION: Final = "B-4"
HALF_TWICE: Final = (0.5, 2.0)
FIFTH: Final = (0.8, 1.2)
TENTH: Final = (0.9, 1.1)


Again = Callable[[float], float | None]


@dataclass(frozen=True)
class Knob:
    """One constant of one figure: its value, those tried, and what the figure is with each."""

    figure: Figure
    constant: str
    unit: str
    used: float
    source: str
    tried: tuple[float, ...]
    again: Again


def told_of(context: Context, knob: Knob) -> Sensitive:
    instant = knob.figure.unit == "us UTC"
    made = [(value, knob.again(value)) for value in knob.tried]
    changed = tuple((rounded(v), found if found is None or instant else rounded(found)) for v, found in made)
    base = knob.figure.value
    found = [one for _, one in changed if one is not None]
    if len(found) < len(changed) and base is not None:
        says = "with some of these values the figure cannot be given"
    elif base is None or not isinstance(base, int | float) or not found:
        says = "the figure is not known"
    elif all(one == base for one in found):
        says = "it does not move"
    elif knob.figure.unit == "us UTC":
        says = f"it moves by up to {max(abs(one - base) for one in found) / 1e6:.3g} s"
    else:
        low, high = min(*found, base), max(*found, base)
        says = f"it lies between {low:.4g} and {high:.4g} {knob.figure.unit}"
    number = context.numbers.next(SECTION)
    return Sensitive(number, knob.figure.number, knob.constant, knob.unit, knob.used, knob.source, changed, says)
