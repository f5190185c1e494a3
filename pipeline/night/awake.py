"""Imported by the server that worker processes are forked from: loads, once for all, what their first job waits for.

Loading leaves two threads, OpenBLAS's and that of Arrow's allocator; both libraries see to a fork themselves. Nothing
here may start another: a pool of threads does not survive one.
"""

import ctypes
import gc
import sys

from pipeline.events import brake_slips
from pipeline.night import account, place_day, reading, warm
from pipeline.store import columns

__all__ = ["account", "brake_slips", "place_day", "reading"]

M_TRIM_THRESHOLD, M_TOP_PAD, M_MMAP_THRESHOLD = -1, -2, -3
"""Of glibc's mallopt(3)."""
GIB = 1 << 30


def keep_memory() -> None:
    """Have the allocator keep what it once got, rather than give it back after every array and fetch it page by page:
    the same sizes come again with each piece and each day. Elsewhere than on glibc nothing is done.
    """
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        for option, value in ((M_MMAP_THRESHOLD, GIB), (M_TRIM_THRESHOLD, GIB), (M_TOP_PAD, GIB >> 4)):
            mallopt(option, value)


class Hidden:
    """A finder that has libraries taken for not installed."""

    def __init__(self, *names: str) -> None:
        self._names = names

    def find_spec(self, name: str, path: object = None, target: object = None) -> None:
        if name in self._names:
            raise ModuleNotFoundError(f"{name} is not looked for here", name=name)


keep_memory()
# Where it is installed, numba loads scipy, for its linear algebra, and Arrow pandas, to know its tables: half a second
# for what no job uses.
sys.meta_path.insert(0, hidden := Hidden("scipy", "pandas"))
warm.load_sheet_kernels()
columns.wake()
sys.meta_path.remove(hidden)
# What is loaded is never garbage: collecting it would touch, and so copy, every page the workers share.
gc.collect()
gc.freeze()
