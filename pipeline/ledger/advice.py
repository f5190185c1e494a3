"""What to do about a line, in plain words, each with its reason. Pure; the rules are a literal table.

Advice only ever asks for more care. No rule says that a line is good, or may stay longer. Thresholds are the policy's.
Heat alone gives no advice: a temperature is a model's, and what it does to a rope is counted as creep.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from pipeline.events.load_loss import KIND as LOAD_LOSS
from pipeline.events.loss_class import HARMLESS
from pipeline.ledger.bands import Band
from pipeline.ledger.rows import Event, Finding
from pipeline.ledger.words import SEVERITY_INDEX
from schemas.registers import Policy, Service, StrengthTest
from schemas.times import us_to_rfc3339

CALL_FOR_INSPECTION = ("peak-load", "brake-render", "snap-load", "load-loss")
"""Events after which a line is inspected before it is used again; of load-loss those that are not `HARMLESS`."""

LOOKED_AT = ("inspection", "retire")
"""Services that answer such an event."""

OFF_ITS_SETTING = ("early", "late")
"""Verdicts on a rendered brake that ask for its check."""


@dataclass(frozen=True, slots=True)
class ZoneUse:
    """Life used of one end, open cycles and days not posted yet counted, the opening (of no known place) not.

    `contact`: its most worn contact band still on the rope; None where abrasion is not reckoned, or all is cut off.
    """

    free: Decimal
    contact: Band | None = None

    @property
    def used(self) -> Decimal:
        """That of the worse band."""
        return self.free if self.contact is None else max(self.free, self.contact.life)


@dataclass(frozen=True, slots=True)
class Weakest:
    """The least strength left [kN] of a line, where, and the retirement line; `as_if_new`: its opening is unknown."""

    kn: float
    zone: str
    band: str
    retirement_kn: float
    retirement_of: str
    as_if_new: bool


@dataclass(frozen=True, slots=True)
class Peak:
    """A peak and what it is held against: the strength left now, at the worst place of the zone that felt it."""

    kn: float
    at_us: int
    zone: str
    left_kn: float

    @property
    def share(self) -> float:
        """The peak over the strength left; without end where nothing is left."""
        return self.kn / self.left_kn if self.left_kn > 0 else float("inf")


@dataclass(frozen=True, slots=True)
class LineFacts:
    """What the rules look at. `used`: the worse zone's life used, open cycles, days not posted yet and known opening
    included. `services`: those done by the time of the newest run; what is only planned answers nothing.

    `basis`, `strength_basis`: what life used and strength left are called. `limits`: as `service.service_of` gives
    them. `weakest`: None where strength left is not reckoned. `retirement`: the retirement line [kN], and of what;
    `tests`: break tests of its pieces. `peak`: the worst since the last inspection. `renders`: rendered brakes whose
    setting was not made anew since; `held`: loads above its setting at which one held, likewise. `findings`: those open
    on its channels; `clipped`: events whose peak is `at least`; both since the channel's last calibration.
    """

    events: Sequence[Event]
    services: Sequence[Service]
    rigged_us: int
    observed_us: int
    used: Decimal
    basis: str
    strength_basis: str = SEVERITY_INDEX
    policy: Policy = field(default_factory=Policy)
    zones: Mapping[str, ZoneUse] = field(default_factory=dict)
    limits: Sequence[Mapping[str, Any]] = ()
    weakest: Weakest | None = None
    retirement: tuple[float, str] | None = None
    tests: Sequence[StrengthTest] = ()
    peak: Peak | None = None
    renders: Sequence[Event] = ()
    held: Sequence[Event] = ()
    findings: Sequence[Finding] = ()
    clipped: Sequence[Event] = ()


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do, and why; `rule`: the name of the rule that fired, for machines."""

    rule: str
    do: str
    because: str


@dataclass(frozen=True, slots=True)
class Rule:
    """`because` gives the reason, with the figure, when the rule applies to a line, None when it does not.

    `reuses`: it supposes that the line stays in use, and is not said of one to be retired.
    """

    name: str
    do: str
    because: Callable[[LineFacts], str | None]
    reuses: bool = False


def advise(facts: LineFacts) -> list[Advice]:
    """Everything the rules say about a line, most urgent first; never empty."""
    said = [(rule, why) for rule in RULES if (why := rule.because(facts)) is not None]
    retire = any(rule.name == "retire" for rule, _ in said)
    kept = [Advice(rule.name, rule.do, why) for rule, why in said if not (retire and rule.reuses)]
    return kept if kept else [NO_RULE]


def calls_for_inspection(kind: str, payload: Mapping[str, Any]) -> bool:
    """Whether a line is inspected before it is used again after such an event. One without a class, as older records
    have it, calls for it."""
    return kind in CALL_FOR_INSPECTION and not (kind == LOAD_LOSS and payload.get("class") in HARMLESS)


