"""What to do about a line, in plain words, each with its reason. Pure; the rules are a literal table.

Advice only ever asks for more care. No rule says that a line is good, or may stay longer.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from pipeline.ledger.rows import Event
from schemas.registers import Service
from schemas.times import us_to_rfc3339

CALL_FOR_INSPECTION = ("peak-load", "brake-render")
"""Events after which a line is inspected before it is used again."""

LOOKED_AT = ("inspection", "retire")
"""Services that answer such an event."""

ENOUGH_COVERAGE = 0.5
"""Below this share of rigged time observed, the figure says too little. House rule."""


@dataclass(frozen=True, slots=True)
class LineFacts:
    """What the rules look at. `used`: the worse zone's life used, open cycles, days not posted yet and known opening
    included. `services`: those done by the time of the newest run; what is only planned answers nothing.
    """

    events: Sequence[Event]
    services: Sequence[Service]
    rigged_us: int
    observed_us: int
    used: Decimal
    basis: str
    opening_known: bool


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do, and why."""

    do: str
    because: str


@dataclass(frozen=True, slots=True)
class Rule:
    """`because` gives the reason when the rule applies to a line, None when it does not."""

    do: str
    because: Callable[[LineFacts], str | None]


def advise(facts: LineFacts) -> list[Advice]:
    """Everything the rules say about a line, most urgent first; never empty."""
    said = [Advice(rule.do, why) for rule in RULES if (why := rule.because(facts)) is not None]
    return said if said else [USUAL]


def _retired(facts: LineFacts) -> str | None:
    retired = [row.at_us for row in facts.services if row.action == "retire"]
    return f"retired at {us_to_rfc3339(max(retired))} (services.csv)" if retired else None


def _event_since_inspection(facts: LineFacts) -> str | None:
    looked_us = max((row.at_us for row in facts.services if row.action in LOOKED_AT), default=None)
    since = [
        event
        for event in facts.events
        if event.kind in CALL_FOR_INSPECTION and (looked_us is None or event.to_us > looked_us)
    ]
    if not since:
        return None
    worst = max(since, key=lambda event: (event.peak_kn, -event.from_us))
    seen = "no inspection is on record" if looked_us is None else f"last inspection {us_to_rfc3339(looked_us)}"
    count = f"{len(since)} events" if len(since) > 1 else worst.kind
    return f"{count}, the largest {worst.kind} {worst.peak_kn:.0f} kN at {us_to_rfc3339(worst.peak_us)}; {seen}"


def _used_up(facts: LineFacts) -> str | None:
    if facts.used < 1:
        return None
    return f"its curve is used up: {facts.used:.2f} ({facts.basis}) with open cycles"


def _never_rigged(facts: LineFacts) -> str | None:
    return "it was not rigged in the time the records cover" if facts.rigged_us == 0 else None


def _nothing_observed(facts: LineFacts) -> str | None:
    if facts.rigged_us == 0 or facts.observed_us > 0:
        return None
    return f"rigged {facts.rigged_us / 3.6e9:.1f} h and never observed: nothing is known, which is not good"


def _little_observed(facts: LineFacts) -> str | None:
    if facts.observed_us == 0 or facts.observed_us >= ENOUGH_COVERAGE * facts.rigged_us:
        return None
    tenths = 1000 * facts.observed_us // facts.rigged_us
    of_what = f"observed {tenths / 10:.1f} % of the {facts.rigged_us / 3.6e9:.1f} h rigged"
    return f"{of_what}: the figure is too low by an unknown part"


def _opening_unknown(facts: LineFacts) -> str | None:
    return None if facts.opening_known else "service before the first record is not counted (opening unknown)"


RULES: tuple[Rule, ...] = (
    Rule("not for use", _retired),
    Rule("inspect before use", _event_since_inspection),
    Rule("take out of use until the maker or a competent person has judged it", _used_up),
    Rule("unobserved: treat as the worst of its kind and inspect", _nothing_observed),
    Rule("unobserved: mend the measurement, inspect meanwhile", _little_observed),
    Rule("unobserved: nothing to go by, inspect before first use", _never_rigged),
    Rule("find out its earlier service", _opening_unknown),
)
USUAL = Advice(
    "inspect as the maker, class and the company require",
    "no rule asks for more; the figure is no permission",
)
