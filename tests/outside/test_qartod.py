"""Outside checks 41-47: QARTOD flags as IOOS publishes them, and OPC DA quality.

Source of 41-46: the library ioos_qc 3.0.0, run; its flags for seeded records are kept in ioos_qc_flags.json.
Where ours differ, and why (DESIGN, Flags):

- spike, rate and flat line give at most 3, so that a fail of theirs is a suspect of ours: a snapped, rendered
  or parted line looks like a fault, and what is flagged 4 would not count as tension;
- a sample with nothing before it to be held against is 2, not evaluated, where theirs passes (rate, flat);
- a rate is taken from the latest reading before a missing one, where theirs lets the reading after it pass;
- at capacity is clipped (3), where their suspect span lets its own bound pass;
- a flat line passes over missing readings, where theirs calls no window that holds one flat: so the records
  compared have none;
- time is in microseconds, where theirs cuts intervals to whole seconds and below one second divides by 0: so
  the comparison is at whole seconds, and the last test shows our rule at 10 Hz.
"""

import itertools
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.quality import aggregate, clipped, flat_line, gross_range, rate, spike, status_code
from pipeline.quality.flags import Flags, Times, Values


def seconds(count: int) -> Times:
    return np.arange(count, dtype=np.int64) * 1_000_000


def at_most_suspect(flags: list[int]) -> list[int]:
    return [3 if flag == 4 else flag for flag in flags]


@dataclass(frozen=True)
class Case:
    """A record and what ioos_qc 3.0.0 said of it."""

    limits: dict[str, float]
    at_us: Times
    value: Values
    flags: list[int]


def cases(check: str) -> list[Case]:
    kept: list[dict[str, Any]] = json.loads(Path(__file__).with_name("ioos_qc_flags.json").read_text(encoding="utf-8"))
    found = []
    for one in kept:
        if one["check"] == check:
            value = np.array([np.nan if kn is None else kn for kn in one["value"]], np.float64)
            found.append(Case(one["limits"], seconds(value.size), value, one["flags"]))
    # A record without a flag of each kind would prove little.
    assert len(found) >= 12
    assert any(3 in case.flags for case in found) or check == "gross-range"
    return found


def test_41_flags_have_the_published_precedence() -> None:
    # 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing; precedence from low to high 9, 2, 1, 3, 4.
    for low, high in itertools.pairwise([9, 2, 1, 3, 4]):
        pair = [np.array([low], np.int8), np.array([high], np.int8)]
        assert aggregate(pair).tolist() == aggregate(pair[::-1]).tolist() == [high]


def test_42_gross_range_gives_the_published_flags() -> None:
    # Fail span (0, 500), suspect span (10, 300): theirs is 4 3 1 1 3 4 9.
    value = np.array([-20, 0, 50, 150, 350, 600, np.nan])
    ours = aggregate([gross_range(value, low=0.0, high=500.0), clipped(value, capacity=300.0)])
    # 0 kN is no suspect of ours: tautlog has no lower suspect bound, a slack line reads zero.
    assert ours.tolist() == [4, 1, 1, 1, 3, 4, 9]


def test_42_gross_range_equals_the_library() -> None:
    for case in cases("gross-range"):
        ours = gross_range(case.value, low=case.limits["low"], high=case.limits["high"])
        assert ours.tolist() == case.flags


def test_42_clipping_is_the_librarys_upper_suspect_bound_with_the_bound_itself() -> None:
    for case in cases("suspect-above"):
        high = case.limits["high"]
        expected = [3 if kn == high else flag for kn, flag in zip(case.value, case.flags, strict=True)]
        assert clipped(case.value, capacity=high).tolist() == expected


def test_43_spike_gives_the_published_flags_but_no_fail() -> None:
    # Suspect above 3, fail above 8; the neighbours of a large spike are flagged too.
    value = np.array([10, 10, 10, 20, 10, 10, 14, 10, 10, np.nan, 10])
    published = [2, 1, 3, 4, 3, 1, 3, 1, 2, 9, 2]
    ours = spike(seconds(value.size), value, limit=3.0, max_gap_s=2.0)
    assert ours.tolist() == at_most_suspect(published)


