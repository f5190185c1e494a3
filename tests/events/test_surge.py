"""Surge: a slow pulse of the signs of a passing ship is found, whatever cuts it; what only resembles it is not."""

import json
import math
import statistics
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.events.surge import EDGE_BINS, Series, Surge, join, surges
from pipeline.events.surge_kernel import running_median
from tests.events.moored import BASE_KN, LINES, RULES, SQUALL, Values, found, lobe, moored, passing, slackened

BINS = 1000
S = 1_000_000


def twice(bins: int, begin: int, length: int, kn: float) -> Values:
    """A lobe, and its opposite at once after it."""
    return lobe(bins, begin, length, kn) - lobe(bins, begin + length, length, kn)


def block(begin: int, length: int) -> Values:
    """60 kN for so many bins, at once there and at once gone, as winches move a ship."""
    out = np.zeros(BINS)
    out[begin : begin + length] = 60.0
    return out


def test_a_passing_ship_is_one_surge_with_the_lines_and_their_signs() -> None:
    (event,) = found(moored(BINS, passing(BINS, 500)))
    assert set(event.lines) == {"L01", "L02", "L04", "L05", "L07", "L08"}
    assert abs(event.from_us - 5000 * S) <= 20 * S
    assert abs(event.to_us - 5200 * S) <= 20 * S
    assert event.greatest_line == event.most_loaded_line == "L04"
    for name, share in event.lines.items():
        assert share.rise_kn > 0.0 > share.fall_kn, name
        assert abs(share.rise_kn - 60.0 * abs(LINES[name][1])) < 6.0
        assert share.role == LINES[name][0]


def test_the_sign_of_each_line_is_that_of_its_larger_change() -> None:
    (event,) = found(
        moored(BINS, lambda name, role, sign: sign * (lobe(BINS, 500, 12, 50.0) - 0.8 * lobe(BINS, 512, 12, 50.0)))
    )
    assert {name: math.copysign(1, share.change_kn) for name, share in event.lines.items()} == {
        name: math.copysign(1, LINES[name][1]) for name in event.lines
    }
    assert event.most_loaded_line == "L05"


