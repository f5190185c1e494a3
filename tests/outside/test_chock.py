"""Outside checks 51-54: rope around a post, and wear by sliding."""

import math

import numpy as np
import pytest

from pipeline.wear.abrasion import Contact, capstan, contact_of, travel_units, travel_work_kj
from pipeline.wear.fatigue import to_decimal
from schemas.registers import Rigging
from schemas.specs import Abrasion, AllowableWork

TURN_DEG = 360.0


def test_check_51_two_turns_by_which_80_lb_hold_5000_lb() -> None:
    # Beer & Johnston, Statics, problem 8.104: friction .329066, and 2.6705 turns for 20,000 lb.
    assert 80 * capstan(0.329066, 2 * TURN_DEG) == pytest.approx(5000, rel=1e-5)
    assert 80 * capstan(0.329066, 2.6705 * TURN_DEG) == pytest.approx(20_000, rel=1e-4)


def test_check_52_two_turns_by_which_150_n_hold_7500_n_and_three() -> None:
    # Beer & Johnston, Statics, sample problem (from memory): friction .311309; 53.03 kN, with .311 rounded 52.7 kN.
    assert 150 * capstan(0.311309, 2 * TURN_DEG) == pytest.approx(7500, rel=1e-5)
    assert 150 * capstan(0.311309, 3 * TURN_DEG) == pytest.approx(53_030, rel=1e-4)
    assert 150 * capstan(0.311, 3 * TURN_DEG) == pytest.approx(52_700, rel=1e-3)


RIGGING = Rigging.model_validate(
    {
        "line": "L1",
        "channel": "H1",
        "from": "2026-03-02T00:00:00Z",
        "to": None,
        "outboard_end": "a",
        "share_pct": 100,
        "inboard_m": 30,
        "wrap_deg": 90,
        "surface": "smooth",
    }
)


def contact(friction: float, allowable_kj: float) -> Contact:
    found = contact_of(
        RIGGING,
        Abrasion(
            friction=friction,
            stiffness=20,
            allowable_work_kj=AllowableWork(smooth=allowable_kj),
            source="invented for the test",
        ),
        1000.0,
    )
    assert isinstance(found, Contact)
    return found


def test_check_53_friction_is_the_users_and_decides_the_work() -> None:
    # Friction of ropes on chocks: reports exist (NUC TP 544, ADA036718, 1977; NCEL CR 84.016, 1984), their numbers were
    # not read. So no default stands anywhere: a spec without a friction is refused, and twice it is more work.
    with pytest.raises(ValueError, match="friction"):
        Abrasion.model_validate({"stiffness": 20, "allowable_work_kj": {"smooth": 1}, "source": "invented"})
    assert travel_work_kj(100, 1, contact(0.2, 1)) > travel_work_kj(100, 1, contact(0.1, 1))


def test_check_54_life_is_worn_volume_over_the_volume_that_may_wear() -> None:
    # Archard (1953): V = K W L / H; K 1e-4, W 1e4 N, L 1000 m, H 1.2 GPa: 8.33333e-7 m3. If 1e-6 m3 may wear, the
    # friction work for it is mu * H * V / K [J], and what slid took .833333 of the life.
    k, w_kn, l_m, h_pa, may_wear_m3, friction = 1e-4, 10.0, 1000.0, 1.2e9, 1e-6, 0.3
    at = contact(friction, allowable_kj=friction * h_pa * may_wear_m3 / k / 1000)
    # The tension whose friction over the wrap is that of W pressed on a flat.
    tension_kn = friction * w_kn / -math.expm1(-friction * math.radians(90))
    life = float(to_decimal(travel_units(np.array([tension_kn]), np.array([l_m]), at)))
    assert life * may_wear_m3 == pytest.approx(8.33333e-7, rel=1e-6)
