"""Strength over a bend: by the spec's table, else wire by the published formula, else not reckoned."""

import math
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import RegisterError
from pipeline.wear.bending import WIRE_SOURCE, AtBend, strength_share, wire_bending_factor
from schemas.specs import Bending, Material

TABLE = Bending(ratio=(2.0, 5.0, 10.0), strength=(0.6, 0.9, 1.0), source="invented for the tests")
FIBRES = [name for name in get_args(Material) if name != "wire"]


def by_table(ratio: float, table: Bending = TABLE) -> AtBend:
    found = strength_share(ratio, material="hmpe", bending=table)
    assert found is not None
    assert found.source == "invented for the tests"
    return found


@pytest.mark.parametrize(
    ("ratio", "share"), [(2.0, 0.6), (3.0, 0.7), (3.5, 0.75), (5.0, 0.9), (7.5, 0.95), (10.0, 1.0)]
)
def test_a_table_is_linear_between_its_points_and_exact_on_them(ratio: float, share: float) -> None:
    found = by_table(ratio)
    assert found.share == pytest.approx(share, rel=1e-15)
    assert not found.outside


def test_above_the_last_point_nothing_is_gained() -> None:
    assert (by_table(10.5).share, by_table(1e6).share) == (1.0, 1.0)
    assert not by_table(1e6).outside


def test_below_the_first_point_its_strength_is_told_as_outside() -> None:
    found = by_table(math.nextafter(2.0, 0))
    assert (found.share, found.outside) == (0.6, True)
    assert by_table(0.01) == found


def test_a_table_of_one_point_serves_from_there_on() -> None:
    single = Bending(ratio=(8.0,), strength=(0.85,), source="invented for the tests")
    assert [by_table(at, single).share for at in (1.0, 8.0, 30.0)] == [0.85, 0.85, 0.85]
    assert [by_table(at, single).outside for at in (1.0, 8.0, 30.0)] == [True, False, False]


@given(st.floats(1e-3, 1e3))
def test_a_table_never_leaves_the_span_of_its_strengths(ratio: float) -> None:
    assert 0.6 <= by_table(ratio).share <= 1.0


def test_wire_without_a_table_goes_by_the_published_formula_and_a_table_outranks_it() -> None:
    # 1 - 0.5 / sqrt(4) is 0.75.
    assert strength_share(4.0, material="wire", bending=None) == AtBend(0.75, False, WIRE_SOURCE)
    outranked = strength_share(4.0, material="wire", bending=TABLE)
    assert outranked is not None
    assert outranked.share == pytest.approx(0.8, rel=1e-15)


def test_wire_below_a_ratio_of_one_is_told_as_outside() -> None:
    for ratio, outside in ((1.0, False), (0.99, True), (0.3, True)):
        found = strength_share(ratio, material="wire", bending=None)
        assert found is not None
        assert found.outside is outside


@pytest.mark.parametrize("ratio", [0.25, 0.1])
def test_where_the_formula_leaves_no_strength_none_is_claimed(ratio: float) -> None:
    assert strength_share(ratio, material="wire", bending=None) == AtBend(0.0, True, WIRE_SOURCE)
    assert wire_bending_factor(ratio) == math.inf


@given(st.floats(0.26, 1e3))
def test_the_wire_factor_divides_what_the_share_multiplies(ratio: float) -> None:
    found = strength_share(ratio, material="wire", bending=None)
    assert found is not None
    assert found.share * wire_bending_factor(ratio) == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize("material", FIBRES)
def test_fibre_without_a_table_is_not_reckoned_rather_than_called_whole(material: Material) -> None:
    assert strength_share(20.0, material=material, bending=None) is None


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_a_bend_without_a_diameter_is_refused(bad: float) -> None:
    with pytest.raises(RegisterError, match="bend_ratio"):
        wire_bending_factor(bad)
    with pytest.raises(RegisterError, match="bend_ratio"):
        strength_share(bad, material="hmpe", bending=TABLE)
