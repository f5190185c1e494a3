"""Brake-held: the definition to the sample, and the same events wherever the record is cut."""

import itertools
import json
import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.events.brake_held import Above, BrakeHeld, Peak, Recorded, Setting, Span, above_setting, join, whole
from tests.extent import examples

SET_KN, GAP_S, CLUSTER_S, BEFORE_S, LEAST_M = 500.0, 10.0, 60.0, 2.0, 0.05
SET: Sequence[Setting] = [(-(10**15), SET_KN)]
Pairs = Sequence[tuple[float, float]]


def recorded(tension: Pairs, payout: Pairs = (), *, clipped_from_kn: float = math.inf) -> Recorded:
    """Seconds and kN (NaN: not usable), seconds and metres."""
    kn = np.array([value for _, value in tension], np.float64)
    usable = ~np.isnan(kn)
    return Recorded(
        np.array([round(at * 1e6) for at, _ in tension], np.int64),
        np.where(usable, kn, 9999.0),  # what is not usable is not looked at, whatever it says
        usable,
        kn >= clipped_from_kn,
        np.array([round(at * 1e6) for at, _ in payout], np.int64),
        np.array([metres for _, metres in payout], np.float64),
    )


def events(
    record: Recorded, *, tended: Sequence[Span] = (), rendered: Sequence[Span] = (), sets: Sequence[Setting] = SET
) -> list[BrakeHeld]:
    return joined(above_setting(record, sets, max_gap_s=GAP_S), tended, rendered)


def joined(pieces: Sequence[Above], tended: Sequence[Span] = (), rendered: Sequence[Span] = ()) -> list[BrakeHeld]:
    return join(
        whole(pieces, max_gap_s=GAP_S),
        tended=tended,
        rendered=rendered,
        cluster_gap_s=CLUSTER_S,
        before_s=BEFORE_S,
        min_payout_m=LEAST_M,
    )


def test_a_load_above_the_setting_with_no_line_paid_out_is_one_event_with_its_peak() -> None:
    record = recorded([(0, 400), (1, 510), (2, 560), (3, 560), (4, 500), (5, 400)], [(0, 20.0), (3, 20.01)])
    (event,) = events(record)
    assert event.paid_out_m == pytest.approx(0.01)
    assert event == BrakeHeld(1_000_000, 3_000_000, Peak(2_000_000, 560.0, False), SET_KN, 1, event.paid_out_m)


def test_a_load_of_exactly_the_setting_is_not_above_it() -> None:
    assert events(recorded([(0, 500.0), (1, 500.0)])) == []
    assert len(events(recorded([(at, math.nextafter(500.0, 501.0)) for at in (0, 1)]))) == 1


def test_a_single_reading_above_the_setting_is_one_once_a_second_a_crest_is_no_more() -> None:
    (event,) = events(recorded([(0, 400), (1, 900), (2, 400), (3, 900), (4, 400)]))
    assert (event.from_us, event.to_us, event.runs) == (1_000_000, 3_000_000, 2)


@pytest.mark.parametrize(("apart_s", "count"), [(59.999999, 1), (60.0, 2)])
def test_loads_less_than_a_minute_apart_are_one_event(apart_s: float, count: int) -> None:
    record = recorded([(-1, 510), (0, 510), (1, 400), (apart_s - 1, 400), (apart_s, 520), (apart_s + 1, 520)])
    found = events(record)
    assert (len(found), sum(event.runs for event in found)) == (count, 2)


@pytest.mark.parametrize(("paid_m", "count"), [(0.0499, 1), (0.05, 0)])
def test_a_brake_that_let_line_out_did_not_hold(paid_m: float, count: int) -> None:
    record = recorded([(0, 400), (1, 510), (9, 520), (10, 400)], [(0, 0.0), (9, paid_m)])
    assert len(events(record)) == count


def test_without_payout_it_is_said_that_nothing_is_known_of_it() -> None:
    (event,) = events(recorded([(0, 510), (1, 510)]))
    assert event.paid_out_m is None
    (event,) = events(recorded([(0, 510), (5, 510)], [(0, math.nan)]))
    assert event.paid_out_m is None
    # A payout older than the longest gap tells nothing.
    (event,) = events(recorded([(0, 400), (20, 510), (21, 510)], [(0, 5.0)]))
    assert event.paid_out_m is None


def test_loads_while_the_winch_is_under_power_are_left_out_and_the_others_stay() -> None:
    record = recorded([(0, 510), (1, 510), (2, 400), (29, 700), (30, 700), (31, 400), (50, 520), (51, 520)])
    (event,) = events(record, tended=[(29_000_000, 30_000_000)])
    assert (event.peak.kn, event.runs) == (520.0, 2)


def test_what_a_rendering_touches_is_no_holding() -> None:
    record = recorded([(10, 510), (11, 510), (12, 400), (39, 560), (40, 560), (41, 400)])
    assert events(record, rendered=[(40_000_000, 42_000_000)]) == []
    assert events(record, rendered=[(7_000_000, 8_000_000)]) == []
    assert len(events(record, rendered=[(7_000_000, 7_999_999)])) == 1


def test_a_new_setting_ends_a_run_and_its_event_and_none_is_registered_before_the_first() -> None:
    sets: Sequence[Setting] = [(2_000_000, 500.0), (4_000_000, None), (6_000_000, 550.0)]
    found = events(recorded([(at, 600.0) for at in range(9)]), sets=sets)
    assert [(event.from_us, event.to_us, event.set_kn) for event in found] == [
        (2_000_000, 3_000_000, 500.0),
        (6_000_000, 8_000_000, 550.0),
    ]


