"""How much of one test every run takes: the other cases are marked `long`, and run by `make test-long`."""

from collections.abc import Iterable
from typing import Any

import pytest
from hypothesis import settings


def few(cases: Iterable[Any], keep: int) -> list[Any]:
    """The first `keep` cases for every run, the others for long ones. A case of several values is a tuple of them."""
    listed = list(cases)
    assert 0 < keep < len(listed), "nothing is left for long runs"
    return [*listed[:keep], *map(_long, listed[keep:])]


def is_long() -> bool:
    """Whether this is a long run."""
    return settings.get_current_profile_name() == "long"


def examples(most: int) -> int:
    """How many examples of a property: so many in long runs, a quarter in every run."""
    assert most >= 4, "too few to have a short form"
    return most if is_long() else most // 4


def _long(case: Any) -> Any:
    values = case if isinstance(case, tuple) else (case,)
    return pytest.param(*values, marks=pytest.mark.long)
