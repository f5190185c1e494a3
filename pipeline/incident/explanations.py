"""Section B-6: competing explanations, and what the record shows for each, against it, and cannot show. Pure.

A literal table, each with a function that looks at the facts and says short sentences with the numbers they rest on.
No verdict: the table is in one fixed order, nothing is weighed, and an empty cell says so of itself. Nothing is said
of persons.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from pipeline.incident.loads import BEFORE_S
from pipeline.incident.numbering import Context
from pipeline.incident.record import BerthLine, Doubt, Explanation, Figure, Happening, Life, Load, Point

SECTION: Final = "B-6"
NEAR_US: Final = 120_000_000
NO_VERDICT: Final = (
    "No cause is named, and none is more likely for coming first or for having more beside it. Several may have acted "
    "together. What the logs cannot show, rope ends, fittings, winches and accounts may."
)


@dataclass(frozen=True)
class Facts:
    """What the functions look at."""

    context: Context
    sequence: tuple[Happening, ...]
    load: Load
    berth: tuple[BerthLine, ...]
    doubts: tuple[Doubt, ...]
    life: Life

    @property
    def line(self) -> str:
        return self.context.berthed.line

    def near(self, *kinds: str, line: str | None = None, before_us: int = NEAR_US) -> list[Happening]:
        """Happenings of the line (or another) of some kinds that end up to two minutes before the loss, or touch it."""
        about = self.context.about_us
        return [
            one
            for one in self.sequence
            if one.kind in kinds
            and one.line == (self.line if line is None else line)
            and (one.from_us if one.from_us is not None else one.raw_from_us) <= about + 1_000_000
            and (one.to_us if one.to_us is not None else one.raw_to_us) >= about - before_us
        ]

    def doubting(self, *kinds: str) -> list[Doubt]:
        """Doubts about the line that can change what its figures say."""
        own = [one for one in self.doubts if one.kind in kinds and one.subject == self.line]
        return [one for one in own if one.weight != "slight"]


Says = Callable[[Facts], tuple[list[Point], list[Point], list[str]]]


def explanations_of(facts: Facts) -> tuple[Explanation, ...]:
    """The whole table."""
    out = []
    for name, says in TABLE:
        shown_for, against, cannot = says(facts)
        number = facts.context.numbers.next(SECTION)
        out.append(Explanation(number, name, tuple(shown_for), tuple(against), tuple(cannot)))
    return tuple(out)


def _value(figure: Figure) -> float | None:
    return float(figure.value) if isinstance(figure.value, int | float) else None


def _overload(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    own = facts.load.lines[0]
    pct, kn = _value(own.pct_break_force), _value(own.highest)
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
    rank = _value(own.rank)
    if rank is not None and rank < 100.0:
        text = f"it had borne more before: this is {rank:.0f} % of its own highest"
        against.append(Point(text, (own.rank.number,)))
    cannot = ["loads between two readings; whether the line was sound before"]
    return shown_for, against, cannot


def _weakened(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    shown_for: list[Point] = []
    against: list[Point] = []
    life = facts.life
    zone = life.zones[0]
    total = _value(zone.total)
    if total is not None:
        text = f"{life.basis} of the outboard zone {zone.zone} up to the loss: {total:.3g}"
        if total >= 0.5 or life.basis != "severity index":
            (shown_for if total >= 0.5 else against).append(Point(text, (zone.total.number,)))
    if life.opening.value is None:
        shown_for.append(Point("what it had used before its first record is not known", (life.opening.number,)))
    share = next((one for one in life.strength if one.key.endswith("load-share")), None)
    if share is not None and (pct := _value(share)) is not None:
        text = f"the highest recorded before the loss is {pct:.0f} % of the strength left that the spec's model gives"
        if pct >= 100.0 or life.basis != "severity index":
            (shown_for if pct >= 100.0 else against).append(Point(text, (share.number,)))
    bend = next((one for one in life.strength if one.key.endswith(".bend")), None)
    if bend is not None and (pct := _value(bend)) is not None and pct < 100.0:
        shown_for.append(Point(f"over its chock's bend it has {pct:.0f} % of its straight strength", (bend.number,)))
    cannot = [
        f"what is not modelled: {', '.join(life.not_modelled)}",
        *(f"not reckoned: {one}" for one in life.not_reckoned),
    ]
    if life.basis == "severity index":
        cannot.append("a severity index is no measure of life: its constants are not this rope's own")
    return shown_for, against, cannot


def _chafe(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    zone = facts.life.zones[0]
    value = _value(zone.abrasion)
    shown_for = []
    if value is not None:
        shown_for.append(Point(f"abrasion at its chock up to the loss: {value:.3g}", (zone.abrasion.number,)))
    return shown_for, [], ["a cut, or chafe on anything but the registered chock, leaves no mark in a tension record"]


def _eye(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    return (
        _class_points(facts, "parted"),
        _class_points(facts, "released"),
        ["where along the line it parted: eye, splice, connector, tail or rope; winch and gauge read the same"],
    )


def _class_points(facts: Facts, word: str) -> list[Point]:
    return [
        Point(f"by the evidence of its place its loss is classed {one.loss_class}", (one.number,))
        for one in facts.sequence
        if one.line == facts.line and one.kind == "load-loss" and one.loss_class == word and one.number == _loss(facts)
    ]


def _loss(facts: Facts) -> str | None:
    chosen = facts.context.times.chosen
    if chosen is None:
        return None
    raw_us = int(facts.context.own.at_us[chosen.loaded])
    own = [
        one
        for one in facts.sequence
        if one.line == facts.line and one.kind == "load-loss" and one.raw_from_us == raw_us
    ]
    return own[0].number if own else None


def _compression(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    slack = [one for one in facts.sequence if one.kind == "slack" and one.line == facts.line]
    shown = [
        Point(f"it was slack {len(slack)} times in the call before and after", tuple(one.number for one in slack[:6]))
    ]
    return (shown if slack else []), [], ["fibres kinked by compression in the rope's core, which only its ends show"]


def _twist(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    return [], [], ["turns in the rope: nothing that is recorded tells of twist"]


def _burying(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    record = facts.context.own
    setting = facts.context.berthed.site.brake_setting(record.place, facts.context.berthed.at_us)
    shown_for: list[Point] = []
    against: list[Point] = []
    if setting is not None and setting.layer is not None:
        text = f"winches.csv has it on layer {setting.layer} of its drum"
        (shown_for if setting.layer > 1 else against).append(Point(text, ()))
    return shown_for, against, ["whether the line had buried itself in the turns below"]


def _unequal(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    own = next((one for one in facts.load.sharing if one.line == facts.line), None)
    shown_for: list[Point] = []
    against: list[Point] = []
    if own is not None and (pct := _value(own.before_pct)) is not None:
        alike = [one for one in facts.load.sharing if one.role == own.role]
        even = 100.0 / len(alike)
        text = (
            f"it bore {pct:.0f} % of what its role bore before the loss; an even share of {len(alike)} is {even:.0f} %"
        )
        if len(alike) > 1:
            (shown_for if pct > 1.25 * even else against).append(Point(text, (own.before_pct.number,)))
    lost = [
        one
        for one in facts.sequence
        if one.kind == "pretension-loss" and _before(facts, one) and one.line != facts.line
    ]
    if lost:
        numbers = tuple(one.number for one in lost[:6])
        shown_for.append(Point("other lines were below their planned pretension", numbers))
    return shown_for, against, ["stiffness of each rope and tail as it was; lengths are the register's"]


def _before(facts: Facts, one: Happening) -> bool:
    """Whether it touches the window before the loss."""
    first = one.raw_from_us if one.from_us is None else one.from_us
    return one.in_window and first < facts.context.about_us


def _held(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    own = facts.load.lines[0]
    pct = _value(own.pct_brake)
    shown_for: list[Point] = []
    against: list[Point] = []
    held = facts.near("no-rendering", "brake-held", before_us=1_800_000_000)
    if pct is not None and pct > 100.0:
        shown_for.append(
            Point(f"its load before the loss was {pct:.0f} % of its brake's setting", (own.pct_brake.number,))
        )
    elif pct is not None:
        against.append(
            Point(f"its load before the loss was {pct:.0f} % of its brake's setting", (own.pct_brake.number,))
        )
    if held:
        numbers = tuple(one.number for one in held[:6])
        shown_for.append(Point("no rendering is told while it was above its setting", numbers))
    rendered = facts.near("brake-render", before_us=1_800_000_000)
    if rendered:
        against.append(Point("its brake rendered in the half hour before", tuple(one.number for one in rendered[:6])))
    return shown_for, against, ["what the brake was really set to, and held: only a brake test tells"]


def _shed(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    about = facts.context.about_us
    others = [
        one
        for one in facts.sequence
        if one.kind == "brake-render"
        and one.line != facts.line
        and one.from_us is not None
        and about - 1_800_000_000 <= one.from_us <= about
    ]
    shown_for = [
        Point(f"{one.line} rendered in the half hour before: what it let go others took", (one.number,))
        for one in others[:6]
    ]
    told = [one for one in facts.berth if one.line != facts.line and one.brake_set_kn is not None]
    against = [] if others or not told else [Point("no rendering of another line is told in the half hour before", ())]
    return shown_for, against, ["renderings of lines whose payout is not recorded, mostly"]


def _heaving(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    found = [
        one
        for one in facts.context.berthed.events
        if one.line == facts.line and one.payload.get("tending") and abs(one.to_us - facts.context.about_us) < NEAR_US
    ]
    words = sorted({str(word) for one in found for word in one.payload["tending"]})
    shown_for = [Point(f"its winch was under power: {', '.join(words)}", ())] if words else []
    tells = any(
        facts.context.berthed.site.channels[channel].place == facts.context.own.place
        and facts.context.berthed.site.channels[channel].quantity in ("brake", "winch-mode", "payout")
        for channel in facts.context.berthed.beside
    )
    against = [] if words or not tells else [Point("what its winch recorded shows it at rest on its brake", ())]
    return shown_for, against, ["what was done at a winch that records nothing, and orders given"]


def _snap(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    snaps = facts.near("snap-load")
    shown_for = [Point("it snapped tight from slack within two minutes before", tuple(one.number for one in snaps[:6]))]
    against = [] if snaps else [Point("no snap from slack is told of it in the two minutes before", ())]
    step_s = facts.context.own.step_s
    return (shown_for if snaps else []), against, [f"a blow shorter than its readings' interval of {step_s:g} s"]


def _hook(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    opened = facts.near("hook-opened", before_us=NEAR_US)
    later = [
        one for one in facts.sequence if one.kind == "hook-opened" and one.line == facts.line and one not in opened
    ]
    shown_for = [Point("its hook told open about the loss", tuple(one.number for one in opened))] if opened else []
    shown_for += _class_points(facts, "released")
    tells = any(
        facts.context.berthed.site.channels[channel].place == facts.context.own.place
        and facts.context.berthed.site.channels[channel].quantity == "hook-state"
        for channel in facts.context.berthed.beside
    )
    against = []
    if tells and not opened:
        numbers = tuple(one.number for one in later[:3])
        against.append(Point("its hook told closed through the loss", numbers))
    cannot = ["a hook that fails without telling open" if tells else "its place records no hook state"]
    return shown_for, against, cannot


def _sensor(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    shown_for = _class_points(facts, "instrument")
    suspect = facts.doubting("flagged", "zero", "clipping")
    if suspect:
        shown_for.append(Point("its readings are in doubt", tuple(one.number for one in suspect)))
    took = [
        one
        for one in facts.load.sharing
        if one.line != facts.line and one.stands_out and (_value(one.take_up) or 0.0) > 0
    ]
    against = [
        Point(f"{one.line} bore more afterwards, beyond what is usual: a load was really gone", (one.take_up.number,))
        for one in took[:4]
    ]
    return shown_for, against, ["a gauge that fails just as its line would; only a look at the line tells"]


TABLE: Final[Sequence[tuple[str, Says]]] = (
    ("overload of a sound line", _overload),
    ("weakened by fatigue, creep, heat, abrasion or bend", _weakened),
    ("chafe or cut", _chafe),
    ("eye, splice or connector", _eye),
    ("compression", _compression),
    ("twist", _twist),
    ("burying on the drum", _burying),
    ("unequal stiffness or pretension", _unequal),
    ("brake that held above its setting", _held),
    ("brake that rendered early and shed load", _shed),
    ("heaving at the time", _heaving),
    ("snap from slack", _snap),
    ("hook failure or release", _hook),
    ("sensor error", _sensor),
)