def test_a_clipped_gauge_makes_the_peak_at_least() -> None:
    (event,) = events(recorded([(0, 600), (1, 510)], clipped_from_kn=600.0))
    assert event.peak == Peak(0, 600.0, True)


def test_pieces_survive_json() -> None:
    pieces = above_setting(recorded([(0, 510.1), (1, 520.3)], [(0, 1 / 3)]), SET, max_gap_s=GAP_S)
    assert pieces
    assert [Above.from_payload(json.loads(json.dumps(one.to_payload()))) for one in pieces] == pieces


def by_definition(record: Recorded, tended: Sequence[Span], rendered: Sequence[Span]) -> list[BrakeHeld]:
    """The docstring's definition over a whole record, in plain loops."""
    samples = [
        (int(at), float(kn)) for at, kn, usable in zip(record.at_us, record.kn, record.usable, strict=True) if usable
    ]
    payout = [(int(at), float(m)) for at, m in zip(record.payout_at_us, record.payout_m, strict=True) if m == m]
    runs: list[list[tuple[int, float]]] = []
    before: tuple[int, float] | None = None
    for at_us, kn in samples:
        if kn > SET_KN:
            goes_on = before is not None and before[1] > SET_KN and at_us - before[0] <= GAP_S * 1e6
            runs[-1:] = [[*runs[-1], (at_us, kn)]] if goes_on else [*runs[-1:], [(at_us, kn)]]
        before = (at_us, kn)
    clusters: list[list[list[tuple[int, float]]]] = []
    for run in runs:
        if any(first <= run[-1][0] and run[0][0] <= last for first, last in tended):
            continue
        if clusters and run[0][0] - clusters[-1][-1][-1][0] < CLUSTER_S * 1e6:
            clusters[-1].append(run)
        else:
            clusters.append([run])
    found = []
    for cluster in clusters:
        first_us, last_us = cluster[0][0][0], cluster[-1][-1][0]
        if any(first <= last_us and first_us - BEFORE_S * 1e6 <= last for first, last in rendered):
            continue
        paid: list[float | None] = []
        for run in cluster:
            ends = []
            for at_us in (run[0][0], run[-1][0]):
                latest = [m for at, m in payout if at_us - GAP_S * 1e6 <= at <= at_us]
                ends.append(latest[-1] if latest else None)
            paid.append(None if ends[0] is None or ends[1] is None else ends[1] - ends[0])
        total = None if None in paid else sum(metres for metres in paid if metres is not None)
        if total is not None and total >= LEAST_M:
            continue
        kn, minus_us = max((kn, -at_us) for run in cluster for at_us, kn in run)
        found.append(BrakeHeld(first_us, last_us, Peak(-minus_us, kn, False), SET_KN, len(cluster), total))
    return found


@st.composite
def records(draw: st.DrawFn) -> Recorded:
    """Some minutes of tension about the setting, with gaps, missing readings, equal values and payout now and then."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))

    def times(count: int, steps: Sequence[int]) -> list[float]:
        return [tick / 10 for tick in np.cumsum(rng.choice(steps, count)).tolist()]

    at = times(draw(st.integers(0, 120)), [5, 10, 10, 20, 100, 101, 300])
    kn = rng.choice([300.0, 300.0, 500.0, 500.5, 560.0, 560.0, math.nan], len(at))
    payout_at = times(draw(st.integers(0, 60)), [5, 10, 50, 100, 101])
    metres = np.cumsum(rng.choice([0.0, 0.0, 0.0, 0.01, 0.03, -0.02], len(payout_at)))
    metres[rng.uniform(size=len(payout_at)) < 0.1] = math.nan
    return recorded(list(zip(at, kn.tolist(), strict=True)), list(zip(payout_at, metres.tolist(), strict=True)))


@st.composite
def spans(draw: st.DrawFn) -> list[Span]:
    starts = draw(st.lists(st.integers(0, 3000), max_size=3))
    return [(start * 100_000, start * 100_000 + draw(st.integers(0, 200)) * 100_000) for start in starts]


def between(record: Recorded, from_us: float, to_us: float) -> Recorded:
    """A slice: its own tension, and payout from the longest gap before it on."""
    own = (record.at_us >= from_us) & (record.at_us < to_us)
    near = (record.payout_at_us >= from_us - GAP_S * 1e6) & (record.payout_at_us < to_us)
    return Recorded(
        record.at_us[own],
        record.kn[own],
        record.usable[own],
        record.clipped[own],
        record.payout_at_us[near],
        record.payout_m[near],
    )


@settings(max_examples=examples(300), deadline=None)
@given(record=records(), tended=spans(), rendered=spans(), borders=st.lists(st.integers(0, 3000), max_size=8))
def test_events_are_those_of_the_definition_wherever_the_record_is_cut(
    record: Recorded, tended: list[Span], rendered: list[Span], borders: list[int]
) -> None:
    edges = [-(10**15), *sorted(border * 100_000 for border in borders), 10**15]
    pieces: list[Above] = []
    for from_us, to_us in itertools.pairwise(edges):
        pieces += above_setting(between(record, from_us, to_us), SET, max_gap_s=GAP_S)
    assert joined(pieces[::-1], tended, rendered) == by_definition(record, tended, rendered)