def last_looked_us(services: Sequence[Service]) -> int | None:
    """When the line was last inspected; None when it never was on record."""
    return max((row.at_us for row in services if row.action in LOOKED_AT), default=None)


def _retired(facts: LineFacts) -> str | None:
    retired = [row.at_us for row in facts.services if row.action == "retire"]
    return f"retired at {us_to_rfc3339(max(retired))} (services.csv)" if retired else None


def _used_up(facts: LineFacts) -> str | None:
    if facts.used < 1:
        return None
    return (
        f"what its constants allow is used up: {facts.used:.2f} ({facts.basis}) with open cycles; take it out of "
        "use until the maker or a competent person has judged it"
    )


def _too_weak(facts: LineFacts) -> str | None:
    weak = facts.weakest
    if weak is None or weak.kn >= weak.retirement_kn:
        return None
    new = ", taken as new at the first record" if weak.as_if_new else ""
    return (
        f"strength left {weak.kn:.0f} kN ({facts.strength_basis}{new}; zone {weak.zone}, {weak.band}) is below the "
        f"retirement line of {weak.retirement_kn:.0f} kN, {weak.retirement_of}"
    )


def _tested_weak(facts: LineFacts) -> str | None:
    """A break test of the rope itself outranks what any model leaves of it."""
    if facts.retirement is None:
        return None
    line_kn, of = facts.retirement
    least = min(facts.tests, key=lambda row: (row.break_kn, row.at_us), default=None)
    if least is None or least.break_kn >= line_kn:
        return None
    return (
        f"a piece of zone {least.zone} broke at {least.break_kn:g} kN in the test of {us_to_rfc3339(least.at_us)} "
        f"(strength_tests.csv), below the retirement line of {line_kn:.0f} kN, {of}"
    )


def _over_limit(facts: LineFacts) -> str | None:
    reached = [row for row in facts.limits if row["reached"]]
    said = [
        f"{row['limit']} of the {row['of']}: {row['now']:.4g} of {row['value']:g} ({row['source']})" for row in reached
    ]
    return "; ".join(said) if said else None


def _event_since_inspection(facts: LineFacts) -> str | None:
    looked_us = last_looked_us(facts.services)
    since = [
        event
        for event in facts.events
        if calls_for_inspection(event.kind, event.payload) and (looked_us is None or event.to_us > looked_us)
    ]
    if not since:
        return None
    worst = max(since, key=lambda event: (event.peak_kn, -event.from_us))
    seen = "no inspection is on record" if looked_us is None else f"last inspection {us_to_rfc3339(looked_us)}"
    count = f"{len(since)} events" if len(since) > 1 else worst.kind
    return f"{count}, the largest {worst.kind} {worst.peak_kn:.0f} kN at {us_to_rfc3339(worst.peak_us)}; {seen}"


def _peak_near_strength(facts: LineFacts) -> str | None:
    peak, share = facts.peak, facts.policy.inspect_peak_share
    if peak is None or peak.share <= share:
        return None
    return (
        f"a peak of {peak.kn:.0f} kN at {us_to_rfc3339(peak.at_us)} is {100 * peak.share:.0f} % of the strength left, "
        f"{peak.left_kn:.0f} kN at the weakest place of zone {peak.zone} ({facts.strength_basis}); the policy says "
        f"inspect above {100 * share:g} %"
    )


def _brake_off(facts: LineFacts) -> str | None:
    off = [event for event in facts.renders if event.payload.get("verdict") in OFF_ITS_SETTING]
    if not off:
        return None
    last = max(off, key=lambda event: event.from_us)
    return (
        f"{_times(off)}last at {last.place}, {us_to_rfc3339(last.from_us)}: let go at "
        f"{last.payload['breakout_kn']:.0f} kN, set to {last.payload['brake_set_kn']:.0f} kN, {last.payload['verdict']}"
        f"{', told from tension alone' if last.payload.get('basis') == 'tension alone' else ''}"
    )


def _brake_held(facts: LineFacts) -> str | None:
    if not facts.held:
        return None
    worst = max(facts.held, key=lambda event: (event.payload["held_pct_of_set"], -event.from_us))
    which = "" if worst.payload["measured_at"] == "drum" else " at the hook"
    return (
        f"at {worst.place} it held {worst.peak_kn:.0f} kN{which} at {us_to_rfc3339(worst.peak_us)}, "
        f"{worst.payload['held_pct_of_set']:.1f} % of the {worst.payload['brake_set_kn']:.0f} kN it was set to"
    )


