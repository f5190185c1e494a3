"""What became of a line that lost its load at once: `parted`, `released` (its hook opened), `let-go`, `instrument` or
`undetermined`, with the evidence for and against each. Pure, and a literal table of rules.

House rules, no source. Each rule looks at the facts of one loss and says one short sentence with its figures, or
nothing; what it says weighs for or against some classes, or vetoes them. A class stands if one of the rules it needs
has spoken, none vetoed it, its weights sum to `ENOUGH`, and no other class comes as high. Else it is undetermined, and
that means a possible parting: verify on deck, keep clear. So `parted` needs a hook that stayed closed, a winch that let
nothing out, or a person's word (services.csv); `released` an open hook; `let-go` lines that go in turn, or a call at
its end, and a sign that this line was let go; `instrument` a load that came back between two readings, from a gauge
that read the same all the while.

A line that is loaded again within half an hour, from slack, and whose hook did not open, has lost nothing: it is no
event of this kind (`fell_slack`), but slack.

A winch that let nothing out cannot tell a line that parted from one whose shore end came off: both read `parted`.
A person's word: `parted` at the head of the detail of a repair, an inspection or a retirement of the line, from the
loss up to `WORD_DAYS` later and before its next loss; `not parted` says that it did not. It decides, whatever is seen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from pipeline.events.load_loss import SOON_S, LoadLoss
from pipeline.events.take_up import Aside
from pipeline.events.tension import us
from schemas.registers import Service
from schemas.times import us_to_rfc3339

Class = Literal["parted", "released", "let-go", "instrument", "undetermined"]
PARTED: Final = "parted"
RELEASED: Final = "released"
LET_GO: Final = "let-go"
INSTRUMENT: Final = "instrument"
UNDETERMINED: Final = "undetermined"
CLASSES: Final[tuple[Class, ...]] = (PARTED, RELEASED, LET_GO, INSTRUMENT)
HARMLESS: Final[tuple[Class, ...]] = (LET_GO, INSTRUMENT)
"""After these alone a line is not inspected before it is used again."""

VETO: Final = -1000
ENOUGH: Final = 3
CLOSED: Final = 0.5
"""A hook or brake state from here on is closed, or set."""
STILL_M: Final = 0.1
"""A winch that let out no more than this let nothing out [m]: ten steps of a payout meter of 1 cm."""
RAN_M: Final = 0.5
"""One that let out this much gave the load away [m]."""
BACK_SHARE: Final = 0.25
"""The first reading of a load that is back at once is over what it was while gone by so much of the mean before ..."""
BACK_FLOORS: Final = 1.5
"""... and at least so many times what counts as unloaded."""
ALWAYS_FLOORS: Final = 1.5
"""A line never below so many times what counts as unloaded, in the minute before, was loaded all the time."""
SLACK_FLOORS: Final = 1.5
"""A line whose mean before was under so many times what counts as unloaded was all but slack."""
BELOW_FLOORS: Final = 0.5
"""A gauge that reads below nothing by so many times what counts as unloaded has lost its zero."""
DEAD_CHANCE: Final = 1e-6
"""A gauge that told the very same all the while, which by its repeats before has less than this chance, was dead."""
FLAT_SHARE: Final = 0.1
"""A gauge that moved by less than this share of what counts as unloaded read the same all the while."""
SUDDEN_US: Final = 500_000
SUDDEN_SHARE: Final = 0.8
"""From so much of the mean load to none in half a second: no winch slackens a line so fast."""
WATCHED_US: Final = 600_000_000
END_BEFORE_US: Final = 120_000_000
END_AFTER_US: Final = 600_000_000
"""A registered end from two minutes before to ten minutes after a loss is near it."""
WORD_DAYS: Final = 30
DAY_US: Final = 86_400_000_000


@dataclass(frozen=True)
class Facts:
    """What the rules look at, of one loss.

    `work`: by what it is known that the winch was under power then; `rigged_to_us`: the rigging's registered end, and
    `let_go_us` when the call's first line is let go by the register, None while they are open; `aside`: what other
    lines did, None where no berth day tells; `word`: a person's, None where there is none.
    """

    loss: LoadLoss
    work: tuple[str, ...] = ()
    rigged_to_us: int | None = None
    let_go_us: int | None = None
    aside: Aside | None = None
    word: Service | None = None

    @property
    def at_us(self) -> int:
        return self.loss.unloaded.at_us

    def between(self, quantity: str) -> tuple[float, float] | None:
        """The least and largest that a channel told around the loss; None where it was not heard."""
        told = self.loss.between.get(quantity)
        return None if told is None else (told[0], told[1])

    @property
    def paid_out_m(self) -> float | None:
        """How much longer the line was shortly after than at its last load; None where payout is not known."""
        if self.between("payout") is None:
            return None
        before, after = self.loss.beside["payout"]
        return None if before is None or after is None else after - before

    @property
    def hook_opened(self) -> bool | None:
        """Whether the hook, closed before, opened around the loss; None where that is not known."""
        told, state = self.between("hook-state"), self.loss.beside.get("hook-state")
        if told is None or state is None or state[0] is None or state[0] < CLOSED:
            return None
        return told[0] < CLOSED

    @property
    def hook_opened_later(self) -> bool:
        """Whether the hook was open some minutes after."""
        later = self.loss.later.get("hook-state")
        return later is not None and later < CLOSED

    @property
    def in_turn(self) -> bool | None:
        """Whether lines of the call went one after another: by their traces, else by the register."""
        if self.aside is not None and self.aside.in_turn is not None:
            return self.aside.in_turn
        return None if self.let_go_us is None else self.at_us >= self.let_go_us - END_AFTER_US

    @property
    def end_is_near(self) -> bool:
        to_us = self.rigged_to_us
        return to_us is not None and self.at_us - END_BEFORE_US <= to_us <= self.at_us + END_AFTER_US

    @property
    def came_back_at_once(self) -> bool:
        loss = self.loss
        if loss.of_share or loss.back_kn is None or loss.gone_kn is None:
            return False
        always = loss.lowest_kn is not None and loss.lowest_kn >= ALWAYS_FLOORS * loss.floor_kn
        if not always and not self.was_dead:
            return False
        step = loss.back_kn - loss.gone_kn[1]
        return step >= BACK_SHARE * loss.mean_kn and loss.back_kn >= BACK_FLOORS * loss.floor_kn

    @property
    def was_dead(self) -> bool:
        """Whether a gauge that moved before told the very same while the load was gone, as no slack line does."""
        loss = self.loss
        if loss.gone_kn is None or loss.repeats is None or loss.gone_kn[0] != loss.gone_kn[1]:
            return False
        return float(loss.repeats) ** (loss.gone_samples - 1) < DEAD_CHANCE

    @property
    def parted_by_word(self) -> bool | None:
        return None if self.word is None else self.word.parted


@dataclass(frozen=True)
class Rule:
    """One rule of the table: what it says, or None; and how that weighs for (+) or against (-) classes."""

    name: str
    says: Callable[[Facts], str | None]
    weights: Mapping[Class, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Evidence:
    """A sentence, the rule that said it, and its weights."""

    rule: str
    says: str
    weights: Mapping[Class, int]


@dataclass(frozen=True)
class Judged:
    """The class, and all that was said."""

    word: Class
    evidence: tuple[Evidence, ...]

    def on(self, what: Class, *, speaks_for: bool) -> list[str]:
        """Sentences for a class, or against it."""
        return [
            one.says for one in self.evidence if (one.weights.get(what, 0) > 0) == speaks_for and what in one.weights
        ]

    @property
    def open(self) -> list[str]:
        """Sentences that tell no class from another."""
        return [one.says for one in self.evidence if not one.weights]


def fell_slack(loss: LoadLoss) -> bool:
    """Whether a loss was none: the line was loaded again within half an hour, its hook had not opened, and it was no
    gauge that dropped out. Such a line fell slack, as waves and crews let lines fall, and is told as that."""
    facts = Facts(loss)
    if loss.of_share or loss.back_us is None or loss.back_us - loss.unloaded.at_us > us(SOON_S):
        return False
    return not facts.hook_opened and not (facts.came_back_at_once and _read_flat(facts) is not None)


def judge(facts: Facts) -> Judged:
    """The class of one loss. The same facts give the same class, in whatever order lines and days came."""
    said = [(rule, rule.says(facts)) for rule in RULES]
    evidence = tuple(Evidence(rule.name, text, rule.weights) for rule, text in said if text is not None)
    return Judged(_class(evidence), evidence)


def _class(evidence: tuple[Evidence, ...]) -> Class:
    spoken = {one.rule for one in evidence}
    if "said to have parted" in spoken:
        return PARTED
    sums = {what: sum(one.weights.get(what, 0) for one in evidence) for what in CLASSES}
    stand = [
        what
        for what in CLASSES
        if sums[what] >= ENOUGH and all(any(rule in spoken for rule in one_of) for one_of in NEEDED[what])
    ]
    best = max((sums[what] for what in stand), default=0)
    highest = [what for what in stand if sums[what] == best]
    return highest[0] if len(highest) == 1 else UNDETERMINED


def word_on(loss_us: int, next_us: int | None, services: Iterable[Service]) -> Service | None:
    """The latest service of a line that says whether it parted: since a loss and before the line's next one."""
    until_us = loss_us + WORD_DAYS * DAY_US if next_us is None else min(next_us, loss_us + WORD_DAYS * DAY_US)
    told = [row for row in services if loss_us <= row.at_us < until_us and row.parted is not None]
    return max(told, key=lambda row: (row.at_us, row.action, row.detail or ""), default=None)


