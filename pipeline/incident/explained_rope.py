"""Explanations that lie in the rope: what the record shows for each, against it, and cannot show. Pure."""

from __future__ import annotations

from pipeline.incident.explaining import Facts, class_points, value_of
from pipeline.incident.loads import BEFORE_S
from pipeline.incident.record import Point


def overload(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    own = facts.load.lines[0]
    pct, kn = value_of(own.pct_break_force), value_of(own.highest)
    shown_for: list[Point] = []
    against: list[Point] = []
    if pct is not None and kn is not None:
        rests = (own.highest.number, own.pct_break_force.number)
        text = f"highest recorded in the {BEFORE_S:g} s before: {kn:.0f} kN, {pct:.0f} % of break force when new"
        # A sound line of a known break force bears that force: below it, overload needs what was not recorded.
        (shown_for if pct >= 100.0 else against).append(Point(text, rests))
    if facts.doubting("clipping", "gap"):
        numbers = tuple(one.number for one in facts.doubting("clipping", "gap"))
        shown_for.append(
            Point("its record is clipped, or has gaps near the loss: it may have borne more than was recorded", numbers)
        )
    rank = value_of(own.rank)
    if rank is not None and rank < 100.0:
        text = f"it had borne more before: this is {rank:.0f} % of its own highest"
        against.append(Point(text, (own.rank.number,)))
    cannot = ["loads between two readings; whether the line was sound before"]
    return shown_for, against, cannot


def weakened(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    shown_for: list[Point] = []
    against: list[Point] = []
    life = facts.life
    zone = life.zones[0]
    total = value_of(zone.total)
    if total is not None:
        text = f"{life.basis} of the outboard zone {zone.zone} up to the loss: {total:.3g}"
        if total >= 0.5 or life.basis != "severity index":
            (shown_for if total >= 0.5 else against).append(Point(text, (zone.total.number,)))
    if life.opening.value is None:
        shown_for.append(Point("what it had used before its first record is not known", (life.opening.number,)))
    share = next((one for one in life.strength if one.key.endswith("load-share")), None)
    if share is not None and (pct := value_of(share)) is not None:
        text = f"the highest recorded before the loss is {pct:.0f} % of the strength left that the spec's model gives"
        if pct >= 100.0 or life.basis != "severity index":
            (shown_for if pct >= 100.0 else against).append(Point(text, (share.number,)))
    bend = next((one for one in life.strength if one.key.endswith(".bend")), None)
    if bend is not None and (pct := value_of(bend)) is not None and pct < 100.0:
        shown_for.append(Point(f"over its chock's bend it has {pct:.0f} % of its straight strength", (bend.number,)))
    cannot = [
        f"what is not modelled: {', '.join(life.not_modelled)}",
        *(f"not reckoned: {one}" for one in life.not_reckoned),
    ]
    if life.basis == "severity index":
        cannot.append("a severity index is no measure of life: its constants are not this rope's own")
    return shown_for, against, cannot


def chafe(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    zone = facts.life.zones[0]
    value = value_of(zone.abrasion)
    shown_for = []
    if value is not None:
        shown_for.append(Point(f"abrasion at its chock up to the loss: {value:.3g}", (zone.abrasion.number,)))
    return shown_for, [], ["a cut, or chafe on anything but the registered chock, leaves no mark in a tension record"]


def eye(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    return (
        class_points(facts, "parted"),
        class_points(facts, "released"),
        ["where along the line it parted: eye, splice, connector, tail or rope; winch and gauge read the same"],
    )


def compression(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    slack = [one for one in facts.sequence if one.kind == "slack" and one.line == facts.line]
    shown = [
        Point(f"it was slack {len(slack)} times in the call before and after", tuple(one.number for one in slack[:6]))
    ]
    return (shown if slack else []), [], ["fibres kinked by compression in the rope's core, which only its ends show"]


def twist(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    return [], [], ["turns in the rope: nothing that is recorded tells of twist"]
