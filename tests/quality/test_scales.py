"""Channels that read a known factor of what their peers read."""

import dataclasses

import pytest

from pipeline.quality.scales import FACTORS, Gauge, Scaled
from pipeline.quality.scales import wrong_scales as told_of

LB_KN, KIP_KN, TF_KN = 0.0044482216152605, 4.4482216152605, 9.80665  # NIST SP 811


def berth() -> list[Gauge]:
    """Eight lines of two roles, hauled to about 100 kN and 90 kN; gauges of one kind with like noise."""
    return [
        Gauge(f"L{n}", f"H{n}", "spring" if n < 4 else "end", "load-pin", level, motion, 0.25, None, 1000.0)
        for n, (level, motion) in enumerate(
            [(100, 6.0), (92, 5.0), (110, 7.1), (104, 6.6), (90, 3.0), (95, 2.6), (84, 3.3), (88, 2.9)]
        )
    ]


def wrong_scales(gauges: list[Gauge]) -> list[Scaled]:
    return told_of(gauges, pretension_pct=10.0)


def scaled(gauge: Gauge, factor: float) -> Gauge:
    noise_kn = None if gauge.noise_kn is None else gauge.noise_kn * factor
    return dataclasses.replace(
        gauge, start_kn=gauge.start_kn * factor, motion_kn=gauge.motion_kn * factor, noise_kn=noise_kn
    )


def test_factors_are_those_of_the_units() -> None:
    assert FACTORS["tonnes of force read as kN"] == 1 / TF_KN
    assert FACTORS["kips read as kN"] == 1 / KIP_KN
    assert FACTORS["pounds of force read as kN"] == pytest.approx(1 / LB_KN)
    assert FACTORS["kips read as tonnes of force"] == pytest.approx(TF_KN / KIP_KN)


def test_gauges_that_agree_are_not_told() -> None:
    assert wrong_scales(berth()) == []


@pytest.mark.parametrize("words", sorted(FACTORS))
@pytest.mark.parametrize("which", [0, 5])
def test_each_factor_is_told_of_the_one_channel_that_has_it(words: str, which: int) -> None:
    gauges = berth()
    gauges[which] = scaled(gauges[which], FACTORS[words])
    [found] = wrong_scales(gauges)
    assert found.gauge.channel == f"H{which}"
    assert found.factor == pytest.approx(FACTORS[words], rel=0.15)


def test_a_line_hauled_harder_than_its_peers_is_no_wrong_scale() -> None:
    gauges = berth()
    gauges[0] = dataclasses.replace(gauges[0], start_kn=210.0, motion_kn=13.0)
    assert wrong_scales(gauges) == []


def test_a_noisy_gauge_that_reads_as_its_peers_do_is_no_wrong_scale() -> None:
    gauges = berth()
    gauges[0] = dataclasses.replace(gauges[0], noise_kn=2.5)
    assert wrong_scales(gauges) == []


@pytest.mark.parametrize(("hauled_to", "told"), [(0.35, True), (0.45, False)])
def test_motion_and_noise_tell_a_line_hauled_to_less_unless_it_then_reads_as_the_others_do(
    hauled_to: float, told: bool
) -> None:
    gauges = berth()
    doubled = scaled(gauges[0], 2.0)
    # Some half of what the others bear, read twice, is what they bear: nothing but motion would speak for a factor.
    gauges[0] = dataclasses.replace(doubled, start_kn=doubled.start_kn * hauled_to, motion_kn=doubled.motion_kn * 0.8)
    assert [found.gauge.channel for found in wrong_scales(gauges)] == (["H0"] if told else [])


def test_a_plan_for_a_slacker_line_takes_the_suspicion_from_it() -> None:
    gauges = [dataclasses.replace(gauge, planned_kn=100.0) for gauge in berth()]
    slack = dataclasses.replace(gauges[0], start_kn=20.0, motion_kn=4.0, noise_kn=None)
    assert wrong_scales([dataclasses.replace(slack, planned_kn=20.0), *gauges[1:]]) == []


def test_with_half_of_the_channels_off_the_sound_ones_are_not_told() -> None:
    gauges = [scaled(gauge, 1 / TF_KN) if n % 2 else gauge for n, gauge in enumerate(berth())]
    assert [found.gauge.channel for found in wrong_scales(gauges)] == ["H1", "H3", "H5", "H7"]


def test_one_line_without_peers_is_held_against_nothing() -> None:
    assert wrong_scales([scaled(berth()[0], 1 / TF_KN)]) == []
    assert wrong_scales([scaled(berth()[0], 1 / TF_KN), berth()[1]]) == []