def _seconds(us: int) -> str:
    s = us / 1e6
    return f"{s:g} s" if s < 120 else f"{s / 60:.0f} min" if s < 7200 else f"{s / 3600:.1f} h"


def _parted_by_word(facts: Facts) -> str | None:
    return _word(facts) if facts.parted_by_word is True else None


def _not_parted_by_word(facts: Facts) -> str | None:
    return _word(facts) if facts.parted_by_word is False else None


def _word(facts: Facts) -> str | None:
    row = facts.word
    return None if row is None else f"services.csv has {row.action} at {us_to_rfc3339(row.at_us)}: {row.detail}"


def _hook_opened(facts: Facts) -> str | None:
    return "its hook, closed while it was loaded, opened" if facts.hook_opened is True else None


def _hook_stayed_closed(facts: Facts) -> str | None:
    if facts.hook_opened is not False or _slackened(facts) is not None:
        return None
    return "its hook stayed closed while the load went"


def _too_sudden(facts: Facts) -> str | None:
    """Of a line whose hook stayed closed: nothing but a winch could have let it go."""
    loss = facts.loss
    if facts.hook_opened is not False or loss.fall_us > SUDDEN_US or loss.loaded.kn < SUDDEN_SHARE * loss.mean_kn:
        return None
    return (
        f"it fell from {loss.loaded.kn:.0f} kN in {_seconds(loss.fall_us)} on a closed hook: no winch slackens so fast"
    )


