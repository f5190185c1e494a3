"""What ordinary calls show of each winch's brake: where it let go, what it held, how long it saw no such load. Pure.

Verdict, on the evidence since the setting in force was made, and of the last `EXERCISED_WITHIN_DAYS`:

`holds above set`  it held more than its setting, and never let go; or more than 110 % of both its setting and the
                   highest load at which it let go: one that lets go late has held what lies below
`renders late`     a break-out above 110 %
`renders early`    a break-out below 90 %
`as set`           every break-out from 90 to 110 %
`not exercised`    it neither let go, at a load that is known, nor was loaded beyond its setting in that time

The first of these that applies holds, so that of mixed evidence the one to act on is told. Percentages are house rules,
no source; that a brake is exercised or tested once a year is common practice, no source. Where a line lies over a chock
and its load is measured at the hook, the drum bears less: loads are judged as the drum bears them where friction and
wrap are registered, else as measured, and every figure says which.

No verdict replaces a test: brakes are tested by the winch maker's procedure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from pipeline.events import drum
from pipeline.events.brake_render import LATE_SHARE
from pipeline.events.brake_render import verdict as verdict_of
from schemas.registers import Winch
from schemas.times import DAY_US

Verdict = Literal["holds above set", "renders late", "renders early", "as set", "not exercised"]
Gauge = Literal["drum", "hook"]
VERDICTS: Final[tuple[Verdict, ...]] = ("holds above set", "renders late", "renders early", "not exercised", "as set")
"""Worst first."""
EXERCISED_WITHIN_DAYS: Final = 365
NO_FRICTION: Final = "friction or wrap over the chock is not registered"


@dataclass(frozen=True, order=True)
class Load:
    """A line tension, as its gauge told it. `capstan`: e^(mu*theta) between hook and drum, where it is known."""

    at_us: int
    kn: float
    at_least: bool
    gauge: Gauge
    capstan: float | None = None

    @property
    def drum_kn(self) -> float | None:
        """The least that the drum bore; None where that cannot be reckoned."""
        if self.gauge == "drum":
            return self.kn
        return None if self.capstan is None else drum.least_inboard_kn(self.kn, self.capstan)

    @property
    def judged_kn(self) -> float:
        """What is held against a setting: the drum's load, the hook's where that of the drum is not reckoned."""
        return self.kn if self.drum_kn is None else self.drum_kn

    @property
    def is_of(self) -> str:
        """Which load `judged_kn` is, in words."""
        if self.gauge == "drum":
            return "measured at the drum"
        if self.capstan is None:
            return f"measured at the hook; the drum's, which is less, is not reckoned: {NO_FRICTION}"
        return f"at the drum, reckoned from the hook's by e^(mu*theta) = {self.capstan:.3f}"


@dataclass(frozen=True)
class BreakOut:
    """A rendering: the load at which the brake let go, and how that is known."""

    load: Load
    basis: Literal["payout", "tension alone"]


@dataclass(frozen=True)
class HeldLoad:
    """A load above the setting at which a brake held; `measured`: payout tells that no line was let out."""

    load: Load
    measured: bool


@dataclass(frozen=True)
class Evidence:
    """All that is on record of one winch: register rows, events of its history, and the highest load of each day."""

    place: str
    settings: Sequence[Winch]
    break_outs: Sequence[BreakOut]
    held: Sequence[HeldLoad]
    highest: Sequence[Load]


@dataclass(frozen=True)
class OutOf:
    """A load against the setting it was reckoned on: percent, and early, as set or late."""

    pct: float
    verdict: str


@dataclass(frozen=True)
class Brake:
    """What is known of one winch's brake. `verdict`: None where no setting is registered.

    held: the highest load above the setting in force at which it held; highest: the highest load of the last year,
    whatever the setting; last_let_go: the newest break-out since the setting was made. in_layer_kn: what the setting
    comes to in the registered layer; wrong_reeling_kn: what a drum reeled the wrong way may hold, at the least.
    """

    place: str
    setting: Winch | None
    verdict: Verdict | None
    break_outs: tuple[BreakOut, ...]
    last_let_go: BreakOut | None
    held: HeldLoad | None
    highest: Load | None
    tested_us: int | None
    test_due: bool | None
    in_layer_kn: float | None
    wrong_reeling_kn: float | None


def judge(evidence: Evidence, until_us: int) -> Brake:
    """The brake as known at `until_us`. Settings that come later are none yet."""
    setting = _in_force(evidence.settings, until_us)
    year_us = until_us - EXERCISED_WITHIN_DAYS * DAY_US
    made_us = setting.set_on_us if setting is not None else None
    since_us = year_us if made_us is None else max(made_us, year_us)
    outs = [one for one in evidence.break_outs if since_us <= one.load.at_us <= until_us]
    held = [one for one in evidence.held if since_us <= one.load.at_us <= until_us]
    high = [one for one in evidence.highest if year_us <= one.at_us <= until_us]
    tested = [row.set_on_us for row in evidence.settings if row.set_on_us is not None and row.set_on_us <= until_us]
    known = setting is not None and setting.brake_set_kn is not None
    return Brake(
        place=evidence.place,
        setting=setting,
        verdict=_verdict(setting, outs, held),
        break_outs=tuple(sorted(outs, key=lambda one: one.load.at_us)),
        last_let_go=max(outs, key=lambda one: one.load.at_us, default=None),
        held=max(held, key=lambda one: (one.load.judged_kn, -one.load.at_us), default=None) if known else None,
        highest=max(high, key=lambda one: (one.kn, -one.at_us), default=None),
        tested_us=max(tested, default=None),
        test_due=None if not tested else max(tested) < year_us,
        in_layer_kn=None if setting is None else in_layer_kn(setting),
        wrong_reeling_kn=None if setting is None else _wrong_reeling_kn(setting),
    )


def against(load: Load, set_kn: float) -> OutOf:
    """A load at which a brake let go, held against a setting."""
    return OutOf(100.0 * load.judged_kn / set_kn, verdict_of(load.judged_kn, set_kn))


def in_layer_kn(setting: Winch) -> float | None:
    """What a setting, made in the first layer, comes to in the registered one; None where the drum is not known."""
    if setting.brake_set_kn is None or setting.layer is None or setting.barrel_mm is None or setting.rope_mm is None:
        return None
    return drum.in_layer_kn(
        setting.brake_set_kn, layer=setting.layer, barrel_mm=setting.barrel_mm, rope_mm=setting.rope_mm
    )


def _wrong_reeling_kn(setting: Winch) -> float | None:
    if setting.reeling != "wrong" or setting.brake_set_kn is None:
        return None
    held_kn = in_layer_kn(setting)
    return drum.WRONG_REELING_HOLDS * (setting.brake_set_kn if held_kn is None else held_kn)


def _in_force(settings: Sequence[Winch], until_us: int) -> Winch | None:
    """The newest row made at or before an instant; one without a date is the oldest."""
    made = [(-1 if row.set_on_us is None else 0, row.set_on_us or 0, i) for i, row in enumerate(settings)]
    begun = [item for item in made if item[0] < 0 or item[1] <= until_us]
    return settings[max(begun)[2]] if begun else None


def _verdict(setting: Winch | None, outs: Sequence[BreakOut], held: Sequence[HeldLoad]) -> Verdict | None:
    if setting is None or setting.brake_set_kn is None:
        return None
    set_kn = setting.brake_set_kn
    most_kn = max((one.load.judged_kn for one in held), default=0.0)
    let_go_kn = max((one.load.judged_kn for one in outs), default=0.0)
    if most_kn > (LATE_SHARE * max(set_kn, let_go_kn) if outs else set_kn):
        return "holds above set"
    said = {against(one.load, set_kn).verdict for one in outs}
    if not said:
        return "not exercised"
    return "renders late" if "late" in said else "renders early" if "early" in said else "as set"


def worst_first(brakes: Sequence[Brake]) -> list[Brake]:
    """In order of what to look at first: by verdict, those of unknown setting last but for `as set`; then by place."""
    order = {verdict: number for number, verdict in enumerate(VERDICTS)}
    unknown = order["as set"] - 0.5
    return sorted(brakes, key=lambda one: (unknown if one.verdict is None else order[one.verdict], one.place))
