"""Compiled inner loops: the one place that knows numba.

A kernel is a plain function over scalars and NumPy arrays, written as the loop that it is. Its machine code
is kept beside the source, so that only a first run compiles; the interpreter lock is let go meanwhile. There
is no fast-math: a sum or a power has the same digits as the same expression in Python.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import update_wrapper
from typing import Any, Generic, ParamSpec, TypeVar, cast

P = ParamSpec("P")
R = TypeVar("R")


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """`function` compiled at its first call for the types it is called with; same name, signature and result.

    Division by zero gives inf or NaN as NumPy does, rather than raising. A kernel checks nothing: the
    function around it makes sure of dtypes, equal lengths and order. A kernel may call kernels of its own
    file only, because the kept machine code does not notice a change in another file.
    """
    return cast(Callable[P, R], _Kernel(function))


class _Kernel(Generic[P, R]):
    """A kernel until its first call, and the door to it afterwards: who calls none never waits for numba to load."""

    def __init__(self, function: Callable[P, R]) -> None:
        self._function = function
        self._machine: Callable[P, R] | None = None
        update_wrapper(self, function)

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        if self._machine is None:
            self._load_file()
        assert self._machine is not None
        return self._machine(*args, **kwargs)

    def _load_file(self) -> None:
        """Give every kernel of this one's file its machine code: numba finds those that a kernel calls by name."""
        import numba

        names: dict[str, Any] = self._function.__globals__
        for name, kernel in list(names.items()):
            if isinstance(kernel, _Kernel) and kernel._function.__globals__ is names:
                kernel._machine = numba.njit(cache=True, nogil=True, error_model="numpy")(kernel._function)
                names[name] = kernel._machine
