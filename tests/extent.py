"""How many cases of one test every run takes: the others are marked `long` and run by `make test-long`."""

from collections.abc import Iterable
from typing import Any

import pytest


def few(cases: Iterable[Any], keep: int) -> list[Any]:
    """The first `keep` cases for every run, the others for long ones. A case of several values is a tuple of them."""
    listed = list(cases)
    assert 0 < keep < len(listed), "nothing is left for long runs"
    return [*listed[:keep], *map(_long, listed[keep:])]


def _long(case: Any) -> Any:
    values = case if isinstance(case, tuple) else (case,)
    return pytest.param(*values, marks=pytest.mark.long)
