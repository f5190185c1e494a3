"""Time at level and coverage: how long each sample stands, in which 5 kN class and 10-minute bin."""

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.night.look import Looked, SliceSamples, line_tension_kn, slice_near, slice_samples
from pipeline.night.plan import SheetPlan
from pipeline.quality import Flagged
from pipeline.sheets.kernel import OUTERMOST_CLASS, level_class
from pipeline.sheets.sheet import Sheet, make_sheet
from pipeline.store.days import Readings
from schemas.registers import Calibration
from schemas.times import DAY_US, day_of, day_start_us, us_to_rfc3339
from tests.sheets.slow import (
    BIN_US,
    CHANNEL,
    MAX_GAP_US,
    MIDNIGHT_US,
    SECOND_US,
    TIED_KN,
    Record,
    Rigged,
    Sample,
    class_of,
    records,
    sample_lists,
    sheet_of,
    sheets,
    slices,
    time_at_level,
)


def stood(sheet: Sheet) -> dict[tuple[int, int], int]:
    cells = zip(sheet.level_bins.tolist(), sheet.level_classes.tolist(), strict=True)
    return dict(zip(cells, sheet.level_us.tolist(), strict=True))


@settings(deadline=None)
@given(records())
def test_time_at_level_is_as_defined_in_every_sheet(record: Record) -> None:
    for rigging in record.riggings:
        for piece in slices(rigging, max((s.at_us for s in record.samples), default=0)):
            sheet = sheet_of(piece, record.samples)
            expected = time_at_level(record.samples, rigging, piece.from_us, piece.to_us)
            assert stood(sheet) == dict(+expected)
            assert list(stood(sheet)) == sorted(stood(sheet))
            assert sheet.observed_us == expected.total() <= piece.to_us - piece.from_us


@settings(deadline=None)
@given(records())
def test_coverage_over_all_sheets_is_that_of_the_whole_rigging(record: Record) -> None:
    expected = sum(time_at_level(record.samples, rigging, -(2**62), 2**62).total() for rigging in record.riggings)
    assert sum(sheet.observed_us for sheet in sheets(record)) == expected


@settings(deadline=None)
@given(records(), st.data())
def test_a_days_worker_gives_each_slice_the_samples_and_the_next_reading_that_the_definition_needs(
    record: Record, data: st.DataObject
) -> None:
    share = data.draw(st.sampled_from([1.0, 0.5]))
    for rigging in record.riggings:
        for piece in slices(rigging, max((s.at_us for s in record.samples), default=0)):
            wanted = SheetPlan(
                key="key",
                slice=replace(piece, share=share),
                calibrations=(),
                render_base_kn=None,
                rigged_from_us=rigging.from_us,
                rigged_to_us=rigging.to_us,
                limit_kn=None,
                pretension_kn=None,
                settings=(),
                inputs={},
            )
            of_day = [s for s in record.samples if day_of(s.at_us) == piece.day]
            later = any(day_of(s.at_us) > piece.day for s in record.samples)
            found = slice_samples(wanted, _looked(of_day), frozenset([CHANNEL] if later else []))
            sheet = make_sheet(
                wanted.slice,
                found.at_us,
                found.kn,
                found.usable,
                found.clipped,
                after_us=found.after_us,
                max_gap_us=MAX_GAP_US,
            )
            near = slice_near(wanted, _looked(of_day), frozenset([CHANNEL] if later else []))
            assert _told(near.samples) == _told(found)
            own = slice(near.tension.begin, near.tension.end)
            tension = near.tension
            arrays = tension.at_us[own], tension.kn[own], tension.usable[own], tension.clipped[own]
            assert _told(SliceSamples(*arrays, tension.after_us)) == _told(found)
            shared = tuple(Sample(s.at_us, s.kn * share, s.usable) for s in record.samples)
            assert stood(sheet) == dict(+time_at_level(shared, rigging, piece.from_us, piece.to_us))


def _told(samples: SliceSamples) -> list[object]:
    """What samples say, NaN as None."""
    kn = [None if np.isnan(kn) else kn for kn in samples.kn.tolist()]
    return [samples.at_us.tolist(), kn, samples.usable.tolist(), samples.clipped.tolist(), samples.after_us]


def _looked(of_day: list[Sample]) -> Looked:
    """A day's readings and flags as a worker has them."""
    at_us = np.array([s.at_us for s in of_day], np.int64)
    value = np.array([s.kn if s.usable else np.nan for s in of_day], np.float64)
    flags = np.array([1 if s.usable else 9 for s in of_day], np.int8)
    readings: Mapping[str, Readings] = {CHANNEL: Readings(at_us, value)} if of_day else {}
    flagged = {CHANNEL: Flagged(flags, np.zeros(flags.size, np.uint16))} if of_day else {}
    return Looked(readings, flagged, readings, flagged)


def at(*times_s: float) -> list[int]:
    return [MIDNIGHT_US + round(t * SECOND_US) for t in times_s]


def one_sheet(samples: list[Sample], from_us: int = MIDNIGHT_US, to_us: int | None = None) -> Sheet:
    [sheet] = sheets(Record(tuple(samples), (Rigged(from_us, to_us),)))
    return sheet


def test_a_sample_with_nothing_after_it_stands_for_nothing() -> None:
    assert one_sheet([Sample(MIDNIGHT_US, 12.0)]).observed_us == 0


def test_a_sample_stands_no_longer_than_the_longest_gap() -> None:
    first, second = at(1, 3600)
    assert one_sheet([Sample(first, 12.0), Sample(second, 12.0)]).observed_us == MAX_GAP_US


