"""Advice by named rules, each with the figure that fired it; no rule says that a line is good."""

from __future__ import annotations

import dataclasses
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.ledger.advice import (
    CALL_FOR_INSPECTION,
    NO_RULE,
    RULES,
    LineFacts,
    Peak,
    Weakest,
    ZoneUse,
    advise,
)
from pipeline.ledger.bands import Band
from pipeline.ledger.rows import Event, Finding
from schemas.registers import Policy, Service
from schemas.times import us_to_datetime

H_US = 3_600_000_000
NAMES = {"retire", "end-for-end", "crop", "inspect-before-reuse", "check-brake", "check-sensor"}


def facts(**changes: Any) -> LineFacts:
    calm = LineFacts(
        events=(),
        services=(),
        rigged_us=10 * H_US,
        observed_us=10 * H_US,
        used=Decimal("0.01"),
        basis="severity index",
        zones={"a": ZoneUse(Decimal("0.01")), "b": ZoneUse(Decimal("0.01"))},
    )
    return dataclasses.replace(calm, **changes)


def event(at_us: int, kind: str = "peak-load", **payload: Any) -> Event:
    return Event(1, "e", kind, "L1", "c", "p", at_us, at_us + 5, 700.0, at_us + 1, 53.0, payload)


def service(at_us: int, action: str) -> Service:
    return Service.model_validate({"line": "L1", "at": us_to_datetime(at_us), "action": action})


def zones(a: str, b: str, contact: str | None = None, position_m: float | None = 52.0) -> dict[str, ZoneUse]:
    band = None if contact is None else Band(position_m, date(2026, 3, 1), Decimal(contact))
    return {"a": ZoneUse(Decimal(a), band), "b": ZoneUse(Decimal(b))}


def fired(line: LineFacts) -> list[str]:
    return [advice.rule for advice in advise(line)]


def test_a_calm_known_line_is_told_that_no_rule_fired_and_nothing_better() -> None:
    [only] = advise(facts())
    assert only == NO_RULE
    assert only.do == "no rule triggered; not a finding of fitness"


def test_the_rules_are_those_that_are_documented() -> None:
    assert {rule.name for rule in RULES} == NAMES


@pytest.mark.parametrize("kind", CALL_FOR_INSPECTION)
@pytest.mark.parametrize(
    ("services", "asks"),
    [
        ([], True),
        ([service(99, "inspection")], True),
        ([service(104, "inspection")], True),
        ([service(105, "inspection")], False),
        ([service(200, "inspection")], False),
        ([service(200, "end-for-end")], True),
        ([service(200, "crop")], True),
        ([service(200, "repair")], True),
    ],
)
def test_an_event_asks_for_inspection_until_one_follows_it(kind: str, services: list[Service], asks: bool) -> None:
    assert ("inspect-before-reuse" in fired(facts(events=[event(100, kind)], services=services))) is asks


def test_other_events_do_not_ask_for_inspection() -> None:
    assert fired(facts(events=[event(100, "other")])) == ["none"]


def test_a_retired_line_is_not_for_use() -> None:
    [advice] = advise(facts(events=[event(100)], services=[service(200, "retire")]))
    assert (advice.rule, advice.do) == ("retire", "not for use")


@pytest.mark.parametrize(("share", "fires"), [(0.501, True), (0.5, False), (0.1, False)])
def test_a_peak_above_a_share_of_the_strength_left_asks_for_inspection(share: float, fires: bool) -> None:
    line = facts(peak=Peak(share * 800, 7, "a", 800.0))
    assert (fired(line) == ["inspect-before-reuse"]) is fires
    loose = dataclasses.replace(line, policy=Policy(inspect_peak_share=0.6))
    assert fired(loose) == ["none"]


def test_a_peak_on_a_line_with_no_strength_left_asks_for_inspection() -> None:
    assert fired(facts(peak=Peak(1.0, 7, "a", 0.0))) == ["inspect-before-reuse"]


@pytest.mark.parametrize(
    ("rigged_h", "observed_h", "words"),
    [
        (10, 5, None),
        (10, 4, "observed 40.0 % of the 10.0 h rigged"),
        (10, 0, "rigged 10.0 h and never observed: nothing is known, which is not good"),
        (0, 0, None),
    ],
)
def test_little_coverage_asks_to_check_the_sensor(rigged_h: int, observed_h: int, words: str | None) -> None:
    [advice] = advise(facts(rigged_us=rigged_h * H_US, observed_us=observed_h * H_US))
    assert advice.rule == ("none" if words is None else "check-sensor")
    assert words is None or words in advice.because


def test_a_used_up_curve_retires_the_line() -> None:
    assert fired(facts(used=Decimal("0.999"))) == ["none"]
    [advice] = advise(facts(used=Decimal(1)))
    assert advice.rule == "retire"
    assert "1.00 (severity index) with open cycles" in advice.because


@pytest.mark.parametrize(("left_kn", "fires"), [(974.9, True), (975.0, False)])
def test_strength_left_below_the_retirement_line_retires_the_line(left_kn: float, fires: bool) -> None:
    of = "75 % of ship design MBL 1300 kN"
    advice = advise(facts(weakest=Weakest(left_kn, "a", "contact band", 975.0, of, True)))
    assert ([one.rule for one in advice] == ["retire"]) is fires
    if fires:
        assert "below the retirement line of 975 kN, 75 % of ship design MBL 1300 kN" in advice[0].because
        assert "taken as new at the first record" in advice[0].because


