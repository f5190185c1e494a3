"""Clocks of loggers from motion whose truth is known, and orders only where clocks and sampling leave no other."""

from collections.abc import Sequence

import numpy as np
import pytest

from pipeline.incident.clocks import Clocks, Fitted, clocks_about
from pipeline.incident.times import Span, Times, first_to_go, loss_span, times_of
from pipeline.quality.clocks import Series
from tests.incident.build import POLICY, START_US, line

SECONDS = 5400
MIDDLE_US = START_US + SECONDS * 500_000


def motions(seed: int) -> np.ndarray:
    """Three motions at 10 Hz, sums of sines of 6 to 12 s with phases of their own, and slow ones."""
    rng = np.random.default_rng(seed)
    at = np.arange(SECONDS * 10) / 10
    out = np.zeros((3, at.size))
    for row in range(3):
        for _ in range(60):
            hz = 1 / rng.uniform(6.0, 12.0)
            out[row] += rng.normal() * np.sin(2 * np.pi * (hz * at + rng.random()))
        for _ in range(12):
            hz = 1 / rng.uniform(60.0, 110.0)
            out[row] += 2 * rng.normal() * np.sin(2 * np.pi * (hz * at + rng.random()))
    return out


def channels(
    moved: np.ndarray, rng: np.random.Generator, count: int, every: int, offset_s: float, drift: float
) -> list[Series]:
    """Tensions that follow the motions by mixtures of their own, as one logger stamps and samples them."""
    steps = np.arange(int(rng.integers(every)), moved.shape[1], every)
    true_s = steps / 10 - SECONDS / 2
    at_us = MIDDLE_US + np.rint((true_s * (1 + drift) + offset_s) * 1e6).astype(np.int64)
    return [
        Series(at_us, 200.0 + 5.0 * (rng.normal(size=3) @ moved[:, steps]) + 0.3 * rng.normal(size=steps.size))
        for _ in range(count)
    ]


@pytest.mark.parametrize(("offset_s", "drift"), [(0.0, 0.0), (83.25, 4e-5), (-77.5, -6e-5)])
def test_offset_and_drift_come_out_with_their_sign_and_inside_their_interval(offset_s: float, drift: float) -> None:
    moved, rng = motions(1), np.random.default_rng(2)
    loggers = {"one": channels(moved, rng, 3, 1, 0.0, 0.0), "two": channels(moved, rng, 3, 5, offset_s, drift)}
    found = clocks_about(loggers, "one", MIDDLE_US, most_s=300.0).fitted["two"]
    assert found.low_s <= offset_s <= found.high_s
    assert found.high_s - found.low_s < 0.4
    assert found.offset_s == pytest.approx(offset_s, abs=0.1)
    assert found.drift == pytest.approx(drift, abs=5e-5)
    assert found.at(MIDDLE_US + 1_000_000_000) == pytest.approx(found.offset_s + 1000.0 * found.drift)


def test_a_logger_that_shares_no_motion_has_no_clock() -> None:
    rng = np.random.default_rng(3)
    loggers = {"one": channels(motions(4), rng, 3, 1, 0.0, 0.0), "two": channels(motions(5), rng, 3, 1, 0.0, 0.0)}
    assert set(clocks_about(loggers, "one", MIDDLE_US, most_s=300.0).fitted) == {"one"}


def test_a_logger_that_recorded_for_minutes_only_has_no_clock() -> None:
    moved, rng = motions(6), np.random.default_rng(7)
    short = [Series(one.at_us[:3000], one.kn[:3000]) for one in channels(moved, rng, 3, 1, 0.0, 0.0)]
    loggers = {"one": channels(moved, rng, 3, 1, 0.0, 0.0), "two": short}
    assert set(clocks_about(loggers, "one", MIDDLE_US, most_s=300.0).fitted) == {"one"}


def told(standard_s: float, *, windows: int = 18) -> Times:
    """Times of which logger `two` is 10 s ahead, with this standard uncertainty."""
    two = Fitted("two", 10.0, 0.0, standard_s, 0.0, 0.0, 0.0, windows, START_US, 0.0)
    one = Fitted("one", 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0, START_US, 0.0)
    return Times("one", Clocks("one", START_US, {"one": one, "two": two}, (), {}), {}, None)


