"""Excursions: maximal runs strictly above a level, as a sheet keeps them for events to join."""

from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.events.peak_load import cluster
from pipeline.sheets.sheet import Excursion
from schemas.times import DAY_US
from tests.sheets.slow import (
    MAX_GAP_US,
    MIDNIGHT_US,
    SECOND_US,
    TIED_KN,
    Record,
    Rigged,
    Sample,
    excursions,
    records,
    sheet_of,
    sheets,
    slices,
)

LEVEL_KN = 10.0
"""One of the values drawn: a sample at the level is not above it."""


def at(second: float) -> int:
    return MIDNIGHT_US + round(second * SECOND_US)


def found(*samples: Sample) -> list[Excursion]:
    [sheet] = sheets(Record(samples, (Rigged(MIDNIGHT_US, None),)), LEVEL_KN)
    return list(sheet.excursions)


@settings(deadline=None)
@given(records(), st.sampled_from([LEVEL_KN, 0.0, -7.0, 12.6]))
@example(
    Record((Sample(MIDNIGHT_US, 15.0), Sample(MIDNIGHT_US + 1, 15.0)), (Rigged(MIDNIGHT_US, MIDNIGHT_US + 1),)),
    LEVEL_KN,
)
def test_a_sheets_excursions_are_those_of_its_slice(record: Record, level_kn: float) -> None:
    for rigging in record.riggings:
        for piece in slices(rigging, max((s.at_us for s in record.samples), default=0), level_kn):
            inside = [s for s in record.samples if piece.from_us <= s.at_us < piece.to_us]
            assert list(sheet_of(piece, record.samples).excursions) == excursions(inside, level_kn)


@settings(deadline=None)
@given(records(TIED_KN), st.sampled_from([10.5, 60.0, 86_400.0]))
def test_joined_to_events_they_are_those_of_the_uncut_rigging(record: Record, cluster_gap_s: float) -> None:
    # An excursion that a midnight cuts is whole again, as long as events join over more than the longest gap.
    for rigging in record.riggings:
        alone = Record(record.samples, (rigging,))
        cut = [e for sheet in sheets(alone, LEVEL_KN) for e in sheet.excursions]
        whole = excursions([s for s in record.samples if rigging.holds(s.at_us)], LEVEL_KN)
        ours = cluster(cut, cluster_gap_s=cluster_gap_s)
        theirs = cluster(whole, cluster_gap_s=cluster_gap_s)
        assert [(e.first_us, e.last_us, e.peak_kn, e.peak_us, e.at_least) for e in ours] == [
            (e.first_us, e.last_us, e.peak_kn, e.peak_us, e.at_least) for e in theirs
        ]


def test_without_a_level_none_are_kept() -> None:
    [sheet] = sheets(Record((Sample(at(0), 99.0),), (Rigged(MIDNIGHT_US, None),)), None)
    assert sheet.excursions == ()


def test_at_the_level_is_not_above_it() -> None:
    assert found(Sample(at(0), 10.0), Sample(at(1), 10.0)) == []
    assert found(Sample(at(0), 10.0), Sample(at(1), 10.000000000000002)) == [
        Excursion(at(1), at(1), 10.000000000000002, at(1), False)
    ]


def test_of_equal_peaks_the_first_is_told() -> None:
    [one] = found(*(Sample(at(i), kn) for i, kn in enumerate([11.0, 20.0, 15.0, 20.0, 12.0])))
    assert one == Excursion(at(0), at(4), 20.0, at(1), False)


def test_only_a_gap_longer_than_the_longest_ends_an_excursion() -> None:
    step = MAX_GAP_US
    assert len(found(Sample(at(0), 15.0), Sample(at(0) + step, 15.0))) == 1
    assert len(found(Sample(at(0), 15.0), Sample(at(0) + step + 1, 15.0))) == 2


def test_samples_that_do_not_count_neither_end_an_excursion_nor_bridge_a_gap() -> None:
    low = Sample(at(1), 0.0, usable=False)
    assert len(found(Sample(at(0), 15.0), low, Sample(at(2), 15.0))) == 1
    middle = Sample(at(8), 15.0, usable=False)
    assert len(found(Sample(at(0), 15.0), middle, Sample(at(16), 15.0))) == 2


def test_a_clipped_sample_makes_the_peak_a_lower_bound_wherever_it_stood() -> None:
    clipped = Sample(at(1), 15.0, clipped=True)
    [one] = found(Sample(at(0), 20.0), clipped)
    assert one.at_least
    [first, second] = found(Sample(at(0), 20.0), Sample(at(1), 5.0, clipped=True), Sample(at(2), 15.0))
    assert not first.at_least
    assert not second.at_least


def test_a_midnight_cuts_an_excursion_between_two_sheets() -> None:
    record = Record((Sample(at(-1), 15.0), Sample(at(1), 16.0)), (Rigged(MIDNIGHT_US - DAY_US, None),))
    assert [list(sheet.excursions) for sheet in sheets(record, LEVEL_KN)] == [
        [Excursion(at(-1), at(-1), 15.0, at(-1), False)],
        [Excursion(at(1), at(1), 16.0, at(1), False)],
    ]