@pytest.mark.parametrize(
    ("use", "fires"),
    [
        (zones("0.6", "0.2"), True),
        (zones("0.5", "0.24"), True),
        (zones("0.5", "0.25"), False),
        (zones("0.49", "0"), False),
        (zones("0.1", "0.2", contact="0.55"), True),
    ],
)
def test_an_end_that_used_a_share_and_twice_the_other_is_to_be_turned(use: dict[str, ZoneUse], fires: bool) -> None:
    said = {advice.rule: advice.because for advice in advise(facts(zones=use))}
    assert ("end-for-end" in said) is fires
    # A low figure of the end that is to go outboard may be one that nobody saw.
    assert not fires or "unobserved or before the first record is in neither: inspect the end" in said["end-for-end"]


@pytest.mark.parametrize(
    ("use", "fires"),
    [
        (zones("0.1", "0.4", contact="0.51"), True),
        (zones("0.1", "0.4", contact="0.5"), False),
        (zones("0.6", "0.6", contact="0.6"), False),
        (zones("0.1", "0.4", contact="0.7", position_m=None), True),
    ],
)
def test_a_contact_band_worn_more_than_a_share_and_the_free_length_is_to_be_cropped(
    use: dict[str, ZoneUse], fires: bool
) -> None:
    assert ("crop" in fired(facts(zones=use))) is fires


def test_the_policy_moves_the_thresholds() -> None:
    use = zones("0.1", "0.1", contact="0.3")
    assert fired(facts(zones=use)) == ["none"]
    assert fired(facts(zones=use, policy=Policy(crop_share=0.2, turn_share=0.2))) == ["crop", "end-for-end"]


def test_nothing_that_keeps_a_line_in_use_is_said_of_one_to_be_retired() -> None:
    use = zones("0.1", "0.1", contact="1.2")
    assert fired(facts(zones=use)) == ["crop", "end-for-end"]
    assert fired(facts(zones=use, used=Decimal("1.2"))) == ["retire"]


@pytest.mark.parametrize(
    ("verdict", "words"),
    [
        ("early", "let go at 546 kN, set to 780 kN, early"),
        ("late", "late"),
        (None, "does not say what it was set to"),
        ("as set", None),
    ],
)
def test_a_brake_that_rendered_off_its_setting_is_to_be_checked(verdict: str | None, words: str | None) -> None:
    given = event(5, "brake-render", verdict=verdict, breakout_kn=546.0, brake_set_kn=780.0)
    advice = advise(facts(renders=[given]))
    assert [one.rule for one in advice] == ["none" if words is None else "check-brake"]
    assert words is None or words in advice[0].because


def test_a_render_told_from_tension_alone_is_said_to_be_so() -> None:
    given = event(5, "brake-render", verdict="early", breakout_kn=546.0, brake_set_kn=780.0, basis="tension alone")
    [advice] = advise(facts(renders=[given]))
    assert "early, told from tension alone" in advice.because


def test_a_brake_that_held_above_its_setting_is_to_be_checked_by_the_worst_of_them() -> None:
    little, much = (
        event(at_us, "brake-held", held_pct_of_set=pct, brake_set_kn=600.0, measured_at=where)
        for at_us, pct, where in ((5, 103.0, "drum"), (9, 116.7, "hook"))
    )
    [advice] = advise(facts(held=[little, much]))
    assert advice.rule == "check-brake"
    assert "held 700 kN at the hook" in advice.because
    assert "116.7 % of the 600 kN it was set to" in advice.because


def test_findings_and_clipped_peaks_ask_to_check_the_sensor() -> None:
    found = Finding(1, "F", "flat-line", "H1", "warning", "on a day it stood still", {}, "day:H1:2026-03-02")
    [advice] = advise(facts(findings=[found]))
    assert (advice.rule, advice.because) == ("check-sensor", "flat-line on H1: on a day it stood still")
    [advice] = advise(facts(clipped=[event(7, peak_at_least=True)]))
    assert advice.rule == "check-sensor"
    assert "at least 700 kN" in advice.because


lives = st.decimals(0, 2, places=3)
uses = st.builds(
    ZoneUse, lives, st.one_of(st.none(), st.builds(Band, st.one_of(st.none(), st.just(5.0)), st.just(date.min), lives))
)
line_facts = st.builds(
    LineFacts,
    events=st.lists(
        st.builds(event, st.integers(0, 10**6), st.sampled_from([*CALL_FOR_INSPECTION, "other"])), max_size=3
    ),
    services=st.lists(
        st.builds(service, st.integers(0, 10**6), st.sampled_from(["inspection", "crop", "retire"])), max_size=3
    ),
    rigged_us=st.integers(0, 10**12),
    observed_us=st.integers(0, 10**12),
    used=lives,
    basis=st.just("severity index"),
    zones=st.fixed_dictionaries({"a": uses, "b": uses}),
    peak=st.one_of(st.none(), st.builds(Peak, st.floats(0, 2000), st.just(7), st.just("a"), st.floats(0, 2000))),
)


@given(line_facts)
def test_every_line_gets_advice_with_a_reason_and_none_to_keep_it(line: LineFacts) -> None:
    advice = advise(line)
    assert advice != []
    known = {(rule.name, rule.do) for rule in RULES}
    for one in advice:
        assert (one.rule, one.do) in known or [one] == [NO_RULE] == advice
        assert one is NO_RULE or one.because != ""
        for word in ("keep", "longer", "safe", "sound", "fit ", "no action"):
            assert word not in f"{one.do} {one.because}"


@given(line_facts, st.decimals(0, 1, places=3))
def test_more_use_never_quiets_the_rule_to_retire(line: LineFacts, more: Decimal) -> None:
    worse = dataclasses.replace(line, used=line.used + more)
    assert "retire" in fired(worse) or "retire" not in fired(line)
