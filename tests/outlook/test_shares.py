"""Life for an assumed share: at either end as if the record had been counted with that share."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import RegisterError
from pipeline.outlook.shares import Band, Counts, Values, banded
from pipeline.sheets.cycles import close_cycles, turning_points
from pipeline.wear.fatigue import life_units
from schemas.registers import FatigueCurve


def price_by(m: float, b: float = 0.0) -> object:
    curve = FatigueCurve(a=3.2, b=b, m=m, source="invented for the demo")

    def price(low: Values, high: Values, count: Counts) -> int:
        return life_units(low, high, count, break_force_kn=800.0, curve=curve)

    return price


LOW, HIGH, COUNT = np.array([50.0, 80.0]), np.array([150.0, 400.0]), np.array([100, 3])


def band(low_pct: float, pct: float, high_pct: float, price: object) -> Band:
    return banded(LOW, HIGH, COUNT, share_pct=pct, share_low_pct=low_pct, share_high_pct=high_pct, price=price)  # type: ignore[arg-type]


def test_a_fifth_more_or_less_share_goes_with_the_power_of_the_range() -> None:
    # By hand: 40 and 60 for 50 % scale each range by 0.8 and 1.2, and life by their fifth powers.
    found = band(40, 50, 60, price_by(5.0))
    assert found.at_share_low / found.assumed == pytest.approx(0.8**5, rel=1e-12)
    assert found.at_share_high / found.assumed == pytest.approx(1.2**5, rel=1e-12)
    assert (found.least, found.most) == (found.at_share_low, found.at_share_high)


def test_a_share_that_is_known_has_no_band() -> None:
    found = band(50, 50, 50, price_by(5.0))
    assert found.at_share_low == found.assumed == found.at_share_high


def test_a_curve_may_turn_the_ends_round_and_least_and_most_still_hold() -> None:
    # b far below 0: more mean load, longer life; range alone no longer decides.
    found = band(40, 50, 60, price_by(1.0, b=-30.0))
    assert found.at_share_low > found.assumed > found.at_share_high
    assert (found.least, found.most) == (found.at_share_high, found.at_share_low)


@given(
    st.lists(st.integers(0, 900), min_size=4, max_size=60),
    st.tuples(st.integers(1, 100), st.integers(1, 100), st.integers(1, 100)),
)
def test_either_end_is_what_a_count_with_that_share_gives(hook_kn: list[int], shares: tuple[int, int, int]) -> None:
    least, assumed, most = sorted(shares)
    price = price_by(5.0)

    def counted(pct: float) -> tuple[Values, Values, Counts]:
        kn = np.array(hook_kn, np.float64) * (pct / 100)
        ends = close_cycles(kn[turning_points(kn)])
        low, high = np.minimum(ends[0], ends[1]), np.maximum(ends[0], ends[1])
        return low, high, np.ones(low.size, np.int64)

    found = banded(
        *counted(assumed),
        share_pct=assumed,
        share_low_pct=least,
        share_high_pct=most,
        price=price,  # type: ignore[arg-type]
    )
    assert found.at_share_low == pytest.approx(price(*counted(least)), rel=1e-9)  # type: ignore[operator]
    assert found.at_share_high == pytest.approx(price(*counted(most)), rel=1e-9)  # type: ignore[operator]
    assert found.at_share_low <= found.assumed <= found.at_share_high


@pytest.mark.parametrize(
    ("low_pct", "pct", "high_pct"),
    [(0, 50, 60), (55, 50, 60), (40, 50, 45), (math.nan, 50, 60), (40, 50, math.inf), (-1, 50, 60)],
)
def test_a_band_that_does_not_hold_the_share_is_refused(low_pct: float, pct: float, high_pct: float) -> None:
    with pytest.raises(RegisterError, match=r"assumed share.*rigging\.csv"):
        band(low_pct, pct, high_pct, price_by(5.0))