def span(logger: str, low_s: float, high_s: float, *, filter_known: bool = True) -> Span:
    return Span(logger, START_US + round(low_s * 1e6), START_US + round(high_s * 1e6), filter_known)


def test_on_one_clock_intervals_that_do_not_overlap_are_in_order() -> None:
    times = told(0.05)
    assert times.order(span("one", 0.0, 0.1), span("one", 0.1, 0.2)) == "first"
    assert times.order(span("one", 0.1, 0.2), span("one", 0.0, 0.1)) == "second"
    assert times.order(span("one", 0.0, 0.2), span("one", 0.1, 0.3)) == "not known"
    # A clock that nobody can compare still orders what it stamped itself.
    assert times.order(span("three", 0.0, 0.1), span("three", 0.1, 0.2)) == "first"


def test_between_two_clocks_an_order_is_claimed_beyond_four_standard_uncertainties_alone() -> None:
    # Student's t with 16 degrees is 4.015 at 5e-4 (tables), more at 3e-5: here over 0.2 s are needed, and 0.5 s do.
    times = told(0.05)
    assert times.order(span("one", 0.0, 0.1), span("two", 10.6, 10.7)) == "first"
    assert times.order(span("one", 0.6, 0.7), span("two", 10.0, 10.1)) == "second"
    assert times.order(span("one", 0.0, 0.1), span("two", 10.2, 10.3)) == "not known"
    assert times.order(span("one", 0.0, 0.1), span("three", 500.0, 500.1)) == "not known"


def test_a_filter_that_nobody_registered_may_have_delayed_what_it_stamped() -> None:
    times = told(0.02)
    assert times.order(span("one", 0.0, 0.1), span("two", 10.8, 10.9)) == "first"
    assert times.order(span("one", 0.0, 0.1), span("two", 10.8, 10.9, filter_known=False)) == "not known"


def test_an_order_does_not_depend_on_which_of_the_two_is_asked_first() -> None:
    rng, times = np.random.default_rng(8), told(0.05)
    other = {"first": "second", "second": "first", "not known": "not known"}
    for _ in range(200):
        a, b = (
            span(str(rng.choice(("one", "two"))), low, low + rng.uniform(0.0, 0.5)) for low in rng.uniform(0, 12, 2)
        )
        assert times.order(b, a) == other[times.order(a, b)]


def losing(at_s: Sequence[float]) -> Times:
    at = np.arange(6000) / 10
    lines = {f"L{k}": line(f"L{k}", np.where(at < lost, 300.0, 0.0)) for k, lost in enumerate(at_s, 1)}
    return times_of(lines, "L1", START_US + 300_000_000, POLICY)


def test_the_first_line_to_go_is_named_only_where_it_is_before_all_others() -> None:
    at = np.arange(6000) / 10
    lines = {
        f"L{k}": line(f"L{k}", np.where(at < lost, 300.0, 0.0)) for k, lost in ((1, 300.0), (2, 290.0), (3, 310.0))
    }
    times = times_of(lines, "L1", START_US + 300_000_000, POLICY)
    assert first_to_go(times, lines, 1_800_000_000) == ("L2", ["L2", "L1", "L3"])
    lines["L4"] = line("L4", np.where(at < 290.0, 300.0, 0.0))
    times = times_of(lines, "L1", START_US + 300_000_000, POLICY)
    assert first_to_go(times, lines, 1_800_000_000)[0] is None


def test_times_without_a_loss_are_about_the_instant_asked_for() -> None:
    lines = {"L1": line("L1", np.full(3000, 300.0))}
    times = times_of(lines, "L1", START_US, POLICY)
    assert times.chosen is None
    assert times.clocks.at_us == START_US
    assert first_to_go(times, lines, 1_800_000_000) == (None, ())


def test_a_loss_spans_what_its_reading_says_on_its_own_clock() -> None:
    times = losing([300.0])
    assert times.chosen is not None
    record = line("L1", np.zeros(10), logger="one")
    assert loss_span(record, times.chosen) == Span("one", START_US + 299_900_000, START_US + 300_000_000, True)