def _brake_setting_unknown(facts: LineFacts) -> str | None:
    judged = [event for event in facts.renders if event.payload.get("doubtful") is None]
    unknown = [event for event in judged if event.payload.get("verdict") is None]
    if not unknown:
        return None
    last = max(unknown, key=lambda event: event.from_us)
    return (
        f"{_times(unknown)}last at {last.place}, {us_to_rfc3339(last.from_us)}, peak {last.peak_kn:.0f} kN; "
        "winches.csv does not say what it was set to"
    )


def _times(events: Sequence[Event]) -> str:
    return "rendered once, " if len(events) == 1 else f"rendered {len(events)} times, "


def _nothing_observed(facts: LineFacts) -> str | None:
    if facts.rigged_us == 0 or facts.observed_us > 0:
        return None
    return (
        f"rigged {facts.rigged_us / 3.6e9:.1f} h and never observed: nothing is known, which is not good; treat it as "
        "the worst of its kind and inspect it"
    )


def _little_observed(facts: LineFacts) -> str | None:
    if facts.observed_us == 0 or facts.observed_us >= facts.policy.coverage_share * facts.rigged_us:
        return None
    tenths = 1000 * facts.observed_us // facts.rigged_us
    of_what = f"observed {tenths / 10:.1f} % of the {facts.rigged_us / 3.6e9:.1f} h rigged"
    return f"{of_what}: the figure is too low by an unknown part; inspect it meanwhile"


def _sensor_found_wrong(facts: LineFacts) -> str | None:
    if not facts.findings:
        return None
    by_kind: dict[tuple[str, str], list[str]] = {}
    for found in facts.findings:
        by_kind.setdefault((found.kind, found.subject), []).append(found.text)
    return "; ".join(
        f"{len(texts)} findings {kind} on {subject}, the last: {texts[-1]}"
        if len(texts) > 1
        else f"{kind} on {subject}: {texts[0]}"
        for (kind, subject), texts in by_kind.items()
    )


def _peak_clipped(facts: LineFacts) -> str | None:
    if not facts.clipped:
        return None
    worst = max(facts.clipped, key=lambda event: (event.peak_kn, -event.from_us))
    return (
        f"{len(facts.clipped)} peaks stood at the capacity of {worst.channel}, the largest at least "
        f"{worst.peak_kn:.0f} kN at {us_to_rfc3339(worst.peak_us)}: the load was higher by an unknown part"
    )


def _contact_worn(facts: LineFacts) -> str | None:
    said = []
    for zone, use in facts.zones.items():
        band = use.contact
        if band is not None and band.life > facts.policy.crop_share and band.life > use.free:
            where = "at no known place" if band.position_m is None else f"{band.position_m:g} m from the eye"
            said.append(
                f"the contact band of zone {zone}, {where}, has used {band.life:.2f} ({facts.basis}), its outboard "
                f"length {use.free:.2f}; the policy says above {facts.policy.crop_share:g}"
            )
    return "; ".join(said) if said else None


def _one_end_worn(facts: LineFacts) -> str | None:
    if len(facts.zones) != 2:
        return None
    (other, less), (worse, more) = sorted(facts.zones.items(), key=lambda item: item[1].used)
    policy = facts.policy
    if more.used < policy.turn_share or more.used <= Decimal(repr(policy.turn_ratio)) * less.used:
        return None
    return (
        f"zone {worse} has used {more.used:.2f} ({facts.basis}), zone {other} {less.used:.2f}; the policy says from "
        f"{policy.turn_share:g} and over {policy.turn_ratio:g} times the other; what either took "
        "unobserved or before the first record is in neither: inspect the end that is to go outboard"
    )


RULES: tuple[Rule, ...] = (
    Rule("retire", "not for use", _retired),
    Rule("retire", "retire", _used_up),
    Rule("retire", "retire", _too_weak),
    Rule("retire", "retire", _tested_weak),
    Rule("retire", "retire", _over_limit),
    Rule("inspect-before-reuse", "inspect before reuse", _event_since_inspection),
    Rule("inspect-before-reuse", "inspect before reuse", _peak_near_strength),
    Rule("check-brake", "check brake", _brake_held),
    Rule("check-brake", "check brake", _brake_off),
    Rule("check-brake", "check brake", _brake_setting_unknown),
    Rule("crop", "crop", _contact_worn, reuses=True),
    Rule("end-for-end", "end-for-end", _one_end_worn, reuses=True),
    Rule("check-sensor", "check sensor", _nothing_observed),
    Rule("check-sensor", "check sensor", _little_observed),
    Rule("check-sensor", "check sensor", _peak_clipped),
    Rule("check-sensor", "check sensor", _sensor_found_wrong),
)
NO_RULE = Advice("none", "no rule triggered; not a finding of fitness", "")
