"""How checks make one flag, which flags count as tension, and flags packed as runs."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import Bug
from pipeline.quality import (
    CHECKS,
    aggregate,
    brake_open,
    check_bit,
    check_names,
    combine,
    flag_runs,
    spread,
    status_code,
    usable,
)

FLAG = st.sampled_from([1, 2, 3, 4, 9])
PRECEDENCE = [9, 2, 1, 3, 4]


@settings(deadline=None)  # the first call compiles
@given(st.integers(1, 7).flatmap(lambda k: st.lists(st.lists(FLAG, min_size=k, max_size=k), max_size=20)))
def test_the_flag_of_a_sample_is_the_highest_in_precedence_of_its_checks(samples: list[list[int]]) -> None:
    checks = len(samples[0]) if samples else 1
    columns = [np.array([sample[c] for sample in samples], np.int8) for c in range(checks)]
    flags, named = combine(list(zip(CHECKS, columns, strict=False)))
    assert flags.tolist() == [max(sample, key=PRECEDENCE.index) for sample in samples]
    for sample, bits in zip(samples, named.tolist(), strict=True):
        assert check_names(bits) == tuple(CHECKS[c] for c in range(checks) if sample[c] in (3, 4))


def test_aggregating_leaves_the_checks_own_flags_alone() -> None:
    flags = np.array([1, 3, 9], np.int8)
    assert aggregate([flags, np.array([4, 1, 2], np.int8)]).tolist() == [4, 3, 2]
    assert flags.tolist() == [1, 3, 9]


def test_no_checks_and_checks_of_unequal_length_are_errors() -> None:
    with pytest.raises(ValueError, match="at least one check"):
        aggregate([])
    with pytest.raises(ValueError, match="spike flagged 2 samples of 1"):
        combine([("rate", np.ones(1, np.int8)), ("spike", np.ones(2, np.int8))])


def test_the_names_of_checks_keep_their_bits() -> None:
    # Stored files rest on these numbers.
    assert [check_bit(name) for name in CHECKS] == [1, 2, 4, 8, 16, 32, 64]
    assert check_names(check_bit("clipped") | check_bit("rate")) == ("rate", "clipped")
    assert check_names(0) == ()


def test_only_failed_and_missing_samples_are_kept_out_of_the_tension() -> None:
    assert usable(np.array([1, 2, 3, 4, 9], np.int8)).tolist() == [True, True, True, False, False]


def test_a_gauge_fails_while_the_latest_brake_state_is_open() -> None:
    at_us = np.array([5, 10, 15, 20, 25, 30], np.int64)
    value = np.array([1, 1, 1, np.nan, 1, 1])
    brake_at_us = np.array([10, 12, 20, 25], np.int64)
    brake = np.array([1, 0, np.nan, 0.5])
    # 5: not reported yet; 10: set at that instant; 15: open; 25: 0.5 is not below a half.
    assert brake_open(at_us, value, brake_at_us, brake).tolist() == [2, 1, 4, 9, 1, 1]
    assert brake_open(at_us, value, brake_at_us[:0], brake[:0]).tolist() == [2, 2, 2, 9, 2, 2]


def test_the_reserved_status_and_a_value_typed_in_by_hand_do_not_pass() -> None:
    assert status_code(np.array([0x80, 216, 217, 192])).tolist() == [2, 3, 3, 1]


@settings(deadline=None)  # the first call compiles
@given(st.lists(st.tuples(FLAG, st.integers(0, 3), st.integers(1, 5)), max_size=40))
def test_runs_hold_every_sample_that_did_not_pass_and_nothing_else(
    samples: list[tuple[int, int, int]],
) -> None:
    at_us = np.cumsum([step for _, _, step in samples], dtype=np.int64)
    flags = np.array([flag for flag, _, _ in samples], np.int8)
    checks = np.array([bits if flag in (3, 4) else 0 for flag, bits, _ in samples], np.uint8)
    runs = flag_runs(at_us, flags, checks)
    assert int(runs.samples.sum()) == int((flags != 1).sum())
    again, checks_again = spread(runs, at_us)
    assert again.tolist() == flags.tolist()
    assert checks_again.tolist() == checks.tolist()


def test_neighbouring_samples_with_one_flag_from_the_same_checks_are_one_run() -> None:
    at_us = np.arange(7, dtype=np.int64)
    flags = np.array([3, 3, 3, 1, 9, 9, 3], np.int8)
    checks = np.array([2, 2, 4, 0, 0, 0, 2], np.uint8)
    runs = flag_runs(at_us, flags, checks)
    assert runs.first_us.tolist() == [0, 2, 4, 6]
    assert runs.last_us.tolist() == [1, 2, 5, 6]
    assert runs.flag.tolist() == [3, 3, 9, 3]
    assert runs.checks.tolist() == [2, 4, 0, 2]


def test_runs_of_other_samples_are_refused() -> None:
    at_us = np.arange(4, dtype=np.int64)
    runs = flag_runs(at_us, np.array([1, 4, 4, 1], np.int8), np.array([0, 1, 1, 0], np.uint8))
    with pytest.raises(Bug, match="found 1 samples, expected 2"):
        spread(runs, np.array([0, 1, 3], np.int64))