def test_the_peak_is_the_highest_tension_of_the_most_loaded_line() -> None:
    series = moored(BINS, passing(BINS, 500))
    (event,) = found(series)
    line = next(one for one in series if one.line == event.most_loaded_line)
    share = event.lines[line.line]
    assert share.peak_kn == np.max(line.high_kn[480:540])
    assert line.high_kn[share.peak_us // (10 * S)] == share.peak_kn


@pytest.mark.parametrize(
    "motion",
    [
        pytest.param(lambda name, role, sign: SQUALL[role] * lobe(BINS, 500, 20, 150.0), id="squall"),
        pytest.param(lambda name, role, sign: SQUALL[role] * twice(BINS, 500, 12, 100.0), id="gusts"),
        pytest.param(lambda name, role, sign: sign * lobe(BINS, 500, 12, 60.0), id="one pull and none back"),
        pytest.param(lambda name, role, sign: -SQUALL[role] * lobe(BINS, 500, 20, 80.0), id="tug push"),
        pytest.param(lambda name, role, sign: sign * block(500, 9), id="hauled along, let back soon"),
        pytest.param(lambda name, role, sign: sign * block(500, 15), id="hauled along, let back"),
        pytest.param(lambda name, role, sign: sign * np.linspace(0.0, 200.0, BINS), id="tide"),
        pytest.param(lambda name, role, sign: sign * np.where(np.arange(BINS) < 500, 0.0, 60.0), id="step"),
        pytest.param(lambda name, role, sign: sign * twice(BINS, 450, 60, 60.0), id="over 300 s"),
        pytest.param(lambda name, role, sign: sign * twice(BINS, 500, 1, 60.0), id="under 20 s"),
        pytest.param(lambda name, role, sign: sign * twice(BINS, 500, 10, 9.0), id="below the floor"),
        pytest.param(
            lambda name, role, sign: twice(BINS, 500, 10, 60.0) if role == "head" else np.zeros(BINS), id="tending"
        ),
        pytest.param(
            lambda name, role, sign: (
                twice(BINS, 500, 10, 60.0) * {"head": 1, "stern": -1, "breast": 0.5, "spring": 0}[role]
            ),
            id="a tug turns her",
        ),
        pytest.param(
            lambda name, role, sign: 60.0 * sign * np.sin(2 * np.pi * np.arange(BINS) / 12), id="she surges all day"
        ),
    ],
)
def test_what_only_resembles_a_passing_ship_is_no_surge(motion: object) -> None:
    assert callable(motion)
    assert found(moored(BINS, motion)) == []


def test_lines_that_hang_slack_pulse_one_after_the_other_and_are_one_surge() -> None:
    (event,) = found(slackened(moored(BINS, passing(BINS, 500, length=15, kn=100.0))))
    assert set(event.lines) == {"L01", "L02", "L04", "L05", "L07", "L08"}
    assert all(share.rise_kn > 60.0 for share in event.lines.values())
    assert abs(event.from_us - 5000 * S) <= 40 * S
    assert abs(event.to_us - 5300 * S) <= 40 * S


def test_gusts_of_a_squall_are_no_surge_of_slack_lines_either() -> None:
    gusts = lobe(BINS, 500, 15, 100.0) + 0.7 * lobe(BINS, 515, 15, 100.0)
    assert found(slackened(moored(BINS, lambda name, role, sign: SQUALL[role] * gusts))) == []


def test_breasts_that_move_far_more_than_all_others_make_it_no_surge() -> None:
    def motion(name: str, role: str, sign: float) -> Values:
        return twice(BINS, 500, 10, 200.0) if role == "breast" else sign * twice(BINS, 500, 10, 60.0)

    assert found(moored(BINS, motion)) == []


def test_two_lines_on_one_hook_are_one_witness() -> None:
    series = [one for one in moored(BINS, passing(BINS, 500)) if one.line in ("L04", "L05", "L08")]
    assert len(found(series)) == 1
    shared = [replace(one, channel="one") if one.line != "L05" else one for one in series]
    assert found(shared) == []


def test_two_channels_tell_a_surge_where_a_third_moves_if_only_at_once() -> None:
    series = {one.line: one for one in moored(BINS, passing(BINS, 500, length=15))}
    still = moored(BINS, {})[7]
    lost = replace(still, mean_kn=np.where(np.arange(BINS) < 508, still.mean_kn, 0.0))
    (event,) = found([series["L01"], series["L04"], lost])
    assert set(event.lines) == {"L01", "L04"}
    assert found([series["L01"], series["L04"], still]) == []


def test_lines_that_slip_as_a_ship_passes_leave_their_pulse_to_be_seen_by_the_others() -> None:
    def motion(name: str, role: str, sign: float) -> Values:
        slipped = np.where(np.arange(BINS) < 506, 0.0, -70.0) if role in ("spring", "stern") else np.zeros(BINS)
        return sign * twice(BINS, 500, 10, 100.0) + slipped

    (event,) = found(moored(BINS, motion))
    assert {"L01", "L02"} <= set(event.lines)


def test_without_springs_head_against_stern_is_enough() -> None:
    series = [one for one in moored(BINS, passing(BINS, 500)) if one.role != "spring"]
    assert len(found(series)) == 1


def test_a_gap_in_one_line_leaves_the_others_to_tell() -> None:
    series = moored(BINS, passing(BINS, 500))
    silent = replace(series[3], mean_kn=np.full(BINS, np.nan), high_kn=np.full(BINS, np.nan))
    (event,) = found([*series[:3], silent, *series[4:]])
    assert "L04" not in event.lines


@pytest.mark.parametrize("length", [7, 12, 20, 30])
def test_half_a_sine_each_way_of_one_to_five_minutes_a_lobe_is_a_surge(length: int) -> None:
    assert len(found(moored(BINS, passing(BINS, 500, length=length, kn=100.0)))) == 1


@pytest.mark.parametrize(
    "own",
    [
        pytest.param(lambda at: np.where(at < 508, 0.0, -115.0), id="lost"),
        pytest.param(lambda at: np.where((at > 503) & (at < 520), 150.0, 0.0), id="hove in and let back"),
        pytest.param(lambda at: 100.0 * np.sin(at), id="a gauge gone wild"),
    ],
)
def test_a_line_that_does_something_else_meanwhile_is_left_out_of_a_surge(own: object) -> None:
    assert callable(own)
    series = moored(BINS, passing(BINS, 500))
    strange = series[0].mean_kn - passing(BINS, 500)("L01", "head", 1.0) + own(np.arange(BINS))
    (event,) = found([replace(series[0], mean_kn=strange, high_kn=strange + 5.0), *series[1:]])
    assert set(event.lines) == {"L02", "L04", "L05", "L07", "L08"}


@settings(deadline=None, max_examples=25)
@given(
    st.lists(st.tuples(st.integers(100, 1500), st.integers(3, 25), st.floats(30.0, 90.0)), max_size=4),
    st.lists(st.integers(1, 1599), max_size=4, unique=True).map(sorted),
    st.integers(0, 10_000),
    st.lists(st.tuples(st.sampled_from(sorted(LINES)), st.integers(0, 1599), st.integers(1, 300)), max_size=3),
    st.randoms(),
)
def test_however_a_record_is_cut_the_joined_parts_are_the_whole(
    pulses: list[tuple[int, int, float]],
    cuts: list[int],
    start_bin: int,
    gaps: list[tuple[str, int, int]],
    order: object,
) -> None:
    bins = 1600
    motion = sum((twice(bins, b, min(n, (bins - b) // 2), kn) for b, n, kn in pulses), np.zeros(bins))
    series = moored(bins, lambda name, role, sign: sign * motion, seed=len(pulses))
    for name, begin, length in gaps:
        next(one for one in series if one.line == name).mean_kn[begin : begin + length] = np.nan
    whole = found(series, start_bin=start_bin)
    parts: list[Surge] = []
    for first, last in zip([0, *cuts], [*cuts, bins], strict=True):
        near = slice(max(first - EDGE_BINS, 0), min(last + EDGE_BINS, bins))
        cut = [replace(one, mean_kn=one.mean_kn[near], high_kn=one.high_kn[near]) for one in series]
        parts += surges(
            "S1", cut, RULES, start_bin=start_bin + near.start, first=first - near.start, last=last - near.start
        )
    order.shuffle(parts)  # type: ignore[attr-defined]
    assert join(parts, join_s=RULES.join_s) == whole
    assert join(whole, join_s=RULES.join_s) == whole


def test_marks_survive_json_to_the_last_bit() -> None:
    (event,) = found(moored(BINS, passing(BINS, 500)))
    assert Surge.from_payload(json.loads(json.dumps(event.to_payload()))) == event


def test_a_line_without_a_floor_to_stand_on_is_not_told_of() -> None:
    nothing = Series("L01", "c", "head", BASE_KN, np.full(BINS, np.nan), np.full(BINS, np.nan))
    assert found([nothing]) == []


@settings(deadline=None)
@given(
    st.lists(st.one_of(st.just(math.nan), st.sampled_from([0.0, 1.0, 2.0]), st.floats(-1e3, 1e3)), max_size=40),
    st.integers(0, 6),
    st.integers(1, 5),
)
def test_the_running_median_is_that_of_each_window(values: list[float], half: int, least: int) -> None:
    made = running_median(np.array(values, np.float64), half, least)
    for i, got in enumerate(made.tolist()):
        before, after = (
            [v for v in part if not math.isnan(v)]
            for part in (values[max(i - half, 0) : i + 1], values[i : i + half + 1])
        )
        held = before[:-1] + after if not math.isnan(values[i]) else before + after
        known = min(len(before), len(after)) >= least
        assert got == statistics.median(held) if known else math.isnan(got)
