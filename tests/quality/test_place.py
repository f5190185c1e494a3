"""All checks on one place: which channels, which limits, no false alarms, no midnight effects."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import Bug
from pipeline.quality import Series, check_bit, check_names, edge_s, flag_place
from pipeline.quality.flags import Times, Values
from schemas.registers import Channel, Policy, QualityLimits
from tests.extent import examples

DAY_US = 86_400_000_000
POLICY = Policy()


def channel(
    name: str,
    *,
    quantity: str = "tension",
    kind: str = "load-pin",
    rate_hz: float = 10,
    capacity: float | None = 1500,
) -> Channel:
    return Channel.model_validate(
        dict(channel=name, quantity=quantity, kind=kind, rate_hz=rate_hz, capacity=capacity, place="hook-3")
    )


def moored(rate_hz: float, hours: float, rng: np.random.Generator, *, swell_kn: float, resolution_kn: float) -> Series:
    """Ordinary mooring motion: tide, slow drift, swell in groups, wind sea, a squall and a passing ship."""
    at_s = np.arange(0, hours * 3600, 1 / rate_hz) + rng.normal(0, 0.002 / rate_hz)
    tide = 60 * np.sin(2 * math.pi * at_s / 44_700)
    drift = 2 * swell_kn * np.sin(2 * math.pi * at_s / 95 + rng.uniform(0, 6))
    groups = 1 + 0.8 * np.sin(2 * math.pi * at_s / 140)
    swell = swell_kn * groups * np.sin(2 * math.pi * at_s / 11.3 + rng.uniform(0, 6))
    sea = 0.4 * swell_kn * np.sin(2 * math.pi * at_s / 5.1 + rng.uniform(0, 6))
    squall = 4 * swell_kn / (1 + np.exp(-(at_s - 1800) / 20)) * np.exp(-np.maximum(at_s - 1800, 0) / 900)
    passing = 5 * swell_kn * np.exp(-(((at_s - 5400) / 40) ** 2))
    noise = rng.normal(0, 0.3, at_s.size)
    kn = 220 + tide + drift + swell + sea + squall + passing + noise
    return Series(np.round(at_s * 1e6).astype(np.int64), np.round(kn / resolution_kn) * resolution_kn)


@pytest.mark.parametrize("kind", ["load-pin", "winch-brake", "other"])
@pytest.mark.parametrize("rate_hz", [10.0, 2.0, 1.0])
@pytest.mark.parametrize(("swell_kn", "resolution_kn"), [(60, 0.1), (20, 0.980665), (0.5, 0.980665), (4, 5)])
def test_ordinary_mooring_motion_raises_no_flag_at_any_rate(
    kind: str, rate_hz: float, swell_kn: float, resolution_kn: float
) -> None:
    rng = np.random.default_rng(20260301)
    channels = {name: channel(name, kind=kind, rate_hz=rate_hz) for name in ("fore", "aft", "spring")}
    series = {name: moored(rate_hz, 2, rng, swell_kn=swell_kn, resolution_kn=resolution_kn) for name in channels}
    flagged = flag_place(series, channels, POLICY, from_us=-DAY_US, to_us=DAY_US)
    for name in channels:
        assert set(flagged[name].flags.tolist()) == {1}


def test_a_faulty_sensor_is_suspect_and_its_samples_still_count() -> None:
    rng = np.random.default_rng(5)
    series = {
        "stuck": moored(10, 1, rng, swell_kn=30, resolution_kn=0.1),
        "dead": moored(10, 1, rng, swell_kn=30, resolution_kn=0.1),
        "jumpy": moored(10, 1, rng, swell_kn=30, resolution_kn=0.1),
        "short": moored(10, 1, rng, swell_kn=30, resolution_kn=0.1),
    }
    series["stuck"].value[6000:30_000] = 251.3
    series["dead"].value[10_000:] = np.random.default_rng(6).choice([0.0, 0.1], 26_000)
    series["jumpy"].value[500] += 900
    series["short"].value[20_000:20_100] = 1500.0
    flagged = flag_place(series, {name: channel(name) for name in series}, POLICY, from_us=-DAY_US, to_us=DAY_US)
    assert {int(one.flags.max()) for one in flagged.values()} == {3}
    # Flat after 900 s (9,000 samples), suspect to the end of the stretch.
    stuck = np.flatnonzero(flagged["stuck"].checks & check_bit("flat-line"))
    assert (stuck.min(), stuck.max()) == (15_000, 29_999)
    dead = np.flatnonzero(flagged["dead"].checks & check_bit("stuck-at-zero"))
    assert (dead.min(), dead.max()) == (16_000, 35_999)
    assert "spike" in check_names(int(flagged["jumpy"].checks[500]))
    assert "rate" in check_names(int(flagged["jumpy"].checks[500]))
    short = np.flatnonzero(flagged["short"].checks & check_bit("clipped"))
    assert (short.min(), short.max()) == (20_000, 20_099)


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(1, 200), st.sampled_from([0.0, 5, 5, 80, 149, 150, 290, 301, -30, -60, np.nan])),
        max_size=60,
    )
)
def test_nothing_but_the_impossible_and_an_open_brake_fails(steps: list[tuple[int, float]]) -> None:
    at_us = np.cumsum([step for step, _ in steps], dtype=np.int64) * 50_000
    value = np.array([kn for _, kn in steps], np.float64)
    series = {"pin": Series(at_us, value), "near": Series(at_us, value[::-1].copy())}
    channels = {name: channel(name, capacity=150) for name in series}
    flagged = flag_place(series, channels, POLICY, from_us=0, to_us=DAY_US)
    impossible = (value > 300) | (value < -37.5)
    assert ((flagged["pin"].flags == 4) == impossible).all()
    assert ((flagged["pin"].flags == 9) == np.isnan(value)).all()


def test_a_winch_gauge_fails_while_its_brake_is_open_and_a_load_pin_does_not() -> None:
    at_us = np.arange(6, dtype=np.int64) * 500_000
    tension = np.array([100, 101, 102, 103, 104, 105.0])
    brake = Series(at_us[::2] - 100_000, np.array([1, 0, 1.0]))
    for kind, expected in (("winch-brake", [1, 1, 4, 4, 1, 1]), ("load-pin", [1] * 6)):
        channels = {
            "pull": channel("pull", kind=kind, rate_hz=2),
            "brake": channel("brake", quantity="brake", kind="other", capacity=None, rate_hz=2),
        }
        series = {"pull": Series(at_us, tension), "brake": brake}
        flags = flag_place(series, channels, POLICY, from_us=0, to_us=DAY_US)["pull"].flags
        assert flags.tolist() == expected


def test_other_quantities_are_only_told_missing_from_not_evaluated() -> None:
    at_us = np.arange(3, dtype=np.int64) * 1_000_000
    payout = channel("payout", quantity="payout", kind="other", capacity=200)
    series = {"payout": Series(at_us, np.array([1e6, np.nan, -3]))}
    flags = flag_place(series, {"payout": payout}, POLICY, from_us=0, to_us=DAY_US)["payout"].flags
    assert flags.tolist() == [2, 9, 2]


def test_a_tension_channel_without_capacity_still_has_its_flat_line_checked() -> None:
    at_us = np.arange(2000, dtype=np.int64) * 1_000_000
    series = {"pin": Series(at_us, np.full(2000, 7.5))}
    pin = channel("pin", capacity=None, rate_hz=1)
    flagged = flag_place(series, {"pin": pin}, POLICY, from_us=0, to_us=DAY_US)["pin"]
    # Passed, not merely not evaluated: what no rope bears is checked without a capacity too.
    assert flagged.flags[:900].tolist() == [1] * 900
    assert set(flagged.flags[900:].tolist()) == {3}


def test_a_gauge_stuck_near_zero_is_flat_where_it_is_seen_to_move_there_and_nothing_itself_never_is() -> None:
    # Ten minutes of noise about a slack line's 2.5 kN, then 50 minutes of one reading; 0.5 % of 1500 kN is 7.5 kN.
    rng = np.random.default_rng(4)
    noise = np.round(2.5 + rng.normal(0.0, 0.3, 600), 1)
    at_us = np.arange(3600, dtype=np.int64) * 1_000_000
    pin, coarse = channel("pin", kind="winch-brake", rate_hz=1), np.full(600, 2.4)
    for before, stuck, told in ((noise, 2.4, True), (noise, 0.0, False), (coarse, 2.4, False)):
        series = {"pin": Series(at_us, np.concatenate((before, np.full(3000, stuck))))}
        flags = flag_place(series, {"pin": pin}, POLICY, from_us=0, to_us=DAY_US)["pin"].flags
        assert (flags[600 + 1210 :] == 3).any() == told
        assert not (flags[: 600 + 1190] == 3).any()


def test_a_slow_channel_is_not_silent_between_its_own_samples_nor_flat_after_a_few() -> None:
    # One reading in five minutes: longer than max_gap_s, and 900 s are but three of them.
    at_us = np.arange(40, dtype=np.int64) * 300_000_000
    series = {"pin": Series(at_us, np.full(40, 7.5))}
    pin = channel("pin", rate_hz=1 / 300)
    flags = flag_place(series, {"pin": pin}, POLICY, from_us=0, to_us=DAY_US)["pin"].flags
    assert flags.tolist() == [1] * 20 + [3] * 20


QUICK = Policy.model_validate(
    {
        "max_gap_s": 2,
        "quality": {
            "load-pin": QualityLimits(flat_s=3, zero_s=2, spike_pct=5, rate_pct_per_s=10, zero_pct=1).model_dump()
        },
    }
)


@settings(max_examples=examples(200), deadline=None)
@given(
    steps=st.lists(
        st.tuples(
            st.integers(1, 25),
            st.sampled_from([0.0, 0, 50, 50, 51, 90, np.nan, 100]),
            st.sampled_from([0, 9.0]),
        ),
        min_size=1,
        max_size=60,
    ),
    cut=st.integers(0, 60),
    extra_s=st.integers(0, 9),
)
def test_flags_are_the_same_whether_the_record_is_whole_or_cut_with_its_edges(
    steps: list[tuple[int, float, float]], cut: int, extra_s: int
) -> None:
    at_us: Times = np.cumsum([step for step, _, _ in steps], dtype=np.int64) * 100_000
    value: Values = np.array([kn for _, kn, _ in steps], np.float64)
    other: Values = np.array([kn for _, _, kn in steps], np.float64)
    channels = {"pin": channel("pin", capacity=100), "near": channel("near", capacity=100)}
    series = {"pin": Series(at_us, value), "near": Series(at_us, other)}
    border_us = int(at_us[min(cut, at_us.size - 1)])
    reach_us = round((edge_s(channels, QUICK) + extra_s) * 1e6)
    whole = flag_place(series, channels, QUICK, from_us=0, to_us=DAY_US)
    parts = []
    for from_us, to_us in ((0, border_us), (border_us, DAY_US)):
        near = (at_us >= from_us - reach_us) & (at_us < to_us + reach_us)
        cut_series = {name: Series(at_us[near], one.value[near]) for name, one in series.items()}
        parts.append(flag_place(cut_series, channels, QUICK, from_us=from_us, to_us=to_us))
    # Stuck-at-zero counts its neighbours' motion from no further back than the edge, so it alone may differ.
    judged = np.uint8(0xFF ^ check_bit("stuck-at-zero"))
    for name in channels:
        joined = np.concatenate([part[name].checks for part in parts])
        assert ((joined & judged) == (whole[name].checks & judged)).all()


def test_more_readings_than_the_edge_change_no_flag() -> None:
    rng = np.random.default_rng(11)
    at_us: Times = np.arange(-3000, 3000, dtype=np.int64) * 1_000_000
    zero = np.where(np.abs(at_us) < 2_900_000_000, 0.0, 50.0)
    series = {"pin": Series(at_us, zero), "near": Series(at_us, rng.uniform(0, 500, at_us.size))}
    channels = {name: channel(name, rate_hz=1) for name in series}
    reach_us = round(edge_s(channels, POLICY) * 1e6)
    near = (at_us >= -reach_us) & (at_us < 1_000_000_000 + reach_us)
    less = {name: Series(at_us[near], one.value[near]) for name, one in series.items()}
    flagged = [flag_place(known, channels, POLICY, from_us=0, to_us=1_000_000_000) for known in (series, less)]
    for name in channels:
        assert flagged[0][name].flags.tolist() == flagged[1][name].flags.tolist()
    assert set(flagged[0]["pin"].flags.tolist()) == {3}


def test_times_that_do_not_ascend_are_a_bug_and_not_a_flag() -> None:
    series = {"pin": Series(np.array([5, 5], np.int64), np.ones(2))}
    with pytest.raises(Bug, match="times of channel pin do not ascend"):
        flag_place(series, {"pin": channel("pin")}, POLICY, from_us=0, to_us=DAY_US)


def test_a_day_without_samples_has_no_flags() -> None:
    none = np.empty(0, np.int64)
    series = {"pin": Series(none, np.empty(0)), "near": Series(none, np.empty(0))}
    channels = {name: channel(name) for name in series}
    flagged = flag_place(series, channels, POLICY, from_us=0, to_us=DAY_US)
    assert flagged["pin"].flags.size == flagged["pin"].checks.size == 0


def test_what_no_rope_bears_is_impossible_also_without_a_capacity() -> None:
    at_us = np.arange(3, dtype=np.int64) * 1_000_000
    series = {"pin": Series(at_us, np.array([10.0, 1e200, -2e6]))}
    pin = channel("pin", capacity=None, rate_hz=1)
    assert flag_place(series, {"pin": pin}, POLICY, from_us=0, to_us=DAY_US)["pin"].flags.tolist() == [1, 4, 4]