def _slackened(facts: Facts) -> str | None:
    """A closed hook that opens minutes later, while lines are let go, held a line that was slackened first."""
    if facts.hook_opened is not False or not facts.hook_opened_later or facts.in_turn is not True:
        return None
    return "its hook opened within ten minutes, while lines were let go: as one that is slackened first"


def _let_nothing_out(facts: Facts) -> str | None:
    paid_m = facts.paid_out_m
    if paid_m is None or paid_m > STILL_M:
        return None
    more = "" if paid_m >= -STILL_M else f", and hove in {-paid_m:.2f} m"
    return f"its winch let out {max(paid_m, 0.0):.2f} m{more}: it did not give the load away"


def _ran_out(facts: Facts) -> str | None:
    paid_m = facts.paid_out_m
    return f"its winch let out {paid_m:.2f} m around the loss" if paid_m is not None and paid_m >= RAN_M else None


def _back_at_once(facts: Facts) -> str | None:
    loss = facts.loss
    if not facts.came_back_at_once or loss.back_us is None:
        return None
    gone = _seconds(loss.back_us - loss.unloaded.at_us)
    return f"after {gone} it was back at once at {loss.back_kn:.0f} kN, of {loss.mean_kn:.0f} kN before"


def _read_flat(facts: Facts) -> str | None:
    loss = facts.loss
    if loss.of_share or loss.back_us is None or loss.gone_kn is None:
        return None
    least, largest = loss.gone_kn
    if largest - least >= FLAT_SHARE * loss.floor_kn:
        return None
    return f"it read {least:.1f} to {largest:.1f} kN all the while"