def test_a_flagged_sample_ends_the_time_of_the_one_before_it_and_stands_for_nothing() -> None:
    a, b, c = at(0, 2, 5)
    assert one_sheet([Sample(a, 12.0), Sample(b, 99.0, usable=False), Sample(c, 12.0)]).observed_us == 2 * SECOND_US


def test_time_stops_at_the_end_of_a_bin_and_of_a_rigging() -> None:
    a, b, end = at(599, 607, 609)
    assert stood(one_sheet([Sample(a, 7.0), Sample(b, -0.5), Sample(end + 1, 0.0)], to_us=end)) == {
        (MIDNIGHT_US // BIN_US, 1): SECOND_US,
        (MIDNIGHT_US // BIN_US + 1, -1): 2 * SECOND_US,
    }


def test_the_last_sample_of_a_day_stands_up_to_midnight_once_a_later_day_has_a_reading() -> None:
    last = MIDNIGHT_US - 4 * SECOND_US
    late = Record((Sample(last, 12.0), Sample(MIDNIGHT_US + 6 * 3600 * SECOND_US, 1.0)), (Rigged(last, None),))
    assert [sheet.observed_us for sheet in sheets(late)] == [4 * SECOND_US, 0]


EDGES = [5.0 * i for i in range(-400, 400)] + [5.0 * 10**k for k in range(1, 9)] + [-5.0 * 10**k for k in range(1, 9)]


def test_classes_are_exact_at_their_edges_and_one_unit_in_the_last_place_beside_them() -> None:
    for edge in EDGES:
        c = round(edge / 5)
        assert level_class(edge) == c
        assert level_class(math.nextafter(edge, math.inf)) == c
        assert level_class(math.nextafter(edge, -math.inf)) == c - 1


@settings(deadline=None)
@given(st.floats(-4e9, 4e9))
@example(-0.0)
@example(-5e-324)
@example(0.1 * 3 * 5)
def test_a_class_holds_the_tensions_from_its_edge_up_to_the_next(kn: float) -> None:
    assert level_class(kn) == class_of(kn)


def test_tensions_that_no_line_ever_felt_stand_in_an_outermost_class() -> None:
    for kn in (5e9, 1e12, 1e300, math.inf):
        assert level_class(kn) == OUTERMOST_CLASS
        assert level_class(-kn) in (-OUTERMOST_CLASS, -OUTERMOST_CLASS - 1)


@settings(deadline=None)
@given(sample_lists(st.one_of(TIED_KN, st.floats(-1e9, 1e9))), st.integers(0, 29), st.floats(1e5, 4e9))
def test_one_broken_reading_a_million_classes_away_costs_no_more_memory(
    samples: tuple[Sample, ...], where: int, kn: float
) -> None:
    # An undeclared 99999 in a channel without capacity is flagged by nothing: its sheet must still be made.
    broken = [Sample(s.at_us, kn if i == where else s.kn, s.usable) for i, s in enumerate(samples)]
    rigging = Rigged(MIDNIGHT_US - DAY_US, None)
    record = Record(tuple(broken), (rigging,))
    expected: Counter[tuple[int, int]] = time_at_level(broken, rigging, -(2**62), 2**62)
    found: Counter[tuple[int, int]] = Counter()
    for sheet in sheets(record):
        found += Counter(stood(sheet))
    assert found == +expected


def test_many_classes_in_one_bin_are_all_told() -> None:
    samples = [Sample(MIDNIGHT_US + i * 100_000, 5.0 * ((i * 7919) % 6000) - 9000) for i in range(6000)]
    sheet = one_sheet(samples)
    assert sheet.level_us.tolist() == [100_000] * 5999
    assert sheet.level_classes.tolist() == sorted(class_of(s.kn) for s in samples[:-1])


def calibration(from_us: int, zero_kn: float, gain: float) -> Calibration:
    return Calibration.model_validate(
        {"channel": CHANNEL, "from": us_to_rfc3339(from_us), "zero_kn": zero_kn, "gain": gain}
    )


@settings(deadline=None)
@given(sample_lists(), st.data())
def test_each_reading_is_calibrated_by_the_calibration_in_force_and_shared(
    samples: tuple[Sample, ...], data: st.DataObject
) -> None:
    instants = [MIDNIGHT_US - 2 * DAY_US, *(s.at_us + shift for s in samples for shift in (0, 1))]
    starts = sorted(data.draw(st.sets(st.sampled_from(instants), max_size=4)))
    known = [calibration(start, 0.5 * i, 1.0 + 0.25 * i) for i, start in enumerate(starts)]
    share = data.draw(st.sampled_from([1.0, 0.5, 0.6]))

    def expected(sample: Sample) -> float:
        in_force = [c for c in known if c.from_us <= sample.at_us][-1:]
        kn = sample.kn if not in_force else (sample.kn - in_force[0].zero_kn) * in_force[0].gain
        return kn * share

    at_us = np.array([s.at_us for s in samples], np.int64)
    kn = np.array([s.kn for s in samples], np.float64)
    before = kn.copy()
    assert line_tension_kn(at_us, kn, known, share).tolist() == [expected(s) for s in samples]
    assert (kn == before).all()


@pytest.mark.parametrize("day_us", [day_start_us(day_of(0)), MIDNIGHT_US])
def test_the_first_day_of_the_epoch_is_a_day_like_any_other(day_us: int) -> None:
    samples = [Sample(day_us + i * SECOND_US, 3.0) for i in range(3)]
    assert stood(one_sheet(samples, from_us=day_us)) == {(day_us // BIN_US, 0): 2 * SECOND_US}
