"""The thresholds by which truth is told, in one literal table; percentages of load are of ship design MBL.

House rules, no published source. They are written here a second time on purpose: the program has its own, and
truth that read the program's policy could not contradict it.
"""

from __future__ import annotations

from typing import Final

POLICY: Final[dict[str, float]] = {
    "max_gap_s": 10.0,
    "peak_load_pct": 50.0,
    "cluster_gap_s": 60.0,  # excursions closer than this are one event: peak-load, brake-held
    "slack_pct": 1.0,  # or, if that is more, twice the uncertainty of the zero
    "gauge_uncertainty_pct": 1.0,  # of its capacity, as the calibration register says
    "slack_join_s": 10.0,
    "snap_near_slack": 2.0,  # times the slack level
    "snap_within_s": 2.0,
    "snap_rise_pct": 15.0,
    "snap_rate_pct_per_s": 10.0,
    "snap_peak_s": 10.0,
    "sustained_pct": 25.0,
    "sustained_share": 0.9,
    "sustained_bins": 3.0,
    "pretension_pct": 10.0,  # where the rigging register plans none
    "pretension_share": 0.5,
    "pretension_bins": 2.0,
    "bin_s": 600.0,
    "bin_observed": 0.8,
    "loss_from_pct": 5.0,
    "loss_from_mean": 0.5,
    "loss_mean_s": 60.0,
    "loss_stay_s": 10.0,  # a load that is back sooner was not lost: a trough of the longest swell lasts so long
    "surge_min_pct": 3.0,  # of means over a minute and a half
    "surge_times": 5.0,  # the usual spread of those
    "render_min_pct": 15.0,
    "render_rate_m_s": 0.01,
    "render_join_s": 5.0,
    "render_min_payout_m": 0.05,
    "render_window_s": 2.0,
    "loaded_pct": 0.25,  # a mean over three minutes: less is a line that hangs slack
    "loaded_s": 180.0,
    "rigging_time_s": 600.0,
    "clock_offset_s": 2.0,
    "verdict_early": 0.9,
    "verdict_late": 1.1,
}
