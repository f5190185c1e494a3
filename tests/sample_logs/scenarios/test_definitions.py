"""Truth by definition, on records short enough to reckon by hand. Ship design MBL 1000 kN: 1 % is 10 kN."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sample_logs.scenarios.definitions import (
    Series,
    joined,
    peak_loads,
    pretension_losses,
    runs,
    slacks,
    snap_loads,
    sustained_loads,
)

MINUTE = 600  # steps of 0.1 s


def _series(kn: NDArray[np.float64], *, gone: int | None = None) -> Series:
    steps = len(kn)
    return Series(
        kn=kn,
        mbl_kn=1000.0,
        tol_kn=1.0,
        rigged=(0, steps),
        gone=steps if gone is None else gone,
        phase=(0, steps),
        stamp_us=np.arange(steps, dtype=np.int64) * 100_000,
        seen=np.ones(steps, dtype=np.bool_),
        planned_kn=100.0,
        slack_kn=10.0,
        zero_kn=0.0,
    )


def test_runs_are_joined_only_when_they_are_less_than_the_join_apart() -> None:
    mask = np.zeros(100, dtype=np.bool_)
    mask[[10, 11, 40, 60]] = True
    assert runs(mask) == [(10, 11), (40, 40), (60, 60)]
    assert joined(runs(mask), 2.0) == [(10, 11), (40, 40), (60, 60)]
    assert joined(runs(mask), 2.1) == [(10, 11), (40, 60)]


def test_a_dip_to_half_a_percent_is_one_slack_and_a_dip_at_the_level_counts_either_way() -> None:
    kn = np.full(3000, 100.0)
    kn[1000:1020] = 5.0
    kn[2000:2020] = 9.5
    found = slacks(_series(kn))
    assert [(f.first, f.last, f.sure) for f in found] == [(1000, 1019, True), (2000, 2019, False)]


def test_a_line_that_is_slack_until_it_is_let_go_was_not_loaded_after() -> None:
    kn = np.full(3000, 100.0)
    kn[2000:] = 2.0
    assert slacks(_series(kn)) == []


def test_out_of_slack_to_a_fifth_of_the_mbl_in_a_second_is_a_snap_and_in_three_seconds_none() -> None:
    kn = np.full(3000, 100.0)
    kn[1000:1010] = 5.0
    kn[1010:1020] = np.linspace(25.0, 200.0, 10)  # past 150 kN within 0.8 s of the last reading below 20 kN
    kn[2000:2010] = 5.0
    kn[2010:2040] = np.linspace(21.0, 200.0, 30)
    found = snap_loads(_series(kn))
    assert [(f.first, f.top, f.sure) for f in found] == [(1009, 1019, True)]


def test_a_peak_load_is_above_half_of_the_mbl_and_peaks_a_minute_apart_are_two() -> None:
    kn = np.full(4000, 100.0)
    kn[500], kn[1000], kn[3000] = 520.0, 560.0, 540.0
    found = peak_loads(_series(kn))
    assert [(f.first, f.last, f.top, f.sure) for f in found] == [(500, 1000, 1000, True), (3000, 3000, 3000, True)]


def test_three_whole_bins_above_a_quarter_are_sustained_and_two_are_not() -> None:
    kn = np.full(80 * MINUTE, 100.0)
    kn[10 * MINUTE : 30 * MINUTE] = 300.0
    assert sustained_loads(_series(kn)) == []
    kn[30 * MINUTE : 39 * MINUTE + 30] = 300.0  # 9.05 of ten minutes: 90.5 %, near the 90 % that counts
    found = sustained_loads(_series(kn))
    assert [(f.first, f.last, f.sure) for f in found] == [(10 * MINUTE, 40 * MINUTE, False)]
    kn[30 * MINUTE : 40 * MINUTE] = 300.0
    found = sustained_loads(_series(kn))
    assert [(f.first, f.last, f.sure) for f in found] == [(10 * MINUTE, 40 * MINUTE, True)]


def test_two_bins_below_half_of_the_planned_pretension_are_a_loss_of_it() -> None:
    kn = np.full(60 * MINUTE, 100.0)
    kn[15 * MINUTE : 40 * MINUTE] = 30.0  # the bin from minute 10 has a mean of 65 kN
    found = pretension_losses(_series(kn))
    assert [(f.first, f.last, f.sure) for f in found] == [(20 * MINUTE, 40 * MINUTE, True)]


def test_what_follows_the_loss_of_a_line_is_told_as_hidden_by_it() -> None:
    kn = np.full(60 * MINUTE, 100.0)
    kn[20 * MINUTE :] = 0.0
    found = pretension_losses(_series(kn, gone=20 * MINUTE))
    assert [(f.sure, f.detail["masked"]) for f in found] == [(False, "lost")]
