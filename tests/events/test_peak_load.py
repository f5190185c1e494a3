"""Peak-load events: excursions close together are one, across midnights, with the first of equal peaks."""

import itertools
from dataclasses import dataclass
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.events.ids import event_id
from pipeline.events.peak_load import PeakLoad, Piece, cluster, whole

DAY_US = 86_400_000_000
DAY_S = 86_400


@dataclass(frozen=True)
class Run:
    """An excursion as a sheet keeps it."""

    first_us: int
    last_us: int
    peak_kn: float
    peak_us: int
    at_least: bool = False


def run(first_s: float, last_s: float, peak_kn: float, *, at_least: bool = False) -> Run:
    return Run(round(first_s * 1e6), round(last_s * 1e6), peak_kn, round(first_s * 1e6), at_least)


def test_excursions_exactly_the_gap_apart_are_two_and_a_microsecond_less_makes_them_one() -> None:
    apart = [run(0, 10, 500), run(70, 80, 510)]
    assert len(cluster(apart, cluster_gap_s=60)) == 2
    closer = [apart[0], run(70 - 1e-6, 80, 510)]
    assert cluster(closer, cluster_gap_s=60) == [PeakLoad(0, 80_000_000, 510, 69_999_999, False, 2)]


def test_the_gap_runs_from_the_last_sample_above_and_not_from_the_first() -> None:
    chain = [run(0, 50, 500), run(100, 150, 500), run(200, 250, 500)]
    assert len(cluster(chain, cluster_gap_s=60)) == 1


def test_of_equal_peaks_the_first_counts() -> None:
    (event,) = cluster([run(0, 1, 500), run(5, 6, 520), run(9, 10, 520)], cluster_gap_s=60)
    assert (event.peak_kn, event.peak_us) == (520, 5_000_000)


def test_an_event_with_a_clipped_sample_has_a_peak_of_at_least_so_much() -> None:
    (event,) = cluster([run(0, 1, 500, at_least=True), run(5, 6, 490)], cluster_gap_s=60)
    assert event.at_least


def test_an_excursion_cut_at_midnight_is_one_event() -> None:
    before = Run(DAY_US - 4_000_000, DAY_US - 100_000, 480, DAY_US - 200_000)
    after = Run(DAY_US, DAY_US + 9_000_000, 530, DAY_US + 1_000_000)
    assert cluster([after, before], cluster_gap_s=60) == [
        PeakLoad(before.first_us, after.last_us, 530, after.peak_us, False, 2)
    ]


def test_nothing_above_the_level_is_no_event() -> None:
    assert cluster([], cluster_gap_s=60) == []


@given(st.lists(st.tuples(st.integers(1, 90), st.integers(0, 30), st.integers(1, 5)), max_size=20), st.randoms())
def test_events_do_not_depend_on_the_order_of_excursions_or_on_how_they_were_cut(
    steps: list[tuple[int, int, int]], order: Random
) -> None:
    whole: list[Run] = []
    pieces: list[Run] = []
    at = 0
    for gap, length, peak in steps:
        first, last = at + gap, at + gap + length
        at = last
        whole.append(run(first, last, peak))
        if length >= 2:
            # Cut between two samples a second apart; the peak is in the first part, the second is lower.
            pieces += [run(first, last - 1, peak), run(last, last, peak - 0.5)]
        else:
            pieces.append(run(first, last, peak))
    expected = [(e.first_us, e.last_us, e.peak_kn, e.peak_us) for e in cluster(whole, cluster_gap_s=60)]
    order.shuffle(pieces)
    assert [(e.first_us, e.last_us, e.peak_kn, e.peak_us) for e in cluster(pieces, cluster_gap_s=60)] == expected
    for earlier, later in itertools.pairwise(expected):
        assert later[0] - earlier[1] >= 60_000_000


def test_an_event_keeps_its_id_and_no_two_events_share_one() -> None:
    # SHA-256 of ["peak-load","B4-main",1767225600000000] by the coreutils program sha256sum.
    assert event_id("peak-load", "B4-main", 1_767_225_600_000_000) == "7ba5dd867be2863d"
    ids = {
        event_id(kind, line, at)
        for kind in ("peak-load", "brake-render")
        for line in ("a", 'a","b', "a,b")
        for at in (0, 1, -1)
    }
    assert len(ids) == 18


def test_an_excursion_cut_at_midnight_is_one_again_however_short_the_cluster_gap() -> None:
    cut = [
        Piece(run(DAY_S - 30, DAY_S - 1, 500), runs_in=False, runs_on=True),
        Piece(run(DAY_S, DAY_S + 20, 530), runs_in=True, runs_on=False),
    ]
    (one,) = whole(cut, max_gap_s=10)
    assert (one.first_us, one.last_us, one.peak_kn) == (round((DAY_S - 30) * 1e6), round((DAY_S + 20) * 1e6), 530)
    assert cluster([one], cluster_gap_s=0.5)[0].excursions == 1


def test_excursions_beside_a_midnight_stay_two_where_a_sample_between_them_is_not_above() -> None:
    apart = [
        Piece(run(DAY_S - 30, DAY_S - 2, 500), runs_in=False, runs_on=False),
        Piece(run(DAY_S, DAY_S + 20, 530), runs_in=True, runs_on=False),
    ]
    assert len(whole(apart, max_gap_s=10)) == 2


def test_excursions_beside_a_midnight_stay_two_across_a_gap() -> None:
    apart = [
        Piece(run(DAY_S - 30, DAY_S - 8, 500), runs_in=False, runs_on=True),
        Piece(run(DAY_S + 3, DAY_S + 20, 530), runs_in=True, runs_on=False),
    ]
    assert len(whole(apart, max_gap_s=10)) == 2
    assert len(whole(apart, max_gap_s=11)) == 1


@pytest.mark.parametrize(
    ("first", "second", "doubt"),
    [
        ((True, True), (True, True), "spike"),
        ((True, True), (False, False), "peak"),  # the first is the higher
        ((False, False), (True, True), None),
        ((False, True), (False, False), "peak"),
        ((False, False), (False, False), None),
    ],
)
def test_an_event_is_doubtful_where_all_of_it_is_spikes_and_where_its_peak_is_one(
    first: tuple[bool, bool], second: tuple[bool, bool], doubt: str | None
) -> None:
    pieces = [Piece(run(0, 1, 560), False, False, *first), Piece(run(30, 31, 530), False, False, *second)]
    (event,) = cluster(whole(pieces, max_gap_s=10), cluster_gap_s=60)
    assert (event.doubt, event.excursions, event.peak_kn) == (doubt, 2, 560)
