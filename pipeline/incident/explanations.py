"""Section B-6: competing explanations, and what the record shows for each, against it, and cannot show. Pure.

A literal table, each with a function that looks at the facts and says short sentences with the numbers they rest on.
No verdict: the table is in one fixed order, nothing is weighed, and an empty cell says so of itself. Nothing is said
of persons.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from pipeline.incident.explained_gear import burying, heaving, held, hook, sensor, shed, snap, unequal
from pipeline.incident.explained_rope import chafe, compression, eye, overload, twist, weakened
from pipeline.incident.explaining import Facts, Says
from pipeline.incident.record import Explanation

SECTION: Final = "B-6"
NO_VERDICT: Final = (
    "No cause is named, and none is more likely for coming first or for having more beside it. Several may have acted "
    "together. What the logs cannot show, rope ends, fittings, winches and accounts may."
)


def explanations_of(facts: Facts) -> tuple[Explanation, ...]:
    """The whole table."""
    out = []
    for name, says in TABLE:
        shown_for, against, cannot = says(facts)
        number = facts.context.numbers.next(SECTION)
        out.append(Explanation(number, name, tuple(shown_for), tuple(against), tuple(cannot)))
    return tuple(out)


TABLE: Final[Sequence[tuple[str, Says]]] = (
    ("overload of a sound line", overload),
    ("weakened by fatigue, creep, heat, abrasion or bend", weakened),
    ("chafe or cut", chafe),
    ("eye, splice or connector", eye),
    ("compression", compression),
    ("twist", twist),
    ("burying on the drum", burying),
    ("unequal stiffness or pretension", unequal),
    ("brake that held above its setting", held),
    ("brake that rendered early and shed load", shed),
    ("heaving at the time", heaving),
    ("snap from slack", snap),
    ("hook failure or release", hook),
    ("sensor error", sensor),
)