def test_43_spike_equals_the_library_at_even_times() -> None:
    for case in cases("spike"):
        ours = spike(case.at_us, case.value, limit=case.limits["suspect"], max_gap_s=2.0)
        assert ours.tolist() == at_most_suspect(case.flags)


def test_44_rate_gives_the_published_flags_but_for_the_first_sample() -> None:
    # More than 5 a second: theirs is 1 1 3 1 1.
    ours = rate(seconds(5), np.array([10, 12, 30, 31, 31.0]), limit_per_s=5.0, max_gap_s=10.0)
    assert ours.tolist() == [2, 1, 3, 1, 1]


def test_44_rate_equals_the_library_where_a_reading_precedes() -> None:
    for case in cases("rate"):
        ours = rate(case.at_us, case.value, limit_per_s=case.limits["per_s"], max_gap_s=10.0)
        preceded = np.flatnonzero(~np.isnan(case.value[:-1])) + 1
        assert ours[preceded].tolist() == [case.flags[index] for index in preceded]


def test_45_flat_line_gives_the_published_flags_but_no_fail() -> None:
    # Suspect after 3 s, fail after 5 s, within 0.01: theirs is 1 1 1 1 1 3 3 4 4 4 1 1.
    value = np.array([1, 2, 3, 3, 3, 3, 3, 3, 3, 3, 4, 5.0])
    ours = flat_line(seconds(12), value, tolerance=0.01, flat_s=3.0, max_gap_s=10.0)
    assert ours.tolist() == [2, 1, 1, 1, 1, 3, 3, 3, 3, 3, 1, 1]


def test_45_flat_line_equals_the_library_on_records_without_missing_readings() -> None:
    for case in cases("flat-line"):
        ours = flat_line(
            case.at_us,
            case.value,
            tolerance=case.limits["tolerance"],
            flat_s=case.limits["suspect_s"],
            max_gap_s=10.0,
        )
        assert ours.tolist() == [2, *at_most_suspect(case.flags)[1:]]


def test_46_aggregate_gives_the_published_flags() -> None:
    flags: list[Flags] = [np.array(one, np.int8) for one in ([1, 1, 1, 1, 9], [1, 3, 2, 4, 9], [1, 1, 1, 3, 2])]
    assert aggregate(flags).tolist() == [1, 3, 1, 4, 2]


@pytest.mark.parametrize(
    ("words", "flag"),
    [
        ({192: "good"}, 1),
        ({64: "uncertain", 68: "last usable", 80: "sensor inaccurate", 84: "range exceeded"}, 3),
        ({0: "bad", 4: "configuration", 8: "not connected", 12: "device", 16: "sensor"}, 4),
        ({20: "last known", 24: "communication", 28: "out of service"}, 4),
        # Good by its bits, but a value set by hand: a house rule makes it suspect.
        ({216: "local override"}, 3),
    ],
)
def test_47_opc_da_quality_is_good_uncertain_or_bad_by_its_two_high_bits(words: dict[int, str], flag: int) -> None:
    # Source: OPC UA Part 8, A.3.2.3, read at reference.opcfoundation.org; layout QQSSSSLL, test q & 0xC0.
    quality = np.array(list(words))
    assert set(status_code(quality).tolist()) == {flag}
    # The two low bits tell a limit, and bits above the byte are the vendor's: neither changes the flag.
    assert set(status_code(quality | 0b11 | 0xA500).tolist()) == {flag}


def test_at_ten_hertz_our_rate_is_per_second_and_our_flat_line_lasts_seconds() -> None:
    # The library cannot be asked here (see above); the figures are worked by hand.
    at_us = np.arange(40, dtype=np.int64) * 100_000
    ramp: Values = np.arange(40, dtype=np.float64) * 0.6
    assert set(rate(at_us, ramp, limit_per_s=5.0, max_gap_s=10.0)[1:].tolist()) == {3}
    assert set(rate(at_us, ramp, limit_per_s=6.1, max_gap_s=10.0)[1:].tolist()) == {1}
    flat = flat_line(at_us, np.full(40, 7.0), tolerance=0.0, flat_s=3.0, max_gap_s=10.0)
    assert flat.tolist() == [2] + [1] * 29 + [3] * 10
