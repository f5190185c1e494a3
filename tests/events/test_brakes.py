"""What is said of a winch's brake: verdicts, layer and reeling, hook and drum, a year without a load."""

from datetime import date

import pytest

from pipeline.events import drum
from pipeline.events.brakes import Brake, BreakOut, Evidence, HeldLoad, Load, against, judge, worst_first
from schemas.registers import Winch
from schemas.times import DAY_US, day_start_us

MADE = date(2026, 1, 1)
NOW_US = day_start_us(date(2026, 6, 1))
SETTING = Winch(place="W1", brake_set_kn=500.0, set_on=MADE)


def load(kn: float, days_ago: float = 10.0, *, hook: bool = False, capstan: float | None = None) -> Load:
    return Load(round(NOW_US - days_ago * DAY_US), kn, False, "hook" if hook else "drum", capstan)


def brake(
    *,
    outs: list[Load] | None = None,
    held: list[Load] | None = None,
    highest: list[Load] | None = None,
    settings: list[Winch] | None = None,
) -> Brake:
    evidence = Evidence(
        "W1",
        [SETTING] if settings is None else settings,
        [BreakOut(one, "payout") for one in outs or []],
        [HeldLoad(one, True) for one in held or []],
        highest or [],
    )
    return judge(evidence, NOW_US)


@pytest.mark.parametrize(
    ("kn", "expected"),
    [
        (449.9, "renders early"),
        (450.0, "as set"),
        (550.0, "as set"),
        (550.1, "renders late"),
    ],
)
def test_a_break_out_is_early_below_ninety_and_late_above_a_hundred_and_ten_percent(kn: float, expected: str) -> None:
    assert brake(outs=[load(kn)]).verdict == expected


def test_of_mixed_break_outs_the_one_to_act_on_is_told() -> None:
    assert brake(outs=[load(500.0), load(400.0)]).verdict == "renders early"
    assert brake(outs=[load(400.0), load(600.0), load(500.0)]).verdict == "renders late"


def test_a_load_held_beyond_the_late_limit_stands_above_every_break_out() -> None:
    found = brake(outs=[load(500.0)], held=[load(551.0), load(520.0)])
    assert (found.verdict, found.held and found.held.load.kn) == ("holds above set", 551.0)


def test_a_brake_that_lets_go_late_has_held_what_lies_below() -> None:
    assert brake(outs=[load(600.0)], held=[load(590.0), load(620.0)]).verdict == "renders late"
    assert brake(outs=[load(600.0)], held=[load(661.0)]).verdict == "holds above set"


def test_a_load_held_a_little_above_the_setting_counts_where_the_brake_never_let_go() -> None:
    assert brake(held=[load(510.0)]).verdict == "holds above set"
    assert brake(held=[load(510.0)], outs=[load(520.0)]).verdict == "as set"


def test_a_brake_that_saw_no_such_load_is_not_exercised_and_its_highest_load_is_told() -> None:
    found = brake(highest=[load(300.0), load(410.0, 50), load(410.0, 40)])
    assert found.verdict == "not exercised"
    assert found.highest == load(410.0, 50)  # the first of equals


def test_what_is_older_than_a_year_or_than_the_setting_says_nothing_of_the_brake_now() -> None:
    old = Winch(place="W1", brake_set_kn=500.0, set_on=date(2024, 1, 1))
    assert brake(outs=[load(600.0, 366)], settings=[old]).verdict == "not exercised"
    assert brake(outs=[load(600.0, 364)], settings=[old]).verdict == "renders late"
    assert brake(outs=[load(600.0, 364)], settings=[old, SETTING]).verdict == "not exercised"
    assert brake(highest=[load(300.0, 366)]).highest is None


def test_a_setting_that_is_still_to_come_is_none_yet() -> None:
    later = Winch(place="W1", brake_set_kn=900.0, set_on=date(2026, 7, 1))
    found = brake(outs=[load(500.0)], settings=[SETTING, later])
    assert (found.setting, found.verdict, found.tested_us) == (SETTING, "as set", day_start_us(MADE))


