"""Ropes are put in an order where both methods give it, beyond what the figures are known to."""

from dataclasses import replace
from decimal import Decimal

import pytest

from pipeline.compare.rank import Ranked, Stand, rank, stand


def rope(name: str, load: float, motion: float | None, *, error: float = 0.0, abrasion: bool = True) -> Ranked:
    def bounds(used: float) -> Stand:
        return stand(Decimal(repr(used)), Decimal(repr(used)), error)

    moved = None if motion is None else bounds(motion)
    lacks = frozenset[str]() if abrasion else frozenset(("abrasion",))
    return Ranked(name, {"equal_load": bounds(load), "equal_motion": moved}, "no length", lacks)


def test_the_one_that_uses_least_under_both_comes_first() -> None:
    order, why = rank([rope("x", 3.0, 4.0), rope("y", 1.0, 2.0), rope("z", 2.0, 3.0)])
    assert order == ["y", "z", "x"]
    assert "agree" in why


def test_there_is_no_order_where_the_two_methods_disagree() -> None:
    assert rank([rope("x", 1.0, 4.0), rope("y", 2.0, 3.0)]) == (None, "equal load and equal motion disagree")


def test_there_is_no_order_without_equal_motion() -> None:
    order, why = rank([rope("x", 1.0, None), rope("y", 2.0, 3.0)])
    assert order is None
    assert why == "equal motion is not reckoned for x (no length)"


def test_there_is_no_order_where_a_mechanism_is_reckoned_for_some_only() -> None:
    order, why = rank([rope("x", 1.0, 1.0, abrasion=False), rope("y", 2.0, 2.0)])
    assert order is None
    assert "abrasion is not reckoned for x" in why


def test_a_rope_whose_creep_nobody_gave_is_not_put_before_one_whose_creep_counts() -> None:
    ropes = [rope("x", 1.0, 1.0), rope("y", 2.0, 2.0)]
    lacking = [replace(ropes[0], lacks=frozenset(("creep",))), ropes[1]]
    assert rank(lacking) == (None, "creep is not reckoned for x, and is for the others")
    # Where all lack it they are compared in what is left.
    assert rank([replace(one, lacks=frozenset(("creep",))) for one in ropes])[0] == ["x", "y"]


def test_there_is_no_order_where_the_error_of_classes_is_not_known() -> None:
    order, why = rank([replace(rope("x", 1.0, 1.0), unsure=True), rope("y", 2.0, 2.0)])
    assert order is None
    assert why == "how far figures by class are off is not known for x"


@pytest.mark.parametrize(("error", "order"), [(0.0, ["x", "y"]), (0.1, ["x", "y"]), (0.4, None), (3.0, None)])
def test_there_is_no_order_within_the_error(error: float, order: list[str] | None) -> None:
    # 1 and 2 with 40 % each way: up to 1.4, and from 1.2.
    assert rank([rope("x", 1.0, 1.0, error=error), rope("y", 2.0, 2.0, error=error)])[0] == order


def test_equal_ropes_have_no_order() -> None:
    assert rank([rope("x", 1.0, 1.0), rope("y", 1.0, 1.0)])[0] is None


def test_what_may_be_more_than_it_shows_is_not_put_before_what_lies_between() -> None:
    open_ = Stand(Decimal(1), Decimal(5))
    sure = Stand(Decimal(3), Decimal(3))
    ranked = [
        Ranked("x", {"equal_load": open_, "equal_motion": open_}, None),
        Ranked("y", {"equal_load": sure, "equal_motion": sure}, None),
    ]
    assert rank(ranked)[0] is None


def test_one_rope_alone_is_not_ranked() -> None:
    assert rank([rope("x", 1.0, 1.0)])[0] is None