def _back_from_slack(facts: Facts) -> str | None:
    loss = facts.loss
    if loss.back_us is None or loss.of_share or facts.came_back_at_once:
        return None
    return f"it was loaded again after {_seconds(loss.back_us - loss.unloaded.at_us)}"


def _stayed_away(facts: Facts) -> str | None:
    watched_us = facts.loss.watched_us - facts.at_us
    if facts.loss.back_us is not None or facts.loss.of_share or watched_us < WATCHED_US:
        return None
    return "the load has not come back in ten minutes and more"


def _taken_up(facts: Facts) -> str | None:
    took = [] if facts.aside is None else [one for one in facts.aside.neighbours if one.took_up]
    rises = [f"{one.line} {(one.after_kn or 0.0) - (one.before_kn or 0.0):+.0f} kN" for one in took]
    return f"neighbours took up load: {', '.join(rises)} (means of three minutes)" if rises else None


def _not_visible(facts: Facts) -> str | None:
    aside = facts.aside
    if aside is None or any(one.took_up for one in aside.neighbours):
        return None
    if not aside.neighbours:
        return "take-up by neighbours is not visible: no other line of its role is known"
    usual = ", ".join(f"{one.line} {_change(one.before_kn, one.after_kn, one.usual_kn)}" for one in aside.neighbours)
    return f"take-up by neighbours is not visible, which says nothing: {usual}"


def _change(before_kn: float | None, after_kn: float | None, usual_kn: float | None) -> str:
    if before_kn is None or after_kn is None:
        return "not recorded"
    return f"{after_kn - before_kn:+.0f} kN" + (
        " (usual: unknown)" if usual_kn is None else f" (usual: {usual_kn:.0f})"
    )


def _went_in_turn(facts: Facts) -> str | None:
    aside = facts.aside
    if facts.in_turn is not True:
        return None
    if aside is not None and aside.in_turn:
        return f"{aside.gone} of {aside.others} other lines went within half an hour of it, {aside.near} within 5 min"
    return "the register has the lines of this call let go about then"


def _others_stayed(facts: Facts) -> str | None:
    aside = facts.aside
    if facts.in_turn is not False:
        return None
    if aside is not None and aside.in_turn is False:
        return (
            f"of {aside.others} other lines {aside.near} went within 5 min of it, {aside.gone} within half an hour: "
            "they did not go in turn"
        )
    return "the register has no line of this call let go until later"


def _end_is_near(facts: Facts) -> str | None:
    if not facts.end_is_near or facts.rigged_to_us is None:
        return None
    return f"the register ends its rigging at {us_to_rfc3339(facts.rigged_to_us)}"


def _end_is_far(facts: Facts) -> str | None:
    if facts.end_is_near or facts.rigged_to_us is None:
        return None
    return f"the register has it rigged until {us_to_rfc3339(facts.rigged_to_us)}"


def _still_rigged(facts: Facts) -> str | None:
    return "the register has it rigged still" if facts.rigged_to_us is None else None


def _slack_before(facts: Facts) -> str | None:
    loss = facts.loss
    if loss.of_share or loss.mean_kn >= SLACK_FLOORS * loss.floor_kn:
        return None
    return f"it had been all but slack in the minute before, {loss.mean_kn:.0f} kN in the mean"


def _stood_still(facts: Facts) -> str | None:
    """Of a gauge that told the very same in the minute before: what it had stuck at need not be what the line bore."""
    loss = facts.loss
    if loss.of_share or loss.repeats is None or loss.repeats < 1.0:
        return None
    return "its gauge told the very same all the minute before: it may have stuck, and the load gone meanwhile"