def test_a_brake_is_due_for_its_test_a_year_after_it_was_last_set_and_unknown_is_not_due_nor_done() -> None:
    assert brake().test_due is False
    old = Winch(place="W1", brake_set_kn=500.0, set_on=date(2025, 5, 31))
    assert brake(settings=[old]).test_due is True
    undated = Winch(place="W1", brake_set_kn=500.0, set_on=None)
    assert brake(settings=[undated]).test_due is None
    assert brake(settings=[]).test_due is None


def test_without_a_registered_setting_there_is_no_verdict() -> None:
    assert brake(settings=[], outs=[load(400.0)]).verdict is None
    unset = Winch(place="W1", brake_set_kn=None, set_on=MADE)
    assert brake(settings=[unset], held=[load(400.0)]).verdict is None


def test_a_load_at_a_hook_is_judged_as_the_drum_bears_it_where_the_chock_is_known_and_says_which_it_is() -> None:
    # Two turns held 7500 N by 150 N in Beer & Johnston, Statics (sample problem on the capstan): e^(mu*theta) = 50.
    measured = load(7500.0, hook=True, capstan=50.0)
    assert measured.drum_kn == measured.judged_kn == pytest.approx(150.0)
    assert "at the drum" in measured.is_of
    unknown = load(600.0, hook=True)
    assert (unknown.drum_kn, unknown.judged_kn) == (None, 600.0)
    assert "not reckoned" in unknown.is_of
    # By hand: 600 / 1.25 = 480 kN at the drum, 96 % of 500.
    told = against(load(600.0, hook=True, capstan=1.25), 500.0)
    assert told.pct == pytest.approx(96.0)
    assert told.verdict == "as set"
    assert brake(held=[load(600.0, hook=True, capstan=1.25)]).verdict == "not exercised"
    assert brake(held=[load(600.0, hook=True)]).verdict == "holds above set"
    with pytest.raises(ValueError, match="1 or more"):
        drum.least_inboard_kn(100.0, 0.9)


def test_layers_lower_what_a_brake_holds_as_published() -> None:
    # D = 16 d: second layer 10.53 % less; 80 in the first are 64.76 in the third (published: about 11 %, about 65).
    assert drum.in_layer_kn(100.0, layer=2, barrel_mm=640.0, rope_mm=40.0) == pytest.approx(89.47, abs=0.005)
    assert drum.in_layer_kn(80.0, layer=3, barrel_mm=640.0, rope_mm=40.0) == pytest.approx(64.76, abs=0.005)
    there = drum.in_layer_kn(500.0, layer=4, barrel_mm=640.0, rope_mm=40.0)
    assert drum.first_layer_kn(there, layer=4, barrel_mm=640.0, rope_mm=40.0) == pytest.approx(500.0, rel=1e-15)
    with pytest.raises(ValueError, match="no such drum"):
        drum.in_layer_kn(80.0, layer=0, barrel_mm=640.0, rope_mm=40.0)


def test_layer_and_reeling_stand_beside_the_setting() -> None:
    wound = Winch(place="W1", brake_set_kn=500.0, set_on=MADE, layer=2, barrel_mm=640.0, rope_mm=40.0, reeling="wrong")
    found = brake(settings=[wound])
    assert found.in_layer_kn == pytest.approx(500.0 * 680 / 760)
    assert found.wrong_reeling_kn == pytest.approx(250.0 * 680 / 760)  # published: as much as 50 % less
    bare = brake(settings=[Winch(place="W1", brake_set_kn=500.0, set_on=MADE, reeling="wrong")])
    assert (bare.in_layer_kn, bare.wrong_reeling_kn) == (None, 250.0)
    assert brake().wrong_reeling_kn is None


def test_the_worst_comes_first_and_an_unknown_setting_before_a_brake_that_is_as_set() -> None:
    made = [
        brake(outs=[load(500.0)]),
        brake(settings=[]),
        brake(),
        brake(outs=[load(400.0)]),
        brake(outs=[load(600.0)]),
        brake(held=[load(600.0)]),
    ]
    assert [one.verdict for one in worst_first(made)] == [
        "holds above set",
        "renders late",
        "renders early",
        "not exercised",
        None,
        "as set",
    ]
