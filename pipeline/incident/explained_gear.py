"""Explanations that lie in winch, hook, gauge and the other lines: what the record shows of each. Pure."""

from __future__ import annotations

from pipeline.incident.explaining import NEAR_US, Facts, before_the_loss, class_points, value_of
from pipeline.incident.record import Point


def burying(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    record = facts.context.own
    setting = facts.context.berthed.site.brake_setting(record.place, facts.context.berthed.at_us)
    shown_for: list[Point] = []
    against: list[Point] = []
    if setting is not None and setting.layer is not None:
        text = f"winches.csv has it on layer {setting.layer} of its drum"
        (shown_for if setting.layer > 1 else against).append(Point(text, ()))
    return shown_for, against, ["whether the line had buried itself in the turns below"]


def unequal(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    own = next((one for one in facts.load.sharing if one.line == facts.line), None)
    shown_for: list[Point] = []
    against: list[Point] = []
    if own is not None and (pct := value_of(own.before_pct)) is not None:
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
        if one.kind == "pretension-loss" and before_the_loss(facts, one) and one.line != facts.line
    ]
    if lost:
        numbers = tuple(one.number for one in lost[:6])
        shown_for.append(Point("other lines were below their planned pretension", numbers))
    return shown_for, against, ["stiffness of each rope and tail as it was; lengths are the register's"]


def held(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    own = facts.load.lines[0]
    pct = value_of(own.pct_brake)
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


def shed(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
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


def heaving(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
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


def snap(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    snaps = facts.near("snap-load")
    shown_for = [Point("it snapped tight from slack within two minutes before", tuple(one.number for one in snaps[:6]))]
    against = [] if snaps else [Point("no snap from slack is told of it in the two minutes before", ())]
    step_s = facts.context.own.step_s
    return (shown_for if snaps else []), against, [f"a blow shorter than its readings' interval of {step_s:g} s"]


def hook(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    opened = facts.near("hook-opened", before_us=NEAR_US)
    later = [
        one for one in facts.sequence if one.kind == "hook-opened" and one.line == facts.line and one not in opened
    ]
    shown_for = [Point("its hook told open about the loss", tuple(one.number for one in opened))] if opened else []
    shown_for += class_points(facts, "released")
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


def sensor(facts: Facts) -> tuple[list[Point], list[Point], list[str]]:
    shown_for = class_points(facts, "instrument")
    suspect = facts.doubting("flagged", "zero", "clipping")
    if suspect:
        shown_for.append(Point("its readings are in doubt", tuple(one.number for one in suspect)))
    took = [
        one
        for one in facts.load.sharing
        if one.line != facts.line and one.stands_out and (value_of(one.take_up) or 0.0) > 0
    ]
    against = [
        Point(f"{one.line} bore more afterwards, beyond what is usual: a load was really gone", (one.take_up.number,))
        for one in took[:4]
    ]
    return shown_for, against, ["a gauge that fails just as its line would; only a look at the line tells"]
