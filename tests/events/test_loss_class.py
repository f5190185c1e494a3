"""Classes of losses of load: a case by hand for each, what none may be without, and the same in any order and cut."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.events.load_loss import LoadLoss, beside, candidates, join
from pipeline.events.loss_class import (
    CLASSES,
    NEEDED,
    PARTED,
    RULES,
    UNDETERMINED,
    VETO,
    Facts,
    fell_slack,
    judge,
    word_on,
)
from pipeline.events.slack import runs_of
from pipeline.events.take_up import Aside, Neighbour
from pipeline.events.tension import Peak
from schemas.registers import Policy, Service
from tests.events.tension_records import LEVEL, LIMIT_KN, POLICY, Record, borders, records
from tests.extent import examples

S = 1_000_000
AT_US = 3_600 * S
HOUR_US = 3_600 * S


def loss(**given: Any) -> LoadLoss:
    """A line that fell from 400 kN to 2 kN in 0.2 s, was loaded before, and was watched for an hour after."""
    plain = LoadLoss(
        loaded=Peak(AT_US - S // 5, 400.0),
        unloaded=Peak(AT_US, 2.0),
        highest=Peak(AT_US - S // 5, 400.0),
        mean_kn=380.0,
        floor_kn=10.0,
        of_share=False,
        back_us=None,
        watched_us=AT_US + HOUR_US,
        gone_kn=(1.5, 2.5),
        lowest_kn=350.0,
    )
    return replace(plain, **given)


def said(quantity: str, before: float, after: float, later: float | None = None) -> dict[str, Any]:
    """What one channel of the place said before, after, and ten minutes later."""
    return {
        "beside": {quantity: [before, after]},
        "between": {quantity: [min(before, after), max(before, after)]},
        "later": {quantity: after if later is None else later},
    }


HOOK_CLOSED, HOOK_OPENED = said("hook-state", 1.0, 1.0), said("hook-state", 1.0, 0.0)
NOTHING_OUT, PAID_OUT = said("payout", 30.0, 30.02), said("payout", 30.0, 33.0)
BACK = {"back_us": AT_US + 200 * S, "back_kn": 390.0, "gone_kn": (0.0, 0.0)}

NEIGHBOUR = Neighbour("L2", 100.0, 160.0, 5.0, took_up=True)
ALONE = Aside("L1", "H1", AT_US, "breast", (NEIGHBOUR,), 8, 0, 0, in_turn=False)
IN_TURN = replace(ALONE, neighbours=(replace(NEIGHBOUR, after_kn=101.0, took_up=False),), gone=8, near=3, in_turn=True)
MID_CALL: dict[str, Any] = {"rigged_to_us": AT_US + 5 * HOUR_US, "let_go_us": AT_US + 4 * HOUR_US, "aside": ALONE}
AT_THE_END: dict[str, Any] = {"rigged_to_us": AT_US + 30 * S, "let_go_us": AT_US - 60 * S, "aside": IN_TURN}


def facts(one: LoadLoss, **given: Any) -> Facts:
    return Facts(one, **{**MID_CALL, **given})


def word(detail: str, *, at_us: int = AT_US + HOUR_US, action: str = "inspection") -> Service:
    return Service.model_validate({"line": "L1", "at": _rfc3339(at_us), "action": action, "detail": detail})


def _rfc3339(us: int) -> str:
    return str(np.datetime64(us, "us").astype("datetime64[s]")) + "Z"


CASES = {
    "closed hook": (facts(loss(**HOOK_CLOSED)), "parted"),
    "winch let nothing out": (facts(loss(**NOTHING_OUT)), "parted"),
    "closed hook in mid-letting-go, never opened": (facts(loss(**HOOK_CLOSED), **AT_THE_END), "parted"),
    "hook opened": (facts(loss(**HOOK_OPENED)), "released"),
    "hook opened, rigging ended then, others stay": (
        facts(loss(**HOOK_OPENED), rigged_to_us=AT_US + 60 * S),
        "released",
    ),
    "hook opened in turn": (facts(loss(**HOOK_OPENED), **AT_THE_END), "let-go"),
    "silent hook in turn, rigging ended then": (facts(loss(), **AT_THE_END), "let-go"),
    "slackened by its winch in turn": (
        facts(loss(**PAID_OUT), **{**AT_THE_END, "rigged_to_us": None}, work=("open brake",)),
        "let-go",
    ),
    "shore end let go in turn, winch still": (facts(loss(**NOTHING_OUT), **AT_THE_END), "let-go"),
    "gauge drops out": (facts(loss(**BACK)), "instrument"),
    "gauge drops out on a closed hook": (facts(loss(**{**BACK, **HOOK_CLOSED})), "instrument"),
    "gauge drops out, winch still": (facts(loss(**{**BACK, **NOTHING_OUT})), "instrument"),
    "nothing known": (facts(loss()), "undetermined"),
    "nothing known, not even others": (Facts(loss()), "undetermined"),
    "in turn, but still rigged": (facts(loss(), **{**AT_THE_END, "rigged_to_us": None}), "undetermined"),
    "ran out under load": (facts(loss(**PAID_OUT)), "undetermined"),
    "hook was open all along": (facts(loss(**said("hook-state", 0.0, 0.0))), "undetermined"),
    "hook opened while others are slack, rigged for hours yet": (
        facts(loss(**HOOK_OPENED), **{**AT_THE_END, **{"rigged_to_us": AT_US + HOUR_US}}),
        "released",
    ),
    "slack before, lifted by a wave, winch still": (facts(loss(mean_kn=6.0, **NOTHING_OUT)), "undetermined"),
    "slack before, closed hook": (facts(loss(mean_kn=6.0, **HOOK_CLOSED), aside=None), "undetermined"),
    "its gauge stood still before, winch still": (facts(loss(repeats=1.0, **NOTHING_OUT)), "undetermined"),
    "its gauge stood still before, closed hook": (facts(loss(repeats=1.0, **HOOK_CLOSED)), "undetermined"),
    "its coarse gauge moved but once, closed hook": (facts(loss(repeats=0.99, **HOOK_CLOSED)), "parted"),
    "its gauge stood still before, and a person says so": (
        facts(loss(repeats=1.0, **HOOK_CLOSED), word=word("parted; at the chock")),
        "parted",
    ),
    "reads far below nothing, winch still": (
        facts(loss(gone_kn=(-14.0, -12.0), **NOTHING_OUT), aside=replace(ALONE, neighbours=())),
        "undetermined",
    ),
    "a person says so": (facts(loss(), word=word("parted; at the chock")), "parted"),
    "a person says not": (facts(loss(**HOOK_CLOSED), word=word("not parted; eye slipped off")), "undetermined"),
    "one line's share on a closed hook": (facts(loss(of_share=True, **HOOK_CLOSED)), "parted"),
    "one line's share": (facts(loss(of_share=True)), "undetermined"),
}


@pytest.mark.parametrize(("found", "expected"), CASES.values(), ids=CASES)
def test_each_case_gets_its_class(found: Facts, expected: str) -> None:
    assert judge(found).word == expected


def test_take_up_that_is_not_visible_is_evidence_of_nothing() -> None:
    hidden = replace(ALONE, neighbours=(replace(NEIGHBOUR, after_kn=104.0, took_up=False),))
    judged = judge(facts(loss(**HOOK_CLOSED), aside=hidden))
    assert judged.word == "parted"
    assert "take-up by neighbours is not visible, which says nothing: L2 +4 kN (usual: 5)" in judged.open
    assert not any("take-up" in one for what in CLASSES for one in judged.on(what, speaks_for=False))


def test_evidence_is_told_for_and_against_with_its_figures() -> None:
    judged = judge(facts(loss(**HOOK_CLOSED)))
    assert judged.on("parted", speaks_for=True) == [
        "its hook stayed closed while the load went",
        "neighbours took up load: L2 +60 kN (means of three minutes)",
    ]
    assert judged.on("released", speaks_for=False) == ["its hook stayed closed while the load went"]
    assert "it fell from 400 kN to 2 kN within 0.2 s, after 380 kN in the mean" in judged.open


def test_a_hook_heard_of_only_before_bears_no_witness() -> None:
    silent = {"beside": {"hook-state": [1.0, 1.0]}, "between": {"hook-state": None}, "later": {"hook-state": None}}
    assert judge(facts(loss(**silent))).word == UNDETERMINED


def test_a_slackened_line_whose_hook_opens_minutes_later_was_let_go() -> None:
    """It took two seconds to lose its last half: a winch can do that; in half a second none can."""
    slow = loss(loaded=Peak(AT_US - S, 200.0), **said("hook-state", 1.0, 1.0, 0.0))
    assert judge(facts(slow, **AT_THE_END)).word == "let-go"
    sudden = loss(**said("hook-state", 1.0, 1.0, 0.0))
    assert judge(facts(sudden, **AT_THE_END)).word == UNDETERMINED


@pytest.mark.parametrize(
    ("given", "slack"),
    [
        ({"back_us": AT_US + 60 * S, "back_kn": 11.0}, True),
        ({"back_us": AT_US + 1_801 * S, "back_kn": None}, False),
        ({"back_us": AT_US + 60 * S, "back_kn": 11.0, **HOOK_OPENED}, False),
        (BACK, False),
        ({**BACK, "gone_kn": (0.0, 3.0)}, True),
        ({**BACK, "lowest_kn": 12.0}, True),
        # Slack in the minute before, but then dead: thirty readings alike, of a gauge of which every second repeats.
        ({**BACK, "lowest_kn": 12.0, "repeats": 0.5, "gone_samples": 30}, False),
        ({**BACK, "lowest_kn": 12.0, "repeats": 0.9, "gone_samples": 30}, True),
        ({**BACK, "lowest_kn": 12.0, "gone_kn": (0.0, 0.1), "repeats": 0.5, "gone_samples": 30}, True),
        ({**BACK, "of_share": True}, False),
        ({}, False),
    ],
)
def test_a_line_loaded_again_from_slack_within_half_an_hour_has_lost_nothing(
    given: dict[str, Any], slack: bool
) -> None:
    assert fell_slack(loss(**given)) == slack


@pytest.mark.parametrize(
    ("detail", "action", "parted"),
    [
        ("parted", "retire", True),
        ("Parted; at the chock", "inspection", True),
        ("not parted; eye slipped off", "repair", False),
        ("a strand parted", "inspection", None),
        ("parted", "crop", None),
        ("inspected, as it may have parted", "inspection", None),
        (None, "inspection", None),
    ],
)
def test_only_a_clear_word_says_whether_a_line_parted(detail: str | None, action: str, parted: bool | None) -> None:
    row = {"line": "L1", "at": _rfc3339(AT_US), "action": action, "detail": detail}
    assert Service.model_validate(row).parted is parted


def test_a_word_is_of_the_last_loss_before_it_and_of_a_month() -> None:
    row = word("parted")
    assert word_on(AT_US, None, [row]) == row
    assert word_on(AT_US, AT_US + HOUR_US, [row]) is None
    assert word_on(row.at_us + S, None, [row]) is None
    assert word_on(row.at_us - 30 * 24 * HOUR_US, None, [row]) is None
    assert word_on(row.at_us - 30 * 24 * HOUR_US + S, None, [row]) == row
    later = word("not parted", at_us=AT_US + 2 * HOUR_US)
    assert word_on(AT_US, None, [later, row]) == later


states = st.sampled_from([None, 0.0, 1.0])
RETURNS: list[dict[str, Any]] = [{}, BACK, {"back_us": AT_US + 2 * HOUR_US}]
metres = st.sampled_from([None, 30.0, 30.05, 30.3, 31.0])


@st.composite
def any_facts(draw: st.DrawFn) -> Facts:
    """Any facts at all."""
    pair = {"hook-state": draw(st.tuples(states, states)), "payout": draw(st.tuples(metres, metres))}
    told = {name: ends for name, ends in pair.items() if ends[1] is not None}
    one = loss(
        beside={name: list(ends) for name, ends in pair.items()},
        between={
            n: [min(e for e in ends if e is not None), max(e for e in ends if e is not None)]
            for n, ends in told.items()
        },
        later={"hook-state": draw(states)},
        of_share=draw(st.booleans()),
        **draw(st.sampled_from(RETURNS)),
    )
    return Facts(
        one,
        work=draw(st.sampled_from([(), ("open brake",)])),
        rigged_to_us=draw(st.sampled_from([None, AT_US + 30 * S, AT_US + HOUR_US])),
        let_go_us=draw(st.sampled_from([None, AT_US - S, AT_US + HOUR_US])),
        aside=draw(st.sampled_from([None, ALONE, IN_TURN, replace(ALONE, in_turn=None)])),
        word=draw(st.sampled_from([None, word("parted"), word("not parted")])),
    )


@given(any_facts())
def test_no_line_parted_without_hook_payout_or_a_persons_word(found: Facts) -> None:
    judged = judge(found)
    assert judge(found) == judged
    hook, paid = found.loss.beside["hook-state"], found.loss.beside["payout"]
    by_hook = hook == [1.0, 1.0]
    by_payout = None not in paid and paid[1] - paid[0] <= 0.1
    if judged.word == PARTED:
        assert by_hook or by_payout or found.parted_by_word
    if found.parted_by_word is not None:
        assert (judged.word == PARTED) == found.parted_by_word
    if judged.word == "released":
        assert hook == [1.0, 0.0]
    if judged.word == "instrument":
        assert found.loss.back_kn is not None


def test_every_rule_that_a_class_needs_is_in_the_table_and_speaks_for_it() -> None:
    rules = {rule.name: rule for rule in RULES}
    assert len(rules) == len(RULES)
    for what, groups in NEEDED.items():
        assert all(rules[name].weights[what] > 0 for group in groups for name in group)
    assert all(weight == VETO or abs(weight) <= 6 for rule in RULES for weight in rule.weights.values())


@settings(max_examples=examples(200), deadline=None)
@given(record=records(), cuts=borders, share=st.sampled_from([1.0, 0.5]), hook=st.sampled_from([None, 0.0, 1.0]))
def test_the_classes_are_the_same_wherever_the_record_is_cut_into_days(
    record: Record, cuts: list[int], share: float, hook: float | None
) -> None:
    """Each part reaches an hour beyond its ends, as a day's slice does."""
    first_us = record.at_us[0] if record.at_us else 0
    channel = (np.array([first_us, first_us + 70 * S]), np.array([1.0, 1.0 if hook is None else hook]))
    told = {} if hook is None else {"hook-state": channel}

    def classes(parts: list[Any], policy: Policy) -> list[tuple[int, str, bool]]:
        pieces, loaded = [], []
        for part in parts:
            pieces += [beside(one, told, policy) for one in candidates(part, LEVEL, policy, LIMIT_KN, share)]
            between = runs_of(part, LEVEL, policy, 0.0)[1]
            loaded += [] if between is None else [between]
        found = join(pieces, loaded, stay_s=policy.loss_stay_s)
        # How long it was watched is known as far as a part reaches, an hour, and looked at for ten minutes.
        return [(one.unloaded.at_us, judge(Facts(one)).word, fell_slack(one)) for one in found]

    assert classes(list(record.parts(cuts, HOUR_US)), POLICY) == classes([record.whole()], POLICY)
