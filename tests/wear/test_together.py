"""How creep stands beside fatigue: nothing twice, nothing rounded."""

from decimal import Decimal, Inexact
from fractions import Fraction
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.wear.together import RULES, adds, free_length
from schemas.specs import Material

ALL = ("internal-abrasion", "creep", "heat")


def test_every_material_has_its_rule() -> None:
    assert set(RULES) == set(get_args(Material))


@pytest.mark.parametrize(
    ("material", "with_creep", "without"),
    [
        ("polyamide", "worse-of-two", "worse-of-two"),
        ("polypropylene", "worse-of-two", "worse-of-two"),
        ("hmpe", "sustained-only", "all-added"),
        ("polyester", "load-time-only", "load-time-only"),
        ("aramid", "load-time-only", "load-time-only"),
        ("lcp", "load-time-only", "load-time-only"),
        ("wire", "none", "none"),
    ],
)
def test_what_a_curve_contains_decides_what_creep_adds(material: Material, with_creep: str, without: str) -> None:
    # Common practice, no source; polyamide: check 16.
    assert adds(material, ALL) == with_creep
    assert adds(material, ("internal-abrasion",)) == without


LIVES = st.integers(0, 2**120)
PLACES = st.decimals(0, 10**8, places=30, allow_nan=False)


@given(st.sampled_from(sorted(RULES)), st.sampled_from([ALL, ()]), LIVES, LIVES)
def test_together_is_never_less_than_fatigue_nor_more_than_both(
    material: Material, includes: tuple[str, ...], fatigue: int, creep: int
) -> None:
    life = free_length(material, includes, fatigue, creep).life
    assert fatigue <= life <= fatigue + creep
    assert life in (fatigue, creep, fatigue + creep)
    assert free_length(material, includes, fatigue, None).life == fatigue


@given(PLACES, PLACES)
def test_decimals_of_thirty_places_are_added_without_rounding(fatigue: Decimal, creep: Decimal) -> None:
    life = free_length("hmpe", ALL, fatigue, creep).life
    assert Fraction(life) == Fraction(fatigue) + Fraction(creep)
    assert free_length("polyamide", ALL, fatigue, creep).life == max(fatigue, creep)


def test_a_sum_that_cannot_be_exact_is_refused() -> None:
    with pytest.raises(Inexact):
        free_length("hmpe", ALL, Decimal("1e150"), Decimal("1e-150"))


def test_the_words_say_what_is_counted() -> None:
    assert "not added" in free_length("polyamide", ALL, 5, 3).words
    assert free_length("polyamide", ALL, 5, 3).words.startswith("fatigue")
    assert free_length("polyamide", ALL, 3, 5).words.startswith("creep")
    assert "sustained load" in free_length("hmpe", ALL, 3, 5).words
    assert "all times" in free_length("hmpe", (), 3, 5).words
    assert "no creep constants" in free_length("hmpe", ALL, 3, None).words
    assert "takes no life" in free_length("aramid", ALL, 3, 5).words
    assert "not reckoned" in free_length("wire", ALL, 3, None).words
