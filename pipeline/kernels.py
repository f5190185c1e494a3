"""Compiled inner loops: the one place that knows numba.

A kernel is a plain function over scalars and NumPy arrays, written as the loop that it is. Its machine code
is kept beside the source, so that only a first run compiles; the interpreter lock is let go meanwhile. There
is no fast-math: a sum or a power has the same digits as the same expression in Python.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ParamSpec, TypeVar, cast

import numba

P = ParamSpec("P")
R = TypeVar("R")


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """`function` compiled at its first call for the types it is called with; same name, signature and result.

    Division by zero gives inf or NaN as NumPy does, rather than raising. A kernel checks nothing: the
    function around it makes sure of dtypes, equal lengths and order. A kernel may call kernels of its own
    file only, because the kept machine code does not notice a change in another file.
    """
    return cast(Callable[P, R], numba.njit(cache=True, nogil=True, error_model="numpy")(function))


@compiled
def _same(number: int) -> int:
    return number


def wake() -> None:
    """Have numba load what its first kernel loads: a while, best spent beside work that lets go of the interpreter."""
    _same(1)
