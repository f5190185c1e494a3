"""Loads compiled loops before the first job needs them, by a day of four samples: it takes a while, once a process."""

from datetime import date

import numpy as np

from pipeline.quality import Series, flag_place
from pipeline.sheets.fold import EMPTY, fold
from pipeline.sheets.sheet import Slice, make_sheet
from pipeline.store.scaled import unscaled
from pipeline.wear.fatigue import life_units
from schemas.registers import Channel, FatigueCurve, Policy

AT_US = np.arange(4) * 1_000_000
KN = np.array([1.0, 3.0, 1.0, 2.0])


def load_sheet_kernels() -> None:
    """Those of sheets, fold and wear."""
    piece = Slice("T", "T", date(1970, 1, 1), 0, 4_000_000, False, False, 1.0, 2.0)
    sheet = make_sheet(piece, AT_US, KN, KN > 0.0, KN > 2.0, after_us=None, max_gap_us=10_000_000)
    fold(EMPTY, sheet)
    curve = FatigueCurve(a=3.0, b=0.0, m=5.0, source="none: nothing is posted")
    life_units(sheet.low_kn, sheet.high_kn, sheet.count, break_force_kn=100.0, curve=curve)


def load_flag_kernels(_: int) -> None:
    """Those of reading samples back and flagging them: a worker's job, best done while it would wait."""
    unscaled(np.array([100, 300], np.int32), 2)
    channel = Channel(channel="T", quantity="tension", kind="load-pin", rate_hz=1.0, capacity=10.0, place="T")
    flag_place({"T": Series(AT_US, KN)}, {"T": channel}, Policy(), from_us=0, to_us=4_000_000)