def _below_nothing(facts: Facts) -> str | None:
    loss = facts.loss
    if loss.of_share or loss.gone_kn is None or loss.gone_kn[1] >= -BELOW_FLOORS * loss.floor_kn:
        return None
    return f"it reads {loss.gone_kn[0]:.0f} to {loss.gone_kn[1]:.0f} kN since, and no line pushes"


def _winch_at_work(facts: Facts) -> str | None:
    return f"its winch was under power ({', '.join(facts.work)})" if facts.work else None


def _brake_set(facts: Facts) -> str | None:
    told = facts.between("brake")
    return "its brake stayed set" if told is not None and told[0] >= CLOSED and not facts.work else None


def _fell(facts: Facts) -> str | None:
    loss = facts.loss
    return (
        f"it fell from {loss.loaded.kn:.0f} kN to {loss.unloaded.kn:.0f} kN within {_seconds(loss.fall_us)}, "
        f"after {loss.mean_kn:.0f} kN in the mean"
    )


def _of_share(facts: Facts) -> str | None:
    return (
        "one line's share of the hook's load went; which line's, tension cannot tell" if facts.loss.of_share else None
    )


RULES: Final[tuple[Rule, ...]] = (
    Rule("said to have parted", _parted_by_word, {PARTED: 2 * ENOUGH}),
    Rule("said not to have parted", _not_parted_by_word, {PARTED: VETO}),
    Rule("hook opened", _hook_opened, {RELEASED: 3, LET_GO: 2, INSTRUMENT: -2, PARTED: VETO}),
    Rule("hook stayed closed", _hook_stayed_closed, {PARTED: 4, LET_GO: -2, RELEASED: VETO}),
    Rule("too sudden for a winch", _too_sudden, {LET_GO: VETO}),
    Rule("slackened, then unhooked", _slackened, {LET_GO: 2, PARTED: -2, RELEASED: -2}),
    Rule("let nothing out", _let_nothing_out, {PARTED: 3, LET_GO: -1}),
    Rule("ran out", _ran_out, {LET_GO: 1, PARTED: -3, INSTRUMENT: -3}),
    Rule("back at once", _back_at_once, {INSTRUMENT: 2, PARTED: VETO, RELEASED: VETO, LET_GO: VETO}),
    Rule("read flat", _read_flat, {INSTRUMENT: 2}),
    Rule("back from slack", _back_from_slack, {PARTED: -3, RELEASED: -3, LET_GO: -1}),
    Rule("stayed away", _stayed_away, {INSTRUMENT: -2}),
    Rule("taken up", _taken_up, {PARTED: 1, RELEASED: 1, INSTRUMENT: -1}),
    Rule("went in turn", _went_in_turn, {LET_GO: 3, PARTED: -1}),
    Rule("others stayed", _others_stayed, {LET_GO: -3}),
    Rule("end near", _end_is_near, {LET_GO: 2}),
    Rule("end far", _end_is_far, {LET_GO: -3}),
    Rule("still rigged", _still_rigged, {LET_GO: -1}),
    Rule("slack before", _slack_before, {PARTED: -2}),
    Rule("stood still before", _stood_still, {PARTED: -3, RELEASED: -1}),
    Rule("below nothing", _below_nothing, {INSTRUMENT: 1, PARTED: -1, RELEASED: -1}),
    Rule("winch at work", _winch_at_work, {LET_GO: 1, PARTED: -1}),
    Rule("brake set", _brake_set, {LET_GO: -1}),
    Rule("not visible", _not_visible),
    Rule("of a share", _of_share),
    Rule("fell", _fell),
)

NEEDED: Final[Mapping[Class, tuple[tuple[str, ...], ...]]] = {
    PARTED: (("hook stayed closed", "let nothing out"),),
    RELEASED: (("hook opened",),),
    LET_GO: (
        ("went in turn",),
        ("hook opened", "slackened, then unhooked", "end near", "winch at work", "ran out"),
    ),
    INSTRUMENT: (("back at once",), ("read flat",)),
}
"""Of each group of rules one must have spoken. A person's word that it parted needs nothing else."""
