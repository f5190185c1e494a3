"""Imported by the server that worker processes are forked from: loads, once for all, what their first job waits for.

It starts no thread, so that forking it is safe.
"""

import ctypes
import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date

import numpy as np

from pipeline.events import brake_slips
from pipeline.night import account, place_day, reading
from pipeline.sheets.fold import EMPTY, fold
from pipeline.sheets.sheet import Slice, make_sheet
from pipeline.wear.fatigue import life_units
from schemas.registers import FatigueCurve

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


@contextmanager
def no_scipy() -> Iterator[None]:
    """Where scipy is installed numba loads it for its linear algebra, of which there is none here: a fifth of a second.

    A module that stands as None among the loaded ones is told as not installed.
    """
    hidden = "scipy" not in sys.modules
    if hidden:
        sys.modules["scipy"] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        if hidden:
            del sys.modules["scipy"]


def load_kernels() -> None:
    """Load the compiled loops that every night needs, by a day of four samples."""
    piece = Slice("T", "T", date(2026, 1, 1), 0, 4_000_000, False, False, 1.0, 2.0)
    kn = np.array([1.0, 3.0, 1.0, 2.0])
    sheet = make_sheet(piece, np.arange(4) * 1_000_000, kn, kn > 0.0, kn > 2.0, after_us=None, max_gap_us=10_000_000)
    fold(EMPTY, sheet)
    curve = FatigueCurve(a=3.0, b=0.0, m=5.0, source="none: nothing is posted")
    life_units(sheet.low_kn, sheet.high_kn, sheet.count, break_force_kn=100.0, curve=curve)


keep_memory()
with no_scipy():
    load_kernels()
# What is loaded is never garbage: collecting it would touch, and so copy, every page the workers share.
gc.collect()
gc.freeze()
